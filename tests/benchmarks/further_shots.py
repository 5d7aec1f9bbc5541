"""Whether "N more shots of each would settle it" holds in four cases of five if what was seen is true.

Simulated tests that end undecided are shot on, as many shots of each condition as the sentence says, the
observed difference being the true one: chance in the shots made (and, for shooters in general, in the shooters
met) is moved, by its share, so that the first shots show the truth. The share settled then is held against
0.80; going on with the truth at zero, or at the margin, against the chances that the sentence gives.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyze.statistics import PairRow, Question, Scope, Verdict, compare

TESTS = 200  # undecided ones with a number of shots, of each case


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A test, lengths in mm; `difference` lies between the first two conditions."""

    scope: Scope
    conditions: int
    shooters: int
    shots: int
    shot_sd: float
    interaction_sd: float
    difference: float
    margin: float | None


def _case(
    scope: Scope, size: tuple[int, int, int], interaction_sd: float, difference: float, margin: float | None
) -> Case:
    conditions, shooters, shots = size
    return Case(
        scope=scope,
        conditions=conditions,
        shooters=shooters,
        shots=shots,
        shot_sd=8.0,
        interaction_sd=interaction_sd,
        difference=difference,
        margin=margin,
    )


CASES = (
    _case(Scope.THESE, (2, 1, 5), 0.0, 7.0, None),
    _case(Scope.THESE, (2, 3, 3), 2.0, 5.0, 6.0),
    _case(Scope.THESE, (4, 2, 7), 2.0, 7.0, 6.0),
    _case(Scope.GENERAL, (2, 4, 4), 1.0, 7.0, None),
    _case(Scope.GENERAL, (3, 5, 5), 2.0, 7.0, 8.0),
    _case(Scope.GENERAL, (2, 8, 5), 3.0, 5.0, 6.0),
)


def table(values: np.ndarray, extra: np.ndarray | None = None) -> pd.DataFrame:
    """Return (conditions, shooters, shots) values as a table, with further shots of the first conditions."""
    rows = [
        (f"C{c}", f"S{s}", value)
        for block in (values, extra)
        if block is not None
        for c, by_shooter in enumerate(block)
        for s, shots in enumerate(by_shooter)
        for value in shots
    ]
    return pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])


def judged(values: np.ndarray, case: Case, extra: np.ndarray | None = None) -> PairRow:
    """Return the first pair of a test."""
    comparisons = compare(table(values, extra), Question(margin=case.margin), outlook=extra is None)
    scope = comparisons.these if case.scope is Scope.THESE else comparisons.general
    row = scope.pair("C0", "C1")
    if row is None:
        raise ValueError("the first two conditions were not compared")
    return row


def shots_share(case: Case) -> float:
    """Return how much of what is seen beside the truth is chance in the shots; the rest is in the shooters met."""
    shots = case.shot_sd**2 / case.shots
    return shots / (shots + (case.interaction_sd**2 if case.scope is Scope.GENERAL else 0.0))


def first_shots(rng: np.random.Generator, case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Draw a test that shows the true difference of its first pair exactly; also the true means of its cells."""
    own = rng.normal(0, case.interaction_sd, (case.conditions, case.shooters))
    chance = rng.normal(0, case.shot_sd, (case.conditions, case.shooters, case.shots))
    if case.scope is Scope.THESE:
        own -= own.mean(axis=1, keepdims=True)
    share = shots_share(case)
    for c in range(2):
        off = own[c].mean() + chance[c].mean()
        chance[c] -= share * off
        own[c] -= (1 - share) * off
    means = own.copy()
    means[1] += case.difference
    return means[:, :, None] + chance, means


def shot_on(
    rng: np.random.Generator, case: Case, values: np.ndarray, means: np.ndarray, row: PairRow, difference: float
) -> Verdict:
    """Shoot as many more of the first pair as `row` says, the true difference being `difference`."""
    more = row.more_shots or 0
    moved = means[:2].copy()
    # If the truth is otherwise, these shooters are so far off it as their share says, and go on being so.
    moved[1] += shots_share(case) * (difference - case.difference)
    counts = [more // case.shooters + (s < more % case.shooters) for s in range(case.shooters)]
    extra = np.empty((2, case.shooters), dtype=object)
    for c in range(2):
        for s in range(case.shooters):
            extra[c, s] = rng.normal(moved[c, s], case.shot_sd, counts[s])
    return judged(values, case, extra).verdict


def run_case(rng: np.random.Generator, case: Case, tests: int) -> dict[str, tuple[float, float]]:
    """Return by assumption the share that was settled and the chance that was promised."""
    settled: dict[str, list[bool]] = {"seen": [], "zero": [], "margin": []}
    promised: dict[str, list[float]] = {"seen": [], "zero": [], "margin": []}
    tried = 0
    while len(settled["seen"]) < tests and tried < 30 * tests:
        tried += 1
        values, means = first_shots(rng, case)
        row = judged(values, case)
        if row.verdict is not Verdict.UNDECIDED or row.more_shots is None:
            continue
        for name, difference, chance in (
            ("seen", case.difference, 0.80),
            ("zero", 0.0, row.chance_if_zero),
            ("margin", case.margin, row.chance_if_margin),
        ):
            if difference is not None and chance is not None:
                verdict = shot_on(rng, case, values, means, row, difference)
                settled[name].append(verdict is not Verdict.UNDECIDED)
                promised[name].append(chance)
    return {
        name: (float(np.mean(settled[name])), float(np.mean(promised[name]))) for name in settled if settled[name]
    }


def report() -> None:
    """Print what was promised and what came."""
    rng = np.random.default_rng(20240611)
    print(f"Further shots as advised: share settled (and promised), {TESTS} undecided tests each")
    for case in CASES:
        found = run_case(rng, case, TESTS)
        words = ", ".join(f"{name} {share:.3f} ({chance:.3f})" for name, (share, chance) in found.items())
        print(
            f"{case.scope:8} {case.conditions} conditions x {case.shooters} shooters x {case.shots} shots, margin "
            f"{case.margin}: {words}",
            flush=True,
        )


if __name__ == "__main__":
    report()
