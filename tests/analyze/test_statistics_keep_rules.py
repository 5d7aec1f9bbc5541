"""Keep rules: what the closest k hide, against plain simulation; outliers and control shots."""

import numpy as np
import pandas as pd
import pytest

from analyze.statistics import (
    KeepRule,
    apply_keep_rule,
    compare_keep_rules,
    flag_outliers,
    subtract_controls,
    summarise,
)
from analyze.statistics.keep_rules import selection_effect
from analyze.statistics.outliers import OutlierRule, grubbs_critical
from analyze.statistics.summary import CHOSEN_NOTE


def one_cell(values, **columns):
    return pd.DataFrame({"condition": "A", "shooter": "S1", "reading_mm": values} | columns)


@pytest.mark.parametrize("n", [5, 6, 7])
def test_shrinkage_of_the_spread_agrees_with_plain_simulation(n):
    """400,000 random tests, the closest three found by trying every triple."""
    from itertools import combinations

    rng = np.random.default_rng(20240611)
    shots = rng.normal(size=(400_000, n))
    triples = np.array(list(combinations(range(n), 3)))
    best = np.full(len(shots), np.inf)
    kept = np.zeros((len(shots), 3))
    for triple in triples:
        some = shots[:, triple]
        span = np.ptp(some, axis=1)
        better = span < best
        best[better], kept[better] = span[better], some[better]
    effect = selection_effect(3, n)
    sd = kept.std(axis=1, ddof=1)
    assert effect.sd_ratio == pytest.approx(sd.mean(), rel=0, abs=2e-3)
    assert effect.rms_sd_ratio == pytest.approx(np.sqrt((sd**2).mean()), rel=0, abs=2e-3)
    assert effect.mean_sd_ratio == pytest.approx(kept.mean(axis=1).std(), rel=0, abs=3e-3)
    assert effect.naive_se_ratio == pytest.approx(np.sqrt((sd**2).mean() / 3), rel=0, abs=2e-3)


@pytest.mark.parametrize(
    ("n", "sd", "rms", "mean"),
    # Computed once by 400,000 normal samples, independently of this code; three digits.
    [(5, 0.340, 0.392, 0.700), (6, 0.245, 0.284, 0.699), (7, 0.187, 0.217, 0.692)],
)
def test_shrinkage_agrees_with_an_independent_table(n, sd, rms, mean):
    effect = selection_effect(3, n)
    assert (effect.sd_ratio, effect.rms_sd_ratio, effect.mean_sd_ratio) == pytest.approx((sd, rms, mean), abs=2e-3)
    # c4(3), ISO 3534 and any control-chart table: 0.886227.
    assert effect.sd_ratio_unselected == pytest.approx(0.886227, rel=0, abs=5e-7)


def test_nothing_chosen_nothing_lost():
    effect = selection_effect(5, 5)
    assert effect.rms_sd_ratio == pytest.approx(1.0, rel=0, abs=1e-3)
    assert effect.mean_sd_ratio == pytest.approx(effect.all_mean_sd_ratio, rel=0, abs=1e-3)


def test_closest_keeps_the_triple_with_the_smallest_range_and_removes_nothing():
    shots = one_cell([10.0, 30.0, 31.0, 33.0, 60.0])
    table = apply_keep_rule(shots, KeepRule.CLOSEST)
    assert table["kept"].tolist() == [False, True, True, True, False]
    assert len(table) == len(shots)
    assert summarise(table).row("A").mean == pytest.approx(94 / 3)


def test_failed_shots_are_dropped_by_two_rules_and_kept_by_one():
    shots = one_cell([10.0, 11.0, 90.0, 12.0], status=["measured", "doubtful", "failed", "measured"])
    kept = {rule: apply_keep_rule(shots, rule)["kept"].tolist() for rule in KeepRule}
    assert kept[KeepRule.ALL] == [True] * 4
    assert kept[KeepRule.DROP_FAILED] == [True, True, False, True]
    assert kept[KeepRule.CLOSEST] == [True, True, False, True]


def test_a_shot_set_aside_by_hand_stays_set_aside():
    shots = one_cell([10.0, 10.5, 11.0, 11.2], kept=[True, True, True, False])
    for rule in KeepRule:
        assert not apply_keep_rule(shots, rule)["kept"].iloc[3]


def test_rules_side_by_side_say_what_choosing_hides():
    rng = np.random.default_rng(1)
    rules = compare_keep_rules(one_cell(rng.normal(60, 10, 7)))
    by_rule = {row.rule: row for row in rules.rows}
    assert by_rule[KeepRule.CLOSEST].n == 3
    assert by_rule[KeepRule.CLOSEST].honest_se > by_rule[KeepRule.ALL].naive_se
    assert by_rule[KeepRule.CLOSEST].sd_shown == pytest.approx(0.187 / 0.886, rel=0.01)
    assert rules.sentences == (
        "Keeping the 3 closest of 7 shots shows 21% of the true spread, and their mean scatters 1.83 times as "
        "much as the mean of all 7 would; judged by the kept shots alone it looks 5.5 times as precise as it is.",
    )
    assert len(rules.frame()) == 3


