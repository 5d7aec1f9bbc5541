"""How often the comparisons are wrong, on simulated tests, beside the old practice of keeping the closest three.

Run from the top folder: ``python tests/benchmarks/statistics_simulation.py [tests per line]`` (default 2000, about
20 minutes). Every line is one plan: conditions of equal mean (or exactly the margin apart), shooters with means of
their own (sd 8 mm), shots that scatter by 10 mm; in scope `general` the difference itself varies from shooter to
shooter (sd 5 mm).

Printed per line, with two binomial standard errors:

- `differs`: tests in which any of the three pairs of equal conditions is called different (stated: 5 %);
- `same`: tests of two conditions exactly the margin apart that are called the same (stated: at most 5 %; it is
  reached only where the test is sharp enough to call anything the same, so the margin is wide here);
- `covered`: tests of three conditions whose simultaneous intervals all hold the true difference (stated: 95 %).

The old practice keeps the three closest shots of each cell, averages them over the shooters, rounds to 1/8 inch and
calls two conditions different when the rounded means differ (common practice, no source). Its interval is the
naive one: mean of the three, t times their own s / sqrt(3).
"""

import sys
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from analyze.statistics import Comparison, Question, Verdict, compare

SHOT_SD_MM = 10.0
SHOOTER_SD_MM = 8.0
INTERACTION_SD_MM = 5.0
EIGHTH_MM = 3.175
KEPT = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A test that is simulated many times; lengths in mm."""

    conditions: int = 3
    shooters: int = 3
    shots: int = 5
    interaction_sd: float = 0.0
    shot_sds: tuple[float, ...] = ()  # per condition; empty: all alike
    apart: float = 0.0  # of every second condition from the others
    lost: float = 0.0  # share of shots that fail and are missing

    @property
    def words(self) -> str:
        """The plan for a printed line."""
        extra = "".join(
            [
                f", {self.lost:.0%} lost" if self.lost else "",
                f", sds {'/'.join(f'{sd:g}' for sd in self.shot_sds)}" if self.shot_sds else "",
            ]
        )
        return f"{self.conditions} conditions x {self.shooters} shooters x {self.shots} shots{extra}"


def simulate(plan: Plan, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Readings (C, S, n), NaN where lost, and true means (C, S)."""
    true = np.tile(np.arange(plan.conditions) % 2 * plan.apart, (plan.shooters, 1)).T
    true = true + rng.normal(0, SHOOTER_SD_MM, plan.shooters)
    true = true + rng.normal(0, 1, true.shape) * plan.interaction_sd
    sds = np.array(plan.shot_sds or [SHOT_SD_MM] * plan.conditions)
    readings = true[:, :, None] + sds[:, None, None] * rng.normal(size=(*true.shape, plan.shots))
    if plan.lost:
        readings[rng.random(readings.shape) < plan.lost] = np.nan
    return readings, true


def table_of(readings: np.ndarray) -> pd.DataFrame:
    """Readings as a table of shots."""
    c, s, _ = np.indices(readings.shape)
    return pd.DataFrame(
        {
            "condition": np.char.add("C", c.ravel().astype(str)),
            "shooter": np.char.add("S", s.ravel().astype(str)),
            "reading_mm": readings.ravel(),
        }
    )


def closest_three(values: np.ndarray) -> np.ndarray:
    """The three values with the smallest range."""
    ordered = np.sort(values[~np.isnan(values)])
    if len(ordered) <= KEPT:
        return ordered
    start = int(np.argmin(ordered[KEPT - 1 :] - ordered[: -(KEPT - 1)]))
    return ordered[start : start + KEPT]


@dataclass(frozen=True, slots=True, kw_only=True)
class OldPractice:
    """What the old practice says of one simulated test."""

    rounded: np.ndarray
    difference: float
    naive_half_width: float


def old_practice(readings: np.ndarray) -> OldPractice:
    """Means of the closest three per cell, over the shooters; the naive interval of the first two conditions."""
    kept = [[closest_three(cell) for cell in row] for row in readings]
    means = np.array([[cell.mean() for cell in row] for row in kept])
    variances = np.array([[cell.var(ddof=1) / len(cell) for cell in row] for row in kept[:2]])
    shooters = readings.shape[1]
    df = 2 * shooters * (KEPT - 1)
    half = stats.t.ppf(0.975, df) * np.sqrt(variances.sum()) / shooters
    average = means.mean(axis=1)
    return OldPractice(
        rounded=np.round(average / EIGHTH_MM) * EIGHTH_MM,
        difference=float(average[1] - average[0]),
        naive_half_width=float(half),
    )


