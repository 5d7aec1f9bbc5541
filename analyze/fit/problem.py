"""The sightings of one shot as a least-squares problem: parameters, priors, prediction in pixels, minimisation."""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from analyze.fit.motion import state_jacobian
from analyze.fit.priors import MotionPriors
from analyze.fit.sighting_noise import SightingNoise, Weighing, sighting_noise
from calibrate.arrays import Floats
from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.camera import Camera
from tracker.path import BallPath
from tracker.readout import Readout, readout_share

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
    "pull_m_s2",
)
"""What is fitted. Slips are in units of the launch speed, right and forward; `log_` is the natural logarithm; the
pull is the table's (`analyze.fit.pull`).

In these the priors are Gaussian and the posterior is nearly so, which it is not in velocities and coefficients.
"""
NUISANCE_PARAMETERS = (*CALIBRATION_PARAMETERS, "ball_bias_u_px", "ball_bias_v_px")
"""Uncertain, but given to the fit: the calibration, and a location error common to all frames."""

MIN_SIGHTINGS = 4  # each gives two numbers; start, time, speed and direction need five beside the place of rest
HUBER = 2.5  # of the Mahalanobis distance in two dimensions: exp(-2.5^2/2) = 4 % of good sightings are touched
OUTLIER = 5.0  # beyond this a sighting is not used at all; 4e-6 of good ones are
_DRIFT_ROUNDS = 5  # of weights and drift in turn: of 108 shots' weights none was then 0.003 from where it ends
_SETTLED = 1e-9
N_FIT = len(FIT_PARAMETERS)
STRIKE, READOUT = FIT_PARAMETERS.index("strike_s"), FIT_PARAMETERS.index("readout_s")
PULL = FIT_PARAMETERS.index("pull_m_s2")


