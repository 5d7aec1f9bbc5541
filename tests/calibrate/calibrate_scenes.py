"""Cameras, marks and pictures with known truth for the tests of this stage.

Pictures are drawn by OpenCV's `undistortPoints` and an own intersection with the plane of the mark, so that the
camera under test does not draw what it is tested with.
"""

import io
from collections.abc import Callable

import av  # noqa: TID251 - the tests encode and decode their own pictures
import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from calibrate.camera import Camera
from calibrate.marks import Click, mark_point_m
from calibrate.scale import RailScale
from calibrate.table import TABLES, Ball, Lane

SIZE_PX = (1920.0, 1080.0)
TABLE = TABLES["9ft"]
LANE = Lane(x_aim_m=TABLE.width_m / 4, spot_y_m=0.762)
BALL = Ball(diameter_m=0.05715, mass_kg=0.165)
SCALE = RailScale(line_y_m=TABLE.length_m + TABLE.sight_setback_m, zero_m=LANE.x_aim_m)
MARKS = (
    *("scale-4", "scale-2", "scale+0", "scale+2", "scale+4", "foot-1", "foot-2", "foot-3"),
    *("lane:300", "lane:600", "lane:900", "lane:1200", "left-5", "left-6", "left-7", "right-6", "right-7"),
)
SETUP = {"size_px": SIZE_PX, "table": TABLE, "lane": LANE, "ball": BALL, "scale": SCALE}


def camera_at(position_m, target_m, *, focal_px, k1=0.0, k2=0.0, roll_rad=0.0, centre_px=None, size_px=SIZE_PX):
    """Return a camera at a place, looking at another."""
    forward = np.subtract(target_m, position_m)
    forward = forward / np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right = right / np.linalg.norm(right)
    upright = np.array([right, np.cross(forward, right), forward])
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    turned = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ upright
    return Camera(
        focal_px=focal_px,
        centre_px=(np.array(size_px) - 1) / 2 if centre_px is None else centre_px,
        k1=k1,
        k2=k2,
        rotation_rad=Rotation.from_matrix(turned).as_rotvec(),
        translation_m=-turned @ np.array(position_m, dtype=float),
        size_px=size_px,
    )


def behind_foot_rail(**changes):
    return camera_at([0.3, 4.0, 1.6], [0.55, 1.9, 0.0], **({"focal_px": 1600.0, "k1": -0.04} | changes))


def behind_shooter(**changes):
    return camera_at([0.1, -1.0, 1.7], [0.45, 1.7, 0.0], **({"focal_px": 1500.0, "k1": 0.03} | changes))


def clicks_of(camera, *, rng=None, sigma_px=0.7, names=MARKS, table=TABLE, lane=LANE, scale=SCALE):
    """Return clicks on those marks that are in the picture, with a hand's error if `rng` is given."""
    clicks = []
    for name in names:
        u, v = camera.project(mark_point_m(name, table, lane, scale))
        if rng is not None:
            u, v = (u, v) + rng.normal(0, sigma_px, 2)
        if 0 <= u <= SIZE_PX[0] - 1 and 0 <= v <= SIZE_PX[1] - 1:
            clicks.append(Click(name, float(u), float(v)))
    return clicks


def moved(clicks, name, by_px):
    """Return the clicks with one of them moved."""
    return [Click(c.name, c.u_px + by_px[0], c.v_px + by_px[1]) if c.name == name else c for c in clicks]


def swapped(clicks, one, other):
    """Return the clicks with two names exchanged."""
    names = {one: other, other: one}
    return [Click(names.get(c.name, c.name), c.u_px, c.v_px) for c in clicks]


