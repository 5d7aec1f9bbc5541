"""Power by formula against published tables and general libraries; power by simulation against power by formula."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import FTestAnovaPower, TTestIndPower, TTestPower

from analyze.plan.power import (
    Aim,
    Goal,
    Size,
    Spreads,
    anova_power,
    equivalence_power,
    omnibus_power,
    pair_power,
    power,
    shooters_needed,
    shots_needed,
    standard_error,
)
from analyze.statistics.pairwise import half_width_factor
from analyze.statistics.question import Scope

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from planning import CASES, POINTS, check

ONE = Spreads(shot_sd_mm=1.0, interaction_sd_mm=0.0, source="unit")


def two_groups(d, **kwargs):
    """One shooter, two conditions, unit scatter: a two-sample t test with `shots` a group."""
    return (Size(conditions=2, shooters=1, shots=2), ONE, Aim(difference_mm=d, **kwargs))


@pytest.mark.parametrize(
    ("confidence", "wanted", "d", "exact", "printed"),
    [
        # Cohen 1992, Psychol. Bull. 112, 155, table 2, shots a group as printed; his come from tables and may
        # lie one beside the exact noncentral t. Those at .01 as printed are from memory.
        (0.95, 0.80, 0.2, 394, 393),
        (0.95, 0.80, 0.5, 64, 64),
        (0.95, 0.80, 0.8, 26, 26),
        (0.99, 0.80, 0.2, 586, 586),
        (0.99, 0.80, 0.5, 96, 95),
        (0.99, 0.80, 0.8, 39, 38),
        # Power .90: Cohen 1988 table 2.4.1, printed 526, 85, 34.
        (0.95, 0.90, 0.5, 86, 85),
        (0.95, 0.90, 0.8, 34, 34),
    ],
)
def test_shots_needed_agree_with_published_tables(confidence, wanted, d, exact, printed):
    size, spreads, aim = two_groups(d, confidence=confidence)

    def reached(shots):
        return power(replace(size, shots=shots), spreads, aim, scope=Scope.THESE, goal=Goal.DIFFERS) >= wanted

    assert reached(exact)
    assert not reached(exact - 1)
    assert abs(exact - printed) <= 1
    if exact <= 500:
        assert exact == shots_needed(size, spreads, aim, scope=Scope.THESE, goal=Goal.DIFFERS, wanted=wanted)


@pytest.mark.parametrize(("d", "shots"), [(0.2, 30), (0.5, 64), (1.0, 5), (3.0, 4)])
def test_pair_power_is_that_of_statsmodels(d, shots):
    df = 2 * shots - 2
    found = pair_power(d * np.sqrt(shots / 2), df, stats.t.ppf(0.975, df))
    assert found == pytest.approx(TTestIndPower().power(d, shots, 0.05), abs=2e-6)


def test_one_sample_power_is_the_published_one():
    """statsmodels' own tests, from R's pwr: one-sample t, n 30, d 1: 0.9995636; n 20, d 0.2: 0.1359563."""
    for n, d, published in ((30, 1.0, 0.9995636009612725), (20, 0.2, 0.1359562887679666)):
        found = pair_power(d * np.sqrt(n), n - 1, stats.t.ppf(0.975, n - 1))
        assert found == pytest.approx(published, abs=2e-6)


@pytest.mark.parametrize("df", [1, 2, 3, 5, 17, 400])
@pytest.mark.parametrize("shift", [0.0, 0.7, 2.5, 6.0])
def test_pair_power_is_the_tail_of_scipys_noncentral_t(df, shift):
    critical = stats.t.ppf(0.975, df)
    tails = stats.nct.sf(critical, df, shift) + stats.nct.cdf(-critical, df, shift)
    assert pair_power(shift, df, critical) == pytest.approx(tails, abs=2e-6)


def test_equal_conditions_differ_at_the_stated_rate_of_tukey():
    """Three conditions: of no single pair more often than 5 %, and less than an unadjusted test says."""
    # q(0.95; 3, 24) = 3.532: tables of the studentized range (Montgomery 2013, appendix; from memory).
    critical = half_width_factor(0.95, 3, np.array([24.0]))[0]
    assert critical * np.sqrt(2) == pytest.approx(3.532, abs=0.0005)
    assert pair_power(1e-9, 24, critical) == pytest.approx(2 * stats.t.sf(3.532 / np.sqrt(2), 24), abs=2e-5)


def test_equivalence_takes_seventy_shots_a_group():
    """Two one-sided tests, margin 0.5 sd, no difference, 5 %, power 0.80: exact by Owen's Q 70, and 69 fall short.

    0.80593 and 0.79851 by numerical integration; the normal approximation of the textbooks gives
    2 (z.95 + z.90)**2 / 0.5**2 = 68.5.
    """
    size, spreads, aim = two_groups(0.5, margin_mm=0.5)
    for shots, exact in ((70, 0.80593), (69, 0.79851)):
        found = power(replace(size, shots=shots), spreads, aim, scope=Scope.THESE, goal=Goal.SAME)
        # A variance for each condition costs a few of the 138 degrees of freedom: 7e-5 of the power.
        assert found == pytest.approx(exact, abs=1e-4)
    assert shots_needed(size, spreads, aim, scope=Scope.THESE, goal=Goal.SAME, wanted=0.80) == 70
    assert 2 * (stats.norm.ppf(0.95) + stats.norm.ppf(0.90)) ** 2 / 0.25 == pytest.approx(68.5, abs=0.05)


def test_equivalence_at_the_margin_is_claimed_in_one_of_twenty():
    df = 200
    found = equivalence_power(10.0, 10.0, df, stats.t.ppf(0.95, df))
    assert found == pytest.approx(0.05, abs=1e-5)


@pytest.mark.parametrize(
    ("k", "f", "exact", "printed"),
    [
        # Cohen 1992, table 2 (one-way analysis of variance, power .80, 5 %; as printed from memory), n a group.
        (3, 0.10, 323, 322), (3, 0.25, 53, 52), (3, 0.40, 22, 21),
        (4, 0.10, 274, 274), (4, 0.25, 45, 45), (4, 0.40, 19, 18),
        (5, 0.10, 240, 240), (5, 0.25, 40, 39), (5, 0.40, 16, 16),
    ],
)  # fmt: skip
def test_power_of_the_f_test_agrees_with_published_tables(k, f, exact, printed):
    found = {n: anova_power(k * n * f**2, k - 1, k * (n - 1)) for n in (exact - 1, exact)}
    assert found[exact] >= 0.80 > found[exact - 1]
    assert abs(exact - printed) <= 1
    assert found[exact] == pytest.approx(FTestAnovaPower().power(f, k * exact, 0.05, k_groups=k), abs=1e-8)


def test_one_condition_off_the_others_is_the_f_test_of_its_spread():
    """Four conditions, one 1 sd off: population sd of the means sqrt(3)/4 = Cohen's f."""
    exact = FTestAnovaPower().power(np.sqrt(3) / 4, 36, 0.05, k_groups=4)
    assert anova_power(3 / 16 * 36, 3, 32) == pytest.approx(exact, abs=1e-8)
    # A variance for each condition costs degrees of freedom, and with them power.
    found = omnibus_power(Size(conditions=4, shooters=1, shots=9), ONE, Aim(difference_mm=1.0), Scope.THESE)
    assert exact - 0.1 < found < exact


