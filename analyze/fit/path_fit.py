"""The motion of a sliding and rolling ball, fitted to all sightings of a shot at once, in pixels."""

import math
from dataclasses import dataclass, fields, replace

import numpy as np

from analyze.fit.motion import crossing_s
from analyze.fit.noise_seen import ErrorScales, error_scales
from analyze.fit.priors import ErrorPriors, MotionPriors
from analyze.fit.problem import (
    LONGEST_STEP,
    MIN_SIGHTINGS,
    N_FIT,
    NUISANCE_PARAMETERS,
    PULL,
    READOUT,
    STRIKE,
    Flags,
    Problem,
    build_problem,
    inverse,
    minimise,
    motion_parameters,
    robust_scale,
    sighting_weights,
    upright_axes,
    weighed,
)
from analyze.fit.reasons import NO_FIT, RAIL_NOT_REACHED, TOO_FEW_SIGHTINGS
from analyze.fit.sighting_noise import SightingNoise
from analyze.fit.slide_nodes import SlideNode, slide_nodes
from calibrate.arrays import Floats, readonly
from calibrate.calibration import Calibration
from calibrate.camera import CAMERA_PARAMETERS
from calibrate.errors import NotMeasured
from tracker.autocorrelation import variance_factor
from tracker.contact import centre_at_contact_y_m
from tracker.path import BallPath
from tracker.readout import Readout

_HELD_S = 1e-5  # standard deviation that holds the readout time while other values are far off
_VALLEY_FOUND = 1e-4  # of the cost: which valley is the deepest shows well before its floor is reached
_NO_PATH_SCALE = 30.0  # noise this many times what the pixels showed: these sightings are no path
_EARLY_S, _EARLY_SIGHTINGS = 0.15, 6  # from which the first guess of the velocity is taken, at least
_CRAWL_M_S = 0.05  # slower than any shot that reaches the rail (2 m of rolling take 0.6 m/s)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PathFit:
    """A motion through the sightings of one shot, and how well it is known.

    Attributes
    ----------
    theta : (11,) float64
        Fitted values in the order of `FIT_PARAMETERS`.
    parameters : (9,) float64
        The same motion in the order of `motion.MOTION_PARAMETERS`.
    cov : (11, 11) float64
        Covariance of `theta` from sightings and priors, the nuisance parameters taken as exact.
    prior_precision : (10,) float64
        Precision that the priors gave each of `theta`; 0 where there is no prior.
    nuisance_slope : (10, 17) float64
        How `theta` moves with each of `NUISANCE_PARAMETERS`.
    nuisance_cov : (17, 17) float64
        Covariance of the nuisance parameters.
    contact_y_m : float
        y of the ball's centre when it touches the cushion, table frame.
    contact_s : float
        When, on the clip's clock.
    times_s : (N,) float64
        When the ball was where each sighting shows it: frame times plus row times.
    weights : (N,) float64
        Weight of each sighting in the fit, 0 to 1; 0 for those not used.
    used : (N,) bool
        Sightings between strike and contact; the others have no residual worth looking at.
    residuals_px : (N, 2) float64
        Sighting minus prediction.
    whitened : (N, 2) float64
        The same over the tracker's uncertainties, the drift left in.
    jacobian : (N, 2, 11) float64
        Derivative of the whitened prediction with respect to `theta`.
    noise : SightingNoise
        The tracker's uncertainties of the sightings.
    rest_distance : float
        Mahalanobis distance of the fitted start from the place of rest.
    persistence : tuple of float
        Correlation of the residuals from one frame to the next, beyond that of the drift, and its standard error
        without any.
    noise_scale : float
        What the tracker's uncertainties were multiplied by.
    error_scales : ErrorScales
        What noise and drift were multiplied by beside that, where the sightings scatter less than stated.
    chi2, dof : float
        Weighted sum of squares of the whitened residuals, and their degrees of freedom.
    cost : float
        What was minimised, with the noise scale applied.
    motion_priors, error_priors, readout : MotionPriors, ErrorPriors, Readout
        What the fit was given.
    nodes : tuple of SlideNode
        The posterior in pieces where the sightings do not show the end of the slide; else empty, and `theta` with
        `cov` describe it.
    """

    theta: Floats
    parameters: Floats
    cov: Floats
    prior_precision: Floats
    nuisance_slope: Floats
    nuisance_cov: Floats
    contact_y_m: float
    contact_s: float
    times_s: Floats
    weights: Floats
    used: Flags
    residuals_px: Floats
    whitened: Floats
    jacobian: Floats
    noise: SightingNoise
    rest_distance: float
    persistence: tuple[float, float]
    noise_scale: float
    error_scales: ErrorScales
    chi2: float
    dof: float
    cost: float
    motion_priors: MotionPriors
    error_priors: ErrorPriors
    readout: Readout
    nodes: tuple[SlideNode, ...] = ()

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray) and value.dtype == np.float64:
                object.__setattr__(self, item.name, readonly(item.name, value, value.shape))

    @property
    def pull_m_s2(self) -> float:
        """What the table pulls a rolling ball to the right, as fitted."""
        return float(self.theta[PULL])