def picture_of(
    camera: Camera,
    point_m: np.ndarray,
    paint: Callable[[np.ndarray, np.ndarray], np.ndarray],
    rng: np.random.Generator,
    *,
    blur_px: float = 1.2,
    noise: float = 3.0,
    frames: int = 8,
    crf: int | None = 23,
) -> tuple[np.ndarray, np.ndarray]:
    """Draw, record and average a small picture of one mark.

    Parameters
    ----------
    camera : Camera
        Its parameters are handed to OpenCV.
    point_m : (3,) array
        The mark.
    paint : callable
        Brightness by (x, y) from the mark, in m.
    rng : Generator
        For noise and the place on the pixel grid.
    blur_px, noise : float
        Of lens and sensor.
    frames : int
        How many still frames are averaged.
    crf : int or None
        Of H.264; None to leave the frames as they are.

    Returns
    -------
    (112, 96) array
        Mean luma.
    (2,) array
        Where the mark lies in it.
    """
    half = np.array([48, 56])
    K = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1]])
    lens = np.array([camera.k1, camera.k2, 0, 0])
    image, _ = cv2.projectPoints(point_m[None], camera.rotation_rad.copy(), camera.translation_m.copy(), K, lens)
    corner = np.floor(image.ravel()).astype(int) - half
    fine = 4
    u = corner[0] + (np.arange(2 * half[0] * fine) + 0.5) / fine - 0.5
    v = corner[1] + (np.arange(2 * half[1] * fine) + 0.5) / fine - 0.5
    grid = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 1, 2)
    rays = np.concatenate([cv2.undistortPoints(grid, K, lens)[:, 0], np.ones((len(grid), 1))], axis=1)
    R = cv2.Rodrigues(camera.rotation_rad.copy())[0]
    eye = -R.T @ camera.translation_m
    rays = rays @ R
    ground = eye[:2] + ((point_m[2] - eye[2]) / rays[:, 2])[:, None] * rays[:, :2] - point_m[:2]
    fine_luma = paint(ground[:, 0], ground[:, 1]).reshape(2 * half[1], fine, 2 * half[0], fine)
    still = cv2.GaussianBlur(fine_luma.mean(axis=(1, 3)), (0, 0), blur_px)
    noisy = [np.clip(still + rng.normal(0, noise, still.shape), 0, 255).round() for _ in range(frames)]
    recorded = noisy if crf is None else through_h264([f.astype(np.uint8) for f in noisy], crf=crf)
    return np.mean(recorded, axis=0), image.ravel() - corner


def through_h264(frames, *, crf):
    """Return the luma of frames after H.264, 4:2:0, as a phone would store them."""
    height, width = frames[0].shape
    file = io.BytesIO()
    with av.open(file, "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.options = {"crf": str(crf), "preset": "fast"}
        grey = np.full((height // 2, width), 128, np.uint8)
        for frame in frames:
            container.mux(
                stream.encode(av.VideoFrame.from_ndarray(np.concatenate([frame, grey]), format="yuv420p"))
            )
        container.mux(stream.encode())
    file.seek(0)
    with av.open(file) as container:
        return [f.to_ndarray()[:height].astype(float) for f in container.decode(video=0)]


def disc(*, light=True, radius_m=0.006):
    return lambda x, y: _toned(np.hypot(x, y) < radius_m, x, y, light=light)


def diamond(*, light=True):
    return lambda x, y: _toned(np.abs(x) / 0.0055 + np.abs(y) / 0.0127 < 1, x, y, light=light)


def ring(*, light=True, dot=False):
    def paint(x, y):
        r = np.hypot(x, y)
        return _toned((r > 0.003) & (r < 0.007) | (dot & (r < 0.0015)), x, y, light=light)

    return paint


def ticks(*, zero_m, side=0, base_line=False, minor=0.5):
    """Paint a paper scale, x counted from the tick in the picture, `zero_m` from there to the zero."""

    def paint(x, y):
        number = (x - zero_m) / 0.0254
        nearest = np.round(number / minor) * minor
        length = np.where(np.abs(nearest - np.round(nearest)) < 1e-6, 0.014, 0.007)
        reach = np.abs(y) if side == 0 else side * y
        dark = (np.abs(number - nearest) * 0.0254 < 0.0006) & (reach >= 0) & (reach < length)
        if base_line:
            dark |= np.abs(y) < 0.0004
        return np.where(np.abs(y) < 0.025, np.where(dark, 30.0, 225.0), 45.0)

    return paint


def _toned(mark, x, y, *, light):
    around, inside = (45.0, 205.0) if light else (170.0, 40.0)
    return np.where(mark, inside, around) + 300 * x + 200 * y
