"""From estimated differences to verdicts: simultaneous intervals, equivalence, and how many shots are missing."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy import special

from analyze.statistics.question import Question, Scope
from analyze.statistics.studentized import studentized_range_quantile, studentized_range_survival
from calibrate.arrays import Floats, Ints

Flags = npt.NDArray[np.bool_]

POWER = 0.80  # with which the missing shots would settle a pair; Cohen 1992, Psychol. Bull. 112, 155
MOST_SHOTS = 1000  # further shots of a condition beyond which none are suggested
MOST_SHOOTERS = 200


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
        Further shots of EACH of the two conditions, spread evenly over the shooters, after which the pair would be
        settled with probability 0.8: with a margin, whether the truth is no difference or the margin; without one,
        if the difference is as large as it looks now. None when the pair is settled or no number would do.
    more_shooters : int or None
        Further shooters (same shots each) that would do, where more shots of the same shooters would not.
    note : str
        What does not exist and why, or a caution.
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


def _settled(target: Floats, se: Floats, df: Floats, k: int, question: Question) -> Flags:
    """Whether a difference of `target` would be settled with `POWER`.

    Shifted-t approximation to the noncentral t: target / se >= critical value + t quantile of the power. It gives
    64 and 26 shots a group for Cohen's d of 0.5 and 0.8 as the exact power does (tests).
    """
    df = np.maximum(df, 1.0)
    ratio = target / se
    shown = half_width_factor(question.confidence, k, df) + special.stdtrit(df, POWER)
    if question.margin is None:
        return np.asarray(ratio >= shown)
    excluded = half_width_factor(same_confidence(question.confidence), k, df) + special.stdtrit(df, (1 + POWER) / 2)
    return np.asarray(ratio >= np.maximum(shown, excluded))


def _least_enough(settled: Callable[[Floats], Flags], most: int, count: int) -> Floats:
    """Smallest whole number per pair for which `settled` holds, by bisection; NaN where `most` is not enough."""
    low, high = np.zeros(count), np.full(count, float(most))
    reachable = settled(high)
    while (high - low > 1).any():
        middle = np.floor((low + high) / 2)
        enough = settled(middle)
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(reachable, high, np.nan)


def _missing_shots(estimates: Estimates, target: Floats, which: Ints, question: Question) -> Floats:
    """Further shots of each condition for the pairs `which`."""
    se, df = estimates.se[which], estimates.df[which]
    lasting = estimates.lasting_variance[which]
    n_a, n_b = estimates.shots_a[which], estimates.shots_b[which]
    now = 1 / n_a + 1 / n_b

    def settled(more: Floats) -> Flags:
        share = (1 / (n_a + more) + 1 / (n_b + more)) / now
        variance = lasting + (se**2 - lasting) * share
        # Every cell's degrees of freedom grow with its shots, and Satterthwaite's with them.
        later_df = df * (1 + 2 * more / (n_a + n_b)) if estimates.df_grows else df
        return _settled(target[which], np.sqrt(variance), later_df, estimates.k, question)

    return _least_enough(settled, MOST_SHOTS, len(which))


def _missing_shooters(estimates: Estimates, target: Floats, which: Ints, question: Question) -> Floats:
    """Further shooters, with as many shots each, for the pairs `which`."""
    now = float(estimates.shooters)

    def settled(more: Floats) -> Flags:
        se = estimates.se[which] * np.sqrt(now / (now + more))
        return _settled(target[which], se, (estimates.k - 1) * (now + more - 1), estimates.k, question)

    return _least_enough(settled, MOST_SHOOTERS, len(which))


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def judge(
    estimates: Estimates, conditions: tuple[str, ...], scope: Scope, question: Question, *, label: str
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
    target = size if question.margin is None else np.full(len(se), question.margin)
    open_pairs = np.flatnonzero(usable & ~same & ~differs & (target > 0))
    more = np.full(len(se), np.nan)
    if len(open_pairs):
        more[open_pairs] = _missing_shots(estimates, target, open_pairs, question)

    shooters = np.full(len(se), np.nan)
    stuck = open_pairs[np.isnan(more[open_pairs])]
    if len(stuck) and estimates.shooters:
        shooters[stuck] = _missing_shooters(estimates, target, stuck, question)

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
            )
        )
    return tuple(rows)


def _why_no_interval(estimates: Estimates, place: int) -> str:
    if not np.isfinite(estimates.difference[place]):
        return "No difference: the two have no shot in common terms."
    if estimates.se[place] == 0:
        return "All values that tell of the spread are equal (read too coarsely?): no interval can be given."
    return "Too few shots for a spread: a difference, but no interval."