def any_verdict(comparison: Comparison, verdict: Verdict, pairs: set[tuple[str, str]]) -> bool:
    return any(row.verdict is verdict for row in comparison.rows if (row.a, row.b) in pairs)


def all_hold(comparison: Comparison, true: dict[tuple[str, str], float]) -> bool:
    return all(row.lo is None or row.lo <= true[row.a, row.b] <= row.hi for row in comparison.rows)


def rates(plan: Plan, scope: str, tests: int, seed: int, margin: float | None = None) -> dict[str, float]:
    """Shares of simulated tests with a false `differs` or `same`, and whose intervals hold the truth.

    In scope `these` the truth is the mean over the very shooters simulated; in `general` it is the plan's.
    """
    rng = np.random.default_rng(seed)
    question = Question(margin=margin, covariates=())
    counts = dict.fromkeys(("differs", "same", "covered", "old_differs", "old_same", "old_covered"), 0)
    names = [f"C{c}" for c in range(plan.conditions)]
    planned = {(a, b): (j % 2 - i % 2) * plan.apart for (i, a), (j, b) in combinations(enumerate(names), 2)}
    equal = {pair for pair, apart in planned.items() if apart == 0}
    unequal = set(planned) - equal
    for _ in range(tests):
        readings, true = simulate(plan, rng)
        means = true.mean(axis=1)
        real = {(a, b): means[j] - means[i] for (i, a), (j, b) in combinations(enumerate(names), 2)}
        comparison = getattr(compare(table_of(readings), question, outlook=False), scope)
        counts["differs"] += any_verdict(comparison, Verdict.DIFFERS, equal)
        counts["same"] += any_verdict(comparison, Verdict.SAME, unequal)
        counts["covered"] += all_hold(comparison, real if scope == "these" else planned)
        if plan.lost:  # then cells may be too empty for the old practice
            continue
        old = old_practice(readings)
        clash = {(a, b): old.rounded[i] != old.rounded[j] for (i, a), (j, b) in combinations(enumerate(names), 2)}
        counts["old_differs"] += any(clash[pair] for pair in equal)
        counts["old_same"] += any(not clash[pair] for pair in unequal)
        first = real["C0", "C1"] if scope == "these" else planned["C0", "C1"]
        counts["old_covered"] += abs(old.difference - first) <= old.naive_half_width
    return {name: count / tests for name, count in counts.items()}


def printed(share: float, tests: int) -> str:
    return f"{100 * share:5.1f} ± {200 * np.sqrt(share * (1 - share) / tests):3.1f}"


def run(tests: int) -> None:
    plans = [Plan(shooters=s, shots=n) for s in (2, 3, 4) for n in (3, 5, 7)]
    plans += [Plan(shooters=1, shots=5), Plan(shooters=3, shots=5, lost=0.15), Plan(shooters=4, shots=6, lost=0.3)]
    plans += [Plan(shooters=2, shots=5, shot_sds=(4, 10, 25)), Plan(shooters=3, shots=7, shot_sds=(4, 10, 25))]
    for scope in ("these", "general"):
        spread = INTERACTION_SD_MM if scope == "general" else 0.0
        print(f"\nscope {scope}: % of {tests} tests; old practice in brackets")
        for number, plan in enumerate(plans):
            if scope == "general" and plan.shooters == 1:
                continue
            varied = Plan(
                shooters=plan.shooters,
                shots=plan.shots,
                lost=plan.lost,
                shot_sds=plan.shot_sds,
                interaction_sd=spread,
            )
            found = rates(varied, scope, tests, seed=1000 + number)
            old = ("-", "-") if plan.lost else (f"{100 * found[key]:.0f}" for key in ("old_differs", "old_covered"))
            old_differs, old_covered = old
            print(
                f"{varied.words:55s} differs {printed(found['differs'], tests)} ({old_differs})"
                f"   covered {printed(found['covered'], tests)} ({old_covered})",
                flush=True,
            )
        for number, plan in enumerate(plans[:9]):
            # Wide enough that the equivalence test can say `same` at all with so few degrees of freedom.
            margin = 40.0 if scope == "these" else 400.0 if plan.shooters == 2 else 120.0
            edge = Plan(conditions=2, shooters=plan.shooters, shots=plan.shots, interaction_sd=spread, apart=margin)
            found = rates(edge, scope, tests, seed=2000 + number, margin=margin)
            print(f"{edge.words:55s} same at the margin {printed(found['same'], tests)}", flush=True)


if __name__ == "__main__":
    run(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
