"""Where a tick of the rail scale lies, across its length: a dark line on light paper, fitted to the pixels.

Along the tick the paper may end, a base line may run or a rail may begin; so the brightness is modelled row by row
along the tick (any background, any darkness of the line, changing smoothly), and only the line's place across is
wanted.
"""

from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats

_ROW_PX = 1.2  # spacing of the background's knots along the tick: a paper's edge is sharp
_TONE_PX = 2.0  # and of the darkness of the line
_HALF_LENGTH_PX = 7.0
_TURN_SD = 0.01  # of the tick against the rough camera's direction, rad
_WIDTH_PX, _WIDTH_LOG_SD = 1.1, 0.35  # a tick of about 1 mm, blurred by lens and compression


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TickFit:
    """A tick's place across its length.

    Attributes
    ----------
    shift_px : float
        From the start, along the reading line.
    shift_sd_px : float
        From the residuals seen.
    depth : float
        How much darker than the paper its darkest part is.
    misfit : float
        Root mean square residual, in the same units.
    """

    shift_px: float
    shift_sd_px: float
    depth: float
    misfit: float


def fit_tick(
    luma: Floats, start_px: Floats, directions: Floats, *, half_width_px: float, reach_px: float, sigma_px: float
) -> TickFit | None:
    """Find a tick near `start_px`.

    Parameters
    ----------
    luma : (H, W) array
        Brightness.
    start_px : (2,) array
        (u, v) near where the tick meets the reading line.
    directions : (2, 2) array
        Columns: unit vectors in the image along the reading line and along the tick.
    half_width_px : float
        How much of the scale to take on each side; less than half the way to the next tick of this size.
    reach_px : float
        How far from `start_px` to look.
    sigma_px : float
        Standard uncertainty of `start_px`; of several ticks within reach, that which it makes likeliest is meant.

    Returns
    -------
    TickFit or None
        None where the window leaves the picture or no dark line is within reach.
    """
    cut = _cut(luma, start_px, directions, half_width_px + reach_px / 2)
    if cut is None:
        return None
    across, along, values = cut
    rows, hats = _hats(along, _ROW_PX), _hats(along, _TONE_PX)
    best, best_cost = None, np.inf
    base = np.concatenate([rows, across[:, None]], axis=1)
    spread = _robust_spread(base, values)
    for shift in np.arange(-reach_px, reach_px + 0.01, 0.5):
        design = np.concatenate([base, hats * _line(across - shift, _WIDTH_PX)[:, None]], axis=1)
        solution = np.linalg.lstsq(design, values, rcond=None)[0]
        tones = solution[base.shape[1] :]
        if -tones.min() < tones.max():
            continue  # a light line
        cost = float(np.sum((values - design @ solution) ** 2)) / spread**2 + (shift / sigma_px) ** 2
        if cost < best_cost:
            best, best_cost = float(shift), cost
    if best is None:
        return None
    return _refine(across, along, values, np.array([best, 0.0, np.log(_WIDTH_PX)]), half_width_px)


def _cut(
    luma: Floats, start: Floats, directions: Floats, half_width: float
) -> tuple[Floats, Floats, Floats] | None:
    half = np.abs(directions) @ [half_width, _HALF_LENGTH_PX]
    low, high = np.floor(start - half).astype(int), np.ceil(start + half).astype(int)
    height, width = luma.shape
    if low.min() < 0 or high[0] >= width or high[1] >= height:
        return None
    v, u = np.mgrid[low[1] : high[1] + 1, low[0] : high[0] + 1]
    inverse = np.linalg.inv(directions)
    across, along = np.tensordot(inverse, np.stack([u - start[0], v - start[1]]), axes=1)
    inside = (np.abs(across) <= half_width) & (np.abs(along) <= _HALF_LENGTH_PX)
    return across[inside], along[inside], luma[v, u][inside].astype(np.float64)


def _hats(along: Floats, spacing: float) -> Floats:
    knots = np.arange(-_HALF_LENGTH_PX, _HALF_LENGTH_PX + spacing / 2, spacing)
    hats: Floats = np.maximum(0, 1 - np.abs(along[:, None] - knots) / spacing)
    return hats[:, hats.sum(axis=0) > 0.5]


def _line(distance: Floats, width: float) -> Floats:
    profile: Floats = np.exp(-0.5 * (distance / width) ** 2)
    return profile


def _robust_spread(design: Floats, values: Floats) -> float:
    residual = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    return max(0.5, float(1.4826 * np.median(np.abs(residual))))


def _refine(across: Floats, along: Floats, values: Floats, start: Floats, half_width: float) -> TickFit | None:
    """Gauss-Newton on place, turn and width; darkness and background are solved for (variable projection)."""
    rows, hats = _hats(along, _ROW_PX), _hats(along, _TONE_PX)
    prior_mean = np.array([0.0, 0.0, np.log(_WIDTH_PX)])
    prior_sd = np.array([np.inf, _TURN_SD, _WIDTH_LOG_SD])
    state = start.copy()

    def design(at: Floats) -> Floats:
        line = _line(across - at[0] - at[1] * along, float(np.exp(at[2])))
        return np.concatenate([rows, across[:, None], hats * line[:, None]], axis=1)

    information = np.eye(3)
    for _ in range(20):
        keep = np.abs(across - state[0]) <= half_width
        basis = design(state)[keep]
        left, size, right = np.linalg.svd(basis, full_matrices=False)
        good = size > 1e-6 * size[0]
        left = left[:, good]
        coefficients = right[good].T @ ((left.T @ values[keep]) / size[good])
        residual = values[keep] - basis @ coefficients
        spread = float(np.sqrt(np.sum(residual**2) / max(1, keep.sum() - basis.shape[1] - 3))) + 1e-6
        slope = np.empty((int(keep.sum()), 3))
        for axis in range(3):
            shift = np.zeros(3)
            shift[axis] = 0.02
            slope[:, axis] = (design(state + shift)[keep] - design(state - shift)[keep]) @ coefficients / 0.04
        slope -= left @ (left.T @ slope)
        information = slope.T @ slope / spread**2 + np.diag(1 / prior_sd**2)
        gradient = slope.T @ residual / spread**2 - (state - prior_mean) / prior_sd**2
        step = np.linalg.solve(information + 1e-9 * np.eye(3), gradient)
        step *= min(1.0, 0.5 / max(float(np.abs(step).max()), 1e-12))
        state = state + step
        if float(np.abs(step).max()) < 1e-3:
            break
    depth = -float(coefficients[rows.shape[1] + 1 :].min())
    cov = np.linalg.inv(information + 1e-9 * np.eye(3))
    # Neighbouring pixels err alike after compression; a line has too few of them to measure how much.
    sd = float(np.sqrt(cov[0, 0])) * 1.5
    return TickFit(shift_px=float(state[0]), shift_sd_px=sd, depth=depth, misfit=spread)
