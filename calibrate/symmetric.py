"""Where the centre of symmetry of a small mark lies: discs, diamonds, rings and dots alike, light or dark.

A mark that is the same after half a turn stays so in the image, nearly: perspective moves the image of a 12 mm
disc's centre against the centre of the disc's image by ``f (r/d)^2``, below 0.02 px at 2 m. So the brightness is
modelled as a sloping background plus any function that half a turn about the centre leaves alone, and the centre is
where that fits best. Size, make, tone and blur of the mark need not be known.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.alike import alike_factor
from calibrate.arrays import Bools, Floats

_KNOT_PX = 1.3  # spacing of the radial profile's knots along the shorter half-axis
_MAX_KNOTS = 8  # of the profile by radius: enough for a half-axis of 10 px
_MARGIN_PX = 3.0  # background seen round the window
# Stairs and sharpened edges of a mark whose rings are a pixel or two wide are not symmetric about a centre between
# pixels; softening takes them away and keeps the centre. Of 69 sights and rings in seven sets of clips by other
# renderers 10 were declined without it, 3 are with it, and places are as good or better in each set.
_SOFT_PX = 1.0
_CLOSE_PX, _CLOSEST_PX = 0.02, 2e-3  # last step of the fit while its weights still change, and in the end
_TUKEY = 4.685  # 95 % efficient on normal noise (Holland & Welsch 1977)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SymmetricFit:
    """A mark's centre of symmetry.

    Attributes
    ----------
    centre_px : (2,) float64
        (u, v).
    cov_px2 : (2, 2) float64
        From the residuals seen, their correlation between neighbouring pixels included.
    contrast : float
        Root mean square brightness of the mark against its background.
    misfit : float
        Root mean square residual, in the same units.
    """

    centre_px: Floats
    cov_px2: Floats
    contrast: float
    misfit: float


def fit_symmetric(luma: Floats, start_px: Floats, half_axes_px: Floats, *, reach_px: float) -> SymmetricFit | None:
    """Find the centre of symmetry of a mark.

    Parameters
    ----------
    luma : (H, W) array
        Brightness.
    start_px : (2,) array
        (u, v) near the centre.
    half_axes_px : (2, 2) array
        Conjugate half-axes of the window as columns, px: an ellipse that holds the mark and not its neighbours.
    reach_px : float
        How far from `start_px` to look.

    Returns
    -------
    SymmetricFit or None
        None where the window leaves the picture or no centre is found within reach.
    """
    window = _Window.cut(luma, start_px, half_axes_px, margin_px=_MARGIN_PX + reach_px / 2)
    if window is None:
        return None
    centre = _coarse(window, start_px, reach_px)
    # Again, with the window about the mark itself.
    window = _Window.cut(luma, centre, half_axes_px, margin_px=_MARGIN_PX)
    if window is None:
        return None
    weights = np.ones(len(window.values))
    for _ in range(4):
        refined = _refine(window, centre, weights, close_px=_CLOSE_PX)
        if refined is None or np.linalg.norm(refined[0] - start_px) > reach_px + 2:
            return None
        centre, residual, _ = refined
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weights = np.clip(1 - (residual / (_TUKEY * max(scale, 0.3))) ** 2, 0, 1) ** 2
    refined = _refine(
        window, centre, np.ones(len(window.values)) if weights.min() > 0.5 else weights, close_px=_CLOSEST_PX
    )
    if refined is None:
        return None
    centre, residual, slope = refined
    return _judged(window, centre, residual, slope, weights)


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """Pixels round a mark: places (n, 2), brightness (n,), and where each stands in its box."""

    places: Floats
    values: Floats
    inside: Bools
    to_unit: Floats
    knots: int

    @classmethod
    def cut(cls, luma: Floats, centre: Floats, half_axes: Floats, *, margin_px: float) -> "_Window | None":
        half: Floats = np.sqrt(np.sum(half_axes**2, axis=1)) + margin_px  # of the box round the ellipse
        low, high = np.floor(centre - half).astype(int), np.ceil(centre + half).astype(int)
        height, width = luma.shape
        if low.min() < 0 or high[0] >= width or high[1] >= height:
            return None
        v, u = np.mgrid[low[1] : high[1] + 1, low[0] : high[0] + 1]
        to_unit: Floats = np.linalg.inv(half_axes).astype(np.float64)
        shortest = float(np.linalg.svd(half_axes, compute_uv=False)[-1])
        offset = np.stack([u - centre[0], v - centre[1]], axis=-1) @ to_unit.T
        inside = np.hypot(offset[..., 0], offset[..., 1]) <= 1 + margin_px / shortest
        places = np.stack([u, v], axis=-1)[inside].astype(np.float64)
        knots = int(np.clip(round(shortest / _KNOT_PX), 3, _MAX_KNOTS))
        return cls(places, _softened(luma, low, high)[inside], inside, to_unit, knots)

    def picture(self, residual: Floats) -> Floats:
        """Lay out what is left over as a picture; NaN outside the window."""
        picture = np.full(self.inside.shape, np.nan)
        picture[self.inside] = residual - residual.mean()
        return picture

    def basis(self, centre: Floats, *, harmonics: tuple[int, ...]) -> Floats:
        """Columns of background and symmetric functions about `centre`, (n, m)."""
        x, y = ((self.places - centre) @ self.to_unit.T).T
        radius = np.hypot(x, y)
        angle = np.arctan2(y, x)
        hats = np.maximum(0, 1 - np.abs(radius[:, None] * self.knots - np.arange(self.knots)))
        offset = self.places - self.places.mean(axis=0)
        columns = [np.ones((len(radius), 1)), offset, hats]
        for order in harmonics:
            first = order // 2  # near the centre there are no pixels to tell directions apart
            columns += [hats[:, first:] * np.cos(order * angle)[:, None]]
            columns += [hats[:, first:] * np.sin(order * angle)[:, None]]
        return np.concatenate(columns, axis=1)


def _softened(luma: Floats, low: npt.NDArray[np.int_], high: npt.NDArray[np.int_]) -> Floats:
    """Brightness in a box (u, v), both ends included, after a Gaussian blur."""
    first = np.maximum(low - math.ceil(4 * _SOFT_PX), 0)
    last = high + math.ceil(4 * _SOFT_PX)
    around = luma[first[1] : last[1] + 1, first[0] : last[0] + 1].astype(np.float64)
    soft = np.asarray(cv2.GaussianBlur(around, (0, 0), _SOFT_PX), dtype=np.float64)
    box: Floats = soft[low[1] - first[1] :, low[0] - first[0] :][: high[1] - low[1] + 1, : high[0] - low[0] + 1]
    return box


def _coarse(window: _Window, start: Floats, reach_px: float) -> Floats:
    best, best_cost = start, np.inf
    steps = np.arange(-reach_px, reach_px + 0.1, 1.0)
    for du in steps:
        for dv in steps:
            if np.hypot(du, dv) > reach_px:
                continue
            centre = start + [du, dv]
            basis = window.basis(centre, harmonics=())
            normal = basis.T @ basis
            normal[np.diag_indices_from(normal)] += 1e-6
            right = basis.T @ window.values
            cost = -float(right @ np.linalg.solve(normal, right))
            if cost < best_cost:
                best, best_cost = centre, cost
    return best


def _refine(
    window: _Window, centre: Floats, weights: Floats, *, close_px: float
) -> tuple[Floats, Floats, Floats] | None:
    """Gauss-Newton on the centre, everything else solved for (variable projection, Golub & Pereyra 1973)."""
    root = np.sqrt(weights)
    harmonics = (2, 4) if window.knots > 3 else (2,)

    def fitted(at: Floats) -> tuple[Floats, Floats, Floats]:
        basis = window.basis(at, harmonics=harmonics) * root[:, None]
        left, size, right = np.linalg.svd(basis, full_matrices=False)
        keep = size > 1e-6 * size[0]
        left = left[:, keep]
        coefficients = right[keep].T @ ((left.T @ (window.values * root)) / size[keep])
        return left, coefficients, window.values * root - left @ (left.T @ (window.values * root))

    for _ in range(15):
        left, coefficients, residual = fitted(centre)
        slope = np.empty((len(residual), 2))
        for axis in range(2):
            shift = np.zeros(2)
            shift[axis] = 0.05
            ahead, behind = (window.basis(centre + s, harmonics=harmonics) @ coefficients for s in (shift, -shift))
            slope[:, axis] = root * (ahead - behind) / (2 * shift[axis])
        slope -= left @ (left.T @ slope)
        try:
            step = np.linalg.solve(slope.T @ slope, slope.T @ residual)
        except np.linalg.LinAlgError:
            return None
        length = float(np.linalg.norm(step))
        if not np.isfinite(length):
            return None
        centre = centre + step * min(1.0, 0.7 / max(length, 1e-12))
        if length < close_px:
            break
    _, coefficients, _ = fitted(centre)
    residual = window.values - window.basis(centre, harmonics=harmonics) @ coefficients
    return centre, residual, slope


def _judged(window: _Window, centre: Floats, residual: Floats, slope: Floats, weights: Floats) -> SymmetricFit:
    plane = window.basis(centre, harmonics=())[:, :3]
    flat = window.values - plane @ np.linalg.lstsq(plane, window.values, rcond=None)[0]
    count = len(residual)
    spread = float(np.sqrt(np.sum(residual**2) / max(1, count - 20)))
    information = slope.T @ slope
    alike = alike_factor(window.picture(residual))
    cov: Floats = np.linalg.pinv(information).astype(np.float64) * spread**2 * alike
    return SymmetricFit(centre_px=centre, cov_px2=cov, contrast=float(np.std(flat)), misfit=spread)