def fit_path(
    path: BallPath,
    calibration: Calibration,
    *,
    readout: Readout,
    priors: MotionPriors | None = None,
    errors: ErrorPriors | None = None,
) -> PathFit | NotMeasured:
    """Fit the motion of a sliding and rolling ball to all sightings of a shot at once.

    Parameters
    ----------
    path : BallPath
        The sightings, in pixels, with their covariances and frame times.
    calibration : Calibration
        Camera, table, ball; the ball's centre moves at the height of its radius.
    readout : Readout
        Time from the first row of a frame to the last; it is fitted, with this as prior.
    priors : MotionPriors, optional
        Prior knowledge of friction, spin and table.
    errors : ErrorPriors, optional
        Prior knowledge of how well the ball is located.

    Returns
    -------
    PathFit or NotMeasured
        The motion and its covariance, or why there is none.

    Notes
    -----
    Levenberg-Marquardt on the log posterior with Huber's weights on the Mahalanobis distance of each sighting
    (Huber 1964), from several starts: where the end of the slide lies outside the data, slip and friction trade
    against each other and the cost may have more than one valley. The calibration is not refitted; its share in
    the uncertainty follows from the implicit derivative of the minimum (one more Gauss-Newton step with moved
    camera).
    """
    priors, errors = priors or MotionPriors(), errors or ErrorPriors()
    if path.n_sightings < MIN_SIGHTINGS:
        return NotMeasured(TOO_FEW_SIGHTINGS, f"{path.n_sightings} sightings, {MIN_SIGHTINGS} needed")
    problem = build_problem(path, calibration, readout, priors)
    contact_y_m = centre_at_contact_y_m(calibration)
    starts = _starts(problem)
    if not starts:
        return NotMeasured(NO_FIT, "the ball does not move along the lane")

    # With residuals of many pixels no prior holds the readout time and it wanders off: freed near the minimum only.
    precision = problem.prior_precision.copy()
    precision[READOUT] = max(precision[READOUT], 1 / _HELD_S**2)
    held = replace(problem, prior_precision=precision)
    valleys = (minimise(held, start, scale=2.0, settled=_VALLEY_FOUND) for start in starts)
    theta, _ = min(valleys, key=lambda found: found[1])
    for _ in range(2):
        contact_s = float(crossing_s(motion_parameters(theta), contact_y_m))
        problem = _between_strike_and_contact(problem, theta, contact_s)
        scale = robust_scale(problem, theta)
        theta, cost = minimise(problem, theta, scale=scale)
    n_good = int(np.count_nonzero(sighting_weights(problem, theta, scale)))
    if not np.isfinite(theta).all() or n_good < MIN_SIGHTINGS:
        return NotMeasured(NO_FIT, f"only {n_good} of {path.n_sightings} sightings lie on one path")
    contact_s = float(crossing_s(motion_parameters(theta), contact_y_m))
    if not math.isfinite(contact_s):
        return NotMeasured(RAIL_NOT_REACHED, "the fitted motion ends before the cushion")
    try:
        return _posterior(
            problem,
            theta,
            _Given(priors, errors, readout),
            contact_y_m=contact_y_m,
            contact_s=contact_s,
            cost=cost,
            scale=scale,
        )
    except np.linalg.LinAlgError:
        return NotMeasured(NO_FIT, "the sightings do not determine a motion")


