"""Shuffled labels: against Fisher's worked example, scipy's permutation test, and counting by hand."""

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analyze.statistics import KeepRule, Question, Scope, apply_keep_rule, check_by_permutation, compare
from analyze.statistics.permutation import APART, CHOSEN, DRAWS, MANY, ONE_SHOOTER

# Heights of crossed minus self-fertilised plants, pair by pair, in eighths of an inch: Darwin 1876, as analysed by
# Fisher, The Design of Experiments, 1935, sections 17 and 21.
DARWIN = (49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48)


def table(cells):
    """Rows from {(condition, shooter): readings}."""
    rows = [(c, s, value) for (c, s), values in cells.items() for value in values]
    return pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])


def welch(a, b):
    return abs(stats.ttest_ind(a, b, equal_var=False).statistic)


def test_fishers_own_example():
    """863 of the 32,768 arrangements have a sum as great or greater; both tails have twice as many."""
    cells = {(name, f"S{k}"): [100.0 + (name == "B") * d] for k, d in enumerate(DARWIN) for name in "AB"}
    these, general = check_by_permutation(table(cells))
    assert these.arrangements == 32768
    assert these.exact
    assert these.p == pytest.approx(2 * 863 / 32768, rel=1e-12)
    # One shot of each by each shooter: shuffling within a shooter is swapping all that is his.
    assert (general.p, general.arrangements) == (these.p, these.arrangements)


def test_one_shooter_as_in_scipy():
    rng = np.random.default_rng(3)
    a, b = rng.normal(50, 4, 6), rng.normal(57, 9, 4)
    expected = stats.permutation_test((a, b), welch, alternative="greater", n_resamples=np.inf)
    check = check_by_permutation(table({("A", "S1"): a, ("B", "S1"): b}))[0]
    assert check.arrangements == len(expected.null_distribution) == 210
    assert check.p == pytest.approx(expected.pvalue, rel=1e-12)


def test_two_shooters_by_counting():
    """Every arrangement of both shooters, by formulas written out anew."""
    cells = {
        ("A", "S1"): [10.0, 12.5, 11.0],
        ("B", "S1"): [13.0, 15.5],
        ("A", "S2"): [40.0, 44.0],
        ("B", "S2"): [41.0, 47.0, 49.5],
    }
    sizes = []
    for first, second in product(combinations(range(5), 3), combinations(range(5), 2)):
        difference = error = 0.0
        for shooter, chosen in (("S1", first), ("S2", second)):
            every = np.array(cells["A", shooter] + cells["B", shooter])
            a, b = every[list(chosen)], np.delete(every, chosen)
            difference += b.mean() - a.mean()
            error += a.var(ddof=1) / len(a) + b.var(ddof=1) / len(b)
        sizes.append(abs(difference) / np.sqrt(error))
    check = check_by_permutation(table(cells))[0]
    assert check.arrangements == 100
    assert check.p == pytest.approx(np.mean(np.array(sizes) >= sizes[0] * (1 - 1e-9)), rel=1e-12)
    assert check.least == pytest.approx(np.mean(np.isclose(sizes, max(sizes))), rel=1e-12)


def test_drawn_arrangements_agree_with_all_of_them():
    rng = np.random.default_rng(5)
    cells = {(c, s): rng.normal(50 + 4 * (c == "B"), 6, 6) for c in "AB" for s in ("S1", "S2")}
    parts = []
    for shooter in ("S1", "S2"):
        every = np.concatenate([cells["A", shooter], cells["B", shooter]])
        taken = np.array(list(combinations(range(12), 6)))
        left = np.array([np.delete(np.arange(12), one) for one in taken])
        a, b = every[taken], every[left]
        parts.append((b.mean(axis=1) - a.mean(axis=1), (a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)) / 6))
    (d1, e1), (d2, e2) = parts
    size = (np.abs(np.add.outer(d1, d2)) / np.sqrt(np.add.outer(e1, e2))).ravel()
    exact = np.mean(size >= size[0] * (1 - 1e-9))
    check = check_by_permutation(table(cells))[0]
    assert (check.exact, check.arrangements, check.least) == (False, DRAWS + 1, 1 / (DRAWS + 1))
    assert check.p == pytest.approx(exact, rel=0, abs=4 * np.sqrt(exact * (1 - exact) / DRAWS))


