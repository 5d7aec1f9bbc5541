"""A scale whose ticks are too fine to be found one by one, found as a whole: all that repeats with its unit.

Seen along the reading line, ticks are an even, periodic pattern about the zero, whatever their lengths, makes and
subdivisions: a sum of cosines of the unit, dark at the whole numbers. Longer ticks stand at coarser numbers, so
each cosine darkens the zero and none brightens it (a row of ticks is a sum of combs of a unit, of half a unit and
so on, and a comb of dark lines has no other harmonics). Row by row across the scale background and darkness are
free; the blur is, too, for it only weakens the finer cosines. Wanted is one shift; whether the picture tells it,
and no other place is nearly as good, is said with it.

What comes of it on drawn rulers is printed by `tests/benchmarks/fine_scales.py`.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import nnls

from calibrate.alike import alike_factor
from calibrate.arrays import Bools, Floats
from calibrate.camera import Camera
from calibrate.scale import RailScale
from calibrate.units import m_from_mm, mm_from_m

_REACHES_MM = (4.0, 7.0, 10.0)  # how far from the reading line ticks are looked at; numbers begin beyond
_BEHIND_PX = 0.6  # of the reading line
_LEAST_PERIOD_PX, _MOST_HARMONICS = 2.4, 20  # finer ones the blur takes away
_STEP_PX = 0.1  # of the shifts that are tried
_WITHIN_SDS = 4.0  # of where the scale is said to lie
_STRETCHES = 0.003 * np.linspace(-1, 1, 7)  # tried too: clicks leave the length of the unit open by about as much
# Residuals of neighbouring pixels are alike, and those about one number. How much so the numbers themselves say, as
# a scale repeats itself, if roughly: there are few.
_LEAST_ALIKE, _MOST_ALIKE, _ROUGHLY = 2.5, 4.0, 1.5
_CHANCE = 1.5  # of the best of many shifts, times what one follows of noise
_UNSEEN = 2.0  # what is alike at all numbers no scatter shows: drawn rulers err 1.4 times as far as without this
_ODD = 3.0  # times its noise, from which what is not even about the zero makes it less sure
_LEAST_PIXELS = 60
LEAST_AHEAD = 9.0  # of minus twice the log likelihood: a place elsewhere is worse by three standard deviations
ELSEWHERE_PX = 1.2


@dataclass(frozen=True, slots=True, kw_only=True)
class CombFit:
    """A scale found as a whole.

    Attributes
    ----------
    shift : float
        How far along itself it lies from where it was said to lie, in its unit; what was known beforehand is in it.
    sd : float
        Standard uncertainty, likewise with what was known beforehand.
    alone_sd : float
        Standard uncertainty from the picture alone.
    ahead : float
        Of minus twice the log likelihood, how much worse the best place farther than `ELSEWHERE_PX` away is.
    """

    shift: float
    sd: float
    alone_sd: float
    ahead: float


def fit_comb(
    luma: Floats,
    *,
    camera: Camera,
    scale: RailScale,
    height_m: float,
    ends: tuple[float, float],
    sigma: float,
) -> CombFit | None:
    """Find the shift of a scale along itself.

    Parameters
    ----------
    luma : (H, W) array
        Brightness, averaged over still frames.
    camera : Camera
        From other marks.
    scale : RailScale
        As it is thought to lie.
    height_m : float
        Of the rail top.
    ends : tuple of float
        Numbers between which it is looked at.
    sigma : float
        Standard uncertainty of where it is thought to lie, along itself, in its unit.

    Returns
    -------
    CombFit or None
        None where it is not wholly in the picture.
    """
    zero_m = np.array([scale.zero_m, scale.line_y_m, height_m])
    per_unit_px, per_mm_px = np.linalg.norm(camera.project_jacobian(zero_m)[:, :2], axis=0) * [
        scale.unit_m,
        m_from_mm(1.0),
    ]
    half = min(0.5, _WITHIN_SDS * sigma)
    count = 2 * round(half * per_unit_px / _STEP_PX) + 1
    shifts = np.linspace(-half, half, max(count, 5))
    bands = [
        band
        for side in (1, -1)
        for reach_mm in _REACHES_MM
        if (
            band := _Band.cut(
                luma, camera, scale, height_m, ends, side, reach_mm, (float(per_unit_px), float(per_mm_px))
            )
        )
    ]
    if not bands:
        return None
    # The band that tells most: a tick's longest rank is not known, nor on which side of the line they stand.
    best = min(((_scan(band, shifts, sigma), band) for band in bands), key=lambda pair: pair[0].alone_sd)
    found, band = best
    costs = [band.at(found.shift, stretch).cost for stretch in _STRETCHES]
    return _scan(replace(band, stretch=float(_STRETCHES[int(np.argmin(costs))])), shifts, sigma)


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    cost: float  # sum of squares left over
    residual: Floats
    darker: Floats  # (n,): the pattern
    active: Floats  # (n, m): cosines that darken


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """Pixels along one side of the reading line, what varies smoothly taken out."""

    along: Floats  # (n,) in the scale's unit
    values: Floats  # (n,) without background
    seen: Bools  # (h, w): where the pixels stand in their box
    background: Floats  # (n, m) orthonormal
    rows: Floats  # (n, r): by how much a pixel belongs to each row across the scale
    harmonics: int
    per_unit_px: float
    stretch: float = 0.0

    @classmethod
    def cut(
        cls,
        luma: Floats,
        camera: Camera,
        scale: RailScale,
        height_m: float,
        ends: tuple[float, float],
        side: int,
        reach_mm: float,
        px: tuple[float, float],
    ) -> "_Band | None":
        """Cut it out; None where it leaves the picture. `px` are pixels per unit along the scale, per mm across."""
        behind_mm = _BEHIND_PX / px[1]
        near_mm, far_mm = (-behind_mm, reach_mm) if side > 0 else (-reach_mm, behind_mm)
        ahead = np.array([np.cos(scale.skew_rad), np.sin(scale.skew_rad)])
        aside = np.array([-ahead[1], ahead[0]])
        corners_m = [
            scale.ticks_xy_m(np.array([end]))[0] + m_from_mm(mm) * aside for end in ends for mm in (near_mm, far_mm)
        ]
        corners_px = camera.project(np.column_stack([corners_m, np.full(4, height_m)]))
        low, high = np.floor(corners_px.min(axis=0)).astype(int), np.ceil(corners_px.max(axis=0)).astype(int)
        if low.min() < 0 or high[0] >= luma.shape[1] or high[1] >= luma.shape[0]:
            return None
        v, u = np.mgrid[low[1] : high[1] + 1, low[0] : high[0] + 1]
        from_zero_m = camera.onto_plane(np.stack([u, v], axis=-1).astype(np.float64), z_m=height_m) - [
            scale.zero_m,
            scale.line_y_m,
        ]
        along = from_zero_m @ ahead / (scale.unit_m * (1 + scale.stretch))
        across_mm = mm_from_m(1.0) * from_zero_m @ aside
        seen = (along >= ends[0]) & (along <= ends[1]) & (across_mm >= near_mm) & (across_mm <= far_mm)
        if np.count_nonzero(seen) < _LEAST_PIXELS:
            return None
        along, across_mm = along[seen], across_mm[seen]
        knots = _hats(across_mm, max(1.0 / px[1], 0.6))
        smooth = np.concatenate([knots * (along**power)[:, None] for power in range(3)], axis=1)
        background = np.linalg.qr(smooth)[0]
        values = luma[v, u][seen].astype(np.float64)
        return cls(
            along=along,
            values=values - background @ (background.T @ values),
            seen=seen,
            background=background,
            rows=_hats(across_mm, max(1.5 / px[1], 0.9)),
            harmonics=int(np.clip(px[0] / _LEAST_PERIOD_PX, 1, _MOST_HARMONICS)),
            per_unit_px=px[0],
        )

    def waves(self, shift: float, function: np.ufunc, stretch: float) -> Floats:
        """Each harmonic in each row, (n, rows * harmonics)."""
        turns = 2 * np.pi * (self.along / (1 + stretch) - shift)
        columns = np.concatenate(
            [self.rows * function(k * turns)[:, None] for k in range(1, self.harmonics + 1)], axis=1
        )
        free: Floats = columns - self.background @ (self.background.T @ columns)
        return free

    def at(self, shift: float, stretch: float) -> _Fitted:
        """Fit the pattern where the scale is moved by `shift`."""
        waves = -self.waves(shift, np.cos, stretch)
        normal = waves.T @ waves
        normal[np.diag_indices_from(normal)] += 1e-6 * np.trace(normal) / len(normal)
        root = np.linalg.cholesky(normal)
        depths, _ = nnls(root.T, np.linalg.solve(root, waves.T @ self.values))
        darker = waves @ depths
        residual = self.values - darker
        return _Fitted(float(residual @ residual), residual, darker, waves[:, depths > 0])


def _scan(band: _Band, shifts: Floats, sigma: float) -> CombFit:
    """Try shifts, and judge the best."""
    fits = [band.at(float(shift), band.stretch) for shift in shifts]
    costs = np.array([fit.cost for fit in fits])
    best = fits[int(np.argmin(costs))]
    free = max(10, len(band.along) - band.background.shape[1] - best.active.shape[1])
    noise2 = best.cost / free
    at = float(shifts[int(np.argmin(costs))])
    # How the pattern changes with the shift; what its own depths could follow is taken out.
    step = 0.02 / band.per_unit_px
    ahead, behind = (band.at(at + by, band.stretch).darker for by in (step, -step))
    slope = (ahead - behind) / (2 * step)
    within = np.linalg.qr(best.active)[0]
    slope = slope - within @ (within.T @ slope)
    picture = np.full(band.seen.shape, np.nan)
    picture[band.seen] = best.residual
    neighbours = min(alike_factor(picture), _MOST_ALIKE)
    information = float(slope @ slope) / noise2
    alike = _alike(band, best, slope, noise2, information, at, within, neighbours)
    # Noise alone would be followed too, by so much: what it feigns is no information.
    gain = float(band.values @ band.values) - best.cost
    by_chance = _CHANCE * best.active.shape[1] * neighbours * noise2 / max(gain, 1e-12)
    information *= 1 - by_chance if by_chance < 0.5 else 1e-9
    posterior = costs / (noise2 * alike) + (shifts / sigma) ** 2
    i = int(np.argmin(posterior))
    shift = float(shifts[i])
    if 0 < i < len(shifts) - 1:
        bend = posterior[i - 1] - 2 * posterior[i] + posterior[i + 1]
        shift -= 0.5 * float((posterior[i + 1] - posterior[i - 1]) / max(bend, 1e-12) * (shifts[1] - shifts[0]))
    elsewhere = np.abs(shifts - shifts[i]) * band.per_unit_px > ELSEWHERE_PX
    alone_sd = float(np.sqrt(alike / max(information, 1e-12)))
    return CombFit(
        shift=shift,
        sd=float(1 / np.sqrt(1 / alone_sd**2 + 1 / sigma**2)),
        alone_sd=alone_sd,
        ahead=float(posterior[elsewhere].min() - posterior[i]) if elsewhere.any() else np.inf,
    )


def _alike(
    band: _Band,
    best: _Fitted,
    slope: Floats,
    noise2: float,
    information: float,
    at: float,
    within: Floats,
    neighbours: float,
) -> float:
    """How many times larger a variance is than with pixels that err independently."""
    numbers = np.round(band.along).astype(int)
    pulls = np.array(
        [float(slope[numbers == n] @ best.residual[numbers == n]) / noise2 for n in np.unique(numbers)]
    )
    among = len(pulls) / max(len(pulls) - 1, 1) * float(pulls @ pulls) / max(information, 1e-12)
    factor = max(_LEAST_ALIKE, _ROUGHLY * among, neighbours)
    odd = band.waves(at, np.sin, band.stretch)
    odd = np.linalg.qr(odd - within @ (within.T @ odd))[0]
    uneven = float(np.sum((odd.T @ best.residual) ** 2)) / (noise2 * odd.shape[1] * neighbours)
    return float(_UNSEEN * factor * max(1.0, uneven / _ODD))


def _hats(places: Floats, step: float) -> Floats:
    """Triangles `step` apart, (n, m), those with next to no pixels left out."""
    knots = np.arange(places.min(), places.max() + step, step)
    hats: Floats = np.maximum(0, 1 - np.abs(places[:, None] - knots) / step)
    return hats[:, hats.sum(axis=0) > 2]
