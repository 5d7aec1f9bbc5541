"""The motion of a sliding and rolling ball, fitted to all sightings of a shot at once, in pixels."""

import math
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from analyze.motion import crossing_s, state_jacobian
from analyze.reasons import NO_FIT, RAIL_NOT_REACHED, TOO_FEW_SIGHTINGS
from calibrate.arrays import Floats, readonly
from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.camera import CAMERA_PARAMETERS
from calibrate.errors import NotMeasured
from tracker.path import BallPath

Flags = npt.NDArray[np.bool_]

FIT_PARAMETERS = (
    "x_m",
    "y_m",
    "strike_s",
    "launch_rad",
    "log_speed",
    "side_slip",
    "forward_slip",
    "log_mu_s",
    "log_mu_r",
    "readout_s",
)
"""What is fitted. Slips are in units of the launch speed, right and forward; `log_` is the natural logarithm.

In these the priors are Gaussian and the posterior is nearly so, which it is not in velocities and coefficients.
"""
NUISANCE_PARAMETERS = (*CALIBRATION_PARAMETERS, "ball_bias_u_px", "ball_bias_v_px")
"""Uncertain, but given to the fit: the calibration, and a location error common to all frames."""

MIN_SIGHTINGS = 4  # each gives two numbers; start, time, speed and direction need five beside the place of rest
HUBER = 2.5  # of the Mahalanobis distance in two dimensions: exp(-2.5^2/2) = 4 % of good sightings are touched
OUTLIER = 5.0  # beyond this a sighting is not used at all; 4e-6 of good ones are
_N_FIT = len(FIT_PARAMETERS)
_STRIKE, _READOUT = FIT_PARAMETERS.index("strike_s"), FIT_PARAMETERS.index("readout_s")


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionPriors:
    """What is known before a shot is seen, as means and standard deviations of Gaussian priors.

    Attributes
    ----------
    mu_s, log_mu_s_sd : float
        Sliding friction of ball on cloth; 0.2 is typical and 0.15 to 0.4 occur: Marlow 1995, Mathavan et al. 2009,
        both from memory. The logarithm is given the spread, so 0.11 to 0.36 is within two standard deviations.
    mu_r, log_mu_r_sd : float
        Rolling resistance; 0.005 to 0.015, typically 0.01: same sources, from memory.
    side_slip_sd : float
        Slip to the side over launch speed, (5/2)(b/R) tan(theta): 0.1 is a tip half a radius off centre under a cue
        raised by 4.6 degrees.
    forward_slip, forward_slip_sd : float
        Slip forward over launch speed, 1 - (5/2)(h/R)/cos(theta): 1 for a stun shot, 0 for a ball that rolls
        from the start, 2 for full draw.
    readout_s, readout_sd_s : float
        Readout time of the rolling shutter where it is not known. Published: 1/60 to 1/10 s for a full readout of
        consumer cameras (ISPRS paper reported by the University of Vienna); phones of today in video modes are
        faster: from memory.
    known_readout_sd_s : float
        Uncertainty of a readout time that was given.
    ball_bias_px : float
        Standard uncertainty of a location error that all frames of a shot share, in each direction.
    noise_dof : float
        How firmly the tracker's covariances are believed, in degrees of freedom: the residuals of a shot move the
        scale of the noise in proportion to their own number.
    """

    mu_s: float = 0.2
    log_mu_s_sd: float = 0.3
    mu_r: float = 0.010
    log_mu_r_sd: float = 0.3
    side_slip_sd: float = 0.1
    forward_slip: float = 1.0
    forward_slip_sd: float = 1.0
    readout_s: float = 0.008
    readout_sd_s: float = 0.005
    known_readout_sd_s: float = 0.0003
    ball_bias_px: float = 0.05
    noise_dof: float = 20.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PathFit:
    """A motion through the sightings of one shot, and how well it is known.

    Attributes
    ----------
    theta : (10,) float64
        Fitted values in the order of `FIT_PARAMETERS`.
    parameters : (9,) float64
        The same motion in the order of `motion.MOTION_PARAMETERS`.
    cov : (10, 10) float64
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
        The same over the tracker's uncertainties.
    jacobian : (N, 2, 10) float64
        Derivative of the whitened prediction with respect to `theta`.
    rest_distance : float
        Mahalanobis distance of the fitted start from the place of rest.
    persistence : tuple of float
        Correlation of the residuals from one frame to the next, and its standard error without any.
    noise_scale : float
        What the tracker's uncertainties were multiplied by.
    chi2, dof : float
        Weighted sum of squares of the whitened residuals, and their degrees of freedom.
    cost : float
        What was minimised, with the noise scale applied.
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
    rest_distance: float
    persistence: tuple[float, float]
    noise_scale: float
    chi2: float
    dof: float
    cost: float

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray) and value.dtype == np.float64:
                object.__setattr__(self, item.name, readonly(item.name, value, value.shape))


def motion_parameters(theta: Floats) -> Floats:
    """Translate fitted values to the motion's own parameters.

    Parameters
    ----------
    theta : (..., 10) array
        In the order of `FIT_PARAMETERS`.

    Returns
    -------
    (..., 9) array
        In the order of `motion.MOTION_PARAMETERS`.
    """
    theta = np.asarray(theta)
    speed = np.exp(theta[..., 4])
    sin, cos = np.sin(theta[..., 3]), np.cos(theta[..., 3])
    side, forward = theta[..., 5], theta[..., 6]
    p = np.empty((*theta.shape[:-1], 9))
    p[..., 0:3] = theta[..., 0:3]
    p[..., 3] = speed * sin
    p[..., 4] = speed * cos
    p[..., 5] = speed * (side * cos + forward * sin)
    p[..., 6] = speed * (-side * sin + forward * cos)
    p[..., 7:9] = np.exp(theta[..., 7:9])
    return p


def _motion_slope(theta: Floats, p: Floats) -> Floats:
    """Differentiate `motion_parameters`: (9, 9), without the readout, which is no parameter of the motion."""
    speed = math.exp(theta[4])
    sin, cos = math.sin(theta[3]), math.cos(theta[3])
    slope = np.zeros((9, 9))
    slope[0, 0] = slope[1, 1] = slope[2, 2] = 1.0
    slope[3:7, 3] = (p[4], -p[3], p[6], -p[5])  # a turn of both vectors, clockwise seen from above
    slope[3:7, 4] = p[3:7]
    slope[5:7, 5] = (speed * cos, -speed * sin)
    slope[5:7, 6] = (speed * sin, speed * cos)
    slope[7, 7], slope[8, 8] = p[7], p[8]
    return slope


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """The sightings of a shot, the place of rest as row 0, ready for fitting."""

    path: BallPath
    calibration: Calibration
    rows: Floats  # (N,) row of each sighting over the image height
    whiten: Floats  # (N + 1, 2, 2): inverse Cholesky factors of the covariances
    prior_mean: Floats
    prior_precision: Floats
    use: Flags  # (N,)

    def times_s(self, theta: Floats) -> Floats:
        return self.path.times_s + self.rows * float(theta[_READOUT])

    def predict(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """Image, (N + 1, 2); its derivative, (N + 1, 2, 10); and the places on the table, (N + 1, 3)."""
        p = motion_parameters(theta)
        place, by_motion = state_jacobian(p, self.times_s(theta))
        n = len(place)
        points = np.full((n + 1, 3), self.calibration.ball.radius_m)
        points[0, :2] = p[:2]
        points[1:, :2] = place
        by_theta = np.zeros((n + 1, 2, _N_FIT))
        by_theta[0, 0, 0] = by_theta[0, 1, 1] = 1.0
        by_theta[1:, :, :9] = by_motion @ _motion_slope(theta, p)
        by_theta[1:, :, _READOUT] = -by_motion[:, :, 2] * self.rows[:, None]
        camera = self.calibration.camera
        slope = camera.project_jacobian(points)[..., :2] @ by_theta
        return camera.project(points), slope, points

    def residuals(self, theta: Floats) -> tuple[Floats, Floats]:
        """Whitened sighting minus prediction, (N + 1, 2), and derivative of the prediction, (N + 1, 2, 10)."""
        image, slope, _ = self.predict(theta)
        seen = np.vstack([self.path.rest_px, self.path.centre_px])
        white = (self.whiten @ (seen - image)[..., None])[..., 0]
        return np.where(np.isfinite(white), white, 1e6), np.nan_to_num(self.whiten @ slope)


def fit_path(
    path: BallPath,
    calibration: Calibration,
    *,
    readout_s: float | None,
    priors: MotionPriors | None = None,
) -> PathFit | NotMeasured:
    """Fit the motion of a sliding and rolling ball to all sightings of a shot at once.

    Parameters
    ----------
    path : BallPath
        The sightings, in pixels, with their covariances and frame times.
    calibration : Calibration
        Camera, table, ball; the ball's centre moves at the height of its radius.
    readout_s : float or None
        Time from the first row of a frame to the last; 0 for a global shutter; None where it is not known, so
        that it is fitted with a prior.
    priors : MotionPriors, optional
        Prior knowledge.

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
    priors = priors or MotionPriors()
    if path.n_sightings < MIN_SIGHTINGS:
        return NotMeasured(TOO_FEW_SIGHTINGS, f"{path.n_sightings} sightings, {MIN_SIGHTINGS} needed")
    problem = _problem(path, calibration, readout_s, priors)
    contact_y_m = contact_line_y_m(calibration)
    starts = _starts(problem)
    if not starts:
        return NotMeasured(NO_FIT, "the ball does not move along the lane")

    theta, _ = min((_minimise(problem, start, scale=2.0) for start in starts), key=lambda found: found[1])
    for _ in range(2):
        contact_s = float(crossing_s(motion_parameters(theta), contact_y_m))
        problem = _between_strike_and_contact(problem, theta, contact_s)
        scale = _robust_scale(problem, theta)
        theta, cost = _minimise(problem, theta, scale=scale)
    n_good = int(np.count_nonzero(_weights(problem, theta, scale)))
    if not np.isfinite(theta).all() or n_good < MIN_SIGHTINGS:
        return NotMeasured(NO_FIT, f"only {n_good} of {path.n_sightings} sightings lie on one path")
    contact_s = float(crossing_s(motion_parameters(theta), contact_y_m))
    if not math.isfinite(contact_s):
        return NotMeasured(RAIL_NOT_REACHED, "the fitted motion ends before the cushion")
    return _posterior(problem, theta, priors, contact_y_m=contact_y_m, contact_s=contact_s, cost=cost, scale=scale)


