"""Where ticks of the rail scale lie, across their length: dark lines on light paper, fitted to the pixels.

Along a tick the paper may end, a base line may run or a rail may begin; so the brightness is modelled row by row
along the tick (any background, any darkness of the line, changing smoothly), and only the line's place across is
wanted. Ticks too faint to be found one by one are found together: a printed scale is regular, so one shift and one
stretch place them all.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats

_ROW_PX = 1.2  # spacing of the background's knots along the tick: a paper's edge is sharp
_TONE_PX = 2.0  # and of the darkness of the line
_HALF_LENGTH_PX = 9.0  # along the tick, to either side of the click
_BEHIND_PX = 1.0  # of the reading line: the click is that unsure along the tick
_TURN_SD = 0.01  # of the tick against the rough camera's direction, rad
_STRETCH_SD = 0.006  # of the scale against the rough calibration's: clicks of 0.7 px over some 150 px
# Neighbouring pixels err alike after compression, and a line has too few to measure how much: rendered ticks in
# H.264 at CRF 26 lie this many times farther off than independent pixels would have them.
_ALIKE = 2.5
_ALIKE_TOGETHER = 3.5  # the whole scale: the scatter of its ticks raises this where compression moves them more
_WIDTH_PX, _WIDTH_LOG_SD = 1.1, 0.35  # a tick of about 1 mm, blurred by lens and compression
_SHIFT, _STRETCH, _TURN, _WIDTH = range(4)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TickWindow:
    """Pixels round one tick.

    Attributes
    ----------
    across_px, along_px : (n,) float64
        Place of each pixel from the start, along the reading line and along the tick.
    values : (n,) float64
        Brightness.
    half_width_px : float
        How much of the scale is taken on each side of the line.
    size : float
        Pixels per length along the scale, over the same at the mean tick.
    offset_px : float
        How far along the scale the tick lies from the mean tick, in pixels of the mean tick.
    """

    across_px: Floats
    along_px: Floats
    values: Floats
    half_width_px: float
    size: float = 1.0
    offset_px: float = 0.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TickFit:
    """The ticks' places across their length.

    Attributes
    ----------
    shift_px : (T,) float64
        From the start of each, along the reading line.
    shift_sd_px : (T,) float64
        From the residuals seen; taken as independent they say what all ticks together say.
    joint_sd_px : float
        Standard uncertainty of the shift common to all.
    depth : (T,) float64
        How much darker than the paper the darkest part of each is.
    misfit : (T,) float64
        Root mean square residual, in the same units.
    """

    shift_px: Floats
    shift_sd_px: Floats
    joint_sd_px: float
    depth: Floats
    misfit: Floats


def cut_tick(
    luma: Floats, start_px: Floats, directions: Floats, *, half_width_px: float, reach_px: float, side: int
) -> TickWindow | None:
    """Cut the pixels round a tick.

    Parameters
    ----------
    luma : (H, W) array
        Brightness.
    start_px : (2,) array
        (u, v) near where the tick meets the reading line.
    directions : (2, 2) array
        Columns: unit vectors in the image along the reading line and along the tick.
    half_width_px : float
        How much of the scale to take on each side of the line.
    reach_px : float
        How far the line may lie from `start_px`.
    side : int
        1 or -1: on which side of the reading line the tick runs, along the second direction. On the other
        side stand the numbers.

    Returns
    -------
    TickWindow or None
        None where it leaves the picture.
    """
    width_px = half_width_px + reach_px / 2
    half = np.abs(directions) @ [width_px, _HALF_LENGTH_PX]
    low, high = np.floor(start_px - half).astype(int), np.ceil(start_px + half).astype(int)
    height, width = luma.shape
    if low.min() < 0 or high[0] >= width or high[1] >= height:
        return None
    v, u = np.mgrid[low[1] : high[1] + 1, low[0] : high[0] + 1]
    inverse = np.linalg.inv(directions)
    across, along = np.tensordot(inverse, np.stack([u - start_px[0], v - start_px[1]]), axes=1)
    inside = (np.abs(across) <= width_px) & (side * along >= -_BEHIND_PX) & (side * along <= _HALF_LENGTH_PX)
    return TickWindow(
        across_px=across[inside],
        along_px=along[inside],
        values=luma[v, u][inside].astype(np.float64),
        half_width_px=half_width_px,
    )


def fit_ticks(windows: Sequence[TickWindow], *, reach_px: float, sigma_px: float) -> TickFit | None:
    """Find ticks that share one shift and one stretch; a single tick has no stretch.

    Parameters
    ----------
    windows : sequence of TickWindow
        Their pixels.
    reach_px : float
        How far from the starts to look.
    sigma_px : float
        Standard uncertainty of the starts; of several lines within reach, that which it makes likeliest is meant.

    Returns
    -------
    TickFit or None
        None where no dark line is within reach.
    """
    bases = [_Basis(window) for window in windows]
    best, best_cost = None, np.inf
    for shift in np.arange(-reach_px, reach_px + 0.01, 0.5):
        state = np.array([shift, 0.0, 0.0, np.log(_WIDTH_PX)])
        fits = [basis.solve(state, keep=None) for basis in bases]
        if sum(fit.dark for fit in fits) <= 0:
            continue  # light lines
        cost = sum(float(fit.residual @ fit.residual) / b.noise**2 for fit, b in zip(fits, bases, strict=True))
        cost += (shift / sigma_px) ** 2
        if cost < best_cost:
            best, best_cost = state, cost
    return None if best is None else _refine(bases, best, sigma_px)


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """Background and darkness for given lines: residual, left singular vectors, coefficients, depth, darkness."""

    residual: Floats
    left: Floats
    coefficients: Floats
    depth: float
    dark: float


class _Basis:
    """The functions that background and darkness of one tick are made of."""

    def __init__(self, window: TickWindow) -> None:
        self.window = window
        self.rows = _hats(window.along_px, _ROW_PX)
        self.tones = _hats(window.along_px, _TONE_PX)
        flat = np.concatenate([self.rows, window.across_px[:, None]], axis=1)
        residual = window.values - flat @ np.linalg.lstsq(flat, window.values, rcond=None)[0]
        self.noise = max(0.5, float(1.4826 * np.median(np.abs(residual))))

    def shift_px(self, state: Floats) -> float:
        return float(self.window.size * (state[_SHIFT] + state[_STRETCH] * self.window.offset_px))

    def design(self, state: Floats) -> Floats:
        window = self.window
        distance = window.across_px - self.shift_px(state) - state[_TURN] * window.along_px
        line = np.exp(-0.5 * (distance / np.exp(state[_WIDTH])) ** 2)
        return np.concatenate([self.rows, window.across_px[:, None], self.tones * line[:, None]], axis=1)

    def solve(self, state: Floats, keep: Floats | None) -> _Solved:
        basis, values = self.design(state), self.window.values
        if keep is not None:
            basis, values = basis * keep[:, None], values * keep
        left, size, right = np.linalg.svd(basis, full_matrices=False)
        good = size > 1e-6 * size[0]
        left = left[:, good]
        inner = left.T @ values
        coefficients = right[good].T @ (inner / size[good])
        tones = coefficients[self.rows.shape[1] + 1 :]
        depth = max(0.0, -float(tones.min()))
        dark = depth - max(0.0, float(tones.max()))
        return _Solved(values - left @ inner, left, coefficients, depth, dark)


def _hats(along: Floats, spacing: float) -> Floats:
    knots = np.arange(-_HALF_LENGTH_PX, _HALF_LENGTH_PX + spacing / 2, spacing)
    hats: Floats = np.maximum(0, 1 - np.abs(along[:, None] - knots) / spacing)
    return hats[:, hats.sum(axis=0) > 0.5]


def _refine(bases: list[_Basis], state: Floats, sigma_px: float) -> TickFit:
    """Gauss-Newton; darkness and background are solved for (variable projection, Golub & Pereyra 1973)."""
    mean = np.array([0.0, 0.0, 0.0, np.log(_WIDTH_PX)])
    prior = np.diag(1 / np.array([sigma_px, _STRETCH_SD, _TURN_SD, _WIDTH_LOG_SD]) ** 2)
    alike = (_ALIKE if len(bases) == 1 else _ALIKE_TOGETHER) ** 2
    for _ in range(25):
        parts = [_information(basis, state) for basis in bases]
        own = np.array([part[0][_SHIFT, _SHIFT] for part in parts])
        pulls = np.array([part[1][_SHIFT] for part in parts])
        if len(parts) > 2:
            # Ticks that pull apart by more than their noise say how much compression moves each (variance of a sum
            # from the scatter of its clusters: Liang & Zeger 1986, eq. 6).
            alike = max(alike, float(np.sum(pulls**2) / np.sum(own)) * len(parts) / (len(parts) - 1))
        normal = prior + sum(part[0] for part in parts) / alike
        step = np.linalg.solve(normal, prior @ (mean - state) + sum(part[1] for part in parts) / alike)
        length = float(np.abs(step * [1, 100, 10, 1]).max())
        state = state + step * min(1.0, 0.5 / max(length, 1e-12))
        if length < 1e-3:
            break
    joint_sd_px = float(np.sqrt(np.linalg.inv(normal)[_SHIFT, _SHIFT]))
    # Each tick's share, such that all together say what the joint fit says.
    share = own / own.sum()
    sizes = np.array([basis.window.size for basis in bases])
    return TickFit(
        shift_px=np.array([basis.shift_px(state) for basis in bases]),
        shift_sd_px=sizes * joint_sd_px / np.sqrt(np.maximum(share, 1e-6)),
        joint_sd_px=joint_sd_px,
        depth=np.array([part[2] for part in parts]),
        misfit=np.array([part[3] for part in parts]),
    )


def _information(basis: _Basis, state: Floats) -> tuple[Floats, Floats, float, float]:
    """Information matrix (4, 4) and gradient (4,) of one tick, its depth and its residual."""
    window = basis.window
    keep = (np.abs(window.across_px - basis.shift_px(state)) <= window.half_width_px).astype(np.float64)
    solved = basis.solve(state, keep)
    free = max(1.0, keep.sum() - solved.left.shape[1] - 3)
    spread = float(np.sqrt(np.sum(solved.residual**2) / free)) + 1e-6
    slope = np.empty((len(keep), 4))
    for axis, size in enumerate((0.02, 2e-4, 2e-3, 0.02)):
        shift = np.zeros(4)
        shift[axis] = size
        change = (basis.design(state + shift) - basis.design(state - shift)) @ solved.coefficients
        slope[:, axis] = keep * change / (2 * size)
    slope -= solved.left @ (solved.left.T @ slope)
    return slope.T @ slope / spread**2, slope.T @ solved.residual / spread**2, solved.depth, spread
