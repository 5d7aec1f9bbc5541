"""What a camera place is good for, told from a few marks: precision to expect, and what would help."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibrate.adjust import Scene, adjust
from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.marks import mark_point_m
from calibrate.precision import Precision, expected_precision
from calibrate.units import deg_from_rad, mm_from_m

SNAPPED_PX = 0.2  # a mark snapped by the picture; see `calibrate.snap`
BALL_PX = 0.2  # finding the ball in one frame, bias included: measured in rendered clips 0.05 to 0.2 px
# Below these a shot still can be read, but worse than a tester expects: chosen.
_GOOD_PX_PER_MM = 0.8
_LEAST_PX_PER_MM = 0.4
_LOW_RAD = math.radians(15)
_ENOUGH_MARKS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedPlace:
    """What to expect from a camera place.

    Attributes
    ----------
    visible : tuple of str
        Marks that are in the picture, seen or expected.
    hidden : tuple of str
        Marks that are outside it.
    sentences : tuple of str
        What precision to expect.
    advice : tuple of str
        What would help, most first; empty where nothing is needed.
    """

    visible: tuple[str, ...]
    hidden: tuple[str, ...]
    sentences: tuple[str, ...]
    advice: tuple[str, ...]


def camera_place(calibration: Calibration, names: Sequence[str]) -> JudgedPlace:
    """Judge the place of a camera.

    Parameters
    ----------
    calibration : Calibration
        From at least the first few marks.
    names : sequence of str
        The marks that the table and the scale have.
    """
    visible = tuple(name for name in names if _in_picture(calibration, name))
    hidden = tuple(name for name in names if name not in visible)
    whole = _with_all(calibration, visible)
    now, then = expected_precision(calibration), expected_precision(whole)
    ball_mm = BALL_PX / then.scale_px_per_mm
    hardly = then.reading_sd_m > 0.8 * now.reading_sd_m and then.launch_sd_rad > 0.8 * now.launch_sd_rad
    more = (
        "more marks would hardly help"
        if hardly
        else f"with all {len(visible)} marks that are in the picture, each snapped, to {_said(then)}"
    )
    sentences = (
        f"With the marks of now a reading is known to {_said(now)}; {more} (one standard uncertainty, from the "
        "calibration).",
        f"1 mm across the lane is {then.scale_px_per_mm:.2f} px at the scale and {then.spot_px_per_mm:.2f} px at "
        f"the spot: finding the ball to {BALL_PX:g} px in a frame is ±{ball_mm:.2f} mm at the scale, less when "
        "many frames see it.",
    )
    return JudgedPlace(visible=visible, hidden=hidden, sentences=sentences, advice=_advice(whole, visible))


def _said(precision: Precision) -> str:
    reading_mm, launch_deg = mm_from_m(precision.reading_sd_m), deg_from_rad(precision.launch_sd_rad)
    return f"±{reading_mm:.2f} mm and a direction to ±{launch_deg:.3f} degrees"


def _advice(calibration: Calibration, visible: Sequence[str]) -> tuple[str, ...]:
    advice = []
    for what, place in _needed(calibration).items():
        if not _inside(calibration, place):
            advice.append(f"{what} is not in the picture: turn the camera, or move it farther back.")
    precision = expected_precision(calibration)
    least = min(precision.scale_px_per_mm, precision.spot_px_per_mm)
    if least < _LEAST_PX_PER_MM:
        advice.append(
            f"Closer, or a higher resolution: 1 mm is only {least:.2f} px at the far end of the lane, and "
            f"{_GOOD_PX_PER_MM:g} px would be good."
        )
    low_rad = _lowest_view_rad(calibration)
    if low_rad < _LOW_RAD:
        advice.append(
            f"Higher: the camera looks along the cloth at {deg_from_rad(low_rad):.0f} degrees at the far end of "
            "the lane, so a small error of height becomes a large one along it."
        )
    if len(visible) < _ENOUGH_MARKS:
        advice.append(
            f"More marks: only {len(visible)} are in the picture. Put ring markers on the cloth beside the lane, "
            "or take in more sights."
        )
    return tuple(advice)


def _needed(calibration: Calibration) -> dict[str, tuple[float, float, float]]:
    lane, table, scale = calibration.lane, calibration.table, calibration.scale
    radius_m = calibration.ball.radius_m
    ends = [scale.tick_xy_m(sign * 0.1 / scale.unit_m) for sign in (-1, 1)]
    return {
        "The cue-ball spot": (lane.x_aim_m, lane.spot_y_m, radius_m),
        "The end of the lane": (lane.x_aim_m, table.length_m - radius_m, radius_m),
        "The left part of the scale": (*ends[0], table.rail_top_m),
        "The right part of the scale": (*ends[1], table.rail_top_m),
    }


def _in_picture(calibration: Calibration, name: str) -> bool:
    place_m = mark_point_m(name, calibration.table, calibration.lane, calibration.scale)
    return _inside(calibration, tuple(place_m))


def _inside(calibration: Calibration, place_m: tuple[float, ...]) -> bool:
    place_px = calibration.camera.project(np.array(place_m))
    return bool(
        np.isfinite(place_px).all() and np.all(place_px > 4) and np.all(place_px < calibration.camera.size_px - 5)
    )


def _lowest_view_rad(calibration: Calibration) -> float:
    """Angle to the cloth at which the farther end of the lane is seen."""
    lane, eye_m = calibration.lane, calibration.camera.position_m
    far_m = max(
        math.hypot(lane.x_aim_m - eye_m[0], y_m - eye_m[1]) for y_m in (lane.spot_y_m, calibration.table.length_m)
    )
    return math.atan2(float(eye_m[2]), far_m)


def _with_all(calibration: Calibration, names: Sequence[str]) -> Calibration:
    """Return the calibration as it would be with all these marks, each snapped where the camera expects it."""
    scene = Scene(
        names=tuple(names),
        size_px=calibration.camera.size_px,
        table=calibration.table,
        lane=calibration.lane,
        ball=calibration.ball,
        scale=calibration.scale,
    )
    start = np.concatenate([calibration.parameters, [0.0, 0.0]])  # reading line and set-back as they were solved
    points_m, _ = scene.points_m(start)
    place_px = calibration.camera.project(points_m)
    cov_px2 = np.tile(np.eye(2) * SNAPPED_PX**2, (len(names), 1, 1))
    fit = adjust(scene, place_px, cov_px2, used=np.ones(len(names), dtype=bool), start=start)
    n = len(CALIBRATION_PARAMETERS)
    cov = fit.cov[:n, :n]
    return replace(calibration, cov=cov)
