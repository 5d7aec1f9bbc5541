"""Power by simulation: planned tests are made up shot by shot and given to the statistics of the report."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyze.plan.power import Aim, Goal, Size, Spreads
from analyze.statistics import Question, compare
from analyze.statistics.question import Scope


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedPower:
    """Share of simulated tests that ended as wanted.

    Attributes
    ----------
    share : float
        The share.
    tests : int
        Tests simulated.
    """

    share: float
    tests: int

    @property
    def uncertainty(self) -> float:
        """Half of a 95 % interval of the share, from the number of tests (binomial, normal approximation)."""
        return float(1.96 * np.sqrt(max(self.share * (1 - self.share), 1e-9) / self.tests))


def simulate_power(
    size: Size, spreads: Spreads, aim: Aim, *, scope: Scope, goal: Goal, tests: int, rng: np.random.Generator
) -> SimulatedPower:
    """Simulate tests as planned and count those whose first pair of conditions ends as `goal` says.

    Parameters
    ----------
    size, spreads, aim
        As for `analyze.plan.power.power`.
    scope : Scope
        For these shooters the difference of their mean is the planned one, however they differ among themselves;
        for shooters in general they are drawn anew for each test.
    goal : Goal
        `differs`: the second condition lies `aim.difference_mm` off the others; `same`: none does.
    tests : int
        How many.
    rng : Generator
        Where chance comes from.
    """
    question = Question(margin=aim.margin_mm, confidence=aim.confidence, covariates=())
    off = np.zeros(size.conditions)
    off[1] = aim.difference_mm if goal is Goal.DIFFERS else 0.0
    condition, shooter, _ = np.indices((size.conditions, size.shooters, size.shots))
    names = pd.DataFrame(
        {
            "condition": [f"C{number}" for number in condition.ravel()],
            "shooter": [f"S{number}" for number in shooter.ravel()],
        }
    )
    ended = 0
    for _ in range(tests):
        effect = spreads.interaction_sd_mm * rng.standard_normal((size.conditions, size.shooters))
        if scope is Scope.THESE:
            effect -= effect.mean(axis=1, keepdims=True)
        level = spreads.shot_sd_mm * rng.standard_normal(size.shooters)
        true = off[:, None] + level + effect
        shots = true[:, :, None] + spreads.shot_sd_mm * rng.standard_normal(condition.shape)
        found = compare(names.assign(reading_mm=shots.ravel()), question, outlook=False)
        row = (found.these if scope is Scope.THESE else found.general).pair("C0", "C1")
        ended += row is not None and str(row.verdict) == str(goal)
    return SimulatedPower(share=ended / tests, tests=tests)
