"""The pixels round a predicted ball: the window cut out of a frame, and which of its pixels tell the place."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Reals
from tracker.ball_image import BallView, Optics

# Grey levels this close below white may be more than white.
CEILING = 2.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Patch:
    """A window of a frame with what lies behind the ball.

    Attributes
    ----------
    luma : (h, w) float32
        The frame's pixels, in grey levels.
    background : (h, w) float32
        The same window without the ball.
    hidden : (h, w) bool
        Pixels in which something stands before the ball (the near cushion), or that are not to be used.
    origin_px : tuple of int
        (u, v) of the first pixel.
    """

    luma: npt.NDArray[np.float32]
    background: npt.NDArray[np.float32]
    hidden: npt.NDArray[np.bool_]
    origin_px: tuple[int, int]


def rim_band_px(view: BallView, optics: Optics) -> float:
    """How far inside and outside the rim pixels are used."""
    return max(3 * optics.blur_px + 1.0, 0.3 * view.radius_px)


def window_px(view: BallView, optics: Optics) -> tuple[int, int, int, int]:
    """(u0, v0, u1, v1) of the window that holds the ball, its sweep and the band round it; ends exclusive."""
    centre = view.centre_px + view.offset_px
    reach = view.radius_px * 1.1 + rim_band_px(view, optics) + 3
    late_s = view.radius_px * float(np.abs(optics.late_s_px).sum())
    reach_px = reach + np.abs(view.velocity_px_s) * (optics.exposure_s / 2 + late_s)
    low = np.floor(centre - reach_px).astype(int)
    high = np.ceil(centre + reach_px).astype(int) + 1
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def rim_pixels(
    view: BallView, patch: Patch, optics: Optics, most_pixels: int
) -> tuple[Reals, npt.NDArray[np.bool_], int]:
    """Pixels of the band round the swept rim: (N, 2) places, a mask of the patch, every how many were taken."""
    h, w = patch.luma.shape
    u, v = np.meshgrid(np.arange(w) + patch.origin_px[0], np.arange(h) + patch.origin_px[1])
    pixels = np.stack([u.ravel(), v.ravel()], axis=1).astype(np.float64)
    away = pixels - (view.centre_px + view.offset_px)
    sweep = view.velocity_px_s * optics.exposure_s
    to_unit = np.linalg.inv(view.axes_px)
    length2 = float(sweep @ sweep)
    along = np.clip(away @ sweep / length2, -0.5, 0.5) if length2 > 0 else np.zeros(len(away))
    nearest = np.linalg.norm((away - along[:, None] * sweep) @ to_unit, axis=1)
    # farthest from the sweep's ends: a pixel is needless only where the ball covers it throughout
    farthest = np.maximum(
        np.linalg.norm((away - 0.5 * sweep) @ to_unit, axis=1),
        np.linalg.norm((away + 0.5 * sweep) @ to_unit, axis=1),
    )
    band = rim_band_px(view, optics) / view.radius_px
    use = (nearest < 1 + band) & (farthest > 1 - band) & ~patch.hidden.ravel()
    # the sensor's ceiling hides how bright the ball is there
    use &= patch.luma.ravel() < optics.tone.white - CEILING
    thin = int(np.ceil(np.count_nonzero(use) / most_pixels))
    if thin > 1:
        use &= (u.ravel() + v.ravel()) % thin == 0
    # whole numbers, so that single precision holds them as they are
    return pixels[use].astype(np.float32), use.reshape(h, w), thin
