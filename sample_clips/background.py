"""The still scene in linear light, rays cast at the table, and the surface that each pixel shows."""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from sample_clips.optics import Image, Lens, window_rays
from sample_clips.paper import lay
from sample_clips.physics import Floats
from sample_clips.table_scene import Scene

SAMPLES = 16
FLOOR_M = -0.76
CLOTH, TOP, SLOPE, FACE, FLOOR, APRON = range(6)


def spread_offsets(n: int, dims: int) -> Floats:
    """(n, dims) evenly spread numbers within -0.5 to 0.5, point-symmetric, so that their mean is exactly zero.

    The additive sequence of the generalised golden ratio (Roberts 2018) and its mirror image.
    """
    ratio = 2.0
    for _ in range(40):
        ratio = (1 + ratio) ** (1 / (dims + 1))
    steps = ratio ** -np.arange(1.0, dims + 1)
    half = (0.5 + np.outer(np.arange(1, n // 2 + 1), steps)) % 1 - 0.5
    return np.concatenate([half, -half])


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """The still scene as the lens sees it, before vignetting and point spread.

    Attributes
    ----------
    light : (H, W, 3) float32
        Linear.
    point_m : (H, W, 3) float32
        Surface seen at each pixel's centre, table frame.
    flat : (H, W) bool
        Where that is cloth.
    """

    light: Image
    point_m: Image
    flat: Image


def _grain(seed: int, size: int, blur: float) -> Image:
    """(size, size) tile of smooth noise of unit spread that wraps round."""
    rng = np.random.default_rng(seed)
    tile = rng.standard_normal((size, size)).astype(np.float32)
    if blur:
        pad = int(4 * blur)
        tile = cv2.GaussianBlur(np.pad(tile, pad, mode="wrap"), (0, 0), blur)[pad:-pad, pad:-pad]
    return tile / tile.std()


@lru_cache(maxsize=32)
def _tile(seed: int, blur: float) -> Image:
    return _grain(seed, 512, blur)


def _texture(seed: int, x_m: Image, y_m: Image, step_m: tuple[float, float], blur: float = 0.0) -> Image:
    tile = _tile(seed, blur)
    i = np.floor(y_m / step_m[1]).astype(np.int32) & 511
    j = np.floor(x_m / step_m[0]).astype(np.int32) & 511
    return tile[i, j]


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """The printed scale as a picture, seen from above, rows going away from the shooter.

    Attributes
    ----------
    tone : (h, w) float32
        Reflectance.
    fine_m : float
        Side of its pixels.
    left_m, near_m : float
        Its left end from the zero tick, its near edge from the reading line.
    """

    tone: Image
    fine_m: float
    left_m: float
    near_m: float


@lru_cache(maxsize=4)
def printed_scale(scene: Scene) -> Strip:
    """Print the scale: the reading line, ticks at whole and half units that rise from it, numbers."""
    scale = scene.scale
    fine_m = 0.0002
    left_m, near_m, far_m = -(scale.reach + 0.5) * scale.unit_m, -0.006, 0.027
    paper = np.full((round((far_m - near_m) / fine_m), round(-2 * left_m / fine_m)), 0.80, np.float32)

    def box(x0: float, x1: float, y0: float, y1: float) -> None:
        j0, j1 = round((x0 - left_m) / fine_m), round((x1 - left_m) / fine_m)
        i0, i1 = round((y0 - near_m) / fine_m), round((y1 - near_m) / fine_m)
        paper[i0:i1, j0:j1] = 0.04

    box(left_m + 0.004, -left_m - 0.004, -0.0005, 0.0005)
    for half in range(-2 * scale.reach, 2 * scale.reach + 1):
        whole = half % 2 == 0
        thick, tall = (0.0007, 0.011) if whole else (0.0004, 0.006)
        box(half / 2 * scale.unit_m - thick, half / 2 * scale.unit_m + thick, 0.0, tall)
    for number in range(-scale.reach, scale.reach + 1):
        text = f"{number:d}"
        (w, h), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 1.7, 6)
        stamp = np.zeros((h + 12, w + 12), np.uint8)
        cv2.putText(stamp, text, (6, h + 6), cv2.FONT_HERSHEY_SIMPLEX, 1.7, 255, 6, cv2.LINE_AA)
        ink = stamp[:, ::-1] * np.float32(
            0.76 / 255
        )  # upright for who stands at the foot rail: turned half round, and y goes up
        j = round((number * scale.unit_m - left_m) / fine_m) - ink.shape[1] // 2
        i = round((0.0185 - near_m) / fine_m) - ink.shape[0] // 2
        there = paper[i : i + ink.shape[0], j : j + ink.shape[1]]
        there -= ink[: there.shape[0], : there.shape[1]]
    return Strip(cv2.GaussianBlur(paper, (0, 0), 0.8), fine_m, left_m, near_m)


@dataclass(slots=True)
class _Nearest:
    """The nearest surface that each ray has met so far."""

    origin: Image
    rays: Image
    reach: Image
    kind: Image

    def offer(self, reach: Image, valid: Image, kind: int) -> None:
        closer = valid & (reach > 0) & (reach < self.reach)
        self.reach[closer] = reach[closer]
        self.kind[closer] = kind

    def points(self, reach: Image) -> tuple[Image, Image, Image]:
        o, d = self.origin, self.rays
        return o[0] + reach * d[..., 0], o[1] + reach * d[..., 1], o[2] + reach * d[..., 2]


def _outside(scene: Scene, x: Image, y: Image) -> Image:
    """How far a point lies behind the nearest nose line; negative on the bed."""
    return np.maximum(np.maximum(-x, x - scene.width_m), np.maximum(-y, y - scene.length_m))


def _cast(scene: Scene, origin: Image, rays: Image) -> tuple[Image, Image]:
    """Kind and reach of the surface that each ray meets."""
    near = _Nearest(
        origin, rays, np.full(rays.shape[:-1], 50.0, np.float32), np.full(rays.shape[:-1], FLOOR, np.uint8)
    )
    down = np.minimum(rays[..., 2], -1e-6)
    near.offer((FLOOR_M - origin[2]) / down, np.True_, FLOOR)
    reach = -origin[2] / down
    x, y, _ = near.points(reach)
    near.offer(reach, _outside(scene, x, y) <= 0, CLOTH)
    reach = (scene.rail_top_m - origin[2]) / down
    x, y, _ = near.points(reach)
    out = _outside(scene, x, y)
    near.offer(reach, (out >= scene.cushion_m) & (out <= scene.rail_m), TOP)
    rise = (scene.rail_top_m - scene.nose_height_m) / scene.cushion_m
    for axis, sign, nose in ((0, -1, 0.0), (0, 1, scene.width_m), (1, -1, 0.0), (1, 1, scene.length_m)):
        side = np.where(np.abs(rays[..., axis]) < 1e-9, 1e-9, rays[..., axis])
        # cushion top: z = nose height + rise * distance behind the nose
        reach = (scene.nose_height_m + rise * sign * (origin[axis] - nose) - origin[2]) / (
            rays[..., 2] - rise * sign * side
        )
        x, y, _ = near.points(reach)
        here = sign * ((x, y)[axis] - nose)
        near.offer(reach, (here >= 0) & (here <= scene.cushion_m) & (_outside(scene, x, y) <= here + 1e-6), SLOPE)
        for kind, behind, low, high in (
            (FACE, 0.0, 0.0, scene.nose_height_m),
            (APRON, scene.rail_m, -0.25, scene.rail_top_m),
        ):
            reach = (nose + sign * behind - origin[axis]) / side
            x, y, z = near.points(reach)
            across, limit = ((y, scene.length_m), (x, scene.width_m))[axis]
            inside = (across >= -behind) & (across <= limit + behind) & (z >= low) & (z <= high)
            near.offer(reach, inside, kind)
    return near.kind, near.reach


def _pockets(scene: Scene, x: Image, y: Image) -> Image:
    """Where a point falls into a pocket."""
    w, length = scene.width_m, scene.length_m
    hole = np.zeros(x.shape, bool)
    for cx, cy, r in (
        (-0.018, -0.018, 0.062),
        (w + 0.018, -0.018, 0.062),
        (-0.018, length + 0.018, 0.062),
        (w + 0.018, length + 0.018, 0.062),
        (-0.048, length / 2, 0.060),
        (w + 0.048, length / 2, 0.060),
    ):
        hole |= (x - cx) ** 2 + (y - cy) ** 2 < r * r
    return hole


def _cloth_tone(scene: Scene, x: Image, y: Image) -> Image:
    """Reflectance of the cloth over its mean: weave, nap, wear and chalk specks."""
    s = scene.seed * 10
    tone = 1 + 0.10 * _texture(s, x, y, (0.0011, 0.0014)) + 0.030 * _texture(s + 1, x, y, (0.003, 0.003), 1.0)
    tone += 0.025 * _texture(s + 2, x, y, (0.004, 0.006), 4.0) + 0.04 * _texture(s + 3, x, y, (0.008, 0.008), 12.0)
    if scene.wear:
        lane = np.exp(-(((x - scene.aim_x_m) / 0.06) ** 2))
        tone += scene.wear * (0.6 * lane + 0.4 * _texture(s + 9, x, y, (0.012, 0.012), 6.0))
    specks = _texture(s + 4, x, y, (0.0025, 0.0025), 0.6)
    return tone + 0.25 * np.clip(specks - 3.4, 0, 1)


def _paper_on_cloth(scene: Scene, x: Image, y: Image, colour: Image) -> None:
    for marker in scene.markers:
        r2 = (x - marker.x_m) ** 2 + (y - marker.y_m) ** 2
        colour[(r2 < scene.ring_outer_m**2) & (r2 > scene.ring_inner_m**2)] = 0.72
    for sheet in scene.sheets:
        if not sheet.on_rail:
            lay(sheet, x, y, colour)


def _rail_top(scene: Scene, x: Image, y: Image) -> Image:
    """Colour of the rail tops: wood, sights, the paper scale."""
    lengthwise = (x < 0) | (x > scene.width_m)
    along = np.where(lengthwise, y, x)
    across = np.where(lengthwise, x, y)
    s = scene.seed * 10
    tone = (
        1
        + 0.22 * _texture(s + 5, along, across, (0.012, 0.0014), 1.0)
        + 0.10 * _texture(s + 6, along, across, (0.1, 0.006), 2.0)
    )
    colour = np.maximum(tone, 0.2)[:, None] * np.array(scene.wood, np.float32)
    for sx, sy, _ in scene.sights().values():
        colour[(x - sx) ** 2 + (y - sy) ** 2 < scene.sight_radius_m**2] = (0.62, 0.60, 0.55)
    for sheet in scene.sheets:
        if sheet.on_rail:
            lay(sheet, x, y, colour)
    if scene.scale.drawn:
        _lay_scale(scene, x, y, colour)
    return colour


def _lay_scale(scene: Scene, x: Image, y: Image, colour: Image) -> None:
    strip = printed_scale(scene)
    c, si = np.cos(scene.scale.skew_rad), np.sin(scene.scale.skew_rad)
    dx, dy = x - scene.scale.zero_x_m, y - scene.line_y_m
    j = (c * dx + si * dy - strip.left_m) / strip.fine_m - 0.5
    i = (c * dy - si * dx - strip.near_m) / strip.fine_m - 0.5
    here = (i >= 0) & (i < strip.tone.shape[0] - 1) & (j >= 0) & (j < strip.tone.shape[1] - 1)
    found = strip.tone[np.rint(i[here]).astype(int), np.rint(j[here]).astype(int)]
    colour[here] = found[:, None] * np.array([1.0, 0.99, 0.95], np.float32)


@lru_cache(maxsize=4)
def _light_grid(scene: Scene) -> Floats:
    """Light on level ground on a grid of 2 cm from (-1, -1) on."""
    x, y = np.meshgrid(np.arange(-1, scene.width_m + 1, 0.02), np.arange(-1, scene.length_m + 1, 0.02))
    points = np.stack([x, y, np.zeros_like(x)], axis=-1)
    up = np.broadcast_to([0.0, 0.0, 1.0], points.shape)
    return (scene.lamp_light(points, up).sum(axis=-1) + scene.ambient).astype(np.float32)


def level_light(scene: Scene, x: Image, y: Image) -> Image:
    """Light on level ground, interpolated from a grid."""
    grid = _light_grid(scene)
    column = np.clip((x + 1) / 0.02, 0, grid.shape[1] - 1.001)
    row = np.clip((y + 1) / 0.02, 0, grid.shape[0] - 1.001)
    j, i = column.astype(np.int32), row.astype(np.int32)
    right, down = (column - j).astype(np.float32), (row - i).astype(np.float32)
    near = grid[i, j] * (1 - right) + grid[i, j + 1] * right
    far = grid[i + 1, j] * (1 - right) + grid[i + 1, j + 1] * right
    return near * (1 - down) + far * down


def _colour(scene: Scene, kind: Image, x: Image, y: Image, z: Image) -> Image:
    """(N, 3) light that surfaces send back."""
    colour = np.empty((*kind.shape, 3), np.float32)
    cloth = np.array(scene.cloth, np.float32)
    light = level_light(scene, x, y)[..., None]
    here = kind == CLOTH
    colour[here] = _cloth_tone(scene, x[here], y[here])[:, None] * cloth
    on_cloth = colour[here]
    _paper_on_cloth(scene, x[here], y[here], on_cloth)
    # the bed is darker in the angle under the cushions
    edge = np.clip(-_outside(scene, x[here], y[here]) / 0.035, 0, 1)
    colour[here] = on_cloth * (0.62 + 0.38 * np.sqrt(edge))[:, None]
    here = kind == SLOPE
    colour[here] = 1.05 * _cloth_tone(scene, x[here], y[here])[:, None] * cloth
    here = kind == FACE
    colour[here] = (0.25 + 0.35 * np.clip(z[here] / scene.nose_height_m, 0, 1))[:, None] * cloth
    here = kind == TOP
    colour[here] = _rail_top(scene, x[here], y[here])
    here = kind == APRON
    colour[here] = 0.35 * np.array(scene.wood, np.float32)
    here = kind == FLOOR
    tone = 1 + 0.25 * _texture(scene.seed * 10 + 8, x[here], y[here], (0.01, 0.01), 1.5)
    colour[here] = 0.5 * tone[:, None] * np.array([0.060, 0.052, 0.047], np.float32)
    hole = (kind != FLOOR) & (kind != APRON) & _pockets(scene, x, y)
    colour[hole] = 0.004
    return colour * np.minimum(light, 1.6)


@lru_cache(maxsize=2)
def background(scene: Scene, lens: Lens) -> Background:
    """Cast the still scene. Some seconds for a camera place, then remembered."""
    width, height = lens.size_px
    origin = np.array(lens.position_m, np.float32)
    light = np.zeros((height, width, 3), np.float32)
    offsets = spread_offsets(SAMPLES, 2)
    for top in range(0, height, 90):
        window = (0, top, width, min(top + 90, height))
        for offset in offsets:
            rays = window_rays(lens, window, offset[None])[0].astype(np.float32)
            kind, reach = _cast(scene, origin, rays)
            x, y, z = (origin + reach[..., None] * rays).transpose(2, 0, 1)
            light[window[1] : window[3]] += _colour(scene, kind, x, y, z)
    rays = window_rays(lens, (0, 0, width, height), np.zeros((1, 2)))[0].astype(np.float32)
    kind, reach = _cast(scene, origin, rays)
    return Background(light / SAMPLES, origin + reach[..., None] * rays, kind == CLOTH)
