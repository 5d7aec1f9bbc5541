"""How likely a test of given size ends in an answer: power for `differs` and for `same`, by formula.

The rules are those by which `analyze.statistics.compare` gives its verdicts: simultaneous intervals of Tukey for as
many conditions as there are, two one-sided tests for `same`, and `same` goes before `differs`.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy import special, stats

from analyze.statistics.cell_variances import SMALL_CELL_DF
from analyze.statistics.pairwise import half_width_factor, same_confidence
from analyze.statistics.question import Scope
from calibrate.arrays import Floats

_NODES = 200  # of each piece; powers are then right to 2e-6 (tested)
MOST_SHOTS = 500  # in a cell
MOST_SHOOTERS = 200


class Goal(StrEnum):
    """What a test shall be able to show."""

    DIFFERS = "differs"
    SAME = "same"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """How readings are expected to scatter.

    Attributes
    ----------
    shot_sd_mm : float
        Of the shots of one shooter with one condition, measuring included.
    interaction_sd_mm : float
        Of a condition's effect from shooter to shooter (shooter x condition).
    source : str
        Where the two come from, in words.
    """

    shot_sd_mm: float
    interaction_sd_mm: float
    source: str

    def __post_init__(self) -> None:
        """Refuse what is no spread."""
        if not self.shot_sd_mm > 0 or not self.interaction_sd_mm >= 0:
            raise ValueError(
                f"shot_sd_mm must be above zero and interaction_sd_mm not below, but got {self.shot_sd_mm!r} and "
                f"{self.interaction_sd_mm!r}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """How large a test is.

    Attributes
    ----------
    conditions, shooters : int
        Their numbers; control shots do not count as a condition.
    shots : int
        Of each shooter with each condition.
    """

    conditions: int
    shooters: int
    shots: int

    def __post_init__(self) -> None:
        """Refuse what is no test."""
        if self.conditions < 2 or self.shooters < 1 or self.shots < 1:
            raise ValueError(f"a test needs two conditions, a shooter and a shot at least, but got {self}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """What is to be told apart.

    Attributes
    ----------
    difference_mm : float
        Smallest difference between two conditions that matters.
    margin_mm : float or None
        Margin of `same`, as `analysis.margin_mm` states it; None without one.
    confidence : float
        Of the intervals.
    """

    difference_mm: float
    margin_mm: float | None = None
    confidence: float = 0.95


def standard_error(size: Size, spreads: Spreads, scope: Scope) -> tuple[float, float]:
    """Return the standard error of a difference between two conditions, mm, and its degrees of freedom.

    Parameters
    ----------
    size : Size
        Of the test.
    spreads : Spreads
        Expected.
    scope : Scope
        For these shooters the error is the scatter of shots; for shooters in general it is shooter x condition.

    Notes
    -----
    Expected mean squares of the balanced two-way layout, shooters random in scope `general`; for instance
    Montgomery 2013, Design and Analysis of Experiments, section 13.3 (from memory).
    """
    within = spreads.shot_sd_mm**2 / size.shots
    if scope is Scope.THESE:
        return float(np.sqrt(2 * within / size.shooters)), _welch_df(size)
    variance = 2 * (spreads.interaction_sd_mm**2 + within) / size.shooters
    return float(np.sqrt(variance)), float((size.conditions - 1) * (size.shooters - 1))


def _welch_df(size: Size) -> float:
    """Degrees of freedom that `compare` finds on average for these shooters, shots scattering alike.

    It estimates m variances of d degrees of freedom each; Welch-Satterthwaite's (sum s**2)**2 / (sum s**4 / d) is
    then about d (m d + 2) / (d + 2), by the moments of s**2.
    """
    d, m = size.shots - 1, 2 * size.shooters
    if d == SMALL_CELL_DF:  # cells of two shots share one variance for each shooter
        d, m = size.conditions * d, size.shooters
    return d * (m * d + 2) / (d + 2)


def power(size: Size, spreads: Spreads, aim: Aim, *, scope: Scope, goal: Goal) -> float | None:
    """Return the probability that one pair of conditions ends as `goal` says.

    Parameters
    ----------
    size, spreads, aim
        The test, what scatters, what is asked.
    scope : Scope
        For whom the answer shall hold.
    goal : Goal
        `differs` when the true difference is `aim.difference_mm`; `same` when there is none.

    Returns
    -------
    float or None
        None where no such answer can come out: one shot a cell, one shooter for shooters in general, no margin.
    """
    se, df = standard_error(size, spreads, scope)
    if df < 1 or (goal is Goal.SAME and aim.margin_mm is None):
        return None
    k, freedom = size.conditions, np.array([df])
    shown = float(half_width_factor(aim.confidence, k, freedom)[0])
    if goal is Goal.DIFFERS and aim.margin_mm is None:
        return pair_power(aim.difference_mm / se, df, shown)
    within = float(half_width_factor(same_confidence(aim.confidence), k, freedom)[0])
    margin = (aim.margin_mm or 0.0) / se
    if goal is Goal.SAME:
        return equivalence_power(0.0, margin, df, within)
    return pair_power(aim.difference_mm / se, df, shown, margin=margin, same_critical=within)


def same_instead(size: Size, spreads: Spreads, aim: Aim, *, scope: Scope) -> float | None:
    """Return the probability that two conditions `aim.difference_mm` apart are called the same.

    `same` goes before `differs`, so that the power of `differs` cannot exceed 1 minus this. None where no such
    answer can come out.
    """
    se, df = standard_error(size, spreads, scope)
    if df < 1 or aim.margin_mm is None:
        return None
    within = float(half_width_factor(same_confidence(aim.confidence), size.conditions, np.array([df]))[0])
    return equivalence_power(aim.difference_mm / se, aim.margin_mm / se, df, within)


def pair_power(
    shift: float, df: float, critical: float, *, margin: float | None = None, same_critical: float = 0.0
) -> float:
    """Probability that a difference is called one: |difference| above `critical` estimated standard errors.

    Parameters
    ----------
    shift : float
        True difference over its true standard error.
    df : float
        Degrees of freedom of the estimated standard error.
    critical : float
        Half width of the interval, in estimated standard errors.
    margin : float, optional
        Margin over the true standard error, where `same` goes before `differs`.
    same_critical : float
        Half width of the interval of the equivalence test.

    Returns
    -------
    float
        Without a margin: the tails of the noncentral t distribution, written as its defining integral over the
        spread, which takes the margin in as well and has no range in which it fails.
    """

    def given(spread: Floats) -> Floats:
        bound = critical * spread
        if margin is not None:
            bound = np.maximum(bound, margin - same_critical * spread)
        return np.asarray(special.ndtr(shift - bound) + special.ndtr(-shift - bound))

    return _over_spread(given, df, None if margin is None else margin / (critical + same_critical))


def equivalence_power(shift: float, margin: float, df: float, critical: float) -> float:
    """Probability that two one-sided tests find a difference within the margin.

    Parameters
    ----------
    shift, margin : float
        True difference and margin, over the true standard error.
    df : float
        Degrees of freedom of the estimated standard error.
    critical : float
        Half width of the interval of the equivalence test, in estimated standard errors.

    Notes
    -----
    Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657; exact, by the integral over the spread (Owen 1965,
    Biometrika 52, 437).
    """

    def given(spread: Floats) -> Floats:
        room = margin - critical * spread
        inside = special.ndtr(room - shift) - special.ndtr(-room - shift)
        return np.asarray(np.where(room > 0, inside, 0.0))

    return _over_spread(given, df, margin / critical)


def omnibus_power(size: Size, spreads: Spreads, aim: Aim, scope: Scope) -> float | None:
    """Probability that the F test over all conditions finds one that lies `aim.difference_mm` off all others."""
    se, df = standard_error(size, spreads, scope)
    if df < 1:
        return None
    k = size.conditions
    # se**2 / 2 is the variance of a condition's mean; one of k lies off, so the sum of squares is (k - 1) / k of
    # the difference squared.
    noncentrality = (k - 1) / k * aim.difference_mm**2 / (se**2 / 2)
    return anova_power(noncentrality, k - 1, df, aim.confidence)


def anova_power(noncentrality: float, df_conditions: float, df_error: float, confidence: float = 0.95) -> float:
    """Probability that an F test rejects: upper tail of the noncentral F distribution."""
    critical = stats.f.ppf(confidence, df_conditions, df_error)
    return float(1 - special.ncfdtr(df_conditions, df_error, noncentrality, critical))


def _over_spread(given: Callable[[Floats], Floats], df: float, kink: float | None) -> float:
    """Mean over the spread sqrt(chi2(df) / df) of a probability that is given for each, smooth but for one kink."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    cuts = [0.0, 1.0] if kink is None else [0.0, float(stats.chi2.cdf(df * kink**2, df)), 1.0]
    total = 0.0
    for low, high in zip(cuts, cuts[1:], strict=False):
        share = low + (high - low) * (nodes + 1) / 2
        spread = np.sqrt(stats.chi2.ppf(share, df) / df)
        total += (high - low) / 2 * float(weights @ given(spread))
    return min(max(total, 0.0), 1.0)


def shots_needed(size: Size, spreads: Spreads, aim: Aim, *, scope: Scope, goal: Goal, wanted: float) -> int | None:
    """Return the fewest shots a cell that give the wanted power; None where `MOST_SHOTS` do not."""

    def enough(shots: int) -> bool:
        found = power(replace(size, shots=shots), spreads, aim, scope=scope, goal=goal)
        return found is not None and found >= wanted

    return _least(enough, 2, MOST_SHOTS)


def shooters_needed(
    size: Size, spreads: Spreads, aim: Aim, *, scope: Scope, goal: Goal, wanted: float
) -> int | None:
    """Return the fewest shooters, with as many shots each, that give the wanted power; None where none do."""

    def enough(shooters: int) -> bool:
        found = power(replace(size, shooters=shooters), spreads, aim, scope=scope, goal=goal)
        return found is not None and found >= wanted

    return _least(enough, 1, MOST_SHOOTERS)


def _least(enough: Callable[[int], bool], low: int, high: int) -> int | None:
    """Smallest whole number for which `enough` holds; it must go on to hold above."""
    if not enough(high):
        return None
    while low < high:
        middle = (low + high) // 2
        if enough(middle):
            high = middle
        else:
            low = middle + 1
    return low
