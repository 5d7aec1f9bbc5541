"""Repeatability and reproducibility of readings: the same clips measured again, by several hands.

A study has rows (clips), columns (operators: who clicked the marks, or which set of re-clicked marks) and repeats.
Two classical analyses are given side by side, which legitimately differ: the analysis of variance, and the
average-and-range method of the shop floor.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import integrate, special, stats

from analyze.statistics.shots_table import unit_of
from analyze.statistics.two_way import MeanSquares, chi_square_interval, mean_squares
from calibrate.arrays import Floats
from calibrate.errors import SessionError

INTERACTION_LEVEL = (
    0.25  # above this p the clip x operator interaction is pooled into repeatability; common practice
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeVariances:
    """Variances by the analysis of variance, in unit**2; never below zero.

    Attributes
    ----------
    repeatability : float
        The same clip by the same operator again.
    operator : float
        Between operators.
    interaction : float
        Operators who differ more on some clips than on others.
    clip : float
        Between the clips themselves.
    """

    repeatability: float
    operator: float
    interaction: float
    clip: float

    @property
    def reproducibility(self) -> float:
        """Variance between operators, interaction included."""
        return self.operator + self.interaction

    @property
    def gauge(self) -> float:
        """Variance of measuring as a whole."""
        return self.repeatability + self.reproducibility

    @property
    def total(self) -> float:
        """Variance of a reading over clips and measuring."""
        return self.gauge + self.clip

    @property
    def study_variation(self) -> float | None:
        """Measuring sd over total sd; None where nothing varies."""
        return float(np.sqrt(self.gauge / self.total)) if self.total > 0 else None

    @property
    def distinct_categories(self) -> float | None:
        """How many groups of clips measuring tells apart, ``1.41 x clip sd / measuring sd`` (not rounded)."""
        return float(1.41 * np.sqrt(self.clip / self.gauge)) if self.gauge > 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeStudy:
    """Standard deviations by the average-and-range method, in the unit of the quantity.

    Attributes
    ----------
    mean_range : float
        Mean range of the repeats.
    repeatability_sd, reproducibility_sd, gauge_sd, clip_sd : float
        As for `GaugeVariances`, without an interaction.
    """

    mean_range: float
    repeatability_sd: float
    reproducibility_sd: float
    gauge_sd: float
    clip_sd: float

    @property
    def study_variation(self) -> float:
        """Measuring sd over total sd."""
        return float(self.gauge_sd / np.hypot(self.gauge_sd, self.clip_sd))

    @property
    def distinct_categories(self) -> float:
        """``1.41 x clip sd / measuring sd``, not rounded."""
        return 1.41 * self.clip_sd / self.gauge_sd


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """A repeatability and reproducibility study.

    Attributes
    ----------
    quantity : str
        Column.
    squares : MeanSquares
        Rows are clips, columns operators.
    interaction_p : float or None
        p value of the interaction; None where it cannot be tested.
    variances : GaugeVariances
        With the interaction.
    pooled : GaugeVariances or None
        With the interaction counted as repeatability; None where it cannot be told from it anyway.
    ranges : RangeStudy or None
        Average-and-range method; None below two repeats, operators or clips.
    repeatability_limits : tuple of float or None
        Chi-square interval of the repeatability SD.
    notes : tuple of str
        What does not exist and why.
    """

    quantity: str
    squares: MeanSquares
    interaction_p: float | None
    variances: GaugeVariances
    pooled: GaugeVariances | None
    ranges: RangeStudy | None
    repeatability_limits: tuple[float, float] | None
    notes: tuple[str, ...]

    @property
    def best(self) -> GaugeVariances:
        """The pooled variances where the interaction does not show (p above 0.25), else the full ones."""
        shown = self.interaction_p is None or self.interaction_p <= INTERACTION_LEVEL
        return self.variances if shown or self.pooled is None else self.pooled

    @property
    def measuring_sd(self) -> float:
        """Standard uncertainty of one measuring, all operators; for `variance_components(measuring_sd=…)`."""
        return float(np.sqrt(self.best.gauge))

    @property
    def sentence(self) -> str:
        """The outcome in words."""
        unit, best = unit_of(self.quantity), self.best
        part = "" if best.study_variation is None else f", {best.study_variation:.1%} of the spread of these clips"
        return (
            f"Measured again, a clip's reading scatters by {np.sqrt(best.repeatability):.3g} {unit} with the same "
            f"marks clicked by one person and by {self.measuring_sd:.3g} {unit} over all{part}."
        )


def range_factors(n: int) -> tuple[float, float]:
    """Mean and sd of the range of n standard normals (d2 and d3 of control charts), by integration.

    Examples
    --------
    >>> d2, d3 = range_factors(5)  # 2.326 and 0.864 in tables of control charts
    >>> round(d2, 3), round(d3, 3)
    (2.326, 0.864)
    """
    if n < 2:
        raise ValueError(f"n must be 2 or more, but got {n!r}")

    def outside(w: float) -> float:
        inner, _ = integrate.quad(
            lambda z: (
                n
                * np.exp(-0.5 * z * z)
                / np.sqrt(2 * np.pi)
                * (special.ndtr(z) ** (n - 1) - (special.ndtr(z) - special.ndtr(z - w)) ** (n - 1))
            ),
            -9.0,
            9.0,
            limit=200,
        )
        return float(inner)

    mean, _ = integrate.quad(outside, 0.0, 14.0, limit=200)
    square, _ = integrate.quad(lambda w: 2 * w * outside(w), 0.0, 14.0, limit=200)
    return float(mean), float(np.sqrt(square - mean**2))


def _range_study(values: Floats) -> RangeStudy:
    """Average-and-range study of (clips, operators, repeats).

    Operators' and clips' ranges are single ranges, so their divisor is ``sqrt(d2**2 + d3**2)`` (d2* for one
    sample); AIAG Measurement Systems Analysis manual.
    """
    clips, operators, repeats = values.shape
    mean_range = float(np.ptp(values, axis=2).mean())
    repeatability = mean_range / range_factors(repeats)[0]
    between = float(np.ptp(values.mean(axis=(0, 2)))) / float(np.hypot(*range_factors(operators)))
    reproducibility = float(np.sqrt(max(between**2 - repeatability**2 / (clips * repeats), 0.0)))
    clip = float(np.ptp(values.mean(axis=(1, 2)))) / float(np.hypot(*range_factors(clips)))
    return RangeStudy(
        mean_range=mean_range,
        repeatability_sd=repeatability,
        reproducibility_sd=reproducibility,
        gauge_sd=float(np.hypot(repeatability, reproducibility)),
        clip_sd=clip,
    )


def _variances(ms: MeanSquares, *, error: float, within: float) -> GaugeVariances:
    """Variances with clips and operators held against `error`, and `within` as repeatability."""

    def part(mean_square: float, below: float, divisor: float) -> float:
        return max((mean_square - below) / divisor, 0.0) if np.isfinite(mean_square) else 0.0

    return GaugeVariances(
        repeatability=within,
        operator=part(ms.column, error, ms.rows * ms.n),
        interaction=part(error, within, ms.n),
        clip=part(ms.row, error, ms.columns * ms.n),
    )


def _read_study(frame: pd.DataFrame, quantity: str, clip: str, operator: str) -> Floats:
    missing = [name for name in (clip, operator, quantity) if name not in frame.columns]
    if missing:
        raise SessionError(f"table of measurements: no column {', '.join(missing)}")
    known = frame[frame[quantity].notna()]
    cells = known.groupby([clip, operator], sort=False)[quantity].agg(list)
    if cells.empty:
        raise SessionError(f"table of measurements: no row has a {quantity}")
    counts = {len(values) for values in cells}
    clips, operators = known[clip].unique(), known[operator].unique()
    if len(counts) > 1 or len(cells) != len(clips) * len(operators):
        raise SessionError(
            "table of measurements: every operator must measure every clip equally often; "
            f"found {min(counts)} to {max(counts)} measurements in {len(cells)} of "
            f"{len(clips) * len(operators)} cells"
        )
    return np.array([[cells[c, o] for o in operators] for c in clips], dtype=np.float64)


def gauge_study(
    frame: pd.DataFrame,
    *,
    quantity: str = "reading_mm",
    clip: str = "clip",
    operator: str = "operator",
    confidence: float = 0.95,
) -> GaugeStudy:
    """Analyse clips that were measured again.

    Parameters
    ----------
    frame : DataFrame
        One row per measuring.
    quantity, clip, operator : str
        Columns: the value, which clip, and who or which set of marks.
    confidence : float
        Of the interval.

    Returns
    -------
    GaugeStudy
        With one operator only repeatability exists; with one repeat it cannot be told from the interaction.

    Raises
    ------
    SessionError
        If the study is not complete and balanced, or columns are missing.
    """
    values = _read_study(frame, quantity, clip, operator)
    clips, operators, repeats = values.shape
    if clips * operators * repeats - clips - operators + 1 < 1:
        raise SessionError(
            "table of measurements: each clip was measured once by one operator, so nothing is repeated"
        )
    means = values.mean(axis=2)
    within_ss = float(np.sum((values - means[:, :, None]) ** 2))
    ms = mean_squares(
        means,
        np.full(means.shape, float(repeats)),
        within_ss=within_ss,
        within_df=clips * operators * (repeats - 1),
    )
    notes = []
    pooled, interaction_p = None, None
    if ms.interaction_df > 0 and ms.within_df > 0:
        pooled_df = ms.interaction_df + ms.within_df
        both = (ms.interaction * ms.interaction_df + ms.within * ms.within_df) / pooled_df
        pooled = _variances(ms, error=both, within=both)
        if ms.within > 0:
            interaction_p = float(stats.f.sf(ms.interaction / ms.within, ms.interaction_df, ms.within_df))
    if operators < 2:
        notes.append("One operator: reproducibility cannot be told.")
    if repeats < 2:
        notes.append("No repeats by the same operator: repeatability holds the interaction too.")
    if clips < 2:
        notes.append("One clip: how measuring compares with the spread of clips cannot be told.")
    error = ms.interaction if ms.interaction_df > 0 else ms.within
    told_df = ms.within_df if ms.within_df > 0 else ms.interaction_df
    limits = None
    if told_df > 0:
        lo, hi = chi_square_interval(ms.within if ms.within_df > 0 else ms.interaction, told_df, confidence)
        limits = (float(np.sqrt(lo)), float(np.sqrt(hi)))
    return GaugeStudy(
        quantity=quantity,
        squares=ms,
        interaction_p=interaction_p,
        variances=_variances(ms, error=error, within=ms.within if ms.within_df > 0 else error),
        pooled=pooled,
        ranges=_range_study(values) if min(clips, operators, repeats) > 1 and within_ss > 0 else None,
        repeatability_limits=limits,
        notes=tuple(notes),
    )
