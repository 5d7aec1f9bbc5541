"""Whether a fitted motion is the whole story of a shot, or something happened that it does not know."""

import math
from dataclasses import replace

import numpy as np

from analyze.fit.frame_times import find_uneven_times
from analyze.fit.motion import GRAVITY_M_S2, state
from analyze.fit.path_fit import PathFit, fit_path
from analyze.fit.problem import FIT_PARAMETERS, OUTLIER, READOUT
from analyze.fit.reasons import (
    DARK_PATCH,
    FAR_FROM_RAIL,
    FAR_FROM_SPOT,
    HOP,
    KINK,
    NO_REST,
    ODD_SPEED,
    OUTLIERS,
    PATTERN,
    POOR_FIT,
)
from analyze.fit.set_up import find_set_up_doubt
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from tracker.path import BallPath
from tracker.readout import Readout

_SPEED = FIT_PARAMETERS.index("log_speed")
FASTEST_M_S, SLOWEST_M_S = 13.0, 0.4  # a hard break is 10 to 12 m/s: common practice, no source
FAR_M = 0.4  # extrapolated by more than this, results lean on friction priors more than on sightings
OUTLIER_SHARE = 0.25  # of the sightings, off the path: chosen
POOR_SCALE = 3.0  # noise this many times what the pixels showed
PATTERN_SCALE = 1.4  # noise this many times what the pixels showed, if neighbours err alike: chosen
# Thresholds of chi-square gains: the largest of a hundred places tried stays below 30 in all but 1e-4 of good shots
# (two degrees of freedom, 100 exp(-15)), below 25 with one degree and ten tries.
KINK_GAIN, KINK_TURN = 30.0, 0.02
BENT_SCALE = 1.2
HOP_GAIN, HOP_SHARE = 25.0, 0.3
BREAK_SIGHTINGS, LOST_END = 8, 3
# Rendered: a patch that reaches 34 degrees and more from its middle takes 0.25 to 0.48 of a face that it is turned
# to, a dot 0.04 to 0.08. Streaks of 78 mm with a patch were seen 4 px aside, of 17 mm 0.6 px.
DARK_SHARE, LONG_STREAK = 0.15, 0.75  # of the face; in radii of the ball
_HOP_TIMES_S = (0.02, 0.03, 0.04, 0.05, 0.065, 0.08, 0.1, 0.13, 0.16, 0.2)


