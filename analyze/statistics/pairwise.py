"""From estimated differences to verdicts: simultaneous intervals, equivalence, and how many shots are missing."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from analyze.statistics.outlook import Seen, more_shooters, more_shots
from analyze.statistics.question import Question, Scope
from analyze.statistics.studentized import studentized_range_quantile, studentized_range_survival
from calibrate.arrays import Floats, Ints

Flags = npt.NDArray[np.bool_]


class Verdict(StrEnum):
    """How a pair of conditions ends."""

    DIFFERS = "differs"
    SAME = "same"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class PairRow:
    """Two conditions compared; numbers in the unit of the quantity.

    Attributes
    ----------
    a, b : str
        Conditions.
    quantity : str
        Column compared; with what it was adjusted to, where it was.
    scope : Scope
        For whom it holds.
    difference : float or None
        Mean of b minus mean of a; None when no shot tells.
    se, df : float or None
        Standard error of the difference and its degrees of freedom; None when they do not exist.
    lo, hi : float or None
        Simultaneous interval: all pairs together hold with the confidence asked for.
    p_adjusted : float or None
        Probability of a difference this large among this many conditions if there were none.
    same_lo, same_hi : float or None
        Interval of the equivalence test; within the margin it means `same`.
    p_same : float or None
        Adjusted p value of the equivalence test (the larger of the two one-sided); None without a margin.
    method : str
        How interval and p value were made.
    margin : float or None
        As asked.
    verdict : Verdict
        `same` where the equivalence interval lies within the margin; else `differs` where the simultaneous interval
        excludes zero; else `undecided`.
    more_shots : int or None
        Further shots of EACH of the two conditions, in all, spread evenly over the shooters, after which the pair
        would be settled with probability 0.8 if the difference seen were the true one. None when the pair is
        settled or no number would do.
    more_shooters : int or None
        Further shooters (same shots each) that would do, where more shots of the same shooters would not.
    note : str
        What does not exist and why, or a caution.
    chance_if_zero, chance_if_margin : float or None
        Probability that as many settle the pair if the true difference were zero, or the margin.
    """

    a: str
    b: str
    quantity: str
    scope: Scope
    difference: float | None
    se: float | None
    df: float | None
    lo: float | None
    hi: float | None
    p_adjusted: float | None
    same_lo: float | None
    same_hi: float | None
    p_same: float | None
    method: str
    margin: float | None
    verdict: Verdict
    more_shots: int | None
    more_shooters: int | None
    note: str
    chance_if_zero: float | None = None
    chance_if_margin: float | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Estimates:
    """Differences of N pairs among k conditions, before any verdict. NaN stands for what does not exist.

    Attributes
    ----------
    a, b : (N,) int64
        Places of the conditions.
    difference, se, df : (N,) float64
        As in `PairRow`.
    k : int
        Conditions compared together.
    method : str
        How the standard errors were made.
    notes : tuple of str
        One per pair, mostly empty.
    lasting_variance : (N,) float64
        Part of se**2 that more shots of the same shooters would leave.
    shots_a, shots_b : (N,) float64
        Shots of each condition as if spread evenly (harmonic).
    df_grows : bool
        Whether more shots add degrees of freedom.
    shooters : int
        Shooters behind each difference, for the number of further ones; 0 when that does not apply.
    own, least : (se, df) or None
        In general: the model's own error, and the one for these shooters; `se` and `df` tell the wider interval.
    """

    a: Ints
    b: Ints
    difference: Floats
    se: Floats
    df: Floats
    k: int
    method: str
    notes: tuple[str, ...]
    lasting_variance: Floats
    shots_a: Floats
    shots_b: Floats
    df_grows: bool
    shooters: int
    own: tuple[Floats, Floats] | None = None
    least: tuple[Floats, Floats] | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Model:
    """A fitted scope: differences, means, and what is to be said about the fit.

    Attributes
    ----------
    estimates : Estimates
        Differences.
    mean, mean_se, mean_df : (C,) float64
        Of each condition, in the order of the pairs; NaN where it does not exist.
    omnibus : OmnibusTest or None
        Test of no difference among all conditions.
    notes : tuple of str
        Sentences: singular fits, floors, what could not be estimated.
    """

    estimates: Estimates
    mean: Floats
    mean_se: Floats
    mean_df: Floats
    omnibus: "OmnibusTest | None"
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OmnibusTest:
    """F test of no difference among all conditions.

    Attributes
    ----------
    f : float
        The statistic.
    df_conditions, df_error : float
        Degrees of freedom.
    p : float
        Probability of an F this large if there were no difference.
    """

    f: float
    df_conditions: float
    df_error: float
    p: float


def half_width_factor(confidence: float, k: int, df: Floats) -> Floats:
    """How many standard errors a simultaneous interval of a difference reaches to either side.

    Examples
    --------
    >>> half_width_factor(0.95, 2, np.array([10.0])).round(3)  # two means: t of 10 degrees of freedom
    array([2.228])
    """
    return np.asarray(studentized_range_quantile(confidence, k, df) / np.sqrt(2))


def same_confidence(confidence: float) -> float:
    """Confidence of the interval that belongs to two one-sided tests at 1 - `confidence` each."""
    return 1 - 2 * (1 - confidence)


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def judge(
    estimates: Estimates,
    conditions: tuple[str, ...],
    scope: Scope,
    question: Question,
    *,
    label: str,
    outlook: bool,
) -> tuple[PairRow, ...]:
    """Give every pair its interval, p values, verdict and missing shots.

    Parameters
    ----------
    estimates : Estimates
        Differences and their standard errors.
    conditions : tuple of str
        Names, in the order that `estimates` counts in.
    scope : Scope
        For whom.
    question : Question
        Confidence and margin.
    label : str
        What the column `quantity` of the rows says.
    outlook : bool
        Whether missing shots are worked out.

    Returns
    -------
    tuple of PairRow
        In the order of `estimates`.
    """
    k = estimates.k
    usable = np.isfinite(estimates.se) & (estimates.se > 0) & (estimates.df > 0)
    se = np.where(usable, estimates.se, np.nan)
    df = np.where(usable, estimates.df, 1.0)
    factor = np.where(usable, half_width_factor(question.confidence, k, df), np.nan)
    same_factor = np.where(usable, half_width_factor(same_confidence(question.confidence), k, df), np.nan)
    size = np.abs(estimates.difference)
    q = np.where(usable, np.sqrt(2) * size / np.where(usable, se, 1.0), 0.0)
    p = np.where(usable, studentized_range_survival(q, k, df), np.nan)
    lo, hi = estimates.difference - factor * se, estimates.difference + factor * se
    same_lo, same_hi = estimates.difference - same_factor * se, estimates.difference + same_factor * se

    differs = usable & ((lo > 0) | (hi < 0))
    same = np.zeros(len(se), dtype=bool)
    p_same = np.full(len(se), np.nan)
    if question.margin is not None:
        same = usable & (same_lo > -question.margin) & (same_hi < question.margin)
        distance = (question.margin - size) / np.where(usable, se, 1.0)
        tail = studentized_range_survival(np.sqrt(2) * np.abs(distance), k, df) / 2
        p_same = np.where(usable, np.where(distance >= 0, tail, 1 - tail), np.nan)
    nothing = np.full(len(se), np.nan)
    more, shooters, if_zero, if_margin = (nothing.copy() for _ in range(4))
    open_pairs = np.flatnonzero(usable & ~same & ~differs)
    if outlook and len(open_pairs):
        seen = _seen(estimates, open_pairs)
        further = more_shots(seen, question)
        more[open_pairs], if_zero[open_pairs], if_margin[open_pairs] = (
            further.more,
            further.if_zero,
            further.if_margin,
        )
        stuck = np.flatnonzero(np.isnan(further.more))
        if len(stuck) and estimates.shooters:
            further, which = more_shooters(seen.part(stuck), question), open_pairs[stuck]
            shooters[which], if_zero[which], if_margin[which] = further.more, further.if_zero, further.if_margin

    rows = []
    for i in range(len(se)):
        verdict = Verdict.SAME if same[i] else Verdict.DIFFERS if differs[i] else Verdict.UNDECIDED
        note = estimates.notes[i]
        if not usable[i] and not note:
            note = _why_no_interval(estimates, i)
        rows.append(
            PairRow(
                a=conditions[estimates.a[i]],
                b=conditions[estimates.b[i]],
                quantity=label,
                scope=scope,
                difference=_or_none(estimates.difference[i]),
                se=_or_none(se[i]),
                df=_or_none(estimates.df[i]) if usable[i] else None,
                lo=_or_none(lo[i]),
                hi=_or_none(hi[i]),
                p_adjusted=_or_none(p[i]),
                same_lo=_or_none(same_lo[i]),
                same_hi=_or_none(same_hi[i]),
                p_same=_or_none(p_same[i]),
                method=estimates.method,
                margin=question.margin,
                verdict=verdict,
                more_shots=int(more[i]) if np.isfinite(more[i]) else None,
                more_shooters=int(shooters[i]) if np.isfinite(shooters[i]) else None,
                note=note,
                chance_if_zero=_or_none(if_zero[i]),
                chance_if_margin=_or_none(if_margin[i]),
            )
        )
    return tuple(rows)


def _seen(estimates: Estimates, which: Ints) -> Seen:
    own_se, own_df = estimates.own or (estimates.se, estimates.df)
    least_se, least_df = estimates.least or (np.zeros(len(estimates.se)), np.ones(len(estimates.se)))
    return Seen(
        own_se=own_se[which],
        own_df=own_df[which],
        least_se=least_se[which],
        least_df=least_df[which],
        difference=estimates.difference[which],
        se=estimates.se[which],
        df=estimates.df[which],
        lasting_variance=estimates.lasting_variance[which],
        shots_a=estimates.shots_a[which],
        shots_b=estimates.shots_b[which],
        k=estimates.k,
        shots_tell=estimates.df_grows,
        shooters=estimates.shooters,
    )


def _why_no_interval(estimates: Estimates, place: int) -> str:
    if not np.isfinite(estimates.difference[place]):
        return "No difference: the two have no shot in common terms."
    if estimates.se[place] == 0:
        return "All values that tell of the spread are equal (read too coarsely?): no interval can be given."
    return "Too few shots for a spread: a difference, but no interval."
