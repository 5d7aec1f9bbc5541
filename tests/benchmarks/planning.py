"""Is planned power reached? Power by formula beside power by simulation through the report's own statistics.

Run from the top folder: ``python tests/benchmarks/planning.py [tests per figure]`` (default 2000, about 4 minutes).
Each line is one plan with the fewest shots (or shooters) that the formula gives for a power of 0.80; the two
figures must lie within 3 points. Shots scatter by 10 mm; with `shooters apart`, a condition's effect scatters from
shooter to shooter by the sd given.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np

from analyze.plan.power import Aim, Goal, Size, Spreads, power, shooters_needed, shots_needed
from analyze.plan.simulated_power import SimulatedPower, simulate_power
from analyze.statistics.question import Scope

WANTED = 0.80
POINTS = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A question with a plan for it; lengths in mm."""

    conditions: int
    shooters: int
    difference: float
    scope: Scope
    goal: Goal
    margin: float | None = None
    interaction_sd: float = 0.0
    shots: int | None = None  # given where shooters are sought

    @property
    def aim(self) -> Aim:
        return Aim(difference_mm=self.difference, margin_mm=self.margin)

    @property
    def spreads(self) -> Spreads:
        return Spreads(shot_sd_mm=10.0, interaction_sd_mm=self.interaction_sd, source="assumed here")

    def size(self) -> Size:
        """The smallest test that the formula finds enough."""
        size = Size(conditions=self.conditions, shooters=self.shooters, shots=self.shots or 2)
        if self.shots is None:
            shots = shots_needed(size, self.spreads, self.aim, scope=self.scope, goal=self.goal, wanted=WANTED)
            return replace(size, shots=shots)
        shooters = shooters_needed(size, self.spreads, self.aim, scope=self.scope, goal=self.goal, wanted=WANTED)
        return replace(size, shooters=shooters)


THESE, GENERAL = Scope.THESE, Scope.GENERAL
DIFFERS, SAME = Goal.DIFFERS, Goal.SAME
CASES = (
    Case(conditions=2, shooters=1, difference=10, scope=THESE, goal=DIFFERS),
    Case(conditions=2, shooters=1, difference=5, scope=THESE, goal=DIFFERS),
    Case(conditions=2, shooters=3, difference=10, scope=THESE, goal=DIFFERS, interaction_sd=5),
    Case(conditions=2, shooters=2, difference=10, scope=THESE, goal=DIFFERS, margin=10),
    Case(conditions=4, shooters=2, difference=10, scope=THESE, goal=DIFFERS),
    Case(conditions=2, shooters=1, difference=10, scope=THESE, goal=SAME, margin=10),
    Case(conditions=3, shooters=3, difference=10, scope=THESE, goal=SAME, margin=10, interaction_sd=5),
    Case(conditions=2, shooters=6, difference=10, scope=GENERAL, goal=DIFFERS, interaction_sd=4),
    Case(conditions=3, shooters=3, difference=20, scope=GENERAL, goal=DIFFERS, interaction_sd=4),
    Case(conditions=2, shooters=2, difference=10, scope=GENERAL, goal=DIFFERS, interaction_sd=5, shots=7),
    Case(conditions=3, shooters=2, difference=10, scope=GENERAL, goal=SAME, margin=10, interaction_sd=5, shots=7),
)


def check(case: Case, tests: int, seed: int) -> tuple[Size, float, SimulatedPower]:
    """Size found, power by formula, power by simulation."""
    size = case.size()
    by_formula = power(size, case.spreads, case.aim, scope=case.scope, goal=case.goal)
    rng = np.random.default_rng(seed)
    simulated = simulate_power(size, case.spreads, case.aim, scope=case.scope, goal=case.goal, tests=tests, rng=rng)
    return size, by_formula, simulated


def main() -> None:
    tests = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    worst = 0.0
    for number, case in enumerate(CASES):
        size, by_formula, simulated = check(case, tests, seed=500 + number)
        worst = max(worst, abs(simulated.share - by_formula))
        margin = "" if case.margin is None else f" margin {case.margin:g}"
        apart = f", shooters apart {case.interaction_sd:g}" if case.interaction_sd else ""
        print(
            f"{size.conditions} conditions x {size.shooters:2d} shooters x {size.shots:3d} shots, "
            f"difference {case.difference:g}{margin}{apart}: {case.goal} for {case.scope}".ljust(105)
            + f"formula {100 * by_formula:5.1f}   simulated {100 * simulated.share:5.1f} "
            f"± {100 * simulated.uncertainty:.1f}",
            flush=True,
        )
    print(f"largest distance {100 * worst:.1f} points; {100 * POINTS:.0f} are allowed")


if __name__ == "__main__":
    main()
