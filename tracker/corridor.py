"""The part of the picture in which a shot can run: its window, and the lane seen from above at ball height."""

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from calibrate.calibration import Calibration

# Squirt of a few degrees plus swerve the other way: 7 degrees either side leaves room for a poor aim.
HALF_ANGLE_RAD = np.radians(7.0)
HALF_WIDTH_AT_SPOT_M = 0.10
BEHIND_SPOT_M = 0.12
CELL_M = 0.005

Luma = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False, kw_only=True)
class Corridor:
    """The lane in the picture and in plan.

    Attributes
    ----------
    window_px : tuple of int
        (u0, v0, u1, v1) of the part of the frame that is kept; ends exclusive.
    x_m, y_m : (W,), (H,) float64
        Plan coordinates of the grid's columns and rows, on the plane of the ball's centre.
    map_u, map_v : (H, W) float32
        Where each grid cell lies in the window, in px.
    outside : (H, W) bool
        Cells that no shot can reach, or that lie outside the picture.
    hidden : (h, w) bool
        Pixels of the window in which a rail stands before the ball.
    """

    window_px: tuple[int, int, int, int]
    x_m: Floats
    y_m: Floats
    map_u: npt.NDArray[np.float32]
    map_v: npt.NDArray[np.float32]
    outside: npt.NDArray[np.bool_]
    hidden: npt.NDArray[np.bool_]

    @cached_property
    def _fixed(self) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.uint16]]:
        """The maps as OpenCV takes them for each picture, once for all."""
        whole, parts = cv2.convertMaps(self.map_u, self.map_v, cv2.CV_16SC2)
        return np.asarray(whole, dtype=np.int16), np.asarray(parts, dtype=np.uint16)

    def crop(self, luma: Luma) -> Luma:
        """Copy the window out of a frame."""
        u0, v0, u1, v1 = self.window_px
        return luma[v0:v1, u0:u1].copy()

    def plan(self, crop: npt.NDArray[np.uint8] | npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """See a window from above: (H, W) brightness of each grid cell."""
        seen = cv2.remap(crop, self._fixed[0], self._fixed[1], cv2.INTER_LINEAR)
        return np.asarray(seen, dtype=np.float32)


def _hidden_by_rails(calibration: Calibration, window_px: tuple[int, int, int, int]) -> npt.NDArray[np.bool_]:
    """Pixels whose line of sight meets a rail before it can meet the ball: rails on the camera's side."""
    u0, v0, u1, v1 = window_px
    mask = np.zeros((v1 - v0, u1 - u0), np.uint8)
    table, camera = calibration.table, calibration.camera
    width_m, length_m, far_m = table.width_m, table.length_m, 0.4
    x_cam, y_cam, _ = camera.position_m
    rails = []
    if y_cam > length_m:
        rails.append(((-far_m, length_m), (width_m + far_m, length_m), (0.0, far_m)))
    if y_cam < 0:
        rails.append(((-far_m, 0.0), (width_m + far_m, 0.0), (0.0, -far_m)))
    if x_cam > width_m:
        rails.append(((width_m, -far_m), (width_m, length_m + far_m), (far_m, 0.0)))
    if x_cam < 0:
        rails.append(((0.0, -far_m), (0.0, length_m + far_m), (-far_m, 0.0)))
    for start, end, outwards in rails:
        along = np.linspace(start, end, 60)
        ring = np.concatenate([along, (along + outwards)[::-1]])
        points_m = np.column_stack([ring, np.full(len(ring), table.nose_height_m)])
        ring_px = camera.project(points_m) - [u0, v0]
        ring_px = ring_px[np.isfinite(ring_px).all(axis=1)]
        if len(ring_px) >= 3:
            fixed = np.round(np.clip(ring_px, -3e4, 3e4) * 16).astype(np.int32)
            cv2.fillPoly(mask, [fixed], 255, shift=4)
    # the nose's own blur and shadow
    grown = cv2.dilate(mask, np.ones((5, 5), np.uint8))
    return np.asarray(grown > 0)


def lay_corridor(calibration: Calibration, size_px: tuple[int, int]) -> Corridor:
    """Lay the corridor of the lane into pictures of one size.

    Parameters
    ----------
    calibration : Calibration
        Camera, table and lane.
    size_px : tuple of int
        Width and height of the frames.

    Returns
    -------
    Corridor
        From behind the spot to the foot cushion.
    """
    table, lane, radius_m = calibration.table, calibration.lane, calibration.ball.radius_m
    camera = calibration.camera
    y_m = np.arange(lane.spot_y_m - BEHIND_SPOT_M, table.length_m + CELL_M, CELL_M)
    reach_m = HALF_WIDTH_AT_SPOT_M + np.maximum(0, y_m - lane.spot_y_m) * np.tan(HALF_ANGLE_RAD)
    x_low = max(lane.x_aim_m - reach_m[-1], radius_m)
    x_high = min(lane.x_aim_m + reach_m[-1], table.width_m - radius_m)
    x_m = np.arange(x_low, x_high, CELL_M)
    xx, yy = np.meshgrid(x_m, y_m)
    places_px = camera.project(np.stack([xx, yy, np.full_like(xx, radius_m)], axis=-1))
    width, height = size_px
    in_picture = (
        (places_px[..., 0] >= 1)
        & (places_px[..., 1] >= 1)
        & (places_px[..., 0] <= width - 2)
        & (places_px[..., 1] <= height - 2)
    )
    outside = ~in_picture | (np.abs(xx - lane.x_aim_m) > reach_m[:, None])
    kept = places_px[~outside] if not outside.all() else np.array([[1.0, 1.0], [2.0, 2.0]])
    # room for the largest ball, its blur and its shadow
    px_per_m = np.linalg.norm(camera.project_jacobian(np.array([lane.x_aim_m, y_m[-1], radius_m]))[:, 0])
    px_per_m = max(
        px_per_m, np.linalg.norm(camera.project_jacobian(np.array([lane.x_aim_m, y_m[0], radius_m]))[:, 0])
    )
    margin = int(np.ceil(2.2 * radius_m * px_per_m)) + 8
    u0, v0 = np.maximum(np.floor(kept.min(axis=0)).astype(int) - margin, 0)
    u1, v1 = np.minimum(np.ceil(kept.max(axis=0)).astype(int) + margin, [width, height])
    window_px = (int(u0), int(v0), int(u1), int(v1))
    return Corridor(
        window_px=window_px,
        x_m=x_m,
        y_m=y_m,
        map_u=(places_px[..., 0] - u0).astype(np.float32),
        map_v=(places_px[..., 1] - v0).astype(np.float32),
        outside=outside,
        hidden=_hidden_by_rails(calibration, window_px),
    )
