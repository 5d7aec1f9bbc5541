"""Pictures of a cue over cloth: every ray of a camera against tapered rods; a bridge hand, a sleeve, a stick."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

LIGHT = np.array([0.5, 0.2, 0.84])


@dataclass(frozen=True, kw_only=True)
class PaintedCue:
    """A cue at one moment.

    Direction and slope in radians, the axis `side_m` to the right of the ball's centre and `up_m` above it, its end
    `gap_m` short of touching the plane of the ball's centre; wood and ferrule in grey levels.
    """

    turn: float
    slope: float
    side_m: float
    up_m: float
    gap_m: float
    wood: float = 170.0
    ferrule: float = 235.0
    tip_radius_m: float = 0.0063
    taper: float = 0.004
    butt: float = 60.0


def axis(cue, centre_m):
    """A point of the axis beside the ball's centre, and the unit vector BACK along the cue."""
    right = np.array([np.cos(cue.turn), -np.sin(cue.turn), 0.0])
    ahead = np.array([np.sin(cue.turn), np.cos(cue.turn), 0.0])
    back = -np.cos(cue.slope) * ahead + np.array([0, 0, np.sin(cue.slope)])
    up = np.cross(right, -back)
    return centre_m + cue.side_m * right + cue.up_m * up, back


def paint_cue(camera, window_px, centre_m, cue, rng, *, hand=True, stick=False, noise=1.5):
    """Paint a window (u0, v0, u1, v1) of a frame; None for `cue` paints it without one.

    Rays by the pinhole equations, written out here: the camera's own projection is under test.
    """
    u0, v0, u1, v1 = window_px
    over, cloth = 2, 70.0
    sub = (np.arange(over) + 0.5) / over - 0.5
    u = (np.arange(u0, u1)[:, None] + sub).ravel()
    v = (np.arange(v0, v1)[:, None] + sub).ravel()
    uu, vv = np.meshgrid(u, v)
    R = np.asarray(camera.R_cam_from_table)
    rays = (
        np.stack(
            [
                (uu - camera.centre_px[0]) / camera.focal_px,
                (vv - camera.centre_px[1]) / camera.focal_px,
                np.ones_like(uu),
            ],
            axis=-1,
        )
        @ R
    )
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    place_m = -R.T @ np.asarray(camera.translation_m)
    floor_m = place_m[:2] - place_m[2] / rays[..., 2:] * rays[..., :2]
    texture = 4 * np.sin(37 * floor_m[..., 0] + 11 * np.sin(23 * floor_m[..., 1])) + 3 * np.sin(
        61 * floor_m[..., 1]
    )
    luma = np.where(floor_m[..., 1] < 0, 35.0, cloth + texture)

    def over_it(start_m, back, near_m, far_m, radius_of, tone_of):
        """Draw a round rod over what is there."""
        from_m = start_m - place_m
        dot = rays @ back
        reach = (dot * (rays @ from_m) - back @ from_m) / (1 - dot**2)
        offset = np.cross(rays, back)
        offset /= np.linalg.norm(offset, axis=-1, keepdims=True)
        miss = offset @ from_m
        radius = radius_of(reach)
        hit = (np.abs(miss) < radius) & (reach > near_m) & (reach < far_m)
        height = np.sqrt(np.clip(1 - (miss / radius) ** 2, 0, 1))
        normal = -(miss / radius)[..., None] * offset - height[..., None] * rays
        shade = 0.72 + 0.28 * np.clip(normal @ LIGHT, 0, 1)
        luma[hit] = (tone_of(reach) * shade)[hit]

    centre_m = np.asarray(centre_m)
    if hand:
        bridge = centre_m + [0.012, -0.20, -0.012]
        away = np.array([-0.35, -0.9, 0.25]) / np.linalg.norm([-0.35, -0.9, 0.25])
        over_it(bridge, away, 0.0, 0.28, lambda s: 0.030 + 0 * s, lambda s: 150 + 0 * s)
        over_it(bridge, away, 0.28, 0.7, lambda s: 0.045 + 0 * s, lambda s: 90 + 0 * s)
        for aside in (-0.03, -0.012, 0.006, 0.024):
            over_it(
                bridge + [aside, 0, -0.004],
                np.array([0, 1.0, 0]),
                0.0,
                0.07,
                lambda s: 0.008 + 0 * s,
                lambda s: 150 + 0 * s,
            )
    if stick:
        over_it(
            centre_m + [0.025, -0.05, -0.012],
            np.array([0.02, -1.0, 0.0]),
            0.0,
            0.6,
            lambda s: 0.0065 + 0.004 * s,
            lambda s: 190 + 0 * s,
        )
    if cue is not None:
        start_m, back = axis(cue, centre_m)
        near_m = 0.024 + cue.gap_m

        def tone(s):
            behind = s - near_m
            wood = np.where(behind < 0.012, 50.0, np.where(behind < 0.035, cue.ferrule, cue.wood))
            return np.where(behind > 0.75, cue.butt, wood)

        over_it(start_m, back, near_m, 1.3, lambda s: cue.tip_radius_m + cue.taper * (s - near_m).clip(0), tone)
    shape = (v1 - v0, over, u1 - u0, over)
    picture = gaussian_filter(luma.reshape(shape).mean(axis=(1, 3)), 0.7)
    return np.clip(picture + rng.normal(0, noise, picture.shape), 0, 255).round().astype(np.uint8)
