"""How well the cue will be told from a camera place, before any shot, and what place would help."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from analyze.fit.cue_place import CuePlace, axis_of, expected_slope_rad, place_axis
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from calibrate.units import deg_from_rad, mm_from_m
from tracker.cue_strip import lay_cue_strip
from tracker.path import CueSight
from tracker.reasons import CUE_OUTSIDE

# How well the line of the cue is known in the picture, at the ball and at the far end of what is seen of it: about
# the medians of 14 rendered shots in 1080p, well lit (0.2 to 0.3 and 0.12 to 0.17 px); dim 720p has twice that.
NEAR_PX, FAR_PX, CORRELATION = 0.22, 0.13, -0.4
# The shaft is seen as far back as this, or to where the strip behind the ball ends.
SEEN_TO_M = 0.90
# The resting ball, over dozens of frames.
REST_PX = 0.08
# A contact off the middle, as tests have.
CONTACT_AXIS_M = 0.0165
# A place is called better where no more than this share of the uncertainty of the direction is left.
WORTH = 0.6
_TRIED = (("in the plane of the lane", 1.0), ("in the plane of the lane and half as high again", 1.5))


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedCue:
    """What a camera place will tell of a cue.

    Attributes
    ----------
    place : CuePlace or NotMeasured
        As it would be measured for a cue along the lane, or why it would not be.
    by_slope : float
        Degrees of direction for each degree by which the slope is not as assumed.
    better : str
        Words for a place that would tell clearly more; empty where none of those tried does.
    better_share : float
        Uncertainty of the direction from there over the one from here, that of the camera's place left out.
    """

    place: CuePlace | NotMeasured
    by_slope: float
    better: str
    better_share: float


def expect_cue(calibration: Calibration) -> ExpectedCue:
    """Say how well a cue will be told that points along the lane.

    Parameters
    ----------
    calibration : Calibration
        Of the camera place.

    Notes
    -----
    An imagined cue is seen with the usual errors of its line in the picture (`NEAR_PX`, `FAR_PX`) and placed as any
    other; from other places the same camera looks at the middle between ball and cue.
    """
    place = _placed(calibration)
    by_slope = 0.0
    if isinstance(place, CuePlace):
        # what is assumed of the slope turns direction and slope together along the plane that is seen
        by_slope = float(place.cov[0, 1] / place.cov[1, 1])
    now = _direction_sd_rad(calibration)
    for words, higher in _TRIED:
        there = _direction_sd_rad(_moved(calibration, higher))
        share = there / now if math.isfinite(now) else 0.0
        if math.isfinite(there) and share < WORTH:
            return ExpectedCue(place=place, by_slope=by_slope, better=words, better_share=share)
    return ExpectedCue(place=place, by_slope=by_slope, better="", better_share=1.0)


def expected_cue_sentences(calibration: Calibration) -> tuple[str, ...]:
    """Say the same in words for a tester."""
    expected = expect_cue(calibration)
    place, said = expected.place, []
    if isinstance(place, NotMeasured):
        said.append(f"The cue will not be told from here ({place.reason.sentence.rstrip('.').lower()}).")
    else:
        told = []
        if place.is_seen("cue_rad"):
            told.append(
                f"its direction to ±{deg_from_rad(place.sd('cue_rad')):.2f} degrees "
                f"(±{deg_from_rad(place.own_sd('cue_rad')):.2f} from shot to shot)"
            )
        if place.is_seen("side_m"):
            told.append(f"its axis beside the ball to ±{mm_from_m(place.sd('side_m')):.1f} mm")
        if place.is_seen("slope_rad"):
            told.append(f"its slope to ±{deg_from_rad(place.sd('slope_rad')):.1f} degrees")
        if place.is_seen("up_m"):
            told.append(f"its axis above the middle of the ball to ±{mm_from_m(place.sd('up_m')):.1f} mm")
        said.append(
            f"The cue will be told from here, where it is well lit: {', '.join(told)} (one standard uncertainty; "
            "the contact is nearer the middle than the axis, and holds the doubt about the tip's dome)."
        )
        if place.is_seen("cue_rad") and not place.is_seen("slope_rad"):
            said.append(
                f"The slope is not told: each degree by which it is not as assumed turns the direction by "
                f"{abs(expected.by_slope):.2f} degrees, alike in all shots of a shooter who holds it."
            )
    if expected.better and expected.better_share > 0:
        said.append(
            f"Would help to see the cue: the camera {expected.better} leaves {100 * expected.better_share:.0f} % "
            "of the uncertainty of its direction."
        )
    elif expected.better:
        said.append(f"Would help to see the cue: the camera {expected.better} tells its direction.")
    return tuple(said)


def _direction_sd_rad(calibration: Calibration) -> float:
    """Uncertainty of a cue's direction with a camera whose place is known; infinite where it is not told."""
    known = replace(calibration, cov=np.zeros_like(calibration.cov))
    place = _placed(known)
    return place.sd("cue_rad") if isinstance(place, CuePlace) and place.is_seen("cue_rad") else math.inf


def _placed(calibration: Calibration) -> CuePlace | NotMeasured:
    """Place an imagined cue over the lane as it would be measured."""
    lane, camera = calibration.lane, calibration.camera
    rest_m = np.array([lane.x_aim_m, lane.spot_y_m, calibration.ball.radius_m])
    width, height = camera.size_px
    strip = lay_cue_strip(calibration, (int(width), int(height)), rest_m[:2])
    if strip is None:
        return NotMeasured(CUE_OUTSIDE, "")
    values = np.array([0.0, expected_slope_rad(calibration), CONTACT_AXIS_M, 0.0])
    point_m, forward = axis_of(values, rest_m)
    ends_m = point_m - np.array([[0.0], [min(SEEN_TO_M, strip.along_m[-1])]]) * forward
    sds = np.array([NEAR_PX, FAR_PX])
    cov = np.outer(sds, sds) * np.array([[1.0, CORRELATION], [CORRELATION, 1.0]])
    ends_px = camera.project(ends_m)
    sight = CueSight(near_px=ends_px[0], far_px=ends_px[1], across_cov_px2=cov, frames=1, scatter_px=FAR_PX)
    return place_axis(sight, calibration, rest_px=camera.project(rest_m), rest_cov_px2=np.eye(2) * REST_PX**2)


def _moved(calibration: Calibration, higher: float) -> Calibration:
    """Let the same camera look along the lane, from as far along the table and so much higher."""
    camera, lane = calibration.camera, calibration.lane
    eye_m = np.array([lane.x_aim_m, camera.position_m[1], higher * camera.position_m[2]])
    ahead = np.array([lane.x_aim_m, (lane.spot_y_m + calibration.table.length_m) / 2, 0.0]) - eye_m
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    turned = np.stack([right, np.cross(ahead, right), ahead])
    there = replace(
        camera, rotation_rad=Rotation.from_matrix(turned).as_rotvec(), translation_m=-turned @ eye_m, k1=0.0, k2=0.0
    )
    return replace(calibration, camera=there)
