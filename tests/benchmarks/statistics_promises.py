"""How often the comparisons are wrong where shooters, conditions or measuring are unequal, with coverage and power.

Run from the top folder: ``python tests/benchmarks/run.py promises``, or this file with the number of tests per line
(default 1000; all lines take about four minutes of processor time), and the numbers of lines, from 0, where not all
are wanted. Readings are normal; shooters' own means differ.
Printed per line, in per cent with two binomial standard errors:

- `differs`: tests of equal conditions in which any pair is called different (stated: 5);
- `covered`: tests whose simultaneous intervals all hold the true difference (stated: 95);
- `power`: tests whose last condition lies `apart` off the others that call it different from the first.

In general no interval is narrower than for these shooters, so rates below 5 are meant there. `alone` are the rates
of wrong answers and the power of the model's own intervals, without that: those of R's lme4 with pbkrtest (tests
hold it to them).
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyze.statistics import (
    Comparison,
    KeepRule,
    PairRow,
    Question,
    Scope,
    Verdict,
    apply_keep_rule,
    check_shots,
    compare,
)
from analyze.statistics.cells import reduce_to_cells
from analyze.statistics.general import general_model
from analyze.statistics.pairwise import judge

SHOOTER_SD_MM, DAY_SD_MM = 8.0, 5.0
QUESTION = Question(covariates=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A test that is simulated many times; sds and distances in mm, tables are conditions by shooters."""

    words: str
    scope: str
    shots: np.ndarray
    sd: np.ndarray
    apart: float
    interaction_sd: float = 0.0
    measuring: tuple[float, float] | None = None  # sds of measuring, evenly spread on a logarithmic scale
    closest: bool = False
    days: int = 1  # sessions in which all this is shot again, each with a zero of its own


def per_shooter(values: tuple[float, ...], conditions: int = 3) -> np.ndarray:
    return np.tile(values, (conditions, 1))


def per_condition(values: tuple[float, ...], shooters: int = 3) -> np.ndarray:
    return np.tile(values, (shooters, 1)).T


def even(value: float, conditions: int = 3, shooters: int = 3) -> np.ndarray:
    return np.full((conditions, shooters), value)


GENERAL_SHOTS = np.array([[7, 8], [2, 8], [5, 6]])
CASES = (
    Case(words="shooters' sd 4, 4, 16, shots 9, 9, 3", scope="these", shots=per_shooter((9, 9, 3)),
         sd=per_shooter((4, 4, 16)), apart=20),
    Case(words="shooters' sd 4, 4, 20, shots 12, 12, 2", scope="these", shots=per_shooter((12, 12, 2)),
         sd=per_shooter((4, 4, 20)), apart=40),
    Case(words="shooters' sd 5, 5, 10, shots 7, 7, 4", scope="these", shots=per_shooter((7, 7, 4)),
         sd=per_shooter((5, 5, 10)), apart=8),
    Case(words="conditions' sd 5, 5, 9, shots 9, 9, 3", scope="these", shots=per_condition((9, 9, 3)),
         sd=per_condition((5, 5, 9)), apart=12),
    Case(words="sd 10, 5 shots each", scope="these", shots=even(5), sd=even(10.0), apart=12),
    Case(words="sd 10, 3 shots each", scope="these", shots=even(3), sd=even(10.0), apart=16),
    Case(words="measuring sd 0.3 to 20, 3 shots", scope="these", shots=even(3, shooters=2),
         sd=even(2.0, shooters=2), apart=15, measuring=(0.3, 20)),
    Case(words="measuring sd 0.3 to 20, 4 shots", scope="these", shots=even(4, shooters=2),
         sd=even(2.0, shooters=2), apart=10, measuring=(0.3, 20)),
    Case(words="the first line's shooters, shots 5, 5, 2, two days", scope="these", shots=per_shooter((5, 5, 2)),
         sd=per_shooter((4, 4, 16)), apart=20, days=2),
    Case(words="closest 3 of 5", scope="these", shots=even(5), sd=even(10.0), apart=20, closest=True),
    Case(words="closest 3 of 7", scope="these", shots=even(7), sd=even(10.0), apart=20, closest=True),
    Case(words="shots 7 8 / 2 8 / 5 6", scope="general", shots=GENERAL_SHOTS, sd=even(10.0, shooters=2), apart=40),
    Case(words="shots 7 8 / 2 8 / 5 6, interaction 3", scope="general", shots=GENERAL_SHOTS,
         sd=even(10.0, shooters=2), apart=40, interaction_sd=3),
    Case(words="5 shots each, interaction 5", scope="general", shots=even(5), sd=even(10.0), apart=30,
         interaction_sd=5),
    Case(words="5 shots each, interaction 15", scope="general", shots=even(5), sd=even(10.0), apart=80,
         interaction_sd=15),
)  # fmt: skip


