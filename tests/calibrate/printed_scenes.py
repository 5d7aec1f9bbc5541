"""A table with printed markers on it, drawn as a phone would record it.

Pieces are rasterised by matplotlib from what goes into the PDF, and seen through OpenCV's projection: neither the
picture that is looked for nor the camera that looks for it draws what it is tested with.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from calibrate_scenes import LANE, SCALE, TABLE, through_h264
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from calibrate.marks import mark_point_m
from calibrate.printed import SHORT_PIECES, cloth_cards, rail_cards, scale_pieces, scale_step, scale_strip
from calibrate.sheets import draw_piece
from calibrate.table import sight_places_m
from calibrate.units import mm_from_m

DOTS_PER_MM = 8
CLOTH, WOOD, PAPER, INK = 0.08, 0.2, 0.72, 0.03  # light that is sent back


def strip_of(scale=SCALE, count=SHORT_PIECES):
    pieces = scale_pieces(scale)
    middle = len(pieces) // 2
    step_mm = scale_step(scale) * mm_from_m(scale.unit_m)
    return scale_strip(pieces[middle - count // 2 : middle + count // 2], step_mm)


def all_pieces(scale=SCALE):
    return [strip_of(scale), *cloth_cards(TABLE, LANE, scale), *rail_cards(TABLE)]


def rasterised(piece):
    """(h, w) from 0 (ink) to 1 (paper), row 0 nearest to the shooter."""
    left, near, right, far = piece.paper_mm
    # whole dots, so that the raster begins at the lower left corner and has just this many dots a mm
    width, height = (np.ceil(length * DOTS_PER_MM) / DOTS_PER_MM for length in (right - left, far - near))
    figure = Figure(figsize=(width / 25.4, height / 25.4), dpi=25.4 * DOTS_PER_MM)
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(left, left + width), ylim=(near, near + height))
    axes.axis("off")
    draw_piece(axes, piece, (0.0, 0.0))
    for patch in axes.patches:
        patch.set_snap(False)  # to whole pixels, which moves edges
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[::-1, :, 0] / 255.0


@lru_cache(maxsize=4)
def _rays(size_px, focal_px, centre_px, distortion, rotation_rad):
    width, height = size_px
    K = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1.0]])
    u, v = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    flat = cv2.undistortPoints(np.stack([u, v], -1).reshape(-1, 1, 2), K, np.array([*distortion, 0, 0]))[:, 0]
    R = cv2.Rodrigues(np.array(rotation_rad))[0]
    return (np.concatenate([flat, np.ones((len(flat), 1))], axis=1) @ R).reshape(height, width, 3)


@dataclass(frozen=True, kw_only=True)
class Recording:
    """What is done to the light of a scene, and what lies on it."""

    blur_px: float = 1.0
    noise: float = 2.5
    crf: int = 26
    cover: tuple[int, int, int, int] | None = None  # u, v, u, v of a hand


def scene_luma(camera, pieces, rng, *, scale=SCALE, recording=Recording()):
    """Draw, record and average a picture of a table.

    Returns
    -------
    (H, W) array
        Mean luma of six frames.
    dict of str to (2,) array
        Where the reference point of each piece that is in the picture lies.
    """
    width, height = (int(x) for x in camera.size_px)
    lens = (camera.k1, camera.k2)
    rays = _rays((width, height), camera.focal_px, tuple(camera.centre_px), lens, tuple(camera.rotation_rad))
    eye = camera.position_m
    ground = eye[:2] - (eye[2] / rays[..., 2])[..., None] * rays[..., :2]
    bed = (ground > 0).all(axis=-1) & (ground < [TABLE.width_m, TABLE.length_m]).all(axis=-1)
    light = np.where(bed, CLOTH, WOOD) * (1 + 0.1 * rng.standard_normal((height, width)))
    on_rail = eye[:2] + ((TABLE.rail_top_m - eye[2]) / rays[..., 2])[..., None] * rays[..., :2]
    for x_m, y_m in sight_places_m(TABLE).values():
        far_m = np.hypot(*(on_rail - [x_m, y_m]).transpose(2, 0, 1))
        share = np.clip(0.5 + (0.006 - far_m) / np.hypot(*np.gradient(far_m)), 0, 1)  # of a pixel on its rim
        light += share * (0.6 - light)
    true = {}
    for piece in pieces:
        _lay(light, camera, piece, scale, true)
    if recording.cover is not None:
        u0, v0, u1, v1 = recording.cover
        light[v0:v1, u0:u1] = 0.3
    light = cv2.GaussianBlur(light, (0, 0), recording.blur_px) * np.linspace(0.8, 1.2, height)[:, None]
    grey = 255 * np.clip(light, 0, 1) ** (1 / 2.2)
    noisy = [
        np.clip(grey + rng.normal(0, recording.noise, grey.shape), 0, 255).round().astype(np.uint8)
        for _ in range(6)
    ]
    return np.mean(through_h264(noisy, crf=recording.crf), axis=0), true


def _lay(light, camera, piece, scale, true):
    """Lay a piece into the picture, each pixel averaged over 3 x 3 parts."""
    height, width = light.shape
    origin = mark_point_m(piece.mark, TABLE, LANE, scale)
    left, near, right, far = np.array(piece.paper_mm) * (1 + scale.stretch) / 1000
    tone = INK + (PAPER - INK) * rasterised(piece)
    corners = np.array([[left, near], [right, near], [right, far], [left, far]])
    K = np.array(
        [[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1.0]]
    )
    lens = np.array([camera.k1, camera.k2, 0, 0])
    pose = camera.rotation_rad.copy(), camera.translation_m.copy(), K, lens
    places = np.column_stack([origin[:2] + corners, np.full(4, origin[2])])
    corners_px = cv2.projectPoints(places, *pose)[0][:, 0]
    low, high = np.floor(corners_px.min(0) - 2).astype(int), np.ceil(corners_px.max(0) + 2).astype(int)
    if low.min() < 0 or high[0] >= width or high[1] >= height:
        return
    parts = (np.arange(3) + 0.5) / 3 - 0.5
    u, v = ((np.arange(low[k], high[k] + 1)[:, None] + parts).ravel() for k in (0, 1))
    grid = np.stack(np.meshgrid(u, v), -1).reshape(-1, 1, 2)
    flat = np.concatenate([cv2.undistortPoints(grid, K, lens)[:, 0], np.ones((grid.shape[0], 1))], axis=1)
    rays = flat @ cv2.Rodrigues(pose[0])[0]
    eye = camera.position_m
    seen = eye[:2] + ((origin[2] - eye[2]) / rays[:, 2])[:, None] * rays[:, :2] - origin[:2]
    h, w = tone.shape
    dots_per_m = 1000 * DOTS_PER_MM / (1 + scale.stretch)
    j = np.floor((seen[:, 0] - left) * dots_per_m).astype(int)
    i = np.floor((seen[:, 1] - near) * dots_per_m).astype(int)
    inside = (i >= 0) & (i < h) & (j >= 0) & (j < w)
    window = np.s_[low[1] : high[1] + 1, low[0] : high[0] + 1]
    around = np.repeat(np.repeat(light[window], 3, axis=0), 3, axis=1)
    paper = tone[np.clip(i, 0, h - 1), np.clip(j, 0, w - 1)].reshape(around.shape)
    fine = np.where(inside.reshape(around.shape), paper, around)
    light[window] = fine.reshape(len(v) // 3, 3, len(u) // 3, 3).mean(axis=(1, 3))
    true[piece.mark] = cv2.projectPoints(origin[None], *pose)[0].ravel()
