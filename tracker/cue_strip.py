"""The part of the picture in which the cue is looked for: a strip behind the ball, seen square on."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.camera import Camera

Luma = npt.NDArray[np.uint8]
Strip = npt.NDArray[np.float32]

# From the ball backwards: beyond this is the grip hand, whatever the shooter's build.
LENGTH_M = 0.95
# The plane of the strip leans back as cues do; a cue that slopes otherwise is drawn out by some per cent.
LEAN_RAD = np.radians(4.0)
# Aim a few degrees off, the tip anywhere on the ball, and cloth on both sides.
HALF_ANGLE_RAD = np.radians(6.0)
HALF_WIDTH_M = 0.06
# Fewer pixels than this along the cue give no direction.
MIN_LENGTH_PX = 40.0
# The ball's rim is blurred, and mirrors.
CLEAR_RADII = 1.15
# Rows a pixel apart, columns half a pixel: the edges are found between them.
ROW_PX, COLUMN_PX = 1.0, 0.5
MOST_ROWS, MOST_COLUMNS = 600, 500


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CueStrip:
    """A plane through the resting ball's centre, leaning as a cue does and turned to face the camera.

    A straight cue is a straight line in it, whatever the lens bends, and its width there is its diameter.

    Attributes
    ----------
    camera : Camera
        Through which it is seen.
    window_px : tuple of int
        (u0, v0, u1, v1) of the part of a frame that it needs; ends exclusive.
    origin_m : (3,) float64
        The resting ball's centre, table frame.
    back : (3,) float64
        Unit vector from the ball backwards along the strip.
    side : (3,) float64
        Unit vector across it.
    along_m : (H,) float64
        Distance of each row behind the ball's centre.
    across_m : (W,) float64
        Place of each column along `side`.
    map_u, map_v : (H, W) float32
        Where each cell lies in the window.
    clear_m : float
        From this distance on nothing of a cue is hidden by the ball.
    px_across_m : float
        Pixels of the picture a metre across, at the ball.
    """

    camera: Camera
    window_px: tuple[int, int, int, int]
    origin_m: Floats
    back: Floats
    side: Floats
    along_m: Floats
    across_m: Floats
    map_u: npt.NDArray[np.float32]
    map_v: npt.NDArray[np.float32]
    clear_m: float
    px_across_m: float

    def crop(self, luma: Luma) -> Luma:
        """Copy the window out of a frame."""
        u0, v0, u1, v1 = self.window_px
        return luma[v0:v1, u0:u1].copy()

    def straighten(self, crop: Luma) -> Strip:
        """See a window square on: (H, W) brightness."""
        return np.asarray(cv2.remap(crop, self.map_u, self.map_v, cv2.INTER_LINEAR), dtype=np.float32)

    def points_m(self, along_m: Floats, across_m: Floats) -> Floats:
        """Points of the plane in the table frame, shape (..., 3)."""
        return self.origin_m + along_m[..., None] * self.back + across_m[..., None] * self.side

    def image(self, points_m: Floats) -> Floats:
        """Return the image of points, (..., 2) in px."""
        return self.camera.project(points_m)

    def px_across_at(self, points_m: Floats) -> Floats:
        """Pixels ACROSS the strip's middle for a metre across, at points; (...,)."""
        jacobian = self.camera.project_jacobian(points_m)
        along, across = jacobian @ self.back, jacobian @ self.side
        turned = along[..., 0] * across[..., 1] - along[..., 1] * across[..., 0]
        return np.asarray(np.abs(turned) / np.linalg.norm(along, axis=-1), dtype=np.float64)


def lay_cue_strip(calibration: Calibration, size_px: tuple[int, int], xy_m: Floats) -> CueStrip | None:
    """Lay the strip behind a resting ball.

    Parameters
    ----------
    calibration : Calibration
        Camera, lane and ball.
    size_px : tuple of int
        Width and height of the frames.
    xy_m : (2,) array
        Where the ball rests, table frame.

    Returns
    -------
    CueStrip or None
        None where too little of it lies in the picture.
    """
    camera = calibration.camera
    origin_m = np.array([xy_m[0], xy_m[1], calibration.ball.radius_m])
    back = np.array([0.0, -np.cos(LEAN_RAD), np.sin(LEAN_RAD)])
    sight = origin_m - camera.position_m
    side = np.cross(back, sight)
    if np.linalg.norm(side) < 0.02 * np.linalg.norm(sight):  # seen end on: no direction of it is to be seen
        return None
    side /= np.linalg.norm(side)
    if side[0] < 0:
        side = -side

    fine_m = np.linspace(0.0, LENGTH_M, 200)
    axis_px = camera.project(origin_m + fine_m[:, None] * back)
    width, height = size_px
    inside = ((axis_px > 1) & (axis_px < [width - 2, height - 2])).all(axis=1)
    seen = len(fine_m) if inside.all() else int(np.argmin(inside))
    if seen < 2:
        return None
    length_m, axis_px = fine_m[seen - 1], axis_px[:seen]
    length_px = float(np.sum(np.hypot(*np.diff(axis_px, axis=0).T)))
    if length_px < MIN_LENGTH_PX:
        return None
    px_across_m = float(np.linalg.norm(camera.project_jacobian(origin_m) @ side))
    along_m = np.linspace(0.0, length_m, min(MOST_ROWS, int(length_px / ROW_PX)))
    half_m = HALF_WIDTH_M + length_m * np.tan(HALF_ANGLE_RAD)
    columns = min(MOST_COLUMNS, int(2 * half_m * px_across_m / COLUMN_PX))
    across_m = np.linspace(-half_m, half_m, columns)
    places_m = origin_m + along_m[:, None, None] * back + across_m[None, :, None] * side
    places_px = camera.project(places_m)
    if not np.isfinite(places_px).all():
        return None
    # the ball stands before the rows whose lines of sight to the middle pass it this closely
    rays = camera.rays(axis_px)
    miss_m = np.linalg.norm(np.cross(rays, sight), axis=1)
    hidden = miss_m < CLEAR_RADII * calibration.ball.radius_m
    clear_m = float(fine_m[:seen][hidden].max(initial=0.0))
    low = np.clip(np.floor(places_px.min(axis=(0, 1))).astype(int) - 2, 0, [width - 1, height - 1])
    high = np.clip(np.ceil(places_px.max(axis=(0, 1))).astype(int) + 3, low + 1, [width, height])
    return CueStrip(
        camera=camera,
        window_px=(int(low[0]), int(low[1]), int(high[0]), int(high[1])),
        origin_m=origin_m,
        back=back,
        side=side,
        along_m=along_m,
        across_m=across_m,
        map_u=(places_px[..., 0] - low[0]).astype(np.float32),
        map_v=(places_px[..., 1] - low[1]).astype(np.float32),
        clear_m=clear_m,
        px_across_m=px_across_m,
    )
