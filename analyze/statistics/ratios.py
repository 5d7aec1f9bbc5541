"""How many times as much: ratios of two conditions' means with intervals after Fieller."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyze.statistics.cell_variances import blocks_of, cell_variances
from analyze.statistics.cells import Cells, reduce_to_cells
from analyze.statistics.condition_effects import fit_effects
from analyze.statistics.keep_rules import CHOSEN_FROM
from analyze.statistics.pairwise import half_width_factor
from analyze.statistics.question import Question, Scope
from analyze.statistics.sessions import session_means
from analyze.statistics.shots_table import check_shots, counted_shots
from calibrate.arrays import Floats

MOST_PAIRS = 200  # of more, ratios are not made: nobody reads them


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioRow:
    """Mean of b over mean of a.

    Attributes
    ----------
    a, b : str
        Conditions.
    quantity : str
        Column; its zero is what ratios are counted from.
    scope : Scope
        For whom.
    ratio : float or None
        None where the mean of a is zero.
    lo, hi : float or None
        Interval, all pairs together; None where it has no such end.
    unbounded : bool
        Whether the interval has no end, because the mean of a may be zero.
    words : str
        The ratio in a sentence, without the conditions' names capitalised or altered.
    """

    a: str
    b: str
    quantity: str
    scope: Scope
    ratio: float | None
    lo: float | None
    hi: float | None
    unbounded: bool
    words: str


def compare_ratios(frame: pd.DataFrame, question: Question | None = None) -> tuple[RatioRow, ...]:
    """Give the ratio of each pair of conditions.

    Parameters
    ----------
    frame : DataFrame
        Table of shots; where they were chosen by their values, no ratio is made.
    question : Question
        Quantity, confidence, reference.

    Returns
    -------
    tuple of RatioRow
        For these shooters over those who shot both; in general too where there are several shooters.

    Notes
    -----
    Fieller 1954, J. R. Stat. Soc. B 16, 175. The ends are the ratios r at which mean b - r mean a just differs from
    zero; its degrees of freedom are taken at the ratio found. Over several sessions, whose zeros differ, both means
    carry the sessions' variance, and their covariance with it.
    """
    question = question or Question()
    counted, _ = counted_shots(check_shots(frame, quantity=question.quantity), question.quantity)
    shots = counted[counted["role"] == "test"]
    count = shots["condition"].nunique()
    chosen = CHOSEN_FROM in shots.columns and bool((shots[CHOSEN_FROM] > 0).any())
    if count < 2 or count * (count - 1) / 2 > MOST_PAIRS or chosen:
        return ()
    cells = reduce_to_cells(shots, question.quantity)
    names = sorted(cells.conditions, key=lambda name: name != question.reference)
    pairs = [(a, b) for k, a in enumerate(names) for b in names[k + 1 :]]
    found = (_ratio(cells, a, b, scope, question) for scope in Scope for a, b in pairs)
    return tuple(row for row in found if row is not None)


def _two_means(
    cells: Cells, a: int, b: int, scope: Scope, shared_sd: float
) -> tuple[Floats, Floats, Floats] | None:
    """Means of a and b, their covariance, and the degrees of freedom of b - r a at the ratio found."""
    if scope is Scope.GENERAL:
        fit = fit_effects(cells, np.eye(len(cells.conditions)), scope, shared_sd=shared_sd)
        if fit is None:
            return None
        rows = np.eye(len(cells.conditions))[[a, b]]
        mean = fit.estimate(rows) + cells.mean.mean()
        if mean[0] == 0:
            return None
        return mean, fit.cov(rows), fit.df((rows[1] - mean[1] / mean[0] * rows[0])[None, :])
    if len(cells.sessions) > 1:
        means = session_means(cells, a, b, shared_sd=shared_sd)
        return None if means is None else (means.mean, means.cov, np.array([means.df_of_ratio]))
    variances, block = cell_variances(cells), blocks_of(cells)
    both = np.intersect1d(block[cells.condition == a], block[cells.condition == b])
    if not len(both) or not cells.spread_df.any():
        return None
    error = variances.variance / cells.weight
    rows = np.array([(cells.condition == c) & np.isin(block, both) for c in (a, b)]) / len(both)
    mean = rows @ cells.mean
    if mean[0] == 0 or not error[rows.any(axis=0)].any():  # nothing to divide by, or shots that are all alike
        return None
    part = (rows[1] ** 2 + (mean[1] / mean[0]) ** 2 * rows[0] ** 2) * error
    return mean, np.diag(rows**2 @ error), np.array([part.sum() ** 2 / (part**2 / variances.df).sum()])


def _ratio(cells: Cells, a: str, b: str, scope: Scope, question: Question) -> RatioRow | None:
    found = _two_means(cells, cells.conditions.index(a), cells.conditions.index(b), scope, question.shared_sd)
    if found is None or not np.isfinite(found[2]).all() or found[2][0] <= 0:
        return None
    mean, cov, df = found
    critical = float(half_width_factor(question.confidence, len(cells.conditions), df)[0])
    lo, hi, unbounded = fieller(mean, cov, critical)
    return RatioRow(
        a=a, b=b, quantity=question.quantity, scope=scope, ratio=float(mean[1] / mean[0]), lo=lo, hi=hi,
        unbounded=unbounded, words=_words(a, b, float(mean[1] / mean[0]), lo, hi, unbounded=unbounded),
    )  # fmt: skip


def fieller(mean: Floats, cov: Floats, critical: float) -> tuple[float | None, float | None, bool]:
    """Return the ends of the interval of mean[1] / mean[0].

    Parameters
    ----------
    mean : (2,) array
        Denominator and numerator.
    cov : (2, 2) array
        Their covariance.
    critical : float
        Half width of an interval in standard errors.

    Returns
    -------
    lo, hi : float or None
        Ends; where `unbounded`, the ratio lies below `lo` or above `hi`, or anywhere if both are None.
    unbounded : bool
        Whether the denominator may be zero.
    """
    square = critical**2
    leading = float(mean[0] ** 2 - square * cov[0, 0])
    middle = float(mean[0] * mean[1] - square * cov[0, 1])
    last = float(mean[1] ** 2 - square * cov[1, 1])
    inside = middle**2 - leading * last
    if leading > 0:
        half = np.sqrt(max(inside, 0.0))
        return (middle - half) / leading, (middle + half) / leading, False
    if inside <= 0 or leading == 0:
        return None, None, True
    ends = sorted(((middle - np.sqrt(inside)) / leading, (middle + np.sqrt(inside)) / leading))
    return float(ends[0]), float(ends[1]), True


def _words(a: str, b: str, ratio: float, lo: float | None, hi: float | None, *, unbounded: bool) -> str:
    if unbounded and lo is not None and hi is not None:
        return (
            f"{b} over {a}: {ratio:.2f}, with no closed interval, since {a} may be zero: the ratio lies below "
            f"{lo:.2f} or above {hi:.2f}."
        )
    if lo is None or hi is None:
        return f"{b} over {a}: these shots say nothing of the ratio, since both may be zero."
    return f"{b} is {ratio:.2f} times {a} ({lo:.2f} to {hi:.2f})."


def ratios_frame(rows: tuple[RatioRow, ...]) -> pd.DataFrame:
    """Rows as `out/ratios.csv` has them."""
    return pd.DataFrame(
        [(r.a, r.b, r.quantity, str(r.scope), r.ratio, r.lo, r.hi, r.unbounded, r.words) for r in rows],
        columns=["a", "b", "quantity", "scope", "ratio", "lo", "hi", "unbounded", "words"],
    )
