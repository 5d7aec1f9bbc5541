"""The cue in one frame: where a stripe as wide as a cue points at the ball, and its axis fitted to both edges."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from calibrate.arrays import Bools, Floats
from tracker.autocorrelation import variance_factor
from tracker.cue_strip import COLUMN_PX, CueStrip, Strip

# Shafts are 10 to 14 mm thick at the tip and, over the first metre, up to 15 mm thicker behind it (common practice,
# no source).
HALF_WIDTH_M, HALF_WIDTH_SD_M = 0.0060, 0.0008
HALF_TAPER, HALF_TAPER_SD = 0.004, 0.002
# A shadow moves with its cue, as thick and towards the ball, and may stand out more; it is never brighter than what
# it falls on. So a dark stripe gives way to a bright one that stands out and moves by these shares at the least.
BRIGHT_BESIDE_SHADOW, MOVED_BESIDE_SHADOW = 0.45, 0.6
# Lines that lie so far apart half-way are two.
APART_M, HALF_WAY_M = 0.012, 0.4
# Half of 17 mm at the tip, and a cone from 12 mm to 21 mm within half a metre at the steepest: what is more is two
# sticks side by side, or an arm. Where its rims are lost in the dark, a cue looks as thin as 4 mm there.
MOST_HALF_WIDTH_M, MOST_HALF_TAPER = 0.0085, 0.0105
# Where the line may lie: beside the ball's centre by so much, turned from the lane by so much.
MOST_BESIDE_M, BESIDE_STEP_M = 0.036, 0.001
MOST_TURN, TURN_STEP = 0.10, 0.0025
# A stripe that stands out by this much, in grey levels, counts half.
HALF_CONTRAST = 6.0
# What moved near the ball is the cue: a stick lying about does not. Weighs as much as so long a part of the shaft.
MOVED_WITHIN_M = 0.20
MOVED_WEIGHT = 1.0
# Blur of an edge (lens, demosaicing, compression), pixels.
EDGE_BLUR_PX = 0.9
# Rows are averaged over about this many pixels along the cue before its edges are fitted.
BLOCK_ROWS = 3
# Round by round: how far an edge may be from where the last round predicted it, and to what share a row's thickness
# must be that of the others (a hand, a sleeve, a rail behind the shaft are not as thick as it).
ROUNDS = ((0.005, 0.35), (0.003, 0.2), (0.002, 0.12))
# Each row is fitted from a thin and a thick start, in shares of the expected thickness; the better likeness counts.
STARTS = (0.75, 1.15)
# Light on the shaft, as shares of how it stands out: brighter on one side, and darker towards its rims by Lambert's
# law on a cylinder. (A parabola in place of the half circle put the rim in the shade outwards, the middle by 0.1 to
# 0.3 px.) A wider share for the second lets a row fit a thick dim shaft where a thin bright one is.
TILT_SHARE_SD, ROUND_SHARE, ROUND_SHARE_SD = 0.25, 0.12, 0.12
# A lamp mirrored by a black lacquered shaft makes a line along it: so far from its middle, in half widths of the
# shaft, nothing tells of the edges, where it stands out by so many grey levels.
SHINE_HALF_WIDTH, LEAST_SHINE = 0.55, 10.0
STEPS = 8
# An edge located worse than this, standard uncertainty in pixels, is not used: skin beside wood, a shadow.
MAX_EDGE_SD_PX = 0.35
OUTLIER_SDS = 2.5
# A line that a step changes by less (m; slope) has settled.
LINE_SETTLED = 1e-7
MIN_ROWS = 10
# A line is not drawn out to the ball by more than so many times the stretch in which it was seen, nor from a short
# one. (How much less sure drawing out makes it, `cue_sight.LIGHT_BIAS_PX` says.)
MIN_STRETCH_M, MOST_DRAWN_OUT = 0.18, 2.5
# That stretch holds all but so small a share, at each end, of what the rows tell: a row among bridge fingers, whose
# edges are located to half a pixel, does not bring a shaft that shows half a metre behind the ball up to it.
STRETCH_TAIL = 0.025
# What shading and compression do to the middle of two edges even where nothing else misleads.
MIN_MIDDLE_PX = 0.05
# Between an arm and cloth the two edges are not alike, and what is wrong with blur and shading no longer cancels in
# their middle: so much for sides that differ as much from each other as from the shaft.
UNLIKE_SIDES_PX = 0.4
# Light from one side darkens the far rim by a share of the shaft's own brightness: a black shaft stands out as well
# there, a pale one on pale cloth loses that rim. So much more for each time that it is brighter than it stands out.
BRIGHT_PX = 0.04


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AxisFit:
    """The cue's axis in one strip: ``across = beside + turn * along``.

    Attributes
    ----------
    values : (2,) float64
        `beside` in m, `turn` as a tangent.
    cov : (2, 2) float64
        Their covariance, from the scatter of the middles about the line.
    scatter_px : float
        Robust standard deviation of the middles of the two edges about the line, in pixels.
    rows : int
        Blocks of rows used.
    from_m, to_m : float
        Stretch behind the ball in which the rows lie that tell it.
    half_width_m, half_taper : float
        Half the thickness at the ball, and how it grows with the distance.
    bright : tuple of float
        Brightness of the shaft over what it stands out from its sides, in the nearer and in the farther half of
        that stretch.
    """

    values: Floats
    cov: Floats
    scatter_px: float
    rows: int
    from_m: float
    to_m: float
    half_width_m: float
    half_taper: float
    bright: tuple[float, float]


def _box(strip: Strip, low: int, high: int) -> Strip:
    """Mean of the columns from `low` to `high` (inclusive) beside each column."""
    kernel = np.ones((1, high - low + 1), np.float32) / (high - low + 1)
    return np.asarray(
        cv2.filter2D(strip, cv2.CV_32F, kernel, anchor=(-low, 0) if low <= 0 <= high else (0, 0)), dtype=np.float32
    )


def stripe_contrast(strip: Strip, column_m: float) -> Strip:
    """How much a stripe of a cue's width stands out from BOTH its sides, in grey levels; signed."""
    inside = max(1, round(0.6 * HALF_WIDTH_M / column_m))
    near, far = round(1.5 * HALF_WIDTH_M / column_m), round(2.4 * HALF_WIDTH_M / column_m) + 1
    mean = _box(strip, -inside, inside)
    flank = _box(strip, -((far - near) // 2), (far - near) // 2)
    shift = (near + far) // 2
    left = mean - np.roll(flank, shift, axis=1)
    right = mean - np.roll(flank, -shift, axis=1)
    alike = np.sign(left) == np.sign(right)
    contrast = np.where(alike, np.sign(left) * np.minimum(np.abs(left), np.abs(right)), 0)
    contrast[:, :far] = contrast[:, -far:] = 0
    return np.asarray(contrast, dtype=np.float32)


def _soft(contrast: Strip) -> Strip:
    return np.asarray(np.abs(contrast) / (np.abs(contrast) + HALF_CONTRAST), dtype=np.float32)


def find_axis(strips: list[Strip], strip: CueStrip) -> Floats | None:
    """Find roughly where the cue lies in the last frames before the strike.

    Parameters
    ----------
    strips : list of (H, W) float32
        The frames' strips, in order.
    strip : CueStrip
        Their geometry.

    Returns
    -------
    (2,) array or None
        `beside` and `turn` as in `AxisFit`; None where no stripe there stands out and moves.
    """
    column_m = float(strip.across_m[1] - strip.across_m[0])
    stack = np.stack(strips)
    contrast = stripe_contrast(stack[-3:].mean(axis=0), column_m)
    bright, dark = (_soft(np.maximum(sign * contrast, 0).astype(np.float32)) for sign in (1, -1))
    moved = stripe_contrast(np.asarray(np.abs(stack - stack[-1]).max(axis=0), dtype=np.float32), column_m)
    moved = _soft(np.maximum(moved, 0).astype(np.float32))
    behind = strip.along_m > strip.clear_m
    close = behind & (strip.along_m < MOVED_WITHIN_M)
    beside, turn = np.meshgrid(
        np.arange(-MOST_BESIDE_M, MOST_BESIDE_M + 1e-9, BESIDE_STEP_M),
        np.arange(-MOST_TURN, MOST_TURN + 1e-9, TURN_STEP),
    )
    beside, turn = beside.ravel(), turn.ravel()

    rows = np.flatnonzero(behind)
    across = beside[:, None] + turn[:, None] * strip.along_m[rows]
    columns = np.rint((across - strip.across_m[0]) / column_m).astype(np.int32)
    cells = np.clip(columns, 0, contrast.shape[1] - 1, out=columns) + rows.astype(np.int32) * contrast.shape[1]

    def along_lines(values: Strip, cells: npt.NDArray[np.int32]) -> Floats:
        """Mean of `values` along every candidate line."""
        return np.asarray(np.take(values, cells).mean(axis=1), dtype=np.float64)

    # one or the other of the two is nought
    either, excess = along_lines(bright + dark, cells), along_lines(bright - dark, cells)
    as_bright, as_dark = (either + excess) / 2, (either - excess) / 2
    as_moved = along_lines(moved, cells[:, close[rows]])
    total = as_bright + as_dark + MOVED_WEIGHT * as_moved
    best = int(np.argmax(total))
    if total[best] < 4.5 * max(float(np.median(total)), 0.02):
        return None
    if as_dark[best] > as_bright[best]:
        apart: Bools = np.abs(beside - beside[best] + (turn - turn[best]) * HALF_WAY_M) > APART_M
        other = int(np.argmax(np.where(apart, as_bright + MOVED_WEIGHT * as_moved, -1.0)))
        if as_bright[other] > BRIGHT_BESIDE_SHADOW and as_moved[other] > MOVED_BESIDE_SHADOW * as_moved[best]:
            best = other
    return np.array([beside[best], turn[best]])


def _bell(z: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi), dtype=np.float64)


def _middles(profile: Floats, part: Bools) -> Floats:
    """(N,) medians of the part of each row that is asked for; `numpy.nanmedian` takes ten times as long."""
    ordered = np.sort(np.where(part, profile, np.inf), axis=1)
    count, row = np.count_nonzero(part, axis=1), np.arange(len(profile))
    middles: Floats = (ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2
    return middles


def _edges(
    profile: Floats,
    offset_m: Floats,
    half_m: Floats,
    start_m: Floats,
    *,
    blur_m: float,
    noise: float,
    prior_sd_m: float,
    shine: float | None,
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Fit both edges in each row of straightened profiles.

    Parameters
    ----------
    profile : (N, K) array
        Brightness beside the expected axis.
    offset_m : (K,) array
        Distance from it.
    half_m : (N,) array
        Expected half width.
    start_m : (N,) array
        Half width from which to start.
    blur_m : float
        Standard deviation of the blur.
    noise : float
        Standard deviation of a value, grey levels.
    prior_sd_m : float
        How well each edge is predicted.
    shine : float or None
        Where across a black shaft a lamp is mirrored, in half widths from its axis.

    Returns
    -------
    tuple of (N, 2), (N, 2), (N,), (N,) and (N,) arrays
        Left and right edge and their standard deviations, in m, the cost of each fit, how unlike the two sides are,
        and how bright the shaft is; both over what the shaft stands out from the nearer of the sides.

    Notes
    -----
    Levels left and right; inside a level, a slope and a half circle across (by Lambert's law brightness goes with
    the normal's component towards a light: across a cylinder these two, for light from aside and from before); and
    the two edges as blurred steps: seven unknowns a row, by Gauss-Newton with weak priors.
    """
    n, k = profile.shape
    predicted = np.stack([-half_m, half_m], axis=1)
    edges = np.stack([-start_m, start_m], axis=1)
    offset = np.broadcast_to(offset_m, (n, k))
    levels = np.empty((n, 3))
    for i, part in enumerate(
        (offset < -1.5 * half_m[:, None], offset > 1.5 * half_m[:, None], np.abs(offset) < 0.6 * half_m[:, None])
    ):
        levels[:, i] = _middles(profile, part)
    light = np.empty(0)
    told = np.ones((n, k), dtype=bool)
    if shine is not None:
        # about the expected axis: both starts of a row are held against the same values
        told = np.abs(np.clip(offset / half_m[:, None], -1.0, 1.0) - shine) > SHINE_HALF_WIDTH
        inside = np.abs(offset) < 0.8 * half_m[:, None]
        light = profile.max(axis=1, where=inside, initial=0.0)
        levels[:, 2] = profile.min(axis=1, where=inside, initial=255.0)
    stands_out = levels[:, 2:] - levels[:, :2].mean(axis=1, keepdims=True)
    shape_mean = stands_out * [0.0, ROUND_SHARE]
    shape_sd = np.abs(stands_out) * [TILT_SHARE_SD, ROUND_SHARE_SD] + 1.0
    shape = shape_mean.copy()
    for _ in range(STEPS):
        middle, half = edges.mean(axis=1, keepdims=True), np.diff(edges, axis=1) / 2
        across = np.clip((offset - middle) / half, -1.0, 1.0)
        rounded = np.sqrt(1 - across**2) - np.pi / 4
        z_left, z_right = (offset - edges[:, :1]) / blur_m, (offset - edges[:, 1:]) / blur_m
        in_left, in_right = ndtr(z_left), ndtr(z_right)
        body = in_left - in_right
        surface = levels[:, 2:] + shape[:, :1] * across + shape[:, 1:] * rounded
        model = levels[:, :1] * (1 - in_left) + levels[:, 1:2] * in_right + surface * body
        d_left = -(surface - levels[:, :1]) * _bell(z_left) / blur_m
        d_right = -(levels[:, 1:2] - surface) * _bell(z_right) / blur_m
        terms = [1 - in_left, in_right, body, across * body, rounded * body, d_left, d_right]
        turned = np.stack(terms, axis=1) / noise
        residual = (profile - model) / noise
        if shine is not None:
            turned, residual = turned * told[:, None], residual * told
        normal = turned @ turned.swapaxes(1, 2)
        weights = np.zeros((n, 7))
        weights[:, :3] = 1e-6
        weights[:, 3:5] = 1 / shape_sd**2
        weights[:, 5:] = 1 / prior_sd_m**2
        away = np.concatenate([np.zeros((n, 3)), shape - shape_mean, edges - predicted], axis=1)
        normal += weights[:, :, None] * np.eye(7)
        towards = (turned @ residual[..., None])[..., 0] - weights * away
        step = np.linalg.solve(normal, towards[..., None])[..., 0]
        levels, shape = levels + step[:, :3], shape + step[:, 3:5]
        edges = edges + np.clip(step[:, 5:], -0.6 * blur_m, 0.6 * blur_m)
        # two edges stay two
        thin = np.diff(edges, axis=1)[:, 0] < half_m
        edges[thin] = edges[thin].mean(axis=1, keepdims=True) + 0.5 * half_m[thin, None] * [-1.0, 1.0]
    cov = np.linalg.inv(normal)
    left_over = np.sum(residual**2, axis=1)
    misfit = np.sqrt(np.maximum(left_over / np.maximum(told.sum(axis=1), 1), 1.0))[:, None]
    cost = left_over + np.sum(weights * away**2, axis=1)
    contrast = np.maximum(np.abs(levels[:, 2:] - levels[:, :2]).min(axis=1), 1.0)
    unlike = np.minimum(np.abs(levels[:, 0] - levels[:, 1]) / contrast, 4.0)
    bright = np.minimum(np.abs(levels[:, 2] if shine is None else light) / contrast, 8.0)
    return edges, np.sqrt(np.stack([cov[:, 5, 5], cov[:, 6, 6]], axis=1)) * misfit, cost, unlike, bright


def _shine(profile: Floats, offset_m: Floats, half_m: Floats) -> float | None:
    """Find where a black lacquered shaft mirrors a lamp, in half widths from its axis; None where it does not.

    A bright line along it between two dark ones, each darker than what lies beside the shaft.
    """
    across = np.linspace(-1.6, 1.6, 33)
    columns = (across * half_m[:, None] - offset_m[0]) / (offset_m[1] - offset_m[0])
    first = np.clip(columns.astype(int), 0, profile.shape[1] - 2)
    share = np.clip(columns - first, 0.0, 1.0)
    row = np.arange(len(profile))[:, None]
    usual = np.median(profile[row, first] * (1 - share) + profile[row, first + 1] * share, axis=0)
    middle = np.flatnonzero(np.abs(across) < 0.65)
    top = int(middle[np.argmax(usual[middle])])
    for side in (-1, 1):
        dark = usual[(side * across > side * across[top]) & (side * across < 1.05)].min()
        if min(usual[top], np.median(usual[side * across > 1.25])) < dark + LEAST_SHINE:
            return None
    return float(across[top])


def fit_axis(values: Strip, start: Floats, strip: CueStrip, *, noise: float) -> AxisFit | None:
    """Fit the cue's axis to its two edges in one strip.

    Parameters
    ----------
    values : (H, W) float32
        The strip of a frame.
    start : (2,) array
        `beside` and `turn`, good to some mm and half a degree.
    strip : CueStrip
        Its geometry.
    noise : float
        Standard deviation of a pixel, grey levels.

    Returns
    -------
    AxisFit or None
        None where too few rows show both edges, none of a cue's thickness, or only rows far behind the ball.
    """
    fit: AxisFit | None = None
    axis, half = start, np.array([HALF_WIDTH_M, HALF_TAPER])
    for prior_sd_m, same in ROUNDS:
        fit = _fit_once(values, axis, half, strip, noise=noise, prior_sd_m=prior_sd_m, same=same)
        if fit is None:
            return None
        axis, half = fit.values, np.array([fit.half_width_m, fit.half_taper])
    if fit is None:
        return None
    stretch_m = fit.to_m - fit.from_m
    if stretch_m < max(MIN_STRETCH_M, fit.from_m / MOST_DRAWN_OUT):
        return None
    return fit if half[0] < MOST_HALF_WIDTH_M and half[1] < MOST_HALF_TAPER else None


def _straightened(values: Strip, axis: Floats, reach_m: float, strip: CueStrip) -> tuple[Floats, Floats, Floats]:
    """Profiles across an axis: (N, K) brightness in blocks of rows, (K,) offsets and (N,) distances, in m."""
    column_m = float(strip.across_m[1] - strip.across_m[0])
    offset_m = np.arange(-reach_m, reach_m + column_m, column_m)
    behind = np.flatnonzero(strip.along_m > strip.clear_m)
    centre_m = axis[0] + axis[1] * strip.along_m[behind]
    columns = ((centre_m[:, None] + offset_m - strip.across_m[0]) / column_m).astype(np.float32)
    rows = np.broadcast_to(behind[:, None].astype(np.float32), columns.shape).copy()
    straight = cv2.remap(values, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    n = len(behind) // BLOCK_ROWS * BLOCK_ROWS
    profile = straight[:n].reshape(-1, BLOCK_ROWS, len(offset_m)).mean(axis=1).astype(np.float64)
    return profile, offset_m, strip.along_m[behind[:n]].reshape(-1, BLOCK_ROWS).mean(axis=1)


def _fit_once(
    values: Strip, start: Floats, half: Floats, strip: CueStrip, *, noise: float, prior_sd_m: float, same: float
) -> AxisFit | None:
    """One round: edges row by row about the expected axis, then a line through their middles."""
    blur_m = EDGE_BLUR_PX / strip.px_across_m
    reach_m = 2.6 * (half[0] + half[1] * strip.along_m[-1]) + blur_m
    profile, offset_m, along_m = _straightened(values, start, reach_m, strip)
    half_m = half[0] + half[1] * along_m
    # columns half a pixel apart have errors alike
    block_noise = noise / np.sqrt(BLOCK_ROWS * COLUMN_PX)
    profile = _within(profile, np.abs(offset_m) < 2.6 * half_m[:, None] + blur_m)
    # both starts in one go: calls cost more than the arithmetic of these few rows
    both = _edges(
        np.concatenate([profile] * len(STARTS)),
        offset_m,
        np.concatenate([half_m] * len(STARTS)),
        np.concatenate([half_m * share for share in STARTS]),
        blur_m=blur_m,
        noise=block_noise,
        prior_sd_m=prior_sd_m,
        shine=_shine(profile, offset_m, half_m),
    )
    better = np.arange(len(half_m)) + len(half_m) * np.argmin(both[2].reshape(len(STARTS), -1), axis=0)
    edges, sd, _, unlike, bright = (values[better] for values in both)
    middle_m = edges.mean(axis=1) + start[0] + start[1] * along_m
    doubt_px = np.sqrt(MIN_MIDDLE_PX**2 + (UNLIKE_SIDES_PX * unlike) ** 2 + (BRIGHT_PX * bright) ** 2)
    middle_sd_m = np.hypot(np.hypot(*sd.T) / 2, doubt_px / strip.px_across_m)
    located: Bools = np.all(sd * strip.px_across_m < MAX_EDGE_SD_PX, axis=1)
    if np.count_nonzero(located) < MIN_ROWS:
        return None
    # thickness first: what has that of a tapered shaft is the shaft
    thickness_m, thickness_sd_m = np.diff(edges, axis=1)[:, 0], same * half_m
    of_half = np.stack([np.ones_like(along_m), along_m], axis=1)
    width = _robust_line(
        of_half,
        thickness_m / 2,
        thickness_sd_m / 2,
        located,
        prior=np.array([HALF_WIDTH_M, HALF_TAPER]),
        prior_sd=np.array([HALF_WIDTH_SD_M, HALF_TAPER_SD]),
    )
    likely_m = of_half @ width.values
    used: Bools = np.logical_and(located, np.abs(thickness_m / 2 - likely_m) < same * likely_m)
    if np.count_nonzero(used) < MIN_ROWS:
        return None
    line = _robust_line(of_half, middle_m, middle_sd_m, used, prior=start, prior_sd=np.array([0.05, 0.1]))
    used = used & (line.weight > 0.25)
    if np.count_nonzero(used) < MIN_ROWS:
        return None
    residual = (middle_m - of_half @ line.values) / middle_sd_m
    scale = max(1.0, 1.4826 * float(np.median(np.abs(residual[used]))))
    rho = _neighbour_correlation(residual, used)
    told = np.cumsum(used * line.weight / middle_sd_m**2)
    from_m, to_m = (
        float(along_m[np.searchsorted(told, share * told[-1])]) for share in (STRETCH_TAIL, 1 - STRETCH_TAIL)
    )
    nearer: Bools = along_m < (from_m + to_m) / 2
    all_bright = float(np.median(bright[used]))
    return AxisFit(
        values=line.values,
        cov=line.cov * scale**2 * variance_factor(rho),
        scatter_px=1.4826 * float(np.median(np.abs((middle_m - of_half @ line.values)[used]))) * strip.px_across_m,
        rows=int(np.count_nonzero(used)),
        from_m=from_m,
        to_m=to_m,
        half_width_m=float(width.values[0]),
        half_taper=float(width.values[1]),
        bright=(_median_or(bright[used & nearer], all_bright), _median_or(bright[used & ~nearer], all_bright)),
    )


def across_axis(values: Strip, fit: AxisFit, strip: CueStrip, halves: Floats, half_m: Floats) -> Floats:
    """Brightness of each row beside an axis.

    Parameters
    ----------
    values : (H, W) float32
        The strip of a frame.
    fit : AxisFit
        The axis in it.
    strip : CueStrip
        Its geometry.
    halves : (K,) array
        Places beside the axis, in half widths.
    half_m : (H,) array
        Half the width in each row.

    Returns
    -------
    (H, K) array
    """
    across_m = fit.values[0] + fit.values[1] * strip.along_m[:, None] + half_m[:, None] * halves
    column_m = float(strip.across_m[1] - strip.across_m[0])
    columns = ((across_m - strip.across_m[0]) / column_m).astype(np.float32)
    rows = np.broadcast_to(np.arange(len(columns), dtype=np.float32)[:, None], columns.shape).copy()
    seen = cv2.remap(values, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """Intercept and slope, their covariance for the stated noise, and what each value counted (0 to 1)."""

    values: Floats
    cov: Floats
    weight: Floats


def _robust_line(design: Floats, y: Floats, sd: Floats, use: Bools, *, prior: Floats, prior_sd: Floats) -> _Line:
    """Line through values of which some are wrong: steps of reweighted least squares (Geman-McClure weights).

    It starts from the line through the two values that leaves the smallest median distance, so that a run of
    wrong values at one end does not take it along.
    """
    found: Floats = _start(design[use], y[use], prior)
    precision: Floats = np.diag(1 / prior_sd**2)
    weight = np.ones(len(y))
    normal = precision
    for _ in range(15):
        residual = (y - design @ found) / sd
        scale = max(1.0, 1.4826 * float(np.median(np.abs(residual[use]))))
        weight = np.asarray(use / (1 + (residual / (OUTLIER_SDS * scale)) ** 2) ** 2, dtype=np.float64)
        w = weight / sd**2
        normal = design.T @ (design * w[:, None]) + precision
        before = found
        found = np.asarray(np.linalg.solve(normal, design.T @ (w * y) + precision @ prior), dtype=np.float64)
        if np.abs(found - before).max() < LINE_SETTLED:
            break
    return _Line(found, np.asarray(np.linalg.inv(normal), dtype=np.float64), weight)


def _start(design: Floats, y: Floats, prior: Floats) -> Floats:
    """Line through two of the values, or the prior: the one with the smallest median distance (Rousseeuw 1984)."""
    n = len(y)
    first, second = np.meshgrid(np.arange(0, n, max(1, n // 16)), np.arange(0, n, max(1, n // 16)))
    pairs = np.stack([first.ravel(), second.ravel()], axis=1)
    pairs = pairs[(pairs[:, 1] - pairs[:, 0]) > n // 4]
    slope = (y[pairs[:, 1]] - y[pairs[:, 0]]) / (design[pairs[:, 1], 1] - design[pairs[:, 0], 1])
    lines = np.stack([y[pairs[:, 0]] - slope * design[pairs[:, 0], 1], slope], axis=1)
    lines = np.concatenate([lines, prior[None]])
    away = np.median(np.abs(y - lines @ design.T), axis=1)
    return np.asarray(lines[int(np.argmin(away))], dtype=np.float64)


def _within(profile: Floats, near: Bools) -> Floats:
    """Rows whose cells outside `near` repeat the outermost ones inside."""
    first, last = np.argmax(near, axis=1), near.shape[1] - 1 - np.argmax(near[:, ::-1], axis=1)
    columns = np.clip(np.arange(near.shape[1])[None, :], first[:, None], last[:, None])
    return np.take_along_axis(profile, columns, axis=1)


def _median_or(values: Floats, other: float) -> float:
    """Median, or another value where there are none."""
    return float(np.median(values)) if len(values) else other


def _neighbour_correlation(residual: Floats, used: Bools) -> float:
    """Correlation of a row's residual with the next one's, 0 to 0.9."""
    both = used[1:] & used[:-1]
    a, b = residual[1:][both], residual[:-1][both]
    if len(a) < 8:
        return 0.5
    return float(np.clip(np.mean(a * b) / (np.mean(residual[used] ** 2) + 1e-12), 0.0, 0.9))
