"""How far a measured shot scatters about itself: what its errors do that are drawn anew for every shot.

The uncertainty that is stated of a shot allows for errors of lens, marks and light, which all shots of a session
have alike, and which no session shows by its scatter. What its shots do show is smaller: the fit, as it weighs the
sightings, fed with nothing but the errors that differ from shot to shot (the covariance of a weighted least-squares
estimate whose weights are not those of the errors: White, Econometrica 48, 817 (1980); from memory).
"""

import math
from dataclasses import replace

import numpy as np

from analyze.fit.path_fit import PathFit
from analyze.fit.problem import N_FIT, upright_axes
from analyze.fit.quantities import QUANTITIES, quantities
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from tracker.path import DRIFT_TIME_S, BallPath

# What differs from shot to shot, of the twelve of the sample session against their truth: scatter from frame to
# frame 0.066 px across the way and 0.057 along it; what changes slowly along the lane, once what all shots have
# alike is taken out, as of a drift of this size; the ball at rest sideways and up or down.
FRAME_PX, SLOW_PX, REST_PX = 0.062, 0.03, (0.035, 0.021)


def shot_scatter(path: BallPath, fit: PathFit, calibration: Calibration) -> dict[str, float]:
    """Give the standard deviation of each quantity over shots like this one, measured alike.

    Parameters
    ----------
    path : BallPath
        The sightings.
    fit : PathFit
        The motion fitted to them.
    calibration : Calibration
        The one it was fitted with.

    Returns
    -------
    dict of str to float
        By the names of `QUANTITIES`, in their units.
    """
    noise = fit.noise.scaled(frame=fit.error_scales.frame, drift=fit.error_scales.drift)
    rows = (fit.jacobian / fit.error_scales.frame).reshape(-1, N_FIT)
    # How theta moves with each sighting, and with the place of rest, per px.
    by_white = fit.cov @ noise.weighing(fit.weights)(rows).T / fit.noise_scale**2
    by_sighting = np.einsum("knj,nji->kni", by_white.reshape(N_FIT, -1, 2), noise.whiten)
    point_m = np.array([fit.theta[0], fit.theta[1], calibration.ball.radius_m])
    by_place = np.zeros((2, N_FIT))
    by_place[:, :2] = calibration.camera.project_jacobian(point_m)[:, :2]
    by_rest = fit.cov @ by_place.T @ np.linalg.inv(path.rest_cov_px2) / fit.noise_scale**2
    alike = np.exp(-np.abs(path.times_s[:, None] - path.times_s) / DRIFT_TIME_S)
    errors_px2 = FRAME_PX**2 * np.eye(path.n_sightings) + SLOW_PX**2 * alike
    axes = upright_axes(calibration.camera, point_m)
    rest_px2: Floats = axes * np.square(REST_PX) @ axes.T
    cov = np.einsum("kni,nm,lmi->kl", by_sighting, errors_px2, by_sighting) + by_rest @ rest_px2 @ by_rest.T
    bare = replace(fit, cov=cov, nuisance_cov=np.zeros_like(fit.nuisance_cov), nodes=())
    variances = np.diag(quantities(bare, calibration).cov)
    return {name: math.sqrt(float(variance)) for name, variance in zip(QUANTITIES, variances, strict=True)}