def contact_line_y_m(calibration: Calibration) -> float:
    """Give y of the ball's centre when it touches the foot cushion: the nose meets the ball above its equator.

    Returns
    -------
    float
        ``L - sqrt(R^2 - (nose height - R)^2)``, table frame, in m.
    """
    radius_m = calibration.ball.radius_m
    above_m = calibration.table.nose_height_m - radius_m
    if abs(above_m) >= radius_m:
        raise ValueError(f"the cushion nose must meet the ball, but it is {above_m:.4f} m above its centre")
    return calibration.table.length_m - math.sqrt(radius_m**2 - above_m**2)


def _problem(path: BallPath, calibration: Calibration, readout_s: float | None, priors: MotionPriors) -> _Problem:
    """Collect data and priors."""
    height_px = float(path.size_px[1])
    mean, sd = np.zeros(_N_FIT), np.full(_N_FIT, np.inf)
    mean[5:9] = (0.0, priors.forward_slip, math.log(priors.mu_s), math.log(priors.mu_r))
    sd[5:9] = (priors.side_slip_sd, priors.forward_slip_sd, priors.log_mu_s_sd, priors.log_mu_r_sd)
    if readout_s is None:
        mean[_READOUT], sd[_READOUT] = priors.readout_s, priors.readout_sd_s
    else:
        # A global shutter is known for what it is; a given readout time has been measured somehow.
        mean[_READOUT] = readout_s
        sd[_READOUT] = priors.known_readout_sd_s if readout_s else 1e-9
    # Between the last frame at rest and the first in motion; wide enough not to matter where the ball is seen well.
    mean[_STRIKE] = (path.last_rest_s + path.first_moved_s) / 2 + path.rest_px[1] / height_px * mean[_READOUT]
    sd[_STRIKE] = max(path.frame_period_s, path.first_moved_s - path.last_rest_s)
    cov = np.concatenate([path.rest_cov_px2[None], path.centre_cov_px2])
    use = np.ones(path.n_sightings, dtype=bool)
    if path.turned_s is not None:
        use &= path.times_s < path.turned_s
    return _Problem(
        path=path,
        calibration=calibration,
        rows=path.centre_px[:, 1] / height_px,
        whiten=np.linalg.inv(np.linalg.cholesky(cov)),
        prior_mean=mean,
        prior_precision=1 / sd**2,
        use=use,
    )


