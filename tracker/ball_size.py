"""How large the ball at rest looks against how large it should: a check of ball, table and marks."""

import math
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from calibrate.camera import Camera

SECTORS, RAYS = 12, 6  # of the rim, and of each sector
# Where brightness is looked at, in radii of the ball as predicted.
_SHARES = np.arange(0.55, 1.4501, 0.02)
# Sizes tried, over the size predicted, and widths of the blur, in radii. `_basis` cuts its kernel off at 0.3, so
# that the widest three act as 0.13, 0.15 and 0.16; `_SHADE_FOR_BLUR` counts them as they are named here.
_RATIOS = np.arange(0.82, 1.1801, 0.01)
_BLURS = np.array((0.03, 0.05, 0.07, 0.1, 0.14, 0.19, 0.26))
_LEAST_SECTORS = 7
_LEAST_EXPLAINED = 0.9
# What sharpening, halos and a stabilised picture do to all sectors alike: in clips of four cameras a ball of 8 to
# 14 px in radius came out 0.96 to 1.02 times its size.
SIZE_FLOOR_SD = 0.016
# A ball's shade falls to its rim as a blur does, in second order of blur over radius: painted balls of 8 and 14 px,
# blurred by 0.6 to 1.5 px, came out 1.4 to 2.5 times its square too large; the scatter of sectors tells a part.
_SHADE_FOR_BLUR = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class BallSize:
    """The ball's apparent size.

    Attributes
    ----------
    ratio : float
        Radius seen over radius predicted by camera, place and stated diameter.
    ratio_sd : float
        Its standard uncertainty, that of the camera not included.
    """

    ratio: float
    ratio_sd: float


def apparent_size(
    apart: npt.NDArray[np.float32],
    camera: Camera,
    *,
    centre_px: Floats,
    radius_m: float,
    origin_px: tuple[int, int],
) -> BallSize | None:
    """Measure how large a resting ball looks.

    Parameters
    ----------
    apart : (h, w) array
        Window of the picture with the ball less the same without it, in grey levels.
    camera : Camera
        Of the session.
    centre_px : (2,) array
        Image of the ball's centre.
    radius_m : float
        As stated.
    origin_px : tuple of int
        (u, v) of the window's first pixel.

    Returns
    -------
    BallSize or None
        None where too little of the rim is clear.

    Notes
    -----
    In each sector brightness along the radius is a shaded ball (a constant, a slope, and a term that falls steeply
    towards the rim as the surface turns away) cut off at the rim and blurred, on cloth with a shadow that fades.
    Size and blur are searched on a grid, the rest is linear (variable projection: Golub & Pereyra 1973).
    """
    centre_m = np.array([*camera.onto_plane(centre_px[None], z_m=radius_m)[0], radius_m])
    outline_px = camera.sphere_outline(centre_m, radius_m=radius_m, count=SECTORS * RAYS)
    profiles, angles = _profiles(apart, outline_px, origin_px)
    if profiles.shape[1] < _LEAST_SECTORS:
        return None
    total = np.sum((profiles - profiles.mean(axis=0)) ** 2, axis=0)
    told = _bases().transpose(0, 1, 3, 2) @ profiles
    left = np.sum(profiles**2, axis=0) - np.sum(told**2, axis=2)  # the columns are orthonormal
    best = left.min(axis=1)  # over blurs
    at = np.argmin(best, axis=0)
    clear = (at > 0) & (at < len(_RATIOS) - 1) & (best.min(axis=0) < (1 - _LEAST_EXPLAINED) * total)
    if np.count_nonzero(clear) < _LEAST_SECTORS:
        return None
    ratio, scatter = _round(_RATIOS[at[clear]], angles[clear])
    blur = float(np.median(_BLURS[left[at[clear], :, np.flatnonzero(clear)].argmin(axis=1)]))
    return BallSize(ratio=ratio, ratio_sd=math.hypot(SIZE_FLOOR_SD, scatter, _SHADE_FOR_BLUR * blur**2))


def _round(found: Floats, angles: Floats) -> tuple[float, float]:
    """Size of a disc from those of its sectors, and how sure; its centre may lie beside where it was put.

    Least absolute deviations by reweighting: a cue or a hand spoils some sectors altogether.
    """
    design = np.column_stack([np.ones(len(angles)), np.cos(angles), np.sin(angles)])
    weights = np.ones(len(found))
    for _ in range(20):
        root = np.sqrt(weights)
        solution = np.linalg.lstsq(design * root[:, None], found * root, rcond=None)[0]
        left = np.abs(found - design @ solution)
        weights = 1 / np.maximum(left, 0.005)
    degrees = max(1, len(found) - 3)
    # Of normal values, with the room that three fitted values take; medians scatter 1.2533 times as much as means.
    spread = 1.4826 * float(np.median(left)) * np.sqrt(len(found) / degrees)
    unit = np.linalg.inv(design.T @ design)[0, 0]
    return float(solution[0]), 1.2533 * spread * float(np.sqrt(unit))


def _profiles(
    apart: npt.NDArray[np.float32], outline_px: Floats, origin_px: tuple[int, int]
) -> tuple[Floats, Floats]:
    """Brightness along the radius, a column for each sector that is wholly in the window, and their angles."""
    middle_px = outline_px.mean(axis=0)
    rays_px = middle_px + _SHARES[:, None, None] * (outline_px - middle_px) - origin_px
    height, width = apart.shape
    inside = (rays_px > 0).all(axis=(0, 2)) & (rays_px < [width - 1, height - 1]).all(axis=(0, 2))
    points = rays_px.astype(np.float32)
    light = cv2.remap(apart, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    by_sector = light.reshape(len(_SHARES), SECTORS, RAYS).mean(axis=2).astype(np.float64)
    whole = inside.reshape(SECTORS, RAYS).all(axis=1)
    largest = np.abs(by_sector).max(axis=0)
    angles = (np.arange(SECTORS) + 0.5 - 0.5 / RAYS) * 2 * np.pi / SECTORS
    return by_sector[:, whole] / np.maximum(largest[whole], 1.0), angles[whole]


@cache
def _bases() -> Floats:
    """Orthonormal columns for all sizes and blurs that are tried, (sizes, blurs, profile, columns)."""
    bases = np.array([[_basis(ratio, blur) for blur in _BLURS] for ratio in _RATIOS])
    bases.setflags(write=False)
    return bases


def _basis(ratio: float, blur: float) -> Floats:
    """Orthonormal columns that span the profiles of a ball of this size and blur."""
    fine = np.linspace(_SHARES[0] - 0.45, _SHARES[-1] + 0.45, 361)
    share = np.clip(np.abs(fine) / ratio, 0, 1)
    on_ball = np.clip((ratio - fine) / (fine[1] - fine[0]) + 0.5, 0, 1)
    facing = np.sqrt(1 - share**2)
    fading = np.clip(1.5 - fine, 0, None)
    columns = np.stack([on_ball, on_ball * facing, on_ball * share, 1 - on_ball, (1 - on_ball) * fading], axis=1)
    kernel = np.exp(-0.5 * (np.arange(-60, 61) * (fine[1] - fine[0]) / blur) ** 2)
    kernel /= kernel.sum()
    soft = np.stack([np.convolve(column, kernel, mode="same") for column in columns.T], axis=1)
    seen = np.stack([np.interp(_SHARES, fine, column) for column in soft.T], axis=1)
    return np.asarray(np.linalg.qr(seen)[0], dtype=np.float64)