def test_for_shooters_in_general_only_shooters_help():
    spreads = Spreads(shot_sd_mm=10.0, interaction_sd_mm=5.0, source="assumed here")
    size, aim = Size(conditions=2, shooters=3, shots=5), Aim(difference_mm=6.0)
    general = {"scope": Scope.GENERAL, "goal": Goal.DIFFERS}
    assert shots_needed(size, spreads, aim, wanted=0.8, **general) is None
    shooters = shooters_needed(size, spreads, aim, wanted=0.8, **general)
    # A paired t test of the shooters' differences, whose variance is 2 (5**2 + 10**2 / 5): statsmodels.
    d = 6.0 / np.sqrt(2 * (25 + 100 / 5))
    assert TTestPower().power(d, shooters, 0.05) >= 0.8 > TTestPower().power(d, shooters - 1, 0.05)


def test_a_margin_takes_a_little_from_the_power_of_differs():
    size = Size(conditions=2, shooters=1, shots=100)
    plain = power(size, ONE, Aim(difference_mm=0.5), scope=Scope.THESE, goal=Goal.DIFFERS)
    with_margin = power(size, ONE, Aim(difference_mm=0.5, margin_mm=0.5), scope=Scope.THESE, goal=Goal.DIFFERS)
    assert 0 < plain - with_margin < 0.05


@pytest.mark.parametrize(
    ("size", "scope", "goal", "margin"),
    [
        (Size(conditions=2, shooters=3, shots=1), Scope.THESE, Goal.DIFFERS, None),
        (Size(conditions=2, shooters=1, shots=9), Scope.GENERAL, Goal.DIFFERS, None),
        (Size(conditions=2, shooters=3, shots=9), Scope.THESE, Goal.SAME, None),
    ],
)
def test_what_no_test_can_show_has_no_power(size, scope, goal, margin):
    assert power(size, ONE, Aim(difference_mm=1.0, margin_mm=margin), scope=scope, goal=goal) is None


def test_the_standard_error_shrinks_with_shots_for_these_but_not_below_the_shooters_for_all():
    spreads = Spreads(shot_sd_mm=10.0, interaction_sd_mm=6.0, source="assumed here")
    many = Size(conditions=3, shooters=4, shots=1_000_000)
    assert standard_error(many, spreads, Scope.THESE)[0] < 0.01
    assert standard_error(many, spreads, Scope.GENERAL)[0] == pytest.approx(6 * np.sqrt(2 / 4), rel=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("number", [0, 3, 4, 6, 8, 10])
def test_planned_power_is_reached(number):
    """A small version of tests/benchmarks/planning.py: within 3 points and what 500 tests leave open."""
    tests = 500
    size, by_formula, simulated = check(CASES[number], tests, seed=number)
    assert by_formula >= 0.80, size
    assert abs(simulated.share - by_formula) <= POINTS + 1.96 * np.sqrt(0.2 * 0.8 / tests)
