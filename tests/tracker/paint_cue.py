"""Pictures of a cue over cloth: every ray of a camera against tapered rods; hand, sleeve, shadow, another stick."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

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


@dataclass(frozen=True, kw_only=True)
class PaintedScene:
    """What else is in the picture: bridge hand or none, tones of sleeve and cloth in grey levels.

    `sleeve_m` is how far the sleeve reaches beyond the wrist towards the ball, `arm_m` how far forearm and hand
    have moved along the lane; `stick_m` where the end of a second stick lies from the ball's centre (None:
    nowhere), and `stick_turn` how it points, as a tangent. `shadow` is the share of light that the cue takes from
    the cloth, from a lamp of `lamp_radius_m` at `lamp_m` from the ball.
    """

    hand: bool = True
    sleeve: float = 90.0
    sleeve_m: float = 0.0
    arm_m: float = 0.0
    stick_m: tuple[float, float, float] | None = None
    stick_turn: float = -0.02
    cloth: float = 70.0
    shadow: float = 0.0
    lamp_m: tuple[float, float, float] = (0.25, 0.3, 0.85)
    lamp_radius_m: float = 0.06


PLAIN = PaintedScene()
LYING = PaintedScene(stick_m=(0.025, -0.05, -0.012))


def axis(cue, centre_m):
    """A point of the axis beside the ball's centre, and the unit vector BACK along the cue."""
    right = np.array([np.cos(cue.turn), -np.sin(cue.turn), 0.0])
    ahead = np.array([np.sin(cue.turn), np.cos(cue.turn), 0.0])
    back = -np.cos(cue.slope) * ahead + np.array([0, 0, np.sin(cue.slope)])
    up = np.cross(right, -back)
    return centre_m + cue.side_m * right + cue.up_m * up, back


def paint_cue(camera, window_px, centre_m, cue, rng, *, scene=PLAIN, noise=1.5):
    """Paint a window (u0, v0, u1, v1) of a frame; None for `cue` paints it without one.

    Rays by the pinhole equations, written out here: the camera's own projection is under test.
    """
    u0, v0, u1, v1 = window_px
    over = 2
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
    luma = np.where(floor_m[..., 1] < 0, 35.0, scene.cloth + texture)
    if cue is not None and scene.shadow:
        luma = luma * (1 - scene.shadow * _shaded(floor_m, cue, centre_m, scene))

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
    if scene.hand:
        bridge = centre_m + [0.012, -0.20 + scene.arm_m, -0.012]
        away = np.array([-0.35, -0.9, 0.25]) / np.linalg.norm([-0.35, -0.9, 0.25])
        cuff = 0.28 - scene.sleeve_m
        over_it(bridge, away, 0.0, cuff, lambda s: 0.030 + 0 * s, lambda s: 150 + 0 * s)
        over_it(bridge, away, cuff, 0.7, lambda s: 0.045 + 0 * s, lambda s: scene.sleeve + 0 * s)
        for aside in (-0.03, -0.012, 0.006, 0.024):
            over_it(
                bridge + [aside, 0, -0.004],
                np.array([0, 1.0, 0]),
                0.0,
                0.07,
                lambda s: 0.008 + 0 * s,
                lambda s: 150 + 0 * s,
            )
    if scene.stick_m is not None:
        lying = np.array([-scene.stick_turn, -1.0, 0.0]) / np.hypot(1.0, scene.stick_turn)
        over_it(centre_m + scene.stick_m, lying, 0.0, 0.6, lambda s: 0.0065 + 0.004 * s, lambda s: 190 + 0 * s)
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


def _shaded(floor_m, cue, centre_m, scene):
    """Share of the lamp that the cue hides from points of the cloth; its rim blurs with the height of the cue."""
    start_m, back = axis(cue, centre_m)
    lamp_m = centre_m + np.asarray(scene.lamp_m)
    points_m = np.concatenate([floor_m, np.zeros((*floor_m.shape[:2], 1))], axis=-1)
    rays = lamp_m - points_m
    distance = np.linalg.norm(rays, axis=-1)
    rays /= distance[..., None]
    from_m = start_m - points_m
    dot = rays @ back
    off = np.cross(rays, back)
    miss = np.einsum("...i,...i->...", off, from_m) / np.linalg.norm(off, axis=-1)
    along = (dot * np.einsum("...i,...i->...", rays, from_m) - from_m @ back) / (1 - dot**2)
    reach = np.einsum("...i,...i->...", rays, from_m) + along * dot
    blur = np.maximum(scene.lamp_radius_m / 2 * reach / (distance - reach), 2e-4)
    radius = cue.tip_radius_m + cue.taper * along.clip(0)
    tip = ndtr((along - 0.024 - cue.gap_m) / blur)
    return (ndtr((miss + radius) / blur) - ndtr((miss - radius) / blur)) * tip * (reach > 0)
