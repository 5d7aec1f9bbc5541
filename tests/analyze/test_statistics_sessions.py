"""Several sessions: every cell its own variance, the session's in full where it does not cancel."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analyze.statistics import Question, Scope, compare, compare_ratios
from analyze.statistics.blocks import block_model
from analyze.statistics.cells import reduce_to_cells
from analyze.statistics.sessions import sessions_model
from analyze.statistics.shots_table import check_shots

QUESTION = Question(covariates=())


def table(rows):
    return pd.DataFrame(rows, columns=["session", "condition", "shooter", "reading_mm"])


def two_days(rng, *, sd=(2.0, 9.0), shots=(8, 8), names="ABC", offset=30.0):
    """Two shooters shoot everything on both days; the second day scatters more and reads beside the first."""
    return table(
        [
            (f"day {day}", c, s, own + 3.0 * k + offset * day + e)
            for day in (0, 1)
            for s, own in (("S1", 0.0), ("S2", 7.0))
            for k, c in enumerate(names)
            for e in rng.normal(0, sd[day], shots[day])
        ]
    )


def test_where_all_shot_all_on_every_day_days_are_blocks():
    """Independent route: no session effect at all, each shooter on each day a block of its own."""
    cells = reduce_to_cells(check_shots(two_days(np.random.default_rng(1))), "reading_mm")
    order = np.arange(3)
    found, blocks = sessions_model(cells, order, shared_sd=0.0).estimates, block_model(cells, order).estimates
    assert found.difference == pytest.approx(blocks.difference, rel=1e-9)
    assert found.se == pytest.approx(blocks.se, rel=1e-6)
    assert found.df == pytest.approx(blocks.df, rel=1e-6)


def test_one_day_that_scatters_more_is_not_spread_over_all():
    """A and B of the quiet day only: their interval is that of the quiet day alone, as Welch's test gives it."""
    shots = two_days(np.random.default_rng(2))
    quiet = shots[(shots["session"] == "day 0") & (shots["shooter"] == "S1")]
    rest = shots[(shots["session"] == "day 1") & (shots["condition"] == "C")]
    row = compare(pd.concat([quiet, rest]), QUESTION).these.pair("A", "B")
    a, b = (quiet.loc[quiet["condition"] == c, "reading_mm"] for c in "AB")
    welch = stats.ttest_ind(b, a, equal_var=False)
    assert row.se == pytest.approx(float((b.mean() - a.mean()) / welch.statistic), rel=1e-6)
    assert row.df == pytest.approx(welch.df, rel=1e-6)


def test_equal_conditions_by_unequal_shooters_are_seldom_called_different():
    """The third shooter shoots little and scatters five times as much: a variance common to all gives 0.54 here."""
    rng, tests, wrong = np.random.default_rng(3), 80, 0
    for _ in range(tests):
        shots = table(
            [
                (f"day {day}", c, f"S{s}", 7.0 * s + 30.0 * day + e)
                for day in (0, 1)
                for s, (sd, n) in enumerate(((4.0, 6), (4.0, 6), (20.0, 2)))
                for c in "ABC"
                for e in rng.normal(0, sd, n)
            ]
        )
        wrong += any(row.verdict == "differs" for row in compare(shots, QUESTION, outlook=False).these.rows)
    assert wrong <= stats.binom.ppf(0.9995, tests, 0.065)


def test_zeros_that_differ_from_day_to_day_widen_a_ratio():
    rng = np.random.default_rng(4)
    far, near = (two_days(rng, sd=(2.0, 2.0), names="AB", offset=offset) for offset in (40.0, 0.0))
    shift = 100.0  # so that the mean of A is no zero
    wide, narrow = (
        next(r for r in compare_ratios(some.assign(reading_mm=some["reading_mm"] + shift), QUESTION))
        for some in (far, near)
    )
    assert wide.scope is narrow.scope is Scope.THESE
    assert wide.hi - wide.lo > narrow.hi - narrow.lo
    one_day = compare_ratios(near[near["session"] == "day 0"].assign(reading_mm=lambda t: t["reading_mm"] + shift))[
        0
    ]
    assert narrow.ratio == pytest.approx(one_day.ratio, abs=0.02)


def test_ratios_over_several_days_hold_the_truth():
    """Five days, zeros off by 4 mm each: the true ratio is that of the means at the true zero."""
    rng = np.random.default_rng(5)
    held, tests = {scope: 0 for scope in Scope}, 80
    for _ in range(tests):
        shots = table(
            [
                (f"day {day}", c, f"S{s}", mean + zero + e)
                for day, zero in enumerate(rng.normal(0, 4, 5))
                for s in range(2)
                for c, mean in (("A", 50.0), ("B", 70.0))
                for e in rng.normal(0, 3 + 2 * s, 4)
            ]
        )
        for row in compare_ratios(shots, QUESTION):
            held[row.scope] += row.unbounded or row.lo <= 1.4 <= row.hi
    low = stats.binom.ppf(0.0005, tests, 0.95)
    assert min(held.values()) >= low


def test_days_of_one_condition_each_have_no_ratio_without_a_stated_uncertainty():
    shots = two_days(np.random.default_rng(6), names="AB")
    apart = shots[(shots["session"] + shots["condition"]).isin(["day 0A", "day 1B"])]
    assert compare_ratios(apart, QUESTION) == ()
    stated = compare_ratios(apart, Question(covariates=(), shared_sd=2.0))
    assert {row.scope for row in stated} == set(Scope)
