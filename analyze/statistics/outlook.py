"""How many more shots or shooters would settle an undecided pair, and how likely that is if the truth is otherwise.

The shots made so far stay: the later difference is a weighted mean of the one seen and of one still to come, so a
promise about it is conditional on what was seen. The scatter is taken as it was seen.
`tests/benchmarks/further_shots.py` shoots undecided tests on, and prints how often the promise was kept.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.stats import qmc

from analyze.statistics.question import Question
from analyze.statistics.studentized import studentized_range_quantile
from calibrate.arrays import Floats, Ints

Flags = npt.NDArray[np.bool_]

POWER = 0.80  # with which the missing shots would settle a pair; Cohen 1992, Psychol. Bull. 112, 155
MOST_SHOTS = 1000  # further shots of a condition beyond which none are suggested
MOST_SHOOTERS = 200
_POINTS_LOG2 = 8  # 256 Sobol points: a chance is then right to about a point
_PAIRS_AT_ONCE = 500
_MANY_DF = 30.0  # above it a chi-square is taken by Wilson & Hilferty's cube root, right to 0.2 % there


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Seen:
    """N undecided pairs as they stand.

    Attributes
    ----------
    difference, se, df : (N,) float64
        Estimate, standard error, its degrees of freedom.
    lasting_variance : (N,) float64
        Part of se**2 that more shots of the same shooters would leave.
    shots_a, shots_b : (N,) float64
        Shots of the two conditions, over all shooters.
    k : int
        Conditions compared together.
    shots_tell : bool
        Whether the standard error comes from the scatter of shots, so that more shots tell it better; else from how
        a difference varies from shooter to shooter.
    shooters : int
        Shooters behind each difference; 0 where more of them cannot be reckoned with.
    own_se, own_df, least_se, least_df : (N,) float64
        In general: the model's own error and degrees of freedom, and those for these shooters, whose interval is
        the least that is told. Elsewhere own ones are `se` and `df`, and `least_se` is zero.
    """

    difference: Floats
    se: Floats
    df: Floats
    lasting_variance: Floats
    shots_a: Floats
    shots_b: Floats
    own_se: Floats
    own_df: Floats
    least_se: Floats
    least_df: Floats
    k: int
    shots_tell: bool
    shooters: int

    def part(self, which: slice | Ints) -> "Seen":
        """Return some of the pairs."""
        names = (
            "difference", "se", "df", "lasting_variance", "shots_a", "shots_b", "own_se", "own_df", "least_se",
            "least_df",
        )  # fmt: skip
        return replace(self, **{name: getattr(self, name)[which] for name in names})


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Outlook:
    """What would settle N pairs. NaN stands for what does not exist.

    Attributes
    ----------
    more : (N,) float64
        Further shots of each of the two conditions, in all over the shooters (or further shooters), after which the
        pair would be settled with probability `POWER` if the difference seen were the true one.
    if_zero, if_margin : (N,) float64
        Probability that as many settle it if the true difference were zero, or as large as the margin (to the side
        where it is seen).
    """

    more: Floats
    if_zero: Floats
    if_margin: Floats


def more_shots(seen: Seen, question: Question) -> Outlook:
    """Return how many further shots of each condition, by the same shooters, would settle pairs."""

    def later(pairs: Seen, more: Floats) -> tuple[Floats, Floats]:
        now = 1 / pairs.shots_a + 1 / pairs.shots_b
        left = (1 / (pairs.shots_a + more) + 1 / (pairs.shots_b + more)) / now
        return left, pairs.df * 2 * more / (pairs.shots_a + pairs.shots_b)

    # In general an uneven number would make the later test an unbalanced one, which is judged by other means.
    step = 1 if seen.shots_tell else max(seen.shooters, 1)
    return _in_parts(seen, question, later, MOST_SHOTS, step)


def more_shooters(seen: Seen, question: Question) -> Outlook:
    """Return how many further shooters, each with as many shots as those seen, would settle pairs."""
    shooters = float(seen.shooters)
    # A further shooter brings one more difference of each pair, whatever its variance is made of.
    alike = replace(seen, lasting_variance=np.zeros(len(seen.se)), shots_tell=True)

    def later(pairs: Seen, more: Floats) -> tuple[Floats, Floats]:
        return shooters / (shooters + more), pairs.df * more / max(shooters - 1, 1)

    return _in_parts(alike, question, later, MOST_SHOOTERS)


_Later = Callable[[Seen, Floats], tuple[Floats, Floats]]


def _in_parts(seen: Seen, question: Question, later: _Later, most: int, step: int = 1) -> Outlook:
    count = len(seen.se)
    parts = [
        _outlook(seen.part(slice(first, first + _PAIRS_AT_ONCE)), question, later, most, step)
        for first in range(0, count, _PAIRS_AT_ONCE)
    ]
    return Outlook(
        more=np.concatenate([part.more for part in parts]) if parts else np.zeros(0),
        if_zero=np.concatenate([part.if_zero for part in parts]) if parts else np.zeros(0),
        if_margin=np.concatenate([part.if_margin for part in parts]) if parts else np.zeros(0),
    )


def _outlook(seen: Seen, question: Question, later: _Later, most: int, step: int) -> Outlook:
    def chance(true: Floats, more: Floats) -> Floats:
        left, added_df = later(seen, more)
        return _chance(seen, question, true, left, added_df)

    low, high = np.zeros(len(seen.se)), np.full(len(seen.se), float(most))
    reachable = chance(seen.difference, high) >= POWER
    while (high - low > 1).any():
        middle = np.floor((low + high) / 2)
        enough = chance(seen.difference, np.maximum(middle, 1.0)) >= POWER
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    high = np.ceil(high / step) * step
    nothing = np.full(len(seen.se), np.nan)
    if not reachable.any():
        return Outlook(more=nothing, if_zero=nothing, if_margin=nothing)
    if_zero = chance(np.zeros(len(seen.se)), high)
    if_margin = nothing
    if question.margin is not None:
        if_margin = chance(np.copysign(question.margin, seen.difference), high)
    return Outlook(
        more=np.where(reachable, high, np.nan),
        if_zero=np.where(reachable, if_zero, np.nan),
        if_margin=np.where(reachable, if_margin, np.nan),
    )


@lru_cache(maxsize=1)
def _points() -> Floats:
    """(M, 3) evenly spread points of the unit cube, the same every time."""
    points = qmc.Sobol(3, rng=np.random.default_rng(20240611)).random_base2(_POINTS_LOG2)
    return np.clip(points, 1e-6, 1 - 1e-6)


def _chi_square(uniform: Floats, df: Floats) -> Floats:
    """Quantiles of chi-square, (N, M) from (M,) and (N, 1); zero where there are no degrees of freedom."""
    df = np.broadcast_to(df, (len(df), len(uniform)))
    few = np.maximum(df, 1e-3)
    spread = 2 / (9 * np.maximum(few, _MANY_DF))
    found = np.maximum(few, _MANY_DF) * (1 - spread + special.ndtri(uniform) * np.sqrt(spread)) ** 3
    exact = few < _MANY_DF
    if exact.any():
        rows = exact[:, 0]
        found[rows] = special.chdtri(few[rows], np.broadcast_to(1 - uniform, few[rows].shape))
    return np.where(df > 0, found, 0.0)


def _chance(seen: Seen, question: Question, true: Floats, left: Floats, added_df: Floats) -> Floats:
    """Return the probability that each pair is settled later.

    Parameters
    ----------
    seen : Seen
        The N pairs.
    question : Question
        Confidence and margin.
    true : (N,) array
        True differences.
    left : (N,) array
        Share of the variance from shots that is left later.
    added_df : (N,) array
        Degrees of freedom that the further shots add.
    """
    points = _points()
    normal, other = special.ndtri(points[:, 0]), special.ndtri(points[:, 1])
    variance = (seen.se**2)[:, None]
    lasting = np.minimum(seen.lasting_variance[:, None], variance)
    shots = variance - lasting
    rho = lasting / variance
    w = left[:, None]
    # Seen: true + shooters' part + shots' part; later the shots' part is w times itself and (1 - w) a new one.
    stays = rho + w * (1 - rho)
    scatter = np.sqrt(shots * (1 - w) * ((1 - w) * rho + w))
    off = (seen.difference - true)[:, None]
    difference = true[:, None] + off * stays + scatter * normal
    df = np.minimum(seen.df, 1e9)[:, None]
    if seen.shots_tell:
        added = added_df[:, None]
        new = variance * _chi_square(points[:, 2], np.minimum(added, 1e9))
        se2 = (variance * df + new) / (df + added) * (w + (1 - w) * rho)
        errors: tuple[tuple[Floats, Floats], ...] = ((np.sqrt(se2), seen.df + added_df),)
    else:
        # The contrasts between shooters that the standard error comes from move as the mean does.
        own_df = np.minimum(seen.own_df, 1e9)[:, None]
        kept = stays * np.sqrt(own_df) * seen.own_se[:, None] + scatter * other
        se2 = (kept**2 + scatter**2 * _chi_square(points[:, 2], np.maximum(own_df - 1, 0.0))) / own_df
        # The interval told is the wider of the model's own and the one for these shooters.
        least = np.broadcast_to(np.sqrt(w) * seen.least_se[:, None], se2.shape)
        errors = ((np.sqrt(se2), seen.own_df), (least, seen.least_df * (1 + added_df / seen.df)))
    return np.asarray(_settled(difference, errors, seen.k, question).mean(axis=1))


def _settled(difference: Floats, errors: tuple[tuple[Floats, Floats], ...], k: int, question: Question) -> Flags:
    """Whether pairs end in `differs` or `same`; the rules are those of `analyze.statistics.pairwise.judge`.

    The interval is the widest of those that `errors`, standard errors (N, M) and degrees of freedom (N,), give.
    """

    def half(confidence: float) -> Floats:
        widths = [
            studentized_range_quantile(confidence, k, np.maximum(df, 1.0))[:, None] / np.sqrt(2) * se
            for se, df in errors
        ]
        return np.asarray(np.maximum.reduce(widths))

    settled = np.abs(difference) > half(question.confidence)
    if question.margin is not None:
        settled |= np.abs(difference) + half(1 - 2 * (1 - question.confidence)) < question.margin
    return np.asarray(settled)