def _starts(problem: _Problem) -> list[Floats]:
    """First guesses: a robust parabola through the places on the table, with several kinds of spin."""
    path, camera = problem.path, problem.calibration.camera
    radius_m = problem.calibration.ball.radius_m
    start_m = camera.onto_plane(path.rest_px, z_m=radius_m)
    places_m = camera.onto_plane(path.centre_px, z_m=radius_m)
    times_s = problem.times_s(problem.prior_mean)
    good = np.isfinite(places_m).all(axis=1) & problem.use
    if not np.isfinite(start_m).all() or good.sum() < MIN_SIGHTINGS:
        return []
    t, xy = times_s[good], places_m[good]
    origin_s = float(problem.prior_mean[_STRIKE])
    basis = np.stack([np.ones_like(t), t - origin_s, (t - origin_s) ** 2], axis=1)
    columns = 3 if len(t) > MIN_SIGHTINGS + 2 else 2
    weights = np.ones(len(t))
    for _ in range(15):  # least absolute distances by reweighting: a few gross outliers must not matter
        w = np.sqrt(weights)[:, None]
        curve = np.linalg.lstsq(w * basis[:, :columns], w * xy, rcond=None)[0]
        distance = np.linalg.norm(xy - basis[:, :columns] @ curve, axis=1)
        weights = 1 / np.maximum(distance, 1e-3)
    velocity = curve[1]
    speed = float(np.linalg.norm(velocity))
    if not (velocity[1] > 0 and speed > 0.05):
        return []
    strike_s = origin_s + (start_m[1] - curve[0, 1]) / velocity[1]
    base = problem.prior_mean.copy()
    base[:5] = (*start_m, strike_s, math.atan2(velocity[0], velocity[1]), math.log(speed))
    starts = []
    for forward_slip, friction in ((1.0, 1.0), (0.3, 1.0), (1.8, 1.0), (1.0, 1.6)):
        guess = base.copy()
        guess[6] = forward_slip
        guess[7] += math.log(friction)
        starts.append(guess)
    return starts


