"""Whether a fitted motion is the whole story of a shot, or something happened that it does not know."""

import math

import numpy as np

from analyze.motion import GRAVITY_M_S2, state
from analyze.path_fit import PathFit
from analyze.path_problem import OUTLIER
from analyze.reasons import (
    FAR_FROM_RAIL,
    HOP,
    KINK,
    NO_REST,
    ODD_SPEED,
    OUTLIERS,
    PATTERN,
    POOR_FIT,
)
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from tracker.path import BallPath

FASTEST_M_S, SLOWEST_M_S = 13.0, 0.4  # a hard break is 10 to 12 m/s: common practice, no source
FAR_M = 0.4  # extrapolated by more than this, the reading leans on friction priors more than on sightings
OUTLIER_SHARE = 0.25
POOR_SCALE = 3.0  # noise this many times what the pixels showed
PATTERN_SCALE = 1.4
# Thresholds of chi-square gains: the largest of a hundred places tried stays below 30 in all but 1e-4 of good shots
# (two degrees of freedom, 100 exp(-15)), below 25 with one degree and ten tries.
KINK_GAIN, KINK_TURN = 30.0, 0.02
HOP_GAIN, HOP_SHARE = 25.0, 0.3
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
    speed = math.exp(fit.theta[4])
    if not SLOWEST_M_S <= speed <= FASTEST_M_S:
        return NotMeasured(ODD_SPEED, f"launch at {speed:.2f} m/s")
    dropped = fit.used & (fit.weights == 0)
    n_used = int(np.count_nonzero(fit.used))
    if kink := _find_kink(fit, path, calibration):
        return kink
    if np.count_nonzero(dropped) > OUTLIER_SHARE * n_used:
        return NotMeasured(OUTLIERS, f"{np.count_nonzero(dropped)} of {n_used} sightings")
    if hop := _find_hop(fit, path, calibration):
        return hop
    if fit.rest_distance > OUTLIER:
        return NotMeasured(NO_REST, f"{fit.rest_distance:.1f} standard deviations apart")
    places, _ = state(fit.parameters, fit.times_s[fit.weights > 0])
    gap_m = fit.contact_y_m - float(places[:, 1].max())
    if gap_m > FAR_M:
        return NotMeasured(FAR_FROM_RAIL, f"last seen {gap_m * 1000:.0f} mm before the rail")
    if fit.noise_scale > POOR_SCALE:
        return NotMeasured(POOR_FIT, f"noise {fit.noise_scale:.1f} times that of the pixels")
    rho, rho_sd = fit.persistence
    if fit.noise_scale > PATTERN_SCALE and rho > 5 * rho_sd:
        return NotMeasured(
            PATTERN,
            f"correlation {rho:.2f} from frame to frame, noise {fit.noise_scale:.1f} times that of the pixels",
        )
    return None


def _whitened_slopes(fit: PathFit, path: BallPath, calibration: Calibration) -> Floats:
    """Differentiate the whitened image by the place of the ball, (N, 2, 3), noise scale applied."""
    places, _ = state(fit.parameters, fit.times_s)
    points = np.column_stack([places, np.full(len(places), calibration.ball.radius_m)])
    whiten = np.linalg.inv(np.linalg.cholesky(path.centre_cov_px2)) / fit.noise_scale
    slopes: Floats = whiten @ calibration.camera.project_jacobian(points)
    return slopes


def _gain(fit: PathFit, columns: Floats) -> tuple[float, Floats]:
    """How much chi-square would fall with extra terms in the motion, and their best amplitudes.

    Parameters
    ----------
    fit : PathFit
        The fitted motion.
    columns : (N, 2, K) array
        Whitened effect of each extra term.

    Returns
    -------
    gain : float
        Fall of the minimum, the fitted parameters following (Rao's score test).
    amplitudes : (K,) array
        Of the extra terms.
    """
    w = np.repeat(np.sqrt(fit.weights), 2)[:, None]
    rows = fit.jacobian.reshape(-1, fit.jacobian.shape[2]) * w / fit.noise_scale
    right = (fit.whitened.reshape(-1, 1) * w / fit.noise_scale)[:, 0]
    extra = columns.reshape(-1, columns.shape[2]) * w
    # The fitted motion follows with gain C J'; priors and the place of rest are within C.
    cross = rows.T @ extra
    information = extra.T @ extra - cross.T @ fit.cov @ cross
    pull = extra.T @ right
    try:
        amplitudes = np.linalg.solve(information, pull)
    except np.linalg.LinAlgError:
        return 0.0, np.zeros(columns.shape[2])
    return float(pull @ amplitudes), amplitudes


def _find_kink(fit: PathFit, path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Look for a sudden change of velocity, or for a path that ends in outliers."""
    good = np.flatnonzero(fit.used)
    lost = (fit.weights == 0)[good]
    run = 0
    while run < len(lost) and lost[len(lost) - 1 - run]:
        run += 1
    if run >= 3:
        return NotMeasured(KINK, f"the last {run} sightings lie off the path")
    slopes = _whitened_slopes(fit, path, calibration)[..., :2]
    speed = math.exp(fit.theta[4])
    best, turn, at_s = 0.0, 0.0, 0.0
    for k in good[2:-2]:
        after_s = np.maximum(fit.times_s - fit.times_s[k], 0.0)
        gain, change = _gain(fit, slopes * after_s[:, None, None])
        if gain > best:
            best, turn, at_s = gain, float(np.hypot(*change)) / speed, float(fit.times_s[k])
    if best > KINK_GAIN and turn > KINK_TURN:
        return NotMeasured(KINK, f"velocity changes by {100 * turn:.1f} % at {at_s:.2f} s")
    return None


def _find_hop(fit: PathFit, path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Look for a flight of the ball right after the strike."""
    slopes = _whitened_slopes(fit, path, calibration)[..., 2:]
    tau = fit.times_s - fit.theta[2]
    best, share, lasted_s = 0.0, 0.0, 0.0
    for hop_s in _HOP_TIMES_S:
        height_m = np.where((tau > 0) & (tau < hop_s), 0.5 * GRAVITY_M_S2 * tau * (hop_s - tau), 0.0)
        if np.count_nonzero(height_m[fit.weights > 0]) < 2:
            continue
        gain, (amplitude,) = _gain(fit, slopes * height_m[:, None, None])
        if gain > best and amplitude > 0:
            best, share, lasted_s = gain, float(amplitude), hop_s
    if best > HOP_GAIN and share > HOP_SHARE:
        height_mm = 1000 * share * GRAVITY_M_S2 * lasted_s**2 / 8
        return NotMeasured(HOP, f"about {height_mm:.1f} mm high for {lasted_s:.2f} s")
    return None