def find_doubt(fit: PathFit, path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Look for signs that the motion is not that of one ball sliding and rolling undisturbed.

    Parameters
    ----------
    fit : PathFit
        The fitted motion.
    path : BallPath
        What it was fitted to.
    calibration : Calibration
        The one it was fitted with.

    Returns
    -------
    NotMeasured or None
        The first doubt found, the most telling kinds first; None where there is none.
    """
    speed = math.exp(fit.theta[_SPEED])
    if not SLOWEST_M_S <= speed <= FASTEST_M_S:
        return NotMeasured(ODD_SPEED, f"launch at {speed:.2f} m/s")
    dropped = fit.used & (fit.weights == 0)
    n_used = int(np.count_nonzero(fit.used))
    lost = _find_lost_end(fit)
    if lost is not None:
        return lost
    if np.count_nonzero(dropped) > OUTLIER_SHARE * n_used:
        return NotMeasured(OUTLIERS, f"{np.count_nonzero(dropped)} of {n_used} sightings")
    for find in (_find_kink, _find_hop, _find_misfit):
        doubt = find(fit, path, calibration)
        if doubt is not None:
            return doubt
    doubt = find_set_up_doubt(path, calibration)
    return doubt if doubt is not None else _find_dark_patch(fit, path, calibration)


def _find_dark_patch(fit: PathFit, path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Look for a patch that may have pulled the ball aside: large, on a ball that is smeared."""
    streak = math.exp(fit.theta[_SPEED]) * path.exposure_s / calibration.ball.radius_m
    if path.dark_share is None or path.dark_share < DARK_SHARE or streak < LONG_STREAK:
        return None
    share = f"{100 * path.dark_share:.0f} % of its face is one dark patch"
    return NotMeasured(DARK_PATCH, f"{share}, and it moves by {streak:.1f} radii in one exposure")


def _find_misfit(fit: PathFit, path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Compare start, end and scatter of the path with the fit."""
    if fit.rest_distance > OUTLIER:
        return NotMeasured(NO_REST, f"{fit.rest_distance:.1f} standard deviations apart")
    places, _ = state(fit.parameters, fit.times_s[fit.weights > 0], pull_m_s2=fit.pull_m_s2)
    late_m = float(np.hypot(*(places[0] - fit.parameters[:2])))
    if late_m > FAR_M:
        return NotMeasured(FAR_FROM_SPOT, f"first seen {late_m * 1000:.0f} mm from where it rested")
    gap_m = fit.contact_y_m - float(places[:, 1].max())
    if gap_m > FAR_M:
        return NotMeasured(FAR_FROM_RAIL, f"last seen {gap_m * 1000:.0f} mm before the rail")
    uneven = find_uneven_times(fit, calibration)
    if uneven is not None:
        return uneven
    noise = f"noise {fit.noise_scale:.1f} times that of the pixels"
    if fit.noise_scale > POOR_SCALE:
        broken = _find_break(fit, path, calibration)
        return NotMeasured(POOR_FIT, noise) if broken is None else broken
    rho, rho_sd = fit.persistence
    if fit.noise_scale > PATTERN_SCALE and rho > 5 * rho_sd:
        return NotMeasured(PATTERN, f"correlation {rho:.2f} from frame to frame, {noise}")
    return None


def _whitened_slopes(fit: PathFit, calibration: Calibration) -> Floats:
    """Differentiate the whitened image by the place of the ball, (N, 2, 3), noise scale applied."""
    places, _ = state(fit.parameters, fit.times_s, pull_m_s2=fit.pull_m_s2)
    points = np.column_stack([places, np.full(len(places), calibration.ball.radius_m)])
    slopes: Floats = fit.noise.whiten / fit.noise_scale @ calibration.camera.project_jacobian(points)
    return slopes


def _held(fit: PathFit, path: BallPath, calibration: Calibration) -> Floats:
    """Information on the fitted values from priors and place of rest, (11, 11)."""
    rest = np.array([*fit.theta[:2], calibration.ball.radius_m])
    slope = calibration.camera.project_jacobian(rest)[:, :2] / fit.noise_scale
    held = np.diag(fit.prior_precision)
    held[:2, :2] += slope.T @ np.linalg.solve(path.rest_cov_px2, slope)
    return held


def _gain(fit: PathFit, held: Floats, columns: Floats, weights: Floats) -> tuple[float, Floats]:
    """How much chi-square would fall with extra terms in the motion, and their best amplitudes.

    Parameters
    ----------
    fit : PathFit
        The fitted motion.
    held : (11, 11) array
        Information of priors and place of rest.
    columns : (N, 2, K) array
        Whitened effect of each extra term.
    weights : (N,) array
        Weight of each sighting in this comparison.

    Returns
    -------
    gain : float
        Fall of the minimum, the fitted parameters following, in units of the noise that is left with the terms in.
    amplitudes : (K,) array
        Of the extra terms.
    """
    jacobian = fit.jacobian.reshape(-1, fit.jacobian.shape[2]) / fit.noise_scale
    right = fit.whitened.ravel() / fit.noise_scale
    extra = columns.reshape(-1, columns.shape[2])
    weighing = fit.noise.weighing(weights)
    weighed_right = weighing(right)
    # At the minimum the pull of priors and place of rest is that of the sightings, reversed.
    gradient = jacobian.T @ (weighed_right - fit.noise.weighing(fit.weights)(right))
    n = jacobian.shape[1]
    full = np.hstack([jacobian, extra])
    information = full.T @ weighing(full)
    information[:n, :n] += held
    pull = np.concatenate([gradient, extra.T @ weighed_right])
    size = np.sqrt(np.diag(information))
    if not (size > 0).all():
        return 0.0, np.zeros(columns.shape[2])
    scaled = information / np.outer(size, size)
    try:
        without = (gradient / size[:n]) @ np.linalg.solve(scaled[:n, :n], gradient / size[:n])
        best = np.linalg.solve(scaled, pull / size) / size
    except np.linalg.LinAlgError:
        return 0.0, np.zeros(columns.shape[2])
    gain = float(pull @ best - without)
    left = float(right @ weighed_right) - float(without) - gain
    believed = fit.error_priors.noise_dof
    counted = believed + max(2 * float(weights.sum()) - n, 0.0)
    noise = (believed / fit.noise_scale**2 + max(left, 0.0)) / counted
    return gain / noise, best[n:]


def _find_lost_end(fit: PathFit) -> NotMeasured | None:
    """Look for a path that ends in outliers, as after a collision near the rail."""
    kept = np.flatnonzero(fit.used & (fit.weights > 0))
    run = int(np.count_nonzero(fit.used[kept[-1] + 1 :]))
    if run < LOST_END:
        return None
    return NotMeasured(KINK, f"the last {run} sightings lie off the path")


def _find_kink(fit: PathFit, path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Look for a sudden change of velocity, where sightings scatter more about the path than their pixels say."""
    if fit.noise_scale < BENT_SCALE:
        # The linear gain below is not bounded by the residuals there are; the end of the slide can feed it.
        return None
    good = np.flatnonzero(fit.used)
    slopes = _whitened_slopes(fit, calibration)[..., :2]
    held = _held(fit, path, calibration)
    speed = math.exp(fit.theta[_SPEED])
    best, turn, at_s = 0.0, 0.0, 0.0
    for k in good[2:-2]:
        after_s = np.maximum(fit.times_s - fit.times_s[k], 0.0)
        gain, change = _gain(fit, held, slopes * after_s[:, None, None], fit.weights)
        if gain > best:
            best, turn, at_s = gain, float(np.hypot(*change)) / speed, float(fit.times_s[k])
    if best > KINK_GAIN and KINK_TURN < turn < 1:
        return NotMeasured(KINK, f"velocity changes by {100 * turn:.1f} % at {at_s:.2f} s")
    return None


def _find_break(fit: PathFit, path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Look for a collision so strong that the fit bent itself to meet both parts: the first part alone fits well.

    The longest beginning that fits is found by halving.
    """
    readout = Readout.stated(max(float(fit.theta[READOUT]), 0.0))  # as the whole path has it

    def fits(count: int) -> bool:
        start = replace(
            path,
            times_s=path.times_s[:count],
            centre_px=path.centre_px[:count],
            centre_cov_px2=path.centre_cov_px2[:count],
            turned_s=None,
        )
        found = fit_path(start, calibration, readout=readout, priors=fit.motion_priors, errors=fit.error_priors)
        return (
            isinstance(found, PathFit) and found.noise_scale < PATTERN_SCALE and bool((found.weights > 0)[3:].all())
        )

    good, bad = BREAK_SIGHTINGS, path.n_sightings
    if bad - good < 3 or not fits(good):
        return None
    while bad - good > 1:
        middle = (good + bad) // 2
        if fits(middle):
            good = middle
        else:
            bad = middle
    if path.n_sightings - good < 3:
        return None
    return NotMeasured(KINK, f"the path fits until {fit.times_s[good - 1]:.2f} s, then leaves it")


def _find_hop(fit: PathFit, path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Look for a flight of the ball right after the strike."""
    slopes = _whitened_slopes(fit, calibration)[..., 2:]
    tau = fit.times_s - fit.theta[2]
    # The fit may have thrown out just those sightings that show the flight.
    weights = np.where(fit.used & (tau < _HOP_TIMES_S[-1]), 1.0, fit.weights)
    held = _held(fit, path, calibration)
    best, share, lasted_s = 0.0, 0.0, 0.0
    for hop_s in _HOP_TIMES_S:
        height_m = np.where((tau > 0) & (tau < hop_s), 0.5 * GRAVITY_M_S2 * tau * (hop_s - tau), 0.0)
        if np.count_nonzero(height_m[weights > 0]) < 2:
            continue
        gain, (amplitude,) = _gain(fit, held, slopes * height_m[:, None, None], weights)
        if gain > best and amplitude > 0:
            best, share, lasted_s = gain, float(amplitude), hop_s
    if best > HOP_GAIN and share > HOP_SHARE:
        height_mm = 1000 * share * GRAVITY_M_S2 * lasted_s**2 / 8
        return NotMeasured(HOP, f"about {height_mm:.1f} mm high for {lasted_s:.2f} s")
    return None