def _minimise(problem: _Problem, theta: Floats, *, scale: float) -> tuple[Floats, float]:
    """Levenberg-Marquardt with Huber's weights; `scale` multiplies the tracker's uncertainties."""
    damping = 1e-3
    use = np.concatenate([[True], problem.use])
    white, slope = problem.residuals(theta)
    cost = _cost(problem, theta, white, use, scale)
    for _ in range(60):
        weights = use * _huber_weights(white / scale)
        weights[0] = 1.0
        rows = slope.reshape(-1, _N_FIT) * np.sqrt(np.repeat(weights, 2))[:, None] / scale
        right = white.ravel() * np.sqrt(np.repeat(weights, 2)) / scale
        hessian = rows.T @ rows + np.diag(problem.prior_precision)
        gradient = rows.T @ right + problem.prior_precision * (problem.prior_mean - theta)
        better = False
        for _ in range(8):
            step = np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), gradient)
            trial = theta + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
            trial_white, trial_slope = problem.residuals(trial)
            trial_cost = _cost(problem, trial, trial_white, use, scale)
            if trial_cost <= cost:
                better = True
                break
            damping *= 8
        if not better:
            break
        gain = cost - trial_cost
        theta, white, slope, cost = trial, trial_white, trial_slope, trial_cost
        damping = max(damping / 8, 1e-12)
        if gain < 1e-9 * (1 + cost):
            break
    return theta, cost


# A step longer than this leaves the range in which the linearised motion means anything.
_LONGEST_STEP = np.array([0.2, 0.2, 0.1, 0.2, 0.5, 0.5, 1.0, 0.7, 0.7, 0.02])


def _huber_weights(white: Floats) -> Floats:
    distance = np.linalg.norm(white, axis=-1)
    weights: Floats = HUBER / np.maximum(distance, HUBER)
    return weights


def _cost(problem: _Problem, theta: Floats, white: Floats, use: Floats, scale: float) -> float:
    distance = np.linalg.norm(white, axis=-1) / scale
    huber = np.where(distance <= HUBER, distance**2, 2 * HUBER * distance - HUBER**2)
    huber[0] = distance[0] ** 2
    prior = problem.prior_precision @ (theta - problem.prior_mean) ** 2
    return float(huber @ use + prior)


def _robust_scale(problem: _Problem, theta: Floats) -> float:
    """Noise over stated noise from the median distance (the median of a Rayleigh variable is 1.177), at least 1."""
    white, _ = problem.residuals(theta)
    distance = np.linalg.norm(white[1:][problem.use], axis=1)
    return max(1.0, float(np.median(distance)) / 1.177) if len(distance) else 1.0