@pytest.mark.parametrize("values", [[1.0], [1.0, 2.0], [5.0, 5.0, 5.0, 5.0]])
def test_few_or_equal_shots_pass_every_rule(values):
    rules = compare_keep_rules(one_cell(values))
    assert [row.rule for row in rules.rows] == list(KeepRule)
    assert all(row.mean == pytest.approx(np.mean(values)) for row in rules.rows)


# --- outliers ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "printed"),
    # ISO 5725-2:1994, table 5, two-sided 5 % (there under "upper 2.5 %"); n = 3 is printed 1.155, exact is 1.1543.
    [(3, 1.154), (5, 1.715), (7, 2.020), (10, 2.290), (20, 2.708)],
)
def test_grubbs_limits_agree_with_the_printed_table(n, printed):
    assert grubbs_critical(np.array([n]))[0] == pytest.approx(printed, rel=0, abs=6e-4)


# NIST e-Handbook 1.3.5.17.1 (mass spectrometer): G = 2.46876, one outlier.
NIST_GRUBBS = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


def test_grubbs_on_the_handbooks_example():
    flags = flag_outliers(one_cell(NIST_GRUBBS))
    grubbs = [flag for flag in flags if flag.rule is OutlierRule.GRUBBS]
    assert [(flag.row, flag.value) for flag in grubbs] == [(7, 245.57)]
    assert grubbs[0].statistic == pytest.approx(2.46876, rel=0, abs=5e-6)
    assert grubbs[0].limit == pytest.approx(2.12665, rel=0, abs=5e-6)
    assert "look at it" in grubbs[0].sentence


def test_two_outliers_on_one_side_hide_from_grubbs_but_not_from_the_median():
    """With two far values the sd grows so much that neither is 'far': the reason for the second rule."""
    flags = flag_outliers(one_cell([10.0, 10.4, 9.7, 10.1, 9.9, 30.0, 31.0]))
    assert {flag.row for flag in flags if flag.rule is OutlierRule.MEDIAN} == {5, 6}
    assert not [flag for flag in flags if flag.rule is OutlierRule.GRUBBS]


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 50.0], [2.0, 2.0, 2.0], [np.nan, np.nan, 4.0]])
def test_too_few_or_equal_shots_flag_nothing(values):
    assert flag_outliers(one_cell(values)) == ()


@pytest.mark.slow
def test_grubbs_flags_a_clean_cell_in_one_of_twenty():
    rng = np.random.default_rng(2)
    cells = pd.DataFrame(
        {
            "condition": np.repeat(np.arange(4000).astype(str), 6),
            "shooter": "S1",
            "reading_mm": rng.normal(size=24_000),
        }
    )
    flagged = {flag.condition for flag in flag_outliers(cells) if flag.rule is OutlierRule.GRUBBS}
    # 99.9 % of binomial(4000, 0.05).
    assert 156 <= len(flagged) <= 246


# --- control shots ----------------------------------------------------------------------------------------------


def test_each_shooter_gets_his_own_zero():
    shots = pd.DataFrame(
        {
            "condition": ["Z", "Z", "Z", "Z", "A", "A", "A"],
            "shooter": ["S1", "S1", "S2", "S2", "S1", "S2", "S3"],
            "role": ["control"] * 4 + ["test"] * 3,
            "reading_mm": [1.0, 3.0, -4.0, -6.0, 62.0, 55.0, 60.0],
        }
    )
    outcome = subtract_controls(shots)
    assert outcome.table.loc[4:, "reading_mm"].tolist() == [60.0, 60.0, 60.0]
    assert [(zero.shooter, zero.n, zero.mean) for zero in outcome.zeros] == [("S1", 2, 2.0), ("S2", 2, -5.0)]
    assert outcome.zeros[0].se == pytest.approx(1.0)
    assert outcome.zero_sd == pytest.approx(np.sqrt(2) / 2)
    assert "No control shots by S3" in outcome.notes[0]


def test_without_controls_nothing_changes_and_it_is_said():
    outcome = subtract_controls(one_cell([1.0, 2.0]))
    assert outcome.table["reading_mm"].tolist() == [1.0, 2.0]
    assert outcome.zeros == ()
    assert outcome.zero_sd is None
    assert "No control shots by S1" in outcome.notes[0]


def test_one_control_shot_has_its_measuring_uncertainty_at_least():
    shots = one_cell([2.0, 60.0], role=["control", "test"])
    assert subtract_controls(shots).zeros[0].se is None
    assert subtract_controls(shots.assign(reading_sd_mm=0.4)).zeros[0].se == pytest.approx(0.4)


def test_means_of_chosen_shots_claim_no_interval():
    """Stated by the shots kept, intervals of the closest 3 of 7 would be 4 times too narrow (`naive_se_ratio`)."""
    shots = pd.concat([one_cell([1.0, 9.0, 5.0, 5.2, 5.1, 2.0, 8.0]), one_cell([1.0, 2.0], condition="B")])
    kept = apply_keep_rule(shots, KeepRule.CLOSEST, closest_k=3)
    found = summarise(kept)
    for shooter in ("S1", "all"):
        row = found.row("A", shooter)
        assert row.mean == pytest.approx(5.1, abs=1e-12)
        assert (row.se, row.lo, row.hi) == (None, None, None)
        assert found.row("B", shooter).lo is not None  # both count: nobody chose
    assert CHOSEN_NOTE in found.notes
    assert CHOSEN_NOTE not in summarise(shots).notes
