"""Whether the clock of a recording can be right: a wrong one makes friction of a size that no cloth has.

A clock that runs ``c`` times too slowly makes speeds c times, and decelerations c^2 times too small, and with these
both coefficients of friction. A stun shot that slides for x has ``mu_s = 12 v^2 / (49 g x)``: 0.2 seen at half the
right frame rate is 0.05, at twice the rate 0.8. The prior of the path fit would hide that, so the path is fitted
with one that leaves friction open, and the plausible factors are compared by what they make of it. Where the
sightings do not show how the ball slows down, all factors do alike, and nothing is said.

A shot that slides all the way and is timed four times too slowly looks like one that rolls all the way: rolling
friction is about a sixteenth of sliding friction. No path tells the two apart: only other shots of the session do,
or the sound (`analyze.fit.heard_clock`).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from analyze.fit.doubts import FASTEST_M_S
from analyze.fit.heard_clock import HeardShot
from analyze.fit.path_fit import PathFit, fit_path
from analyze.fit.priors import MotionPriors
from analyze.fit.problem import FIT_PARAMETERS, inverse
from analyze.fit.reasons import CLOCK_UNSURE, WRONG_CLOCK
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from tracker.path import BallPath
from tracker.readout import Readout

FACTORS = (1 / 8, 1 / 4, 1 / 2, 2.0, 4.0, 8.0)  # frame rates of one recording and its files differ by powers of two
# Natural logarithms of how much likelier another clock must be. At 5, sliding friction is beyond 0.07 to 0.55, at 7
# beyond 0.064 to 0.63, where the rest says nothing; 0.15 to 0.4 occurs.
DOUBTED, REFUSED = 5.0, 7.0
_OPEN_SD = 3.0
_WELL_SDS = 1.5
_ODD_SDS = 3.5  # of the usual friction: sliding beyond 0.07 to 0.57, rolling beyond 0.0035 to 0.029
_SPEED, _FORWARD_SLIP = FIT_PARAMETERS.index("log_speed"), FIT_PARAMETERS.index("forward_slip")
_FRICTIONS = [FIT_PARAMETERS.index("log_mu_s"), FIT_PARAMETERS.index("log_mu_r")]
# A fit with the usual priors that is as usual as this needs no second one.
_USUAL_SDS, _USUAL_NOISE = 1.0, 1.1
# Sightings that scatter more than that about the path with open friction show another trouble than the clock.
_MOST_NOISE = 1.5
# A clock that makes sliding look like rolling runs so much too slowly.
ROLL_FOR_SLIDE = 4.0
_AT_ONCE_SDS = 1.5  # of the forward slip from nought
_BETWEEN_SHOT_SD = 0.06  # of one shot's friction from the cloth's, as a logarithm
# By the clock of the sound, sightings may scatter so many times more about the path than by the file's.
_NO_WORSE = 1.3
_NEGLIGIBLE = 1e-4  # weight of a node, of 1


@dataclass(frozen=True, slots=True, eq=False)
class FrictionSeen:
    """What one path says of both frictions when no cloth is presumed: a sum of Gaussians in their logarithms.

    Attributes
    ----------
    weights : (K,) float64
        They add up to 1.
    means : (K, 2) float64
        Logarithms of sliding and of rolling friction.
    covs : (K, 2, 2) float64
        Their covariances; those of the open prior where the path says nothing.
    """

    weights: Floats
    means: Floats
    covs: Floats

    @property
    def sliding(self) -> float:
        """Most likely sliding friction."""
        return math.exp(float(self.means[np.argmax(self.weights), 0]))


def friction_seen(path: BallPath, calibration: Calibration, readout: Readout) -> FrictionSeen | None:
    """Fit a path with the frictions left open; None where there is no fit, or none that is the whole story."""
    fit = fit_path(
        path, calibration, readout=readout, priors=MotionPriors(log_mu_s_sd=_OPEN_SD, log_mu_r_sd=_OPEN_SD)
    )
    if isinstance(fit, NotMeasured) or fit.noise_scale > _MOST_NOISE:
        return None
    at = np.ix_(_FRICTIONS, _FRICTIONS)
    pieces = [
        (node.weight, node.theta[_FRICTIONS], node.cov[at]) for node in fit.nodes if node.weight > _NEGLIGIBLE
    ]
    if not pieces:
        pieces = [(1.0, fit.theta[_FRICTIONS], fit.cov[at])]
    weights, means, covs = (np.array(column) for column in zip(*pieces, strict=True))
    return FrictionSeen(weights / weights.sum(), means, covs + _BETWEEN_SHOT_SD**2 * np.eye(2))


def looks_usual(fit: PathFit) -> bool:
    """Whether a fit with the usual priors shows friction so usual that the clock needs no closer look."""
    priors = fit.motion_priors
    away = fit.theta[_FRICTIONS] - np.log([priors.mu_s, priors.mu_r])
    strange = np.abs(away) > _USUAL_SDS * np.array([priors.log_mu_s_sd, priors.log_mu_r_sd])
    return not fit.nodes and not strange.any() and fit.noise_scale < _USUAL_NOISE


def fits_as_usual(fit: PathFit) -> bool:
    """Whether the usual friction explains a path well: its clock can be right, whatever else explains it."""
    priors = MotionPriors()
    away = fit.theta[_FRICTIONS] - np.log([priors.mu_s, priors.mu_r])
    strange = np.abs(away) > _WELL_SDS * np.array([priors.log_mu_s_sd, priors.log_mu_r_sd])
    return not strange.any() and fit.noise_scale < _USUAL_NOISE


def wrong_clock(seen: FrictionSeen, *, frame_period_s: float) -> tuple[float, NotMeasured] | None:
    """Ask whether another clock is much likelier than the one that a path was timed with.

    Parameters
    ----------
    seen : FrictionSeen
        What the path says.
    frame_period_s : float
        As the path was timed.

    Returns
    -------
    tuple of float and NotMeasured, or None
        Logarithm of how much likelier the likeliest other clock is, and the reason with the rate that it proposes;
        None where the clock can stay as it is.
    """
    right = log_evidence(seen, 1.0)
    gains = {factor: log_evidence(seen, factor) - right for factor in FACTORS}
    factor = max(gains, key=lambda one: gains[one])
    if gains[factor] < DOUBTED:
        return None
    detail = (
        f"timed at {1 / frame_period_s:.0f} frames a second, sliding friction would be {seen.sliding:.2g}; at "
        f"{factor / frame_period_s:.0f} it is {seen.sliding * factor**2:.2g}, as on a cloth: try capture_fps = "
        f"{factor / frame_period_s:.0f}"
    )
    return gains[factor], NotMeasured(WRONG_CLOCK, detail)


def heard_wrong_clock(
    heard: HeardShot, fit: PathFit, path: BallPath, calibration: Calibration, readout: Readout
) -> NotMeasured | None:
    """Ask whether the sound refuses the clock that a path was timed with, and friction allows the sound's.

    Parameters
    ----------
    heard : HeardShot
        Strike and cushion.
    fit : PathFit
        With the usual priors, as timed.
    path : BallPath
        As timed.
    calibration : Calibration
        Camera, table, ball.
    readout : Readout
        Of the rolling shutter.

    Returns
    -------
    NotMeasured or None
        The reason with the rate that it proposes. None as well where no cloth has the friction that the path would
        have by the clock of the sound: then something else was heard, or an editor stretched the sound without
        lowering it.
    """
    if not heard.clock_wrong:
        return None
    other = fit_path(_retimed(path, 1 / heard.clock_factor), calibration, readout=readout)
    period_s = path.frame_period_s
    if (
        isinstance(other, NotMeasured)
        or odd_friction(other, frame_period_s=period_s) is not None
        or other.noise_scale > _NO_WORSE * fit.noise_scale
    ):
        return None
    return NotMeasured(
        WRONG_CLOCK,
        f"strike and cushion are heard {heard.apart_s:.3f} s apart, timed at {1 / period_s:.0f} frames a second "
        f"they are {heard.lane_s:.3f} s apart: try capture_fps = {heard.clock_factor / period_s:.0f}",
    )


def _retimed(path: BallPath, share: float) -> BallPath:
    """Return a path as a clock shows it that counts so much for each second."""
    return replace(
        path,
        times_s=path.times_s * share,
        last_rest_s=path.last_rest_s * share,
        first_moved_s=path.first_moved_s * share,
        turned_s=None if path.turned_s is None else path.turned_s * share,
        frame_period_s=path.frame_period_s * share,
        exposure_s=path.exposure_s * share,
    )


def odd_friction(fit: PathFit, *, frame_period_s: float) -> NotMeasured | None:
    """Ask whether a path needs friction that no cloth has, however well it fits.

    A ball that rolls from the strike on says little of sliding, and with open friction may be taken for one that
    slides: then no clock is much likelier than another, but rolling friction by itself tells.

    Parameters
    ----------
    fit : PathFit
        With the usual priors, or those of the session.
    frame_period_s : float
        As the path was timed.
    """
    usual = MotionPriors()
    away = fit.theta[_FRICTIONS] - np.log([usual.mu_s, usual.mu_r])
    worst = int(np.argmax(np.abs(away) / [usual.log_mu_s_sd, usual.log_mu_r_sd]))
    if abs(away[worst]) < _ODD_SDS * (usual.log_mu_s_sd, usual.log_mu_r_sd)[worst]:
        return None
    seen = math.exp(fit.theta[_FRICTIONS[worst]])
    factor = 2.0 ** max(1, round(abs(away[worst]) / 2 / math.log(2)))
    rate = (factor if away[worst] < 0 else 1 / factor) / frame_period_s
    kind = ("sliding", "rolling")[worst]
    return NotMeasured(
        WRONG_CLOCK,
        f"timed at {1 / frame_period_s:.0f} frames a second, {kind} friction would be {seen:.2g}; "
        f"if nothing else is wrong, try capture_fps = {rate:.0f}",
    )


def unsure_clock(fit: PathFit, *, frame_period_s: float) -> NotMeasured | None:
    """Ask whether a ball that seems to have rolled from the strike on may as well have slid all the way.

    Parameters
    ----------
    fit : PathFit
        With the usual priors.
    frame_period_s : float
        As the path was timed.

    Returns
    -------
    NotMeasured or None
        None where the end of the slide is seen, or the ball did not roll at once.
    """
    speed_m_s = math.exp(fit.theta[_SPEED])
    if not fit.nodes or speed_m_s * ROLL_FOR_SLIDE > FASTEST_M_S:
        return None
    weights = np.array([node.weight for node in fit.nodes])
    slips = np.array([node.theta[_FORWARD_SLIP] for node in fit.nodes])
    variances = np.array([node.cov[_FORWARD_SLIP, _FORWARD_SLIP] for node in fit.nodes])
    mean = float(weights @ slips / weights.sum())
    if mean**2 > _AT_ONCE_SDS**2 * float(weights @ (variances + (slips - mean) ** 2) / weights.sum()):
        return None
    return rolled_or_slid(fit, frame_period_s=frame_period_s)


def rolled_or_slid(fit: PathFit, *, frame_period_s: float) -> NotMeasured:
    """Say that a path leaves it open whether its ball rolled or slid, and what the other clock would be."""
    speed_m_s = math.exp(fit.theta[_SPEED])
    return NotMeasured(
        CLOCK_UNSURE,
        f"{speed_m_s:.1f} m/s as the file plays; if the camera recorded at {ROLL_FOR_SLIDE / frame_period_s:.0f} "
        f"frames a second, it was {ROLL_FOR_SLIDE * speed_m_s:.1f} m/s",
    )


def log_evidence(seen: FrictionSeen, factor: float) -> float:
    """Logarithm of how likely a path is if its clock runs `factor` times too slowly, up to a constant.

    Each Gaussian over the open prior, times the usual prior seen by that clock, is integrated in closed form.
    """
    usual = MotionPriors()
    middle = np.log([usual.mu_s, usual.mu_r])
    at_clock = middle - 2 * math.log(factor)
    held = np.diag([1 / usual.log_mu_s_sd**2, 1 / usual.log_mu_r_sd**2])
    opened = np.eye(2) / _OPEN_SD**2
    logs = []
    for weight, mean, cov in zip(seen.weights, seen.means, seen.covs, strict=True):
        said = inverse(cov)
        total = said + held - opened
        pull = said @ mean + held @ at_clock - opened @ middle
        square = mean @ said @ mean + at_clock @ held @ at_clock - middle @ opened @ middle
        square -= pull @ np.linalg.solve(total, pull)
        logs.append(math.log(weight) + 0.5 * math.log(np.linalg.det(said) / np.linalg.det(total)) - 0.5 * square)
    return float(np.logaddexp.reduce(logs))