def _between_strike_and_contact(problem: _Problem, theta: Floats, contact_s: float) -> _Problem:
    """Leave out sightings whose exposure holds the strike or the contact: the ball changes speed within them."""
    path = problem.path
    times_s = problem.times_s(theta)
    blur_s = path.exposure_s
    use = times_s > theta[_STRIKE] + blur_s
    if math.isfinite(contact_s):
        use &= times_s < contact_s - blur_s
    if path.turned_s is not None:
        use &= path.times_s < path.turned_s
    if np.count_nonzero(use) < MIN_SIGHTINGS:
        return problem
    return _Problem(
        path,
        problem.calibration,
        problem.rows,
        problem.whiten,
        problem.prior_mean,
        problem.prior_precision,
        use,
    )


def _weights(problem: _Problem, theta: Floats, scale: float) -> Floats:
    """Weights of the sightings, (N,); gross outliers and those not between strike and contact get 0."""
    white, _ = problem.residuals(theta)
    distance = np.linalg.norm(white[1:], axis=1) / scale
    weights: Floats = np.where(problem.use & (distance < OUTLIER), HUBER / np.maximum(distance, HUBER), 0.0)
    return weights


def _persistence(white: Floats, weights: Floats) -> tuple[float, float]:
    """Correlation of whitened residuals from one frame to the next, and its standard error if there is none."""
    good = weights > 0
    pairs = good[1:] & good[:-1]
    n = 2 * int(np.count_nonzero(pairs))
    power = float(np.mean(white[good] ** 2)) if good.any() else 0.0
    if n == 0 or power == 0:
        return 0.0, 1.0
    together = float(np.mean((white[1:] * white[:-1])[pairs]))
    return together / power, 1 / math.sqrt(n)


def _persistence_factor(persistence: tuple[float, float]) -> float:
    """Factor on the variance of slow features of a path when errors persist from frame to frame.

    An error of correlation rho from frame to frame averages out like one with ``(1 + rho)/(1 - rho)`` times the
    variance and none (first-order autoregression). Only what exceeds the chance level counts.
    """
    rho = min(max(persistence[0] - persistence[1], 0.0), 0.8)
    return (1 + rho) / (1 - rho)


def _posterior(
    problem: _Problem,
    theta: Floats,
    priors: MotionPriors,
    *,
    contact_y_m: float,
    contact_s: float,
    cost: float,
    scale: float,
) -> PathFit:
    """Covariance at the minimum, and how the minimum moves with the calibration."""
    weights = _weights(problem, theta, scale)
    white, slope = problem.residuals(theta)
    all_weights = np.concatenate([[1.0], weights])
    w = np.repeat(all_weights, 2)
    rows = slope.reshape(-1, _N_FIT)
    right = white.ravel()
    precision = np.diag(problem.prior_precision)

    # One step without the gross outliers, then the scale of the noise from what remains.
    noise2 = scale**2
    for _ in range(2):
        hessian = (rows * w[:, None]).T @ rows / noise2 + precision
        cov = np.linalg.inv(hessian)
        cov = (cov + cov.T) / 2
        dof = float(2 * np.count_nonzero(all_weights) - np.trace(cov @ (hessian - precision)))
        chi2 = float(w @ right**2)
        noise2 = (priors.noise_dof + chi2) / (priors.noise_dof + max(dof, 0.0))
        persistence = _persistence(white[1:], weights)
        noise2 *= _persistence_factor(persistence)
    gradient = rows.T @ (w * right) / noise2 + precision @ (problem.prior_mean - theta)
    theta = theta + np.clip(cov @ gradient, -_LONGEST_STEP, _LONGEST_STEP)
    white, slope = problem.residuals(theta)

    _, _, points = problem.predict(theta)
    by_nuisance = np.zeros((len(points), 2, len(NUISANCE_PARAMETERS)))
    by_nuisance[..., : len(CAMERA_PARAMETERS)] = problem.calibration.camera.project_parameter_jacobian(points)
    by_nuisance[..., -2:] = np.eye(2)
    moved = (problem.whiten @ by_nuisance).reshape(-1, len(NUISANCE_PARAMETERS))
    nuisance_slope = -cov @ (slope.reshape(-1, _N_FIT) * w[:, None]).T @ moved / noise2
    nuisance_cov = np.zeros((len(NUISANCE_PARAMETERS),) * 2)
    nuisance_cov[:-2, :-2] = problem.calibration.cov
    nuisance_cov[-2:, -2:] = priors.ball_bias_px**2 * np.eye(2)

    image, _, _ = problem.predict(theta)
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
        whitened=white[1:],
        jacobian=slope[1:],
        rest_distance=float(np.linalg.norm(white[0])) / math.sqrt(noise2),
        persistence=persistence,
        noise_scale=math.sqrt(noise2),
        chi2=chi2,
        dof=dof,
        cost=cost,
    )
