"""Whether the shot contradicts the set-up as stated: the marks, where the ball rested, how large it looks.

The motion may fit a wrong table as well as the right one; these are what a clip knows besides.
"""

import math

import numpy as np

from analyze.fit.reasons import BALL_SIZE, OFF_SPOT
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from calibrate.precision import place_cov_m2
from calibrate.units import mm_from_m
from tracker.path import BallPath

# How well a hand puts a ball on its spot, and a tape finds the spot, each coordinate: common practice, no source.
_PLACED_SD_M = 0.005
_OFF_SPOT = 12.0  # chi-square with two degrees of freedom: 0.25 % of right set-ups
_SIZE_SDS = 3.5  # of a Gaussian 0.05 % of right set-ups
_DISTANCE_SD = 0.004  # of the camera's distance from the ball, as a share of it: of calibrations with ten marks


def find_set_up_doubt(path: BallPath, calibration: Calibration) -> NotMeasured | None:
    """Look for what contradicts the set-up as stated in session.toml.

    Parameters
    ----------
    path : BallPath
        The shot.
    calibration : Calibration
        Of the session.

    Returns
    -------
    NotMeasured or None
        The first contradiction; None where there is none.
    """
    if calibration.doubts:
        first, *more = calibration.doubts
        said = [first.detail, *(f"{one.reason.sentence} {one.detail}" for one in more)]
        return NotMeasured(first.reason, "; ".join(said))
    off_spot = _find_off_spot(path, calibration)
    return _find_other_size(path, calibration) if off_spot is None else off_spot


def _find_off_spot(path: BallPath, calibration: Calibration) -> NotMeasured | None:
    radius_m, lane = calibration.ball.radius_m, calibration.lane
    at_m = calibration.camera.onto_plane(path.rest_px[None], z_m=radius_m)[0]
    off_m = at_m - [lane.x_aim_m, lane.spot_y_m]
    slope = calibration.camera.project_jacobian(np.array([*at_m, radius_m]))[:, :2]
    back = np.linalg.inv(slope)
    cov = place_cov_m2(calibration, path.rest_px, z_m=radius_m) + back @ path.rest_cov_px2 @ back.T
    cov = cov + _PLACED_SD_M**2 * np.eye(2)
    if float(off_m @ np.linalg.solve(cov, off_m)) < _OFF_SPOT:
        return None
    return NotMeasured(OFF_SPOT, off_spot_words(off_m, np.sqrt(np.diag(cov)), spot_y_m=lane.spot_y_m))


def off_spot_words(off_m: Floats, sd_m: Floats, *, spot_y_m: float) -> str:
    """Say how far from its spot a ball rested.

    Parameters
    ----------
    off_m, sd_m : (2,) array
        To the right and on along the lane, and how sure.
    spot_y_m : float
        As stated.
    """
    parts = []
    for off, sd, words in zip(off_m, sd_m, (("right", "left"), ("on", "back")), strict=True):
        if abs(off) > 2 * sd:
            parts.append(f"{mm_from_m(abs(off)):.0f} ± {mm_from_m(float(sd)):.0f} mm too far {words[int(off < 0)]}")
    where = " and ".join(parts) or f"{mm_from_m(float(np.hypot(*off_m))):.0f} mm away"
    return f"{where} for lane.spot_mm = {mm_from_m(spot_y_m):.0f}"


def _find_other_size(path: BallPath, calibration: Calibration) -> NotMeasured | None:
    if path.size_ratio is None:
        return None
    sd = math.hypot(path.size_ratio_sd, _DISTANCE_SD)
    if abs(path.size_ratio - 1) < _SIZE_SDS * sd:
        return None
    stated_mm = mm_from_m(calibration.ball.diameter_m)
    seen = f"{path.size_ratio * stated_mm:.1f} ± {sd * stated_mm:.1f} mm across"
    return NotMeasured(BALL_SIZE, f"{seen} where ball.diameter_mm = {stated_mm:g}")
