"""Ratios after Fieller: against the t test that its ends are made of, by coverage, and where they have no end."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analyze.statistics import Question, Scope, compare_ratios
from analyze.statistics.ratios import fieller


def table(shooters=1, **named):
    rows = [
        (name, f"S{s}", value + 3 * s)
        for s in range(shooters)
        for name, values in named.items()
        for value in values
    ]
    return pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])


def test_at_the_ends_the_t_test_just_turns():
    """Independent reference: scipy's Welch test of B against r times A; its df is that at r, ours at the ratio."""
    a, b = np.array([61.0, 63.5, 60.2, 64.4, 62.1]), np.array([85.2, 88.1, 84.0, 90.3, 86.6, 87.0])
    (row,) = compare_ratios(table(A=a, B=b))
    assert row.ratio == pytest.approx(b.mean() / a.mean())
    for end in (row.lo, row.hi):
        assert stats.ttest_ind(b, end * a, equal_var=False).pvalue == pytest.approx(0.05, abs=0.002)
    assert row.words.startswith("B is 1.40 times A (1.3")


def test_ends_solve_the_equation_with_covariance():
    mean, cov = np.array([10.0, 14.0]), np.array([[1.0, 0.6], [0.6, 1.5]])
    lo, hi, unbounded = fieller(mean, cov, 2.2)
    assert not unbounded
    for r in (lo, hi):
        se = np.sqrt(cov[1, 1] - 2 * r * cov[0, 1] + r**2 * cov[0, 0])
        assert abs(mean[1] - r * mean[0]) / se == pytest.approx(2.2)


def test_a_denominator_that_may_be_zero_leaves_no_closed_interval():
    (row,) = compare_ratios(table(A=[-3.0, 4.0, 1.0, -1.0, 2.0], B=[60.0, 61.0, 62.0]))
    assert row.unbounded
    assert row.lo < 0 < row.hi
    assert "no closed interval, since A may be zero: the ratio lies below" in row.words
    (nothing,) = compare_ratios(table(A=[-3.0, 4.0, 1.0, -1.0, 2.0], B=[-2.0, 3.0, 1.0]))
    assert nothing.lo is None
    assert "say nothing of the ratio" in nothing.words


def test_intervals_hold_the_true_ratio():
    rng = np.random.default_rng(20240611)
    held = {scope: 0 for scope in Scope}
    for _ in range(60):
        own, both = rng.normal(0, 3, 4), rng.normal(0, 4, (2, 4))
        rows = [
            (name, f"S{s}", mean + own[s] + both[k, s] + e)
            for k, (name, mean) in enumerate((("A", 50.0), ("B", 70.0)))
            for s in range(4)
            for e in rng.normal(0, 6, 5)
        ]
        shots = pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])
        for row in compare_ratios(shots, Question(covariates=())):
            means = np.array([50.0, 70.0]) + (own.mean() + both.mean(axis=1) if row.scope is Scope.THESE else 0.0)
            held[row.scope] += row.lo <= means[1] / means[0] <= row.hi
    low = stats.binom.ppf(0.0005, 60, 0.95)
    assert held[Scope.THESE] >= low
    assert held[Scope.GENERAL] >= low


def test_shots_that_are_all_alike_or_average_to_nothing_give_no_ratio():
    """No scatter tells nothing of an interval, and by nothing one cannot divide."""
    assert compare_ratios(table(A=[5.0, 5.0], B=[5.0, 5.0])) == ()
    assert compare_ratios(table(A=[-1.0, 1.0], B=[5.0, 6.0])) == ()