def simulate(case: Case, rng: np.random.Generator, *, apart: float) -> tuple[pd.DataFrame, np.ndarray]:
    """Draw one test: its table of shots, and the true means, conditions by shooters."""
    conditions, shooters = case.shots.shape
    true = rng.normal(0, SHOOTER_SD_MM, shooters) + case.interaction_sd * rng.normal(size=case.shots.shape)
    true[-1] += apart
    every = np.tile(case.shots, (case.days, 1, 1))
    day, c, s = (np.repeat(index.ravel(), every.ravel()) for index in np.indices(every.shape))
    zero = DAY_SD_MM * rng.normal(size=case.days) * (case.days > 1)
    scatter = case.sd[c, s]
    columns = {"condition": np.char.add("C", c.astype(str)), "shooter": np.char.add("S", s.astype(str))}
    if case.measuring is not None:
        measuring = np.exp(rng.uniform(*np.log(case.measuring), len(c)))
        scatter = np.hypot(scatter, measuring)
        columns["reading_sd_mm"] = measuring
    if case.days > 1:
        columns["session"] = np.char.add("day ", day.astype(str))
    frame = pd.DataFrame({**columns, "reading_mm": true[c, s] + zero[day] + scatter * rng.normal(size=len(c))})
    return (apply_keep_rule(frame, KeepRule.CLOSEST) if case.closest else frame), true


def all_hold(found: Comparison, true: np.ndarray) -> bool:
    at = {f"C{k}": value for k, value in enumerate(true)}
    return all(row.lo is None or row.lo <= at[row.b] - at[row.a] <= row.hi for row in found.rows)


def general_alone(shots: pd.DataFrame) -> tuple[PairRow, ...]:
    """Judge the model for shooters in general by itself."""
    cells = reduce_to_cells(check_shots(shots), QUESTION.quantity)
    found = general_model(cells, np.arange(len(cells.conditions)), shared_sd=0.0).estimates
    return judge(found, cells.conditions, Scope.GENERAL, QUESTION, label=QUESTION.quantity, outlook=False)


def tally(case: Case, tests: int, seed: int, *, apart: float) -> dict[str, float]:
    """Shares of simulated tests with any `differs`, with all intervals right, and with the last pair `shown`.

    For these shooters the true means are those of the very shooters simulated; in general the planned ones.
    """
    rng = np.random.default_rng(seed)
    counts = dict.fromkeys(("differs", "covered", "shown", "differs_alone", "shown_alone"), 0)
    for _ in range(tests):
        shots, true = simulate(case, rng, apart=apart)
        planned = np.where(np.arange(len(true)) == len(true) - 1, apart, 0.0)
        found = getattr(compare(shots, QUESTION, outlook=False), case.scope)
        counts["differs"] += any(row.verdict is Verdict.DIFFERS for row in found.rows)
        counts["covered"] += all_hold(found, true.mean(axis=1) if case.scope == "these" else planned)
        last = ("C0", f"C{len(true) - 1}")
        counts["shown"] += found.pair(*last).verdict is Verdict.DIFFERS
        if case.scope == "general":
            different = {(row.a, row.b) for row in general_alone(shots) if row.verdict is Verdict.DIFFERS}
            counts["differs_alone"] += bool(different)
            counts["shown_alone"] += last in different
    return {name: count / tests for name, count in counts.items()}


def printed(value: float, tests: int) -> str:
    return f"{100 * value:5.1f} ± {200 * np.sqrt(value * (1 - value) / tests):3.1f}"


def run(tests: int = 1000, numbers: Sequence[int] = range(len(CASES))) -> None:
    for number in numbers:
        case = CASES[number]
        equal = tally(case, tests, 100 + number, apart=0.0)
        moved = tally(case, tests, 200 + number, apart=case.apart)
        print(
            f"{case.scope:8s}{case.words:42s} differs {printed(equal['differs'], tests)}   covered "
            f"{printed(moved['covered'], tests)}   power at {case.apart:g} mm {printed(moved['shown'], tests)}"
            + (
                f"   alone {printed(equal['differs_alone'], tests)}, power {printed(moved['shown_alone'], tests)}"
                if case.scope == "general"
                else ""
            ),
            flush=True,
        )


if __name__ == "__main__":
    wanted = [int(text) for text in sys.argv[1:]] or [1000]
    run(wanted[0], wanted[1:] or range(len(CASES)))
