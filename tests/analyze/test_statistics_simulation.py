"""Small versions of the simulations in tests/benchmarks/statistics_simulation.py: rates of wrong answers."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analyze.statistics import Question, compare

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from statistics_simulation import Plan, rates

TESTS = 300


def limits(share):
    """99.9 % of binomial(TESTS, share)."""
    return stats.binom.ppf([0.0005, 0.9995], TESTS, share) / TESTS


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scope", "plan"),
    [
        ("these", Plan(shooters=2, shots=3)),
        ("these", Plan(shooters=1, shots=5, shot_sds=(4, 10, 25))),
        ("general", Plan(shooters=3, shots=5, interaction_sd=5.0)),
        ("general", Plan(shooters=3, shots=5, interaction_sd=5.0, lost=0.15)),
    ],
)
def test_equal_conditions_are_called_different_in_one_of_twenty(scope, plan):
    found = rates(plan, scope, TESTS, seed=1)
    low, high = limits(0.05)
    # In general rarer than that: no interval is narrower than the one for these shooters.
    assert (low if scope == "these" else 0.0) <= found["differs"] <= high
    assert found["covered"] >= limits(0.95)[0]
    if not plan.lost:
        # The old practice calls nine of ten such tests different.
        assert found["old_differs"] > 0.8


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scope", "shooters", "interaction_sd", "margin"), [("these", 2, 0.0, 40.0), ("general", 3, 5.0, 120.0)]
)
def test_conditions_at_the_margin_are_called_the_same_in_one_of_twenty(scope, shooters, interaction_sd, margin):
    plan = Plan(conditions=2, shooters=shooters, shots=5, interaction_sd=interaction_sd, apart=margin)
    low, high = limits(0.05)
    assert low <= rates(plan, scope, TESTS, seed=2, margin=margin)["same"] <= high


@pytest.mark.slow
def test_intervals_across_sessions_hold_the_truth():
    """Two sessions for each of two conditions, each session off by its own 5 mm: two degrees of freedom in all."""
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(TESTS):
        rows = [
            (f"x{k}", condition, offset + e)
            for k, condition in enumerate("AABB")
            for offset in [rng.normal(0, 5)]
            for e in rng.normal(0, 10, 4)
        ]
        shots = pd.DataFrame(rows, columns=["session", "condition", "reading_mm"]).assign(shooter="S1")
        row = compare(shots, Question(covariates=())).these.rows[0]
        held += row.lo <= 0 <= row.hi
    low, high = limits(0.95)
    assert low <= held / TESTS <= high
