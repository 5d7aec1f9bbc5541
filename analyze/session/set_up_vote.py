"""What all recordings of a session together say of ball and spot: a number that is wrong is wrong for all of them.

One ball looks a few per cent larger or smaller than it is, by its shading, and lies some millimetres off its spot.
Both average out over a session; what stays is a mistake in session.toml.
"""

import math
from collections.abc import Sequence

import numpy as np

from analyze.fit.reasons import BALL_SIZE, OFF_SPOT
from analyze.fit.set_up import off_spot_words
from analyze.fit.shot import CAMERA_MOVED
from analyze.session.store import StoredShot
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from calibrate.precision import place_cov_m2
from calibrate.units import mm_from_m
from tracker.path import BallPath

LEAST_SHOTS = 3
# Of apparent sizes: what sharpening, halos and the camera's distance do to all shots alike. Means of five sessions
# by two renderers were 0.99 to 1.015.
_SIZE_FLOOR_SD, _SIZE_SDS = 0.012, 3.5
# A hand puts a ball on its spot to 4 mm, a tape finds the spot to 3 mm, each way: common practice, no source.
_HAND_SD_M, _TAPE_SD_M = 0.004, 0.003
_OFF_SPOT_SDS = 3.1  # across or along the lane: 0.4 % of right set-ups


def with_set_up_vote(stored: Sequence[StoredShot], calibration: Calibration | None) -> tuple[StoredShot, ...]:
    """Doubt every shot of a session whose shots together contradict ball or spot as stated.

    Parameters
    ----------
    stored : sequence of StoredShot
        All shots of a session.
    calibration : Calibration or None
        They were measured with; None where it is not known, so that nothing can be said.

    Returns
    -------
    tuple of StoredShot
        The same; measured ones are doubtful where the set-up is contradicted.
    """
    paths = [
        one.shot.sightings
        for one in stored
        if one.shot.sightings is not None and one.shot.camera != CAMERA_MOVED and one.shot.reading_m is not None
    ]
    if calibration is None or len(paths) < LEAST_SHOTS:
        return tuple(stored)
    doubt = _find_other_size(paths, calibration)
    if doubt is None:
        doubt = _find_off_spot(paths, calibration)
    if doubt is None:
        return tuple(stored)
    return tuple(one.doubted(doubt) for one in stored)


def _find_other_size(paths: Sequence[BallPath], calibration: Calibration) -> NotMeasured | None:
    ratios = np.array([path.size_ratio for path in paths if path.size_ratio is not None])
    if len(ratios) < LEAST_SHOTS:
        return None
    mean = float(ratios.mean())
    sd = math.hypot(_SIZE_FLOOR_SD, float(ratios.std(ddof=1)) / math.sqrt(len(ratios)))
    if abs(mean - 1) < _SIZE_SDS * sd:
        return None
    stated_mm = mm_from_m(calibration.ball.diameter_m)
    seen = f"{mean * stated_mm:.1f} ± {sd * stated_mm:.1f} mm across in {len(ratios)} shots together"
    return NotMeasured(BALL_SIZE, f"{seen} where ball.diameter_mm = {stated_mm:g}")


def _find_off_spot(paths: Sequence[BallPath], calibration: Calibration) -> NotMeasured | None:
    radius_m, lane = calibration.ball.radius_m, calibration.lane
    rest_px = np.array([path.rest_px for path in paths])
    # The middle one in each direction: a ball that was put down elsewhere for once is a matter of its own shot.
    off_m = np.median(calibration.camera.onto_plane(rest_px, z_m=radius_m), axis=0) - [lane.x_aim_m, lane.spot_y_m]
    at_px = np.median(rest_px, axis=0)
    # Medians of normal values scatter 1.2533 times as much as means.
    hand = (1.2533 * _HAND_SD_M) ** 2 / len(paths)
    cov = place_cov_m2(calibration, at_px, z_m=radius_m) + (hand + _TAPE_SD_M**2) * np.eye(2)
    sd_m = np.sqrt(np.diag(cov))
    if float((np.abs(off_m) / sd_m).max()) < _OFF_SPOT_SDS:
        return None
    said = off_spot_words(off_m, sd_m, spot_y_m=lane.spot_y_m)
    return NotMeasured(OFF_SPOT, f"in {len(paths)} shots together {said}")
