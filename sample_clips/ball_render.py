"""The ball's picture: a textured sphere in the lamps' light, cast ray by ray over the exposure, and its shadow."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.spatial.transform import Rotation

from sample_clips.background import level_light, spread_offsets
from sample_clips.optics import Image, Lens, window_rays
from sample_clips.physics import Floats
from sample_clips.table_scene import Scene

SAMPLES = 128  # rays to a pixel, each at its own place in the pixel and moment of the exposure
SHADOW_MOMENTS = 3


class Pattern(StrEnum):
    """What is printed on the ball."""

    PLAIN = "plain"
    DOTS = "dots"
    RING = "ring"
    PATCH = "patch"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The ball's surface.

    Attributes
    ----------
    pattern : Pattern
        Print.
    colour, print_colour : tuple of float
        Linear reflectances.
    turn : tuple of float
        Rotation vector of the resting ball, so that the print lies anyhow.
    patch_rad : float
        Half the angle of the one large patch of `Pattern.PATCH`, seen from the ball's centre.
    scuffs : float
        Part by which chalk and scuffs change the reflectance, in spots of a few millimetres.
    """

    pattern: Pattern = Pattern.DOTS
    colour: tuple[float, float, float] = (0.80, 0.77, 0.66)
    print_colour: tuple[float, float, float] = (0.50, 0.03, 0.03)
    turn: tuple[float, float, float] = (0.4, -0.7, 0.3)
    patch_rad: float = 0.75
    scuffs: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Something drawn over a window of the picture.

    Attributes
    ----------
    window : tuple of int
        Left, top, right, bottom (the last two outside).
    cover : (h, w) float32
        Part of each pixel and of the exposure that it takes.
    light : (h, w, 3) float32
        Linear light that it adds.
    """

    window: tuple[int, int, int, int]
    cover: Image
    light: Image


def clip_window(box: Floats, lens: Lens) -> tuple[int, int, int, int] | None:
    """Whole even pixels that hold a box (left, top, right, bottom), within the picture; None if none are left."""
    width, height = lens.size_px
    left, top = max(int(box[0]) // 2 * 2, 0), max(int(box[1]) // 2 * 2, 0)
    right, bottom = min(int(box[2]) // 2 * 2 + 2, width), min(int(box[3]) // 2 * 2 + 2, height)
    return (left, top, right, bottom) if right > left and bottom > top else None


def bounding_window(lens: Lens, points_m: Floats, margin_px: float) -> tuple[int, int, int, int] | None:
    """Window round the images of points."""
    image = lens.project(points_m.reshape(-1, 3))
    return clip_window(np.concatenate([image.min(axis=0) - margin_px, image.max(axis=0) + margin_px]), lens)


def _albedo(look: Look, body: Image) -> Image:
    """Reflectance at body directions (N, 3)."""
    colour = np.broadcast_to(np.array(look.colour, np.float32), body.shape).copy()
    if look.scuffs:
        waves = np.random.default_rng(7).normal(0, 14, (24, 3)).astype(np.float32)
        colour *= (1 + look.scuffs * np.sin(body @ waves.T + waves[:, 0]).sum(axis=-1) / np.sqrt(12))[..., None]
    if look.pattern is Pattern.DOTS:
        marked = np.abs(body).max(axis=-1) > np.cos(0.21)  # six dots of 12 mm
    elif look.pattern is Pattern.RING:
        marked = np.abs(body[..., 2]) < 0.10
    elif look.pattern is Pattern.PATCH:
        marked = body[..., 2] > np.cos(look.patch_rad)
    else:
        return colour
    colour[marked] = look.print_colour
    return colour


def _mirrored(scene: Scene, points: Image, rays: Image, centres: Image, radius_m: float) -> Image:
    """(N, 3) light that comes in along rays mirrored by the ball: lamps with soft edges, a dim room, the cloth."""
    up = np.maximum(rays[:, 2], 1e-3)
    reach = (scene.lamp_height_m - points[:, 2]) / up
    x, y = points[:, 0] + reach * rays[:, 0], points[:, 1] + reach * rays[:, 1]
    seen = np.zeros_like(x)
    for cx, cy in scene.lamp_centres_m:
        edge = np.maximum(np.abs(x - cx), np.abs(y - cy))
        seen += np.clip((scene.lamp_half_m + 0.02 - edge) / 0.04, 0, 1)
    above = np.where(rays[:, 2] > 0.02, seen, 0) * 12.0 + 0.05
    reach = points[:, 2] / np.maximum(-rays[:, 2], 1e-3)
    x, y = points[:, 0] + reach * rays[:, 0], points[:, 1] + reach * rays[:, 1]
    # the ball hides this share of an even sky from the cloth round it
    near2 = ((x - centres[:, 0]) ** 2 + (y - centres[:, 1]) ** 2) / radius_m**2
    below = level_light(scene, x, y) * (1 - (1 + near2) ** -1.5)
    cloth = below[:, None] * np.array(scene.cloth, np.float32)
    return np.where(rays[:, 2:] > 0, above[:, None], cloth)


def _shade(
    scene: Scene,
    look: Look,
    normals: Image,
    points: Image,
    rays: Image,
    body: Image,
    centres: Image,
    radius_m: float,
) -> Image:
    """(N, 3) light that the ball sends towards the camera; what its lacquer mirrors does not reach the resin."""
    direct = scene.lamp_light(points, normals).sum(axis=-1)
    sky = 0.5 + 0.5 * normals[:, 2]
    ground = level_light(scene, points[:, 0], points[:, 1])
    # the cloth lights the ball from below, less where the ball's own shadow lies
    below = (1 - sky) * (1 - 0.75 * np.clip(-normals[:, 2], 0, 1))
    bounce = (below * ground)[:, None] * np.array(scene.cloth, np.float32)
    diffuse = _albedo(look, body) * ((direct + scene.ambient * sky)[:, None] + bounce)
    cosine = -(rays * normals).sum(axis=-1)
    mirrored = rays + 2 * cosine[:, None] * normals
    mirror = (0.04 + 0.96 * (1 - np.clip(cosine, 0, 1)) ** 5)[:, None]  # Schlick
    return diffuse * (1 - mirror) + mirror * _mirrored(scene, points, mirrored, centres, radius_m)


def draw_ball(
    scene: Scene,
    lens: Lens,
    look: Look,
    centres_m: Floats,
    turns: Rotation,
    *,
    window: tuple[int, int, int, int],
    radius_m: float,
) -> Layer:
    """Cast the ball over one window.

    Parameters
    ----------
    centres_m : (rows, N, 3) array
        Centre at the moment at which ray n of each row of the window is exposed.
    turns : Rotation
        rows x N rotations from body to table directions, flattened.
    window : tuple of int
        Left, top, right, bottom.

    Returns
    -------
    Layer
        Cover and light, averaged over pixel and exposure.
    """
    n = centres_m.shape[1]
    rays = window_rays(lens, window, spread_offsets(n, 3)[:, :2]).transpose(1, 0, 2, 3)  # (rows, N, w, 3)
    origin = np.array(lens.position_m)
    away = (centres_m - origin)[:, :, None, :]
    length2 = (rays * rays).sum(axis=-1)
    foot = (rays * away).sum(axis=-1) / length2
    miss2 = ((away - foot[..., None] * rays) ** 2).sum(axis=-1)
    met = miss2 < radius_m**2
    # behind the foot cushion: the ray passes its nose line below the nose
    behind = origin[1] - scene.length_m
    if behind > 0:
        height = origin[2] - behind * rays[..., 2] / np.minimum(rays[..., 1], -1e-9)
        met &= (rays[..., 1] >= 0) | (height > scene.nose_height_m)
    row, sample, column = np.nonzero(met)
    direction = rays[met]
    reach = foot[met] - np.sqrt((radius_m**2 - miss2[met]) / length2[met])
    points = origin + reach[:, None] * direction
    centres = centres_m[row, sample]
    normals = (points - centres) / radius_m
    matrices = turns.as_matrix().reshape(centres_m.shape[0], n, 3, 3)
    body = np.einsum("ki,kij->kj", normals, matrices[row, sample]).astype(np.float32)
    unit = direction / np.sqrt(length2[met])[:, None]
    f32 = np.float32
    vectors = (one.astype(f32) for one in (normals, points, unit, body, centres))
    light = _shade(scene, look, *vectors, radius_m)
    shape = (met.shape[0], met.shape[2])
    flat = row * shape[1] + column
    cover = np.bincount(flat, minlength=shape[0] * shape[1]).reshape(shape) / n
    total = np.stack(
        [np.bincount(flat, light[:, i], shape[0] * shape[1]).reshape(shape) / n for i in range(3)], axis=-1
    )
    return Layer(window, cover.astype(f32), total.astype(f32))


def shadow(scene: Scene, points_m: Image, flat: Image, centres_m: Floats, radius_m: float) -> Image:
    """(h, w) part of the light that is left on the cloth beside the ball.

    Parameters
    ----------
    points_m : (h, w, 3) array
        Surface seen by each pixel.
    flat : (h, w) bool array
        Where that is cloth; nothing else is shaded.
    centres_m : (M, 3) array
        Centres over the exposure.
    """
    left = np.ones(flat.shape, np.float32)
    points = points_m[flat]
    up = np.broadcast_to(np.array([0, 0, 1], np.float32), points.shape)
    lamps = scene.lamp_light(points, up).astype(np.float32)
    corners = scene.lamp_points_m()
    total = lamps.sum(axis=-1) + scene.ambient
    lost = np.zeros(len(points), np.float32)
    quarter_m = scene.lamp_half_m / 2
    for centre in centres_m:
        to_ball = (centre - points).astype(np.float32)
        far2 = (to_ball * to_ball).sum(axis=-1)
        far = np.sqrt(far2)
        # a level patch loses the sphere's solid angle, cosine-weighted: R^2 h / d^3
        blocked = scene.ambient * np.minimum(radius_m**2 * to_ball[:, 2] / (far2 * far), 1)
        for i, lamp in enumerate(corners):
            ray = (lamp - points).astype(np.float32)
            length2 = (ray * ray).sum(axis=-1)
            along = (ray * to_ball).sum(axis=-1) / length2
            miss = np.sqrt(((to_ball - along[:, None] * ray) ** 2).sum(axis=-1))
            soft = quarter_m * np.maximum(along, 0) + 1e-4
            part = np.clip((radius_m + soft - miss) / (2 * soft), 0, 1)
            blocked += lamps[:, i] * part * part * (3 - 2 * part) * (along > 0)
        lost += blocked / total
    left[flat] = np.maximum(1 - lost / len(centres_m), 0)
    return left