def _starts(problem: Problem) -> list[Floats]:
    """First guesses: straight from the place of rest through the early sightings, with several kinds of spin."""
    path, camera = problem.path, problem.calibration.camera
    radius_m = problem.calibration.ball.radius_m
    start_m = camera.onto_plane(path.rest_px, z_m=radius_m)
    places_m = camera.onto_plane(path.centre_px, z_m=radius_m)
    times_s = problem.times_s(problem.prior_mean)
    good = np.isfinite(places_m).all(axis=1) & problem.use
    if not np.isfinite(start_m).all() or good.sum() < MIN_SIGHTINGS:
        return []
    # Early sightings give the launch velocity; a median, because a few of them may be gross outliers.
    strike_s = float(problem.prior_mean[STRIKE])
    since_s = times_s[good] - strike_s
    early = since_s <= max(_EARLY_S, np.sort(since_s)[min(_EARLY_SIGHTINGS, len(since_s)) - 1])
    since_s = np.maximum(since_s[early], path.frame_period_s / 2)
    late_half = since_s >= np.median(since_s)  # there the unknown moment of the strike matters less
    velocity = np.median(((places_m[good][early] - start_m) / since_s[:, None])[late_half], axis=0)
    speed = float(np.linalg.norm(velocity))
    if not (velocity[1] > 0 and speed > _CRAWL_M_S):
        return []
    base = problem.prior_mean.copy()
    base[:5] = (*start_m, strike_s, math.atan2(velocity[0], velocity[1]), math.log(speed))
    starts = []
    for forward_slip, friction in ((1.0, 1.0), (0.3, 1.0), (1.8, 1.0), (1.0, 1.6)):
        guess = base.copy()
        guess[6] = forward_slip
        guess[7] += math.log(friction)
        starts.append(guess)
    return starts


def _between_strike_and_contact(problem: Problem, theta: Floats, contact_s: float) -> Problem:
    """Leave out sightings whose exposure holds the strike or the contact: the ball changes speed within them."""
    path = problem.path
    times_s = problem.times_s(theta)
    blur_s = path.exposure_s
    use = times_s > theta[STRIKE] + blur_s
    if math.isfinite(contact_s):
        use &= times_s < contact_s - blur_s
    if path.turned_s is not None:
        use &= path.times_s < path.turned_s
    if np.count_nonzero(use) < MIN_SIGHTINGS:
        return problem
    return replace(problem, use=use)


def _persistence(innovations: Floats) -> tuple[float, float]:
    """Correlation of residuals from one frame to the next, and its standard error if there is none."""
    n = 2 * (len(innovations) - 1)
    power = float(np.mean(innovations**2))
    if n <= 0 or power == 0:
        return 0.0, 1.0
    return float(np.mean(innovations[1:] * innovations[:-1])) / power, 1 / math.sqrt(n)


def _persistence_factor(persistence: tuple[float, float]) -> float:
    """Factor on the variance of slow features of a path when errors persist; only what exceeds chance counts."""
    return variance_factor(min(max(persistence[0] - persistence[1], 0.0), 0.8))


@dataclass(frozen=True, slots=True)
class _Given:
    motion: MotionPriors
    errors: ErrorPriors
    readout: Readout


