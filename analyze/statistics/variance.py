"""Where the variation comes from: condition, shooter, both together, shot to shot, measuring."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyze.statistics.cells import Cells, reduce_to_cells
from analyze.statistics.mixed import SHOT, MixedFit, Random, fit_reml
from analyze.statistics.sentences import plain
from analyze.statistics.shots_table import check_shots, counted_shots, sd_column, unit_of
from analyze.statistics.two_way import MeanSquares, chi_square_interval, difference_interval, mean_squares
from calibrate.arrays import Ints

CONDITION, SHOOTER, INTERACTION, SESSION, MEASURING = (
    "condition",
    "shooter",
    "condition x shooter",
    "session",
    "measuring",
)
BALANCED = "analysis of variance (balanced); modified large-sample intervals"
UNWEIGHTED = "analysis of variance of the cells' unweighted means; modified large-sample intervals"
REML = "REML, all effects random; chi-square intervals with Satterthwaite's degrees of freedom"

LEAST_DF = (
    0.1  # of a variance near zero; with fewer degrees of freedom its interval would hold every spread there is
)


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceRow:
    """One source of variation of a single shot; in the unit of the quantity.

    Attributes
    ----------
    source : str
        ``condition``, ``shooter``, ``condition x shooter``, ``shot`` or ``measuring`` (``session`` with several).
    variance : float or None
        Estimate, in unit**2; zero where it came out below. None where the shots cannot tell.
    sd : float or None
        Its root.
    share : float or None
        Of the sum of all that are known.
    lo, hi : float or None
        Interval of the SD; None where there is none.
    """

    source: str
    variance: float | None
    sd: float | None
    share: float | None
    lo: float | None
    hi: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceComponents:
    """All sources.

    Attributes
    ----------
    quantity : str
        Column.
    confidence : float
        Of each interval.
    rows : tuple of VarianceRow
        Sources in the order of `VarianceRow.source`.
    method : str
        How they were estimated.
    notes : tuple of str
        What came out below zero or cannot be told.
    """

    quantity: str
    confidence: float
    rows: tuple[VarianceRow, ...]
    method: str
    notes: tuple[str, ...]

    def row(self, source: str) -> VarianceRow | None:
        """Return the row of a source, None when there is none."""
        return next((row for row in self.rows if row.source == source), None)

    def frame(self) -> pd.DataFrame:
        """Return the rows as `out/variance.csv` has them."""
        unit = unit_of(self.quantity)
        return pd.DataFrame(
            [(row.source, row.variance, row.sd, row.share, row.lo, row.hi) for row in self.rows],
            columns=["source", f"variance_{unit}2", f"sd_{unit}", "share", f"lo_{unit}", f"hi_{unit}"],
        ).astype(dict.fromkeys([f"variance_{unit}2", f"sd_{unit}", "share", f"lo_{unit}", f"hi_{unit}"], float))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Component:
    """A variance with its interval, both in unit**2; None where it cannot be told."""

    source: str
    variance: float | None
    limits: tuple[float, float] | None


def _from_difference(
    source: str, ms: MeanSquares, which: str, error: str, divisor: float, confidence: float
) -> _Component:
    first, second = getattr(ms, which), getattr(ms, error)
    first_df, second_df = getattr(ms, f"{which}_df"), getattr(ms, f"{error}_df")
    if first_df < 1 or second_df < 1:
        return _Component(source=source, variance=None, limits=None)
    limits = None
    if first > 0 and second > 0:
        limits = difference_interval(first, first_df, second, second_df, divisor, confidence)
    return _Component(source=source, variance=(first - second) / divisor, limits=limits)


def _by_mean_squares(cells: Cells, confidence: float) -> tuple[_Component, ...]:
    """Components of a complete table of conditions by shooters; the last is the scatter within cells."""
    shape = (len(cells.conditions), len(cells.shooters))
    table, count = np.zeros(shape), np.ones(shape)
    table[cells.condition, cells.shooter] = cells.mean
    count[cells.condition, cells.shooter] = cells.n
    ms = mean_squares(table, count, within_ss=float(cells.within_ss.sum()), within_df=max(cells.within_df, 0))
    crossed = ms.interaction_df > 0
    error = "interaction" if crossed else "within"
    within = None if ms.within_df < 1 else ms.within
    found = [
        _from_difference(CONDITION, ms, "row", error, ms.columns * ms.n, confidence),
        _from_difference(SHOOTER, ms, "column", error, ms.rows * ms.n, confidence),
        _from_difference(INTERACTION, ms, "interaction", "within", ms.n, confidence),
    ]
    limits = None if not within else chi_square_interval(within, ms.within_df, confidence)
    if within is None and crossed:  # one shot a cell: shot and interaction are one
        within, limits = ms.interaction, chi_square_interval(ms.interaction, ms.interaction_df, confidence)
    return (*found, _Component(source=SHOT, variance=within, limits=limits))


def _levels(codes: Ints) -> int:
    return len(np.unique(codes))


def _by_reml(cells: Cells, confidence: float) -> tuple[tuple[_Component, ...], tuple[str, ...]]:
    combination = np.unique(cells.condition * len(cells.shooters) + cells.shooter, return_inverse=True)[1]
    groups = {CONDITION: cells.condition, SHOOTER: cells.shooter, INTERACTION: combination, SESSION: cells.session}
    replicated = cells.within_df > 0 or _levels(combination) < len(cells.n)
    random = []
    for name, group in groups.items():
        if _levels(group) < 2:
            continue
        if name == INTERACTION:
            distinct = min(_levels(cells.condition), _levels(cells.shooter)) > 1
            if not (
                replicated and distinct and _levels(group) > _levels(cells.condition) + _levels(cells.shooter) - 1
            ):
                continue
        random.append(Random(name=name, group=group))
    names = [effect.name for effect in random]
    sources = [CONDITION, SHOOTER, INTERACTION, *([SESSION] if len(cells.sessions) > 1 else []), SHOT]
    if not random or (cells.within_ss.sum() <= 0 and np.ptp(cells.mean) == 0):
        return tuple(_Component(source=source, variance=None, limits=None) for source in sources), ()
    fit = fit_reml(
        cells.mean,
        cells.n.astype(np.float64),
        np.ones((len(cells.n), 1)),
        tuple(random),
        within_ss=float(cells.within_ss.sum()),
        within_df=max(cells.within_df, 0),
    )
    found = []
    for source in sources:
        if source != SHOT and source not in names:
            found.append(_Component(source=source, variance=None, limits=None))
            continue
        found.append(_reml_component(fit, source, confidence))
    notes = (
        () if fit.converged else ("REML had not settled when it was stopped: take these variances with caution.",)
    )
    return tuple(found), notes


def _reml_component(fit: MixedFit, source: str, confidence: float) -> _Component:
    k = fit.names.index(source)
    variance, spread = float(fit.variances[k]), float(fit.variances_cov[k, k])
    limits = None
    if variance > 0 and spread > 0 and 2 * variance**2 > LEAST_DF * spread:
        limits = chi_square_interval(variance, 2 * variance**2 / spread, confidence)
    return _Component(source=source, variance=variance, limits=limits)


def _rows(components: list[_Component]) -> tuple[VarianceRow, ...]:
    total = sum(max(c.variance, 0.0) for c in components if c.variance is not None)
    rows = []
    for c in components:
        variance = None if c.variance is None else max(c.variance, 0.0)
        rows.append(
            VarianceRow(
                source=c.source,
                variance=variance,
                sd=None if variance is None else float(np.sqrt(variance)),
                share=None if variance is None or total <= 0 else variance / total,
                lo=None if c.limits is None else float(np.sqrt(max(c.limits[0], 0.0))),
                hi=None if c.limits is None else float(np.sqrt(max(c.limits[1], 0.0))),
            )
        )
    return tuple(rows)


def _split_measuring(shot: _Component, measuring_variance: float | None) -> tuple[_Component, _Component]:
    """Take what measuring adds out of the scatter within cells."""
    if measuring_variance is None or shot.variance is None:
        return shot, _Component(source=MEASURING, variance=measuring_variance, limits=None)
    limits = None
    if shot.limits is not None:
        limits = (shot.limits[0] - measuring_variance, shot.limits[1] - measuring_variance)
    return (
        _Component(source=SHOT, variance=shot.variance - measuring_variance, limits=limits),
        _Component(source=MEASURING, variance=measuring_variance, limits=None),
    )


def _notes(components: list[_Component], unit: str, measuring: float | None) -> list[str]:
    notes = [
        f"The variance of {c.source} came out below zero ({c.variance:.3g} {unit}²) and is given as zero: the "
        "scatter within is enough to explain it."
        for c in components
        if c.variance is not None and c.variance < 0
    ]
    unknown = [c.source for c in components if c.variance is None and c.source != MEASURING]
    if unknown:
        notes.append(f"These shots cannot tell the variance of: {', '.join(unknown)}.")
    if measuring is None:
        notes.append("No measuring uncertainty is given, so `shot` holds what measuring adds.")
    return notes


def variance_components(
    frame: pd.DataFrame,
    *,
    quantity: str = "reading_mm",
    confidence: float = 0.95,
    measuring_sd: float | None = None,
) -> VarianceComponents:
    """Split the variation of single shots into its sources.

    Parameters
    ----------
    frame : DataFrame
        Table of shots; control shots do not count.
    quantity : str
        Column.
    confidence : float
        Of each interval.
    measuring_sd : float, optional
        Standard uncertainty of measuring one shot (from measuring clips again, say); default: the root mean square
        of the shots' own.

    Returns
    -------
    VarianceComponents
        Conditions are treated like a sample of many, which tells how large their differences are beside the rest.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "reading_mm": [50, 52, 54, 60, 61, 65]})
    >>> [row.source for row in variance_components(shots).rows][:2]
    ['condition', 'shooter']
    """
    counted, notes = counted_shots(check_shots(frame, quantity=quantity), quantity)
    shots = counted[counted["role"] == "test"]
    unit = unit_of(quantity)
    if shots.empty:
        return VarianceComponents(
            quantity=quantity, confidence=confidence, rows=(), method="", notes=(*notes, "No shots: no variation.")
        )
    own = sd_column(quantity)
    measuring = None if measuring_sd is None else measuring_sd**2
    if measuring is None and own in shots.columns and shots[own].notna().any():
        measuring = float((shots[own] ** 2).mean())
    cells = reduce_to_cells(shots.drop(columns=[own], errors="ignore"), quantity)
    complete = len(cells.sessions) == 1 and len(cells.n) == len(cells.conditions) * len(cells.shooters)
    extra: tuple[str, ...] = ()
    if complete:
        method = BALANCED if np.ptp(cells.n) == 0 else UNWEIGHTED
        found = _by_mean_squares(cells, confidence)
    else:
        method = REML
        found, extra = _by_reml(cells, confidence)
    shot, measured = _split_measuring(found[-1], measuring)
    components = [*found[:-1], shot, measured]
    return VarianceComponents(
        quantity=quantity,
        confidence=confidence,
        rows=_rows(components),
        method=method,
        notes=(*notes, *extra, *_notes(components, unit, measuring)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementFitness:
    """Whether measuring is good enough for the question.

    Attributes
    ----------
    ratio : float
        Measuring sd over the sd of shots as they are measured (scatter and measuring together).
    extra_shots : float
        Share of shots spent on making up for measuring: ratio**2.
    good : bool
        Whether that is at most `MOST_EXTRA_SHOTS`.
    sentence : str
        In words, with the ratio.
    """

    ratio: float
    extra_shots: float
    good: bool
    sentence: str


MOST_EXTRA_SHOTS = 0.10


def measurement_fitness(
    components: VarianceComponents, *, margin: float | None = None
) -> MeasurementFitness | None:
    """Say whether measuring is good enough for comparing conditions.

    Parameters
    ----------
    components : VarianceComponents
        With a measuring variance.
    margin : float, optional
        Largest difference that does not matter, in the unit of the quantity.

    Returns
    -------
    MeasurementFitness or None
        None where measuring or shots' scatter is not known.

    Notes
    -----
    A mean of n shots has the variance (shot + measuring) / n, so measuring costs the share measuring / (shot +
    measuring) of all shots. Measuring itself could be no finer than what one part in ten of the shots pays for.
    """
    shot, measuring = components.row(SHOT), components.row(MEASURING)
    if shot is None or measuring is None or shot.variance is None or measuring.variance is None:
        return None
    if measuring.sd is None or shot.variance + measuring.variance <= 0:
        return None
    unit = unit_of(components.quantity)
    total = float(np.sqrt(shot.variance + measuring.variance))
    ratio = measuring.sd / total
    share = ratio**2
    good = share <= MOST_EXTRA_SHOTS
    verdict = "good enough for the question" if good else "a limit: better marks or more frames would save shots"
    margin_words = "" if margin is None else f", {measuring.sd / margin:.2f} of the margin of {margin:.3g} {unit}"
    return MeasurementFitness(
        ratio=ratio,
        extra_shots=share,
        good=good,
        sentence=(
            f"Measuring scatters by {plain(measuring.sd, 2)} {unit}, {ratio:.2f} of the scatter of the shots as "
            f"measured ({plain(total, 3)} {unit}){margin_words}; it costs {share:.1%} of the shots: {verdict}."
        ),
    )
