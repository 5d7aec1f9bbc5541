"""The pixels round a predicted ball: the window cut out of a frame, and which of its pixels tell the place."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats, Reals
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
    u, v = np.arange(w) + patch.origin_px[0], (np.arange(h) + patch.origin_px[1])[:, None]
    centre_u, centre_v = view.centre_px + view.offset_px
    away_u, away_v = u - centre_u, v - centre_v
    sweep = view.velocity_px_s * optics.exposure_s
    (t_uu, t_uv), (t_vu, t_vv) = np.linalg.inv(view.axes_px)
    x, y = t_uu * away_u + t_uv * away_v, t_vu * away_u + t_vv * away_v
    sweep_x, sweep_y = t_uu * sweep[0] + t_uv * sweep[1], t_vu * sweep[0] + t_vv * sweep[1]

    def radii2(along: Floats | float) -> Floats:
        """Square of the distance, in radii, from the ball that is so far along its sweep."""
        squares: Floats = (x - along * sweep_x) ** 2 + (y - along * sweep_y) ** 2
        return squares

    length2 = float(sweep @ sweep)
    along = np.clip((away_u * sweep[0] + away_v * sweep[1]) / length2, -0.5, 0.5) if length2 > 0 else 0.0
    # farthest from the sweep's ends: a pixel is needless only where the ball covers it throughout
    farthest2 = np.maximum(radii2(-0.5), radii2(0.5))
    band = rim_band_px(view, optics) / view.radius_px
    use = (radii2(along) < (1 + band) ** 2) & (farthest2 > max(0.0, 1 - band) ** 2) & ~patch.hidden
    # the sensor's ceiling hides how bright the ball is there
    use &= patch.luma < optics.tone.white - CEILING
    thin = int(np.ceil(np.count_nonzero(use) / most_pixels))
    if thin > 1:
        use &= (u + v) % thin == 0
    rows, columns = np.nonzero(use)
    pixels = np.stack([columns + patch.origin_px[0], rows + patch.origin_px[1]], axis=1)
    # whole numbers, so that single precision holds them as they are
    return pixels.astype(np.float32), use, thin