def motion_parameters(theta: Floats) -> Floats:
    """Translate fitted values to the motion's own parameters.

    Parameters
    ----------
    theta : (..., 11) array
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
    """Differentiate `motion_parameters`: (9, 9), without readout and pull, which the table and the camera have."""
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


@dataclass(frozen=True, eq=False)
class Problem:
    """The sightings of a shot, the place of rest as row 0, ready for fitting."""

    path: BallPath
    calibration: Calibration
    shares: Floats  # (N,) share of the readout time before each sighting's row is read
    whiten: Floats  # (N + 1, 2, 2): inverse Cholesky factors of the covariances of place of rest and noise
    noise: SightingNoise
    prior_mean: Floats
    prior_precision: Floats
    use: Flags  # (N,)

    @cached_property
    def seen_px(self) -> Floats:
        """(N + 1, 2) place of rest and sightings."""
        return np.vstack([self.path.rest_px, self.path.centre_px])

    def times_s(self, theta: Floats) -> Floats:
        """Frame times plus row times, (N,)."""
        return self.path.times_s + self.shares * float(theta[READOUT])

    def predict(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """Image, (N + 1, 2); its derivative, (N + 1, 2, 11); and the places on the table, (N + 1, 3)."""
        p = motion_parameters(theta)
        place, by_motion, by_pull = state_jacobian(p, self.times_s(theta), pull_m_s2=float(theta[PULL]))
        n = len(place)
        points = np.full((n + 1, 3), self.calibration.ball.radius_m)
        points[0, :2] = p[:2]
        points[1:, :2] = place
        by_theta = np.zeros((n + 1, 2, N_FIT))
        by_theta[0, 0, 0] = by_theta[0, 1, 1] = 1.0
        by_theta[1:, :, :9] = by_motion @ _motion_slope(theta, p)
        by_theta[1:, :, READOUT] = -by_motion[:, :, 2] * self.shares[:, None]
        by_theta[1:, 0, PULL] = by_pull
        image, by_place = self.calibration.camera.project_with_jacobian(points)
        return image, by_place[..., :2] @ by_theta, points

    def with_noise(self, *, frame: float, drift: float) -> "Problem":
        """Take the noise of each frame and the drift so many times as large; the place of rest stays as it is."""
        noise = self.noise.scaled(frame=frame, drift=drift)
        return replace(self, noise=noise, whiten=np.concatenate([self.whiten[:1], noise.whiten]))

    def residuals(self, theta: Floats) -> tuple[Floats, Floats]:
        """Whitened sighting minus prediction, (N + 1, 2), and derivative of the prediction, (N + 1, 2, 11)."""
        image, slope, _ = self.predict(theta)
        white = (self.whiten @ (self.seen_px - image)[..., None])[..., 0]
        white_slope = self.whiten @ slope
        if not np.isfinite(white).all():  # behind the camera, or at a speed beyond all numbers
            return np.where(np.isfinite(white), white, 1e6), np.nan_to_num(white_slope)
        return white, white_slope


def build_problem(path: BallPath, calibration: Calibration, readout: Readout, priors: MotionPriors) -> Problem:
    """Collect data and priors."""
    mean, sd = np.zeros(N_FIT), np.full(N_FIT, np.inf)
    mean[5:9] = (0.0, priors.forward_slip, math.log(priors.mu_s), math.log(priors.mu_r))
    sd[5:9] = (priors.side_slip_sd, priors.forward_slip_sd, priors.log_mu_s_sd, priors.log_mu_r_sd)
    readout = readout.within_a_frame(path.frame_period_s)
    mean[READOUT], sd[READOUT] = readout.value_s, readout.sd_s
    mean[PULL], sd[PULL] = priors.pull_m_s2, priors.pull_sd_m_s2
    rest_share = float(readout_share(path.rest_px, path.size_px, path.readout_way))
    # Between the last frame at rest and the first in motion; wide enough not to matter where the ball is seen well.
    mean[STRIKE] = (path.last_rest_s + path.first_moved_s) / 2 + rest_share * mean[READOUT]
    sd[STRIKE] = max(path.frame_period_s, abs(path.first_moved_s - path.last_rest_s))
    noise = sighting_noise(path)
    rest_whiten = np.linalg.inv(np.linalg.cholesky(path.rest_cov_px2))
    use = np.ones(path.n_sightings, dtype=bool)
    if path.turned_s is not None:
        use &= path.times_s < path.turned_s
    return Problem(
        path=path,
        calibration=calibration,
        shares=readout_share(path.centre_px, path.size_px, path.readout_way),
        whiten=np.concatenate([rest_whiten[None], noise.whiten]),
        noise=noise,
        prior_mean=mean,
        prior_precision=1 / sd**2,
        use=use,
    )


def upright_axes(camera: Camera, point_m: Floats) -> Floats:
    """Give the picture's directions sideways and upright where the camera sees a point of the table.

    Parameters
    ----------
    camera : Camera
        The camera.
    point_m : (3,) array
        The point, table frame.

    Returns
    -------
    (2, 2) array
        Unit vectors as columns, sideways first: the upright one is the image of the table's vertical.
    """
    upright = camera.project_jacobian(point_m)[:, 2]
    upright = upright / np.linalg.norm(upright)
    return np.column_stack([[-upright[1], upright[0]], upright])


def weighed(weighing: Weighing, columns: Floats) -> Floats:
    """Multiply whitened columns, (2 N + 2, ...), by the inverse covariance; the place of rest has full weight."""
    return np.concatenate([columns[:2], weighing(columns[2:])])


def minimise(problem: Problem, theta: Floats, *, scale: float, settled: float = _SETTLED) -> tuple[Floats, float]:
    """Levenberg-Marquardt with Huber's weights; `scale` multiplies the tracker's uncertainties.

    The drift is minimised over as well, for the weights that the step before has left. It ends with a step that
    gains less than the share `settled` of the cost.
    """
    damping = 1e-3
    white, slope = problem.residuals(theta)
    drift = np.zeros((len(white) - 1, 2))
    cost = _cost(problem, theta, white, drift, scale)
    for _ in range(60):
        weighing = problem.noise.weighing(problem.use * _huber_weights((white[1:] - drift) / scale))
        rows = slope.reshape(-1, N_FIT)
        weighed_rows = weighed(weighing, rows) / scale**2
        hessian = rows.T @ weighed_rows + np.diag(problem.prior_precision)
        gradient = weighed_rows.T @ white.ravel()
        gradient += problem.prior_precision * (problem.prior_mean - theta)
        better = False
        for _ in range(8):
            step = np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), gradient)
            trial = theta + np.clip(step, -LONGEST_STEP, LONGEST_STEP)
            trial_white, trial_slope = problem.residuals(trial)
            trial_drift = weighing.drift(trial_white[1:])
            trial_cost = _cost(problem, trial, trial_white, trial_drift, scale)
            if trial_cost <= cost:
                better = True
                break
            damping *= 8
        if not better:
            break
        gain = cost - trial_cost
        theta, white, slope, drift, cost = trial, trial_white, trial_slope, trial_drift, trial_cost
        damping = max(damping / 8, 1e-12)
        if gain < settled * (1 + cost):
            break
    return theta, cost


# A step longer than this leaves the range in which the linearised motion means anything.
LONGEST_STEP = np.array([0.2, 0.2, 0.1, 0.2, 0.5, 0.5, 1.0, 0.7, 0.7, 0.02, 0.05])


def inverse(information: Floats) -> Floats:
    """Invert an information matrix whose rows have units of very different size; symmetric, (K, K)."""
    size = np.sqrt(np.diag(information))
    result: Floats = np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)
    return (result + result.T) / 2


def _huber_weights(white: Floats) -> Floats:
    distance = np.linalg.norm(white, axis=-1)
    weights: Floats = HUBER / np.maximum(distance, HUBER)
    return weights


def _cost(problem: Problem, theta: Floats, white: Floats, drift: Floats, scale: float) -> float:
    distance = np.linalg.norm(white[1:] - drift, axis=-1) / scale
    huber = np.where(distance <= HUBER, distance**2, 2 * HUBER * distance - HUBER**2)
    rest_and_drift = (float(white[0] @ white[0]) + problem.noise.roughness(drift)) / scale**2
    prior = problem.prior_precision @ (theta - problem.prior_mean) ** 2
    return float(huber @ problem.use + rest_and_drift + prior)


def _distances(problem: Problem, theta: Floats, scale: float) -> Floats:
    """Mahalanobis distance of each sighting from path and likeliest drift, (N,)."""
    white = problem.residuals(theta)[0][1:]
    drift = np.zeros_like(white)
    for _ in range(_DRIFT_ROUNDS):
        drift = problem.noise.weighing(problem.use * _huber_weights((white - drift) / scale)).drift(white)
    distances: Floats = np.linalg.norm(white - drift, axis=1)
    return distances


def robust_scale(problem: Problem, theta: Floats) -> float:
    """Noise over stated noise from the median distance (the median of a Rayleigh variable is 1.177), at least 1."""
    distance = _distances(problem, theta, 1.0)[problem.use]
    return max(1.0, float(np.median(distance)) / 1.177) if len(distance) else 1.0


def sighting_weights(problem: Problem, theta: Floats, scale: float) -> Floats:
    """Weights of the sightings, (N,); gross outliers and those not between strike and contact get 0."""
    distance = _distances(problem, theta, scale) / scale
    weights: Floats = np.where(problem.use & (distance < OUTLIER), HUBER / np.maximum(distance, HUBER), 0.0)
    return weights
