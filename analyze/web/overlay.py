"""What is drawn over the frames of a shot: path, launch line, scale, reading, swerve gap, and the ball as found."""

from typing import Any

import numpy as np

from analyze.fit.shot import Shot
from analyze.web.pictures import path_px
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from tracker.path import BallPath
from tracker.readout import Readout, readout_share

COVERAGE = 1.959964  # of a 95 % interval, in standard uncertainties
_SCALE_REACH_M = 0.16
_TICKS = {0.0254: (1, 2), 0.01: (1, 5), 0.001: (10, 50)}  # numbers between ticks, and between those with a number


def table_lines(calibration: Calibration) -> dict[str, Any]:
    """Return lane and scale in the picture.

    Parameters
    ----------
    calibration : Calibration
        Camera, lane and scale.
    """
    lane, scale, camera = calibration.lane, calibration.scale, calibration.camera
    height_m, top_m = calibration.ball.radius_m, calibration.table.rail_top_m
    along = np.linspace(lane.spot_y_m, calibration.table.length_m - height_m, 30)
    lane_m = np.column_stack([np.full(30, lane.x_aim_m), along, np.full(30, height_m)])
    step, numbered = _TICKS.get(scale.unit_m, (1, 2))
    most = int(_SCALE_REACH_M / scale.unit_m / step) * step
    numbers = np.arange(-most, most + 1, step)
    ticks_m = np.column_stack([scale.ticks_xy_m(numbers.astype(float)), np.full(len(numbers), top_m)])
    return {
        "lane": _places(camera.project(lane_m)),
        "ticks": [
            {"at": place, "number": int(number) if number % numbered == 0 else None}
            for place, number in zip(_places(camera.project(ticks_m)), numbers, strict=True)
        ],
    }


def shot_lines(shot: Shot, calibration: Calibration) -> dict[str, Any]:
    """Return path, launch line, reading and swerve gap of a measured shot in the picture.

    Parameters
    ----------
    shot : Shot
        With a path.
    calibration : Calibration
        The one that it was measured with.
    """
    path = path_px(shot, calibration)
    times_s = np.round(shot.path_times_s, 5).tolist()
    lines: dict[str, Any] = {"path": _places(path), "path_times_s": times_s}
    if shot.reading_m is not None:
        lines["reading"] = _on_scale(calibration, shot.reading_m)
        lines["straight_on"] = [_place(path[-1]), lines["reading"]]
        half_m = COVERAGE * (shot.reading_sd_m or 0.0)
        lines["interval"] = [_on_scale(calibration, shot.reading_m + sign * half_m) for sign in (-1, 1)]
    if shot.squirt_offset_m is not None:
        lines["launch"] = [_place(path[0]), _on_scale(calibration, shot.squirt_offset_m)]
    if shot.squirt_offset_m is not None and shot.reading_m is not None:
        lines["gap"] = [
            _on_scale(calibration, offset_m)
            for offset_m in np.linspace(shot.squirt_offset_m, shot.reading_m, 12).tolist()
        ]
    return lines


def sightings(shot: Shot, calibration: Calibration, *, readout: Readout) -> list[dict[str, Any]]:
    """Return where the ball was seen, and how far from the fitted path, along it and across it.

    Parameters
    ----------
    shot : Shot
        With a path and the sightings that it was fitted to.
    calibration : Calibration
        The one that it was measured with.
    readout : Readout
        Rolling-shutter readout, where known; along the path an unknown one shows as a slope.
    """
    seen = shot.sightings
    if seen is None or len(shot.path_times_s) < 2:
        return []
    path = path_px(shot, calibration)
    late_s = _late_s(seen, readout.within_a_frame(seen.frame_period_s).value_s)
    at_s = seen.times_s + late_s
    fitted = np.column_stack([np.interp(at_s, shot.path_times_s, path[:, axis]) for axis in (0, 1)])
    gap = seen.centre_px - fitted
    ahead = np.column_stack([np.interp(at_s + 1e-3, shot.path_times_s, path[:, a]) - fitted[:, a] for a in (0, 1)])
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-9)
    along = np.sum(gap * ahead, axis=1)
    across = gap[:, 1] * ahead[:, 0] - gap[:, 0] * ahead[:, 1]
    inside = (at_s >= shot.path_times_s[0]) & (at_s <= shot.path_times_s[-1])
    return [
        {
            "time_s": round(float(seen.times_s[k]), 5),
            "at": _place(seen.centre_px[k]),
            "along_px": round(float(along[k]), 3),
            "across_px": round(float(across[k]), 3),
            "sd_px": round(float(np.sqrt(np.trace(seen.centre_cov_px2[k]) / 2)), 3),
        }
        for k in np.flatnonzero(inside)
    ]


def _late_s(seen: BallPath, readout_s: float) -> Floats:
    return readout_share(seen.centre_px, seen.size_px, seen.readout_way) * readout_s


def _on_scale(calibration: Calibration, offset_m: float) -> list[float] | None:
    x_m, y_m = calibration.scale.tick_xy_m(offset_m / calibration.scale.unit_m)
    return _place(calibration.camera.project(np.array([x_m, y_m, calibration.table.rail_top_m])))


def _place(place_px: Floats) -> list[float] | None:
    return [round(float(place_px[0]), 2), round(float(place_px[1]), 2)] if np.isfinite(place_px).all() else None


def _places(places_px: Floats) -> list[list[float] | None]:
    return [_place(place) for place in places_px]
