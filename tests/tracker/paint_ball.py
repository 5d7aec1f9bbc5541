"""Paint one ball on cloth by casting rays: an independent picture with known truth for the tracker's tests."""

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.spatial.transform import Rotation

from calibrate.camera import Camera


@dataclass(frozen=True)
class Scene:
    """Light, ball and camera faults. Brightness is linear, 0 to 1."""

    cloth: float = 0.12
    lamps: tuple = ((0.3, -0.2, 0.9, 0.5), (-0.6, 0.4, 0.7, 0.3))  # direction x, y, z and strength
    ambient: float = 0.15
    shine: float = 0.5
    shadow: float = 0.5
    dots: int = 0
    patch_rad: float = 0.0  # half the angle of one large dark patch, seen from the ball's centre
    blur_px: float = 0.9
    contrast: float = 0.03
    noise: float = 2.0
    spin: np.ndarray = field(default_factory=lambda: np.eye(3))  # at mid-exposure
    turning_rad_s: tuple = (0.0, 0.0, 0.0)


def aimed_camera(position_m, target_m, focal_px, size_px, *, k1=0.0, roll_rad=0.0) -> Camera:
    """Camera at a place looking at a point."""
    position_m = np.asarray(position_m, float)
    forward = np.asarray(target_m, float) - position_m
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    R = Rotation.from_euler("z", roll_rad).as_matrix() @ np.stack([right, down, forward])
    return Camera(
        focal_px=focal_px,
        centre_px=np.array(size_px) / 2,
        k1=k1,
        k2=0.0,
        rotation_rad=Rotation.from_matrix(R).as_rotvec(),
        translation_m=-R @ position_m,
        size_px=np.array(size_px, float),
    )


def paint(  # noqa: PLR0913 - a picture has as many knobs
    camera,
    xy_m,
    velocity_m_s,
    scene,
    window,
    *,
    radius_m=0.028575,
    exposure_s=0.0,
    row_s=0.0,
    rng=None,
    over=4,
):
    """Luma of the window (u0, v0, u1, v1) in grey levels, with and without the ball."""
    u0, v0, u1, v1 = window
    pad = 6
    grid_u = (np.arange((u1 - u0 + 2 * pad) * over) + 0.5) / over - 0.5 + u0 - pad
    grid_v = (np.arange((v1 - v0 + 2 * pad) * over) + 0.5) / over - 0.5 + v0 - pad
    uu, vv = np.meshgrid(grid_u, grid_v)
    rays = camera.rays(np.stack([uu, vv], -1)).reshape(-1, 3).T.copy()  # (3, N): numpy is quick along the last axis
    eye = camera.position_m
    ground_m = eye[:2, None] - eye[2] / rays[2] * rays[:2]
    velocity = np.array([velocity_m_s[0], velocity_m_s[1], 0.0])
    centre0 = np.array([xy_m[0], xy_m[1], radius_m])
    late_s = (vv.ravel() - camera.project(centre0)[1]) * row_s
    lamps = [(np.array([x, y, z]) / np.linalg.norm([x, y, z]), s) for x, y, z, s in scene.lamps]
    # how far from under its centre the ball hides the cloth or darkens it
    away_m = np.linalg.norm(eye[:2] - centre0[:2]) / eye[2] * 2 * radius_m + 2 * radius_m
    shadows_m = [(np.hypot(*lamp[:2]) + 1.25) / lamp[2] * radius_m for lamp, _ in lamps]
    reach_m = 1.1 * max(away_m, *shadows_m)
    # moments less than a pixel apart, the blur hides them
    ends_px = camera.project(centre0 + np.outer([-0.5, 0.5], velocity * exposure_s))
    steps = 1 + int(1.2 * np.hypot(*(ends_px[1] - ends_px[0])))
    linear = np.full(rays.shape[1], scene.cloth)
    for k in range(steps):
        t = ((k + 0.5) / steps - 0.5) * exposure_s + late_s
        off_m = centre0[:2, None] + velocity[:2, None] * t - ground_m
        (near,) = np.nonzero(_dot(off_m, off_m) < reach_m**2)
        centre = centre0[:, None] + velocity[:, None] * t[near]
        turn = Rotation.from_rotvec(np.multiply(scene.turning_rad_s, ((k + 0.5) / steps - 0.5) * exposure_s))
        spin = turn.as_matrix() @ scene.spin
        value = _seen(scene, lamps, rays[:, near], eye[:, None] - centre, off_m[:, near], radius_m, spin)
        linear[near] += (value - scene.cloth) / steps
    linear = linear.reshape(uu.shape)

    def finish(picture):
        blurred = gaussian_filter(picture, scene.blur_px * over)
        h, w = (v1 - v0 + 2 * pad), (u1 - u0 + 2 * pad)
        small = blurred.reshape(h, over, w, over).mean((1, 3))[pad:-pad, pad:-pad]
        small = np.clip(small, 0, 1)
        # IEC 61966-2-1, an S for contrast on top, 16 to 235 as in ITU-R BT.709
        code = np.where(small <= 0.0031308, 12.92 * small, 1.055 * small ** (1 / 2.4) - 0.055)
        grey = 16 + 219 * (code - scene.contrast * np.sin(2 * np.pi * code))
        if rng is not None:
            grey = grey + rng.normal(0, scene.noise, grey.shape)
        return np.clip(np.round(grey), 0, 255)

    return finish(linear), finish(np.full(uu.shape, scene.cloth))


def _dot(a, b):
    return sum(x * y for x, y in zip(a, b, strict=True))


def _seen(scene, lamps, rays, eye_from_centre, off_m, radius_m, spin):
    """Light along rays (3, N) that end on the ball or near it; `off_m` (2, N) leads from the cloth to under it."""
    shade = np.ones(rays.shape[1])
    for lamp, s in lamps:
        # distance of the ground point's line to the lamp from the ball's centre, soft edge
        along = _dot(off_m, lamp[:2]) + radius_m * lamp[2]
        near = np.sqrt(_dot(off_m, off_m) + radius_m**2 - along**2)
        shade -= scene.shadow * s * np.clip((radius_m * 1.25 - near) / (radius_m * 0.5), 0, 1)
    value = scene.cloth * np.clip(shade, 0.1, 1)

    b = _dot(eye_from_centre, rays)
    root = b * b - _dot(eye_from_centre, eye_from_centre) + radius_m**2
    (hit,) = np.nonzero(root > 0)
    rays = rays[:, hit]
    normal = (eye_from_centre[:, hit] - (b[hit] + np.sqrt(root[hit])) * rays) / radius_m
    light = np.full(len(hit), scene.ambient)
    glare = np.zeros(len(hit))
    for lamp, s in lamps:
        light += s * np.maximum(0, _dot(lamp, normal))
        half = lamp[:, None] - rays
        cosine = _dot(normal, half) / np.sqrt(_dot(half, half))
        bright = cosine > 0.9  # 0.9**200 is nothing
        glare[bright] += scene.shine * cosine[bright] ** 200
    albedo = np.full(len(hit), 0.85)
    body = spin.T @ normal
    if scene.patch_rad:
        albedo[body[2] > np.cos(scene.patch_rad)] = 0.12
    for d in range(scene.dots):
        a = 2.4 * d
        z = 1 - 2 * (d + 0.5) / scene.dots
        spot = np.array([np.sqrt(1 - z * z) * np.cos(a), np.sqrt(1 - z * z) * np.sin(a), z])
        albedo[spot @ body > np.cos(0.13)] = 0.25
    value[hit] = albedo * light + glare
    return value
