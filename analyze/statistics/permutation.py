"""Would shuffled labels show a difference as large: a check that assumes nothing of how shots scatter.

If two conditions are alike, which of a shooter's shots belongs to which is a matter of chance. So the labels of the
two are shuffled among the shots of each shooter in each session, and the share of arrangements that show a
difference at least as large as the one seen is the p value. It judges nothing: the verdicts rest on intervals, this
stands beside them.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import combinations
from math import comb, prod

import numpy as np
import pandas as pd

from analyze.statistics.keep_rules import CHOSEN_FROM
from analyze.statistics.question import Question, Scope
from analyze.statistics.shots_table import check_shots, counted_shots
from calibrate.arrays import Floats

MOST_ARRANGEMENTS = 50_000  # all are counted up to so many; beyond, some are drawn
DRAWS = 9_999
MOST_SHOTS = 5_000  # of a pair: beyond, means are as good as normal and a check would only cost time
_SEED = 20240611
_CHUNK = 2_000_000  # numbers shuffled at once, 16 MB
_TIE = 1e-9  # of the statistic: sums of the same numbers in another order

ONE_SHOOTER = "One shooter's labels can be swapped in one way only."
APART = "No shooter shot both in one session, so there is nothing to shuffle."
CHOSEN = "Shots were chosen by their values: shuffling the chosen ones would prove nothing."
MANY = f"More than {MOST_SHOTS:,} shots: shuffling them would add nothing."


@dataclass(frozen=True, slots=True, kw_only=True)
class PermutationCheck:
    """One pair of conditions, its labels shuffled.

    Attributes
    ----------
    a, b : str
        Conditions.
    scope : Scope
        `these`: labels shuffled among each shooter's shots. `general`: swapped for all shots of a shooter at once.
    p : float or None
        Share of arrangements with a difference at least as large, of this pair alone; None with the reason in
        `note`.
    p_adjusted : float or None
        The same allowing for the number of pairs of the scope that were checked (Holm 1979).
    least : float or None
        Smallest p that so few shots, or shooters, can give.
    arrangements : int
        How many were counted, the one seen included.
    exact : bool
        Whether these are all there are; else they were drawn at random.
    note : str
        Why there is no p value.
    """

    a: str
    b: str
    scope: Scope
    p: float | None
    p_adjusted: float | None
    least: float | None
    arrangements: int
    exact: bool
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Block:
    """Shots of one shooter in one session: those of a first, then those of b."""

    shooter: str
    values: Floats
    n_a: int

    @property
    def difference(self) -> float:
        """Mean of b minus mean of a."""
        return float(self.values[self.n_a :].mean() - self.values[: self.n_a].mean())

    @property
    def ways(self) -> int:
        """In how many ways its labels can be spread."""
        return comb(len(self.values), self.n_a)


def _parts(a_sum: Floats, a_squares: Floats, block: _Block) -> tuple[Floats, Floats]:
    """Difference and its squared error from sums over the shots called a, whose number stays."""
    n_a, n_b = block.n_a, len(block.values) - block.n_a
    b_sum, b_squares = block.values.sum() - a_sum, (block.values**2).sum() - a_squares
    error = np.zeros(len(a_sum))
    for total, squares, n in ((a_sum, a_squares, n_a), (b_sum, b_squares, n_b)):
        if n > 1:
            error = error + np.maximum(squares - total**2 / n, 0.0) / (n - 1) / n
    return b_sum / n_b - a_sum / n_a, error


def _every_way(block: _Block) -> tuple[Floats, Floats]:
    chosen = np.array(list(combinations(range(len(block.values)), block.n_a)))
    taken = block.values[chosen]
    return _parts(taken.sum(axis=1), (taken**2).sum(axis=1), block)


def _some_ways(block: _Block, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return the arrangement seen, then drawn ones."""
    taken = [block.values[None, : block.n_a]]
    rows = max(_CHUNK // len(block.values), 1)
    for start in range(0, DRAWS, rows):
        shuffled = np.tile(block.values, (min(rows, DRAWS - start), 1))
        taken.append(rng.permuted(shuffled, axis=1, out=shuffled)[:, : block.n_a])
    sums = np.concatenate([part.sum(axis=1) for part in taken])
    squares = np.concatenate([(part**2).sum(axis=1) for part in taken])
    return _parts(sums, squares, block)


def _statistic(difference: Floats, error: Floats, *, studentised: bool) -> Floats:
    size = np.abs(difference)
    if not studentised:
        return size
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(size > 0, size / np.sqrt(error), 0.0)


def _share_as_large(statistic: Floats, seen: float) -> float:
    return float(np.mean(statistic >= seen - _TIE * seen if np.isfinite(seen) else np.isinf(statistic)))


def _within_shooters(blocks: list[_Block], rng: np.random.Generator) -> tuple[float, float, int, bool]:
    """Shuffle labels among the shots of each block: p, the least p, arrangements counted, whether all."""
    # Studentised where every cell tells its scatter: right for unequal scatter too, not only for equal shots
    # (Janssen 1997, Stat. Probab. Lett. 36, 9).
    studentised = all(2 <= block.n_a <= len(block.values) - 2 for block in blocks)
    count = prod(block.ways for block in blocks)
    exact = count <= MOST_ARRANGEMENTS
    difference, error = np.zeros(1), np.zeros(1)
    for block in blocks:
        if exact:
            more, its_error = _every_way(block)
            difference = np.add.outer(difference, more).ravel()
            error = np.add.outer(error, its_error).ravel()
        else:
            more, its_error = _some_ways(block, rng)
            difference, error = difference + more, error + its_error
    # Of all ways the first of each block, in the order of `combinations`, is the one seen.
    statistic = _statistic(difference, error, studentised=studentised)
    # Of drawn ways the one seen is counted in: Phipson & Smyth 2010 (Stat. Appl. Genet. Mol. Biol. 9, 39).
    p = _share_as_large(statistic, float(statistic[0]))
    least = _share_as_large(statistic, float(statistic.max())) if exact else 1 / (DRAWS + 1)
    return p, least, len(statistic), exact


def _across_shooters(blocks: list[_Block], rng: np.random.Generator) -> tuple[float, float, int, bool]:
    """Swap the labels of all shots of a shooter: the shooters' own differences change sign."""
    of_shooter: dict[str, list[float]] = {}
    for block in blocks:
        of_shooter.setdefault(block.shooter, []).append(block.difference)
    own = np.array([np.mean(values) for values in of_shooter.values()])
    count = 2 ** len(own)
    exact = count <= MOST_ARRANGEMENTS
    if exact:
        signs = 1.0 - 2.0 * ((np.arange(count)[:, None] >> np.arange(len(own))) & 1)
    else:
        signs = np.vstack([np.ones(len(own)), rng.choice([-1.0, 1.0], (DRAWS, len(own)))])
    statistic = np.abs(signs @ own)
    p = _share_as_large(statistic, float(statistic[0]))
    least = _share_as_large(statistic, float(statistic.max())) if exact else 1 / (DRAWS + 1)
    return p, least, len(statistic), exact


def _blocks(shots: pd.DataFrame, quantity: str, a: str, b: str) -> list[_Block]:
    some = shots[shots["condition"].isin((a, b))]
    # About a mean of their own, readings far from zero keep their digits in sums of squares.
    values = some[quantity] - some[quantity].mean()
    blocks = []
    for _, part in some.groupby(["shooter", "session"], sort=False):
        own, is_a = values.loc[part.index].to_numpy(dtype=np.float64), (part["condition"] == a).to_numpy()
        if 0 < is_a.sum() < len(own):
            both = np.concatenate([own[is_a], own[~is_a]])
            blocks.append(
                _Block(shooter=str(part["shooter"].iloc[0]), values=both - both.mean(), n_a=int(is_a.sum()))
            )
    return blocks


def _check(blocks: list[_Block], a: str, b: str, scope: Scope) -> PermutationCheck:
    def nothing(note: str) -> PermutationCheck:
        return PermutationCheck(
            a=a, b=b, scope=scope, p=None, p_adjusted=None, least=None, arrangements=0, exact=False, note=note
        )

    if not blocks:
        return nothing(APART)
    if sum(len(block.values) for block in blocks) > MOST_SHOTS:
        return nothing(MANY)
    if scope is Scope.GENERAL and len({block.shooter for block in blocks}) == 1:
        return nothing(ONE_SHOOTER)
    shuffle = _within_shooters if scope is Scope.THESE else _across_shooters
    p, least, arrangements, exact = shuffle(blocks, np.random.default_rng(_SEED))
    return PermutationCheck(
        a=a, b=b, scope=scope, p=p, p_adjusted=p, least=least, arrangements=arrangements, exact=exact
    )


def _holm(checks: list[PermutationCheck]) -> list[PermutationCheck]:
    """Allow for the number of pairs (Holm 1979, Scand. J. Stat. 6, 65)."""
    told = sorted((k for k, check in enumerate(checks) if check.p is not None), key=lambda k: checks[k].p or 0.0)
    least, adjusted = 0.0, list(checks)
    for place, k in enumerate(told):
        least = max(least, min(1.0, (len(told) - place) * (checks[k].p or 0.0)))
        adjusted[k] = replace(checks[k], p_adjusted=least)
    return adjusted


def check_by_permutation(
    frame: pd.DataFrame, question: Question | None = None, *, pairs: Iterable[tuple[str, str]] | None = None
) -> tuple[PermutationCheck, ...]:
    """Check pairs of conditions by shuffling their labels within shooters.

    Parameters
    ----------
    frame : DataFrame
        Table of shots; columns as in `analyze.statistics.shots_table`. Control shots are not compared.
    question : Question
        Which quantity; its covariates are not adjusted for.
    pairs : iterable of (str, str), optional
        Pairs to check; default all, in the order in which conditions come up.

    Returns
    -------
    tuple of PermutationCheck
        Each pair for these shooters, then each for shooters in general.

    Notes
    -----
    For these shooters the statistic is the difference that `compare` gives, over its standard error with a variance
    for each cell; where a cell holds one shot, the difference alone. All arrangements are counted where there are
    no more than `MOST_ARRANGEMENTS`, else `DRAWS` are drawn, from the same seed every time.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "reading_mm": [50, 52, 54, 60, 61, 65]})
    >>> check, _ = check_by_permutation(shots)
    >>> check.p, check.arrangements  # 2 of the 20 ways to choose three of six
    (0.1, 20)
    """
    question = question or Question()
    table = check_shots(frame, quantity=question.quantity)
    shots = counted_shots(table, question.quantity)[0]
    shots = shots[shots["role"] == "test"]
    wanted = list(combinations(shots["condition"].unique(), 2)) if pairs is None else list(pairs)
    chosen = CHOSEN_FROM in table.columns and bool(table[CHOSEN_FROM].notna().any())
    found = []
    for scope in (Scope.THESE, Scope.GENERAL):
        checks = [_check(_blocks(shots, question.quantity, a, b), a, b, scope) for a, b in wanted]
        found += _holm([replace(one, p=None, p_adjusted=None, note=CHOSEN) for one in checks] if chosen else checks)
    return tuple(found)