def test_shooters_swapped_as_a_whole_by_counting():
    """Own differences 4, 6 and 11 mm: of the eight ways of signs only all alike reach their sum."""
    cells = {
        (c, f"S{k}"): [10.0 * k + d * (c == "B") + x for x in (-1.0, 1.0)]
        for k, d in enumerate((4, 6, 11))
        for c in "AB"
    }
    general = check_by_permutation(table(cells))[1]
    assert (general.scope, general.arrangements, general.p, general.least) == (Scope.GENERAL, 8, 0.25, 0.25)


def test_several_pairs_after_holm():
    """Expected: Holm's steps on the p values of the pairs alone."""
    rng = np.random.default_rng(8)
    cells = {
        (c, s): rng.normal(50 + shift, 3, 4) for c, shift in (("A", 0), ("B", 4), ("C", 9)) for s in ("S1", "S2")
    }
    these = [check for check in check_by_permutation(table(cells)) if check.scope is Scope.THESE]
    alone = sorted(check.p for check in these)
    steps = np.maximum.accumulate([min(1.0, (3 - k) * p) for k, p in enumerate(alone)])
    assert sorted(check.p_adjusted for check in these) == pytest.approx(list(steps))
    assert {(check.a, check.b) for check in these} == {("A", "B"), ("A", "C"), ("B", "C")}


def test_order_of_rows_and_a_common_shift_change_nothing():
    rng = np.random.default_rng(9)
    shots = table({(c, s): rng.normal(50, 5, 4) for c in "AB" for s in ("S1", "S2")})
    shuffled = shots.sample(frac=1, random_state=1).assign(reading_mm=lambda t: t["reading_mm"] + 1000.0)
    first, other = (
        check_by_permutation(shots, pairs=[("A", "B")]),
        check_by_permutation(shuffled, pairs=[("A", "B")]),
    )
    assert [check.p for check in first] == pytest.approx([check.p for check in other])


def test_without_an_answer_the_reason_is_given():
    alone = table({("A", "S1"): [1.0, 2.0, 4.0], ("B", "S1"): [3.0, 4.0, 6.0]})
    assert check_by_permutation(alone)[1].note == ONE_SHOOTER
    apart = alone.assign(session=np.repeat(["day 1", "day 2"], 3))
    assert [check.note for check in check_by_permutation(apart)] == [APART, APART]
    five = table({(c, "S1"): np.arange(5.0) ** 2 for c in "AB"})
    chosen = check_by_permutation(apply_keep_rule(five, KeepRule.CLOSEST))
    assert {(check.p, check.note) for check in chosen} == {(None, CHOSEN)}
    many = table({(c, "S1"): np.linspace(0, 50, 3000) for c in "AB"})
    assert check_by_permutation(many)[0].note == MANY


def test_equal_values_throughout_show_nothing():
    same = table({(c, "S1"): [50.0, 50.0, 50.0] for c in "AB"})
    assert check_by_permutation(same)[0].p == 1.0
    coarse = table({("A", "S1"): [50.0] * 3, ("B", "S1"): [51.0] * 3})
    assert check_by_permutation(coarse)[0].p == pytest.approx(0.1)


def test_beside_the_interval_test_it_says_much_the_same():
    """Ten shots each by three shooters, normal: both p values of the same question."""
    rng = np.random.default_rng(11)
    shots = table({(c, s): rng.normal(50 + 2.5 * (c == "B"), 5, 10) for c in "AB" for s in ("S1", "S2", "S3")})
    row = compare(shots, Question(covariates=())).these.pair("A", "B")
    assert check_by_permutation(shots)[0].p == pytest.approx(row.p_adjusted, rel=0, abs=0.01)