def _posterior(
    problem: Problem,
    theta: Floats,
    given: _Given,
    *,
    contact_y_m: float,
    contact_s: float,
    cost: float,
    scale: float,
) -> PathFit | NotMeasured:
    """Covariance at the minimum, and how the minimum moves with the calibration."""
    weights = sighting_weights(problem, theta, scale)
    weighing = problem.noise.weighing(weights)
    white, slope = problem.residuals(theta)
    rows = slope.reshape(-1, N_FIT)
    right = white.ravel()
    weighed_rows, weighed_right = weighed(weighing, rows), weighed(weighing, right)
    precision = np.diag(problem.prior_precision)

    # One step without the gross outliers, then the scale of the noise from what remains.
    noise2 = scale**2
    for _ in range(2):
        hessian = rows.T @ weighed_rows / noise2 + precision
        cov = inverse(hessian)
        dof = float(2 * (1 + np.count_nonzero(weights)) - np.trace(cov @ (hessian - precision)))
        chi2 = float(right @ weighed_right)
        noise2 = (given.errors.noise_dof + chi2) / (given.errors.noise_dof + max(dof, 0.0))
        persistence = _persistence(problem.noise.innovations(white[1:], weights))
        # the tracker states what it knows to persist: only what goes beyond that raises the noise
        noise2 = max(given.errors.least_noise**2, noise2 * _persistence_factor(persistence))
    scales = ErrorScales()
    stated = problem
    if noise2 <= given.errors.least_noise**2:
        scales = error_scales(problem, theta, weights, given.errors)
        problem = problem.with_noise(frame=scales.frame, drift=scales.drift)
        weighing = problem.noise.weighing(weights)
        white, slope = problem.residuals(theta)
        rows = slope.reshape(-1, N_FIT)
        weighed_rows, weighed_right = weighed(weighing, rows), weighed(weighing, white.ravel())
        cov = inverse(rows.T @ weighed_rows / noise2 + precision)
    gradient = rows.T @ weighed_right / noise2 + precision @ (problem.prior_mean - theta)
    theta = theta + np.clip(cov @ gradient, -LONGEST_STEP, LONGEST_STEP)
    white, slope = problem.residuals(theta)

    _, _, points = problem.predict(theta)
    by_nuisance = np.zeros((len(points), 2, len(NUISANCE_PARAMETERS)))
    by_nuisance[..., : len(CAMERA_PARAMETERS)] = problem.calibration.camera.project_parameter_jacobian(points)
    by_nuisance[..., -2:] = np.eye(2)
    moved = (problem.whiten @ by_nuisance).reshape(-1, len(NUISANCE_PARAMETERS))
    nuisance_slope = -cov @ slope.reshape(-1, N_FIT).T @ weighed(weighing, moved) / noise2
    nuisance_cov = np.zeros((len(NUISANCE_PARAMETERS),) * 2)
    nuisance_cov[:-2, :-2] = problem.calibration.cov
    axes = upright_axes(problem.calibration.camera, points[0])
    nuisance_cov[-2:, -2:] = axes * np.square(given.errors.ball_bias_px) @ axes.T

    image, _, _ = problem.predict(theta)
    if not (np.isfinite(image).all() and np.isfinite(theta).all()):
        return NotMeasured(NO_FIT, "the fitted motion leaves the picture")
    if noise2 > _NO_PATH_SCALE**2:
        return NotMeasured(NO_FIT, f"the sightings scatter by {math.sqrt(noise2):.0f} times their location error")
    nodes = slide_nodes(problem, theta, cov, weighing=weighing, noise2=noise2, by_nuisance=moved)
    parameters = motion_parameters(theta)
    reached_s = float(crossing_s(parameters, contact_y_m))
    return PathFit(
        theta=theta,
        parameters=parameters,
        cov=cov,
        prior_precision=problem.prior_precision,
        nuisance_slope=nuisance_slope,
        nuisance_cov=nuisance_cov,
        contact_y_m=contact_y_m,
        contact_s=reached_s if math.isfinite(reached_s) else contact_s,
        times_s=problem.times_s(theta),
        weights=weights,
        used=problem.use,
        residuals_px=problem.path.centre_px - image[1:],
        whitened=scales.frame * white[1:],
        jacobian=scales.frame * slope[1:],
        noise=stated.noise,
        error_scales=scales,
        rest_distance=float(np.linalg.norm(white[0])) / math.sqrt(noise2),
        persistence=persistence,
        noise_scale=math.sqrt(noise2),
        chi2=chi2,
        dof=dof,
        cost=cost,
        motion_priors=given.motion,
        error_priors=given.errors,
        readout=given.readout,
        nodes=nodes,
    )
