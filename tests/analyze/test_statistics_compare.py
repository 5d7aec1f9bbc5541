"""Comparisons against certified, published and independently computed results; degenerate tables; speed."""

import math
import resource
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.weightstats import ttost_ind

from analyze.statistics import (
    KeepRule,
    Question,
    Verdict,
    apply_keep_rule,
    compare,
    comparisons_frame,
    variance_components,
)
from calibrate.errors import SessionError

REFERENCES = Path(__file__).parents[1] / "references/statistics"


def groups(*, shooter="S1", **named):
    rows = [
        {"condition": name, "shooter": shooter, "reading_mm": value}
        for name, values in named.items()
        for value in values
    ]
    return pd.DataFrame(rows)


def shots_of(rng, *, conditions=3, shooters=3, shots=5, interaction_sd=0.0, shot_sd=10.0, step=0.0):
    """A balanced test: condition k reads `step * k`; shooters differ by 8 mm."""
    rows = []
    own = rng.normal(0, 8.0, shooters)
    for c in range(conditions):
        for s in range(shooters):
            centre = 60 + step * c + own[s] + rng.normal(0, interaction_sd)
            rows += [(f"C{c}", f"S{s}", centre + e) for e in rng.normal(0, shot_sd, shots)]
    return pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])


def read_nist(name):
    lines = (REFERENCES / f"{name}.dat").read_text(encoding="ascii").splitlines()
    certified = next(line.split() for line in lines[40:47] if line.startswith("Between"))
    within = next(line.split() for line in lines[40:47] if line.startswith("Within"))
    data = [line.split() for line in lines[60:] if line.strip()]
    shots = (
        pd.DataFrame(data, columns=["condition", "reading_mm"]).assign(shooter="S1").astype({"reading_mm": float})
    )
    # No reading is as large as theirs. A power of two scales exactly: neither F nor any digit changes.
    scale = 2.0 ** -max(0, math.ceil(math.log2(shots["reading_mm"].max() / 1000)))
    return shots.assign(reading_mm=scale * shots["reading_mm"]), float(certified[-1]), scale**2 * float(within[-1])


@pytest.mark.parametrize(
    ("name", "digits"),
    # NIST StRD one-way analyses; SmLs07 has 13 constant leading digits, of which doubles themselves keep few.
    [("SiRstv", 1e-10), ("AtmWtAg", 1e-6), ("SmLs01", 1e-11), ("SmLs04", 1e-6), ("SmLs07", 0.2)],
)
def test_f_test_agrees_with_nist(name, digits):
    """F of equal groups of n is 1 + n times the ratio of the variances that the split of the variation gives."""
    shots, f, mean_square = read_nist(name)
    parts = variance_components(shots)
    between, within = parts.row("condition").variance, parts.row("shot").variance
    assert 1 + len(shots) / shots["condition"].nunique() * between / within == pytest.approx(f, rel=digits)
    if name == "SiRstv":
        assert within == pytest.approx(mean_square, rel=1e-10)


def test_plant_growth():
    """Dobson 1983, PlantGrowth. R: oneway.test(weight ~ group, PlantGrowth)."""
    data = {
        "ctrl": [4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14],
        "trt1": [4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69],
        "trt2": [6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26],
    }
    these = compare(groups(**data)).these
    assert (these.omnibus.f, these.omnibus.df_error) == pytest.approx(
        (5.1809724081132, 17.1284186166441), rel=1e-10
    )
    assert these.omnibus.p == pytest.approx(0.0173928214902, rel=1e-9)
    other = stats.tukey_hsd(*data.values(), equal_var=False)
    assert these.pair("ctrl", "trt2").p_adjusted == pytest.approx(other.pvalue[0, 2], rel=1e-7)
    assert these.spreads.p == pytest.approx(stats.bartlett(*data.values()).pvalue, rel=1e-10)


def test_games_howell_where_spreads_differ():
    """Independent reference: scipy's own Games-Howell (`tukey_hsd(equal_var=False)`)."""
    rng = np.random.default_rng(20240611)
    data = {"A": rng.normal(0, 1, 9), "B": rng.normal(2, 6, 7), "C": rng.normal(1, 15, 12)}
    these = compare(groups(**data)).these
    assert these.spreads.differ
    other = stats.tukey_hsd(*data.values(), equal_var=False)
    interval = other.confidence_interval(0.95)
    for i, a in enumerate(data):
        for j, b in enumerate(data):
            if i < j:
                row = these.pair(a, b)
                assert row.method.startswith("Games-Howell")
                assert row.p_adjusted == pytest.approx(other.pvalue[j, i], rel=1e-7)
                assert (row.lo, row.hi) == pytest.approx((interval.low[j, i], interval.high[j, i]), rel=1e-6)


def test_general_scope_of_a_balanced_test_is_the_exact_two_way_analysis():
    """Independent reference: the two-way analysis of variance of statsmodels, interaction as error."""
    shots = shots_of(np.random.default_rng(6), shooters=4, interaction_sd=5.0)
    general = compare(shots).general
    table = sm.stats.anova_lm(smf.ols("reading_mm ~ C(condition) * C(shooter)", shots).fit())
    error = table.loc["C(condition):C(shooter)", "mean_sq"]
    assert general.omnibus.f == pytest.approx(table.loc["C(condition)", "mean_sq"] / error, rel=1e-9)
    assert (general.omnibus.df_conditions, general.omnibus.df_error) == (2.0, 6.0)
    row = general.pair("C0", "C1")
    assert row.se == pytest.approx(np.sqrt(2 * error / 20), rel=1e-9)
    assert row.df == 6.0
    assert row.method.startswith("exact")


def test_two_conditions_in_general_are_the_paired_t_test_over_shooters():
    shots = shots_of(np.random.default_rng(7), conditions=2, shooters=4, interaction_sd=5.0)
    means = shots.groupby(["shooter", "condition"])["reading_mm"].mean().unstack()
    other = stats.ttest_rel(means["C1"], means["C0"])
    row = compare(shots).general.pair("C0", "C1")
    assert row.p_adjusted == pytest.approx(other.pvalue, rel=1e-9)
    assert (row.lo, row.hi) == pytest.approx(tuple(other.confidence_interval()), rel=1e-9)


def test_reml_of_a_balanced_test_gives_the_exact_analysis():
    """A cell doubled and halved in weight is balanced no longer; the limit from REML must be the exact result."""
    from analyze.statistics.cells import reduce_to_cells
    from analyze.statistics.general import _general_design, general_model, mixed_model
    from analyze.statistics.shots_table import check_shots

    for seed, interaction_sd in ((1, 6.0), (4, 12.0)):
        shots = check_shots(shots_of(np.random.default_rng(seed), interaction_sd=interaction_sd))
        cells = reduce_to_cells(shots, "reading_mm")
        order = np.arange(3)
        exact = general_model(cells, order, shared_sd=0.0)
        reml = mixed_model(
            cells, _general_design(cells, order, 0.0), order, method="REML", df_grows=False, shooters=3
        )
        assert reml.estimates.se == pytest.approx(exact.estimates.se, rel=1e-5)
        assert reml.estimates.df == pytest.approx(exact.estimates.df, rel=1e-4)
        assert reml.mean_se == pytest.approx(exact.mean_se, rel=1e-5)
        assert reml.mean_df == pytest.approx(exact.mean_df, rel=1e-4)
        assert reml.omnibus.p == pytest.approx(exact.omnibus.p, rel=1e-4)


# Subjects 1-15 and 16-30 of 'clinic', var1 and var2 (statsmodels/stats/tests/test_tost.py).
CLINIC_1 = (
    [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84],
    [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02],
)
CLINIC_2 = (
    [4.00, 3.26, 4.14, 3.42, 3.25, 4.34, 4.97, 4.31, 3.11, 3.41, 5.02, 4.21, 4.59, 5.30, 4.32],
    [3.76, 3.66, 3.65, 3.60, 3.48, 2.87, 3.24, 3.92, 3.99, 4.21, 4.21, 3.31, 3.61, 2.97, 2.73],
)


@pytest.mark.parametrize(
    ("data", "published"),
    # Paired: difference, se, lower and upper 90 % limit, p; results of another program, same test file.
    [
        (
            CLINIC_1,
            (0.1646666666666667, 0.1357514067862445, -0.0744336620516462, 0.4037669953849797, 0.003166881489),
        ),
        (
            CLINIC_2,
            (0.5626666666666665, 0.2478276410785118, 0.1261653305099018, 0.999168002823431, 0.4412034046018),
        ),
    ],
)
def test_equivalence_of_paired_data_as_published(data, published):
    """Fifteen shooters of one shot each per condition: the paired test is the general scope."""
    rows = [
        {"condition": name, "shooter": f"S{k}", "reading_mm": value}
        for name, values in (("B", data[1]), ("A", data[0]))
        for k, value in enumerate(values)
    ]
    row = compare(pd.DataFrame(rows), Question(margin=0.6)).general.pair("B", "A")
    assert (row.difference, row.se, row.same_lo, row.same_hi, row.p_same) == pytest.approx(published, rel=1e-9)
    assert row.df == 14
    assert (row.verdict is Verdict.SAME) == (published[-1] < 0.05)


@pytest.mark.parametrize("data", [CLINIC_1, CLINIC_2])
def test_equivalence_of_independent_data(data):
    """Independent reference: statsmodels' two one-sided tests after Welch."""
    row = compare(groups(B=data[1], A=data[0]), Question(margin=0.6)).these.pair("B", "A")
    other = ttost_ind(np.array(data[0]), np.array(data[1]), -0.6, 0.6, usevar="unequal")[0]
    assert row.p_same == pytest.approx(other, rel=1e-9)


def test_a_precise_difference_within_the_margin_is_the_same():
    rng = np.random.default_rng(8)
    shots = groups(A=rng.normal(0, 1, 400), B=rng.normal(0.5, 1, 400), C=rng.normal(9, 1, 400))
    comparisons = compare(shots, Question(margin=2.0))
    assert comparisons.these.pair("A", "B").verdict is Verdict.SAME
    assert comparisons.these.pair("A", "B").p_adjusted < 0.05
    assert comparisons.these.pair("A", "C").verdict is Verdict.DIFFERS
    assert compare(shots).these.pair("A", "B").verdict is Verdict.DIFFERS


def test_as_many_more_shots_as_advised_settle_four_cases_of_five():
    """Independent reference: the shots themselves, shot on 4000 times, judged by scipy's Welch test."""
    unit = np.array([-1.0, 1.0, -1.0, 1.0, 0.0, 0.0, 0.0, 0.0])
    unit /= unit.std(ddof=1)
    row = compare(groups(A=unit, B=unit + 0.7)).these.pair("A", "B")
    rng = np.random.default_rng(20240611)
    for truth, chance in ((0.7, 0.80), (0.0, row.chance_if_zero)):
        later = [
            np.hstack([np.tile(unit + seen, (4000, 1)), rng.normal(mean, 1.0, (4000, row.more_shots))])
            for seen, mean in ((0.0, 0.0), (0.7, truth))
        ]
        settled = stats.ttest_ind(*later, axis=1, equal_var=False).pvalue < 0.05
        # 0.006 is the standard error of a share of 4000; the advice is a whole number of shots
        assert settled.mean() == pytest.approx(chance, rel=0, abs=0.03), truth


def test_more_shots_cannot_replace_more_shooters():
    """Shooters that disagree by 20 mm about a difference: no number of shots by two of them shows 5 mm."""
    rng = np.random.default_rng(9)
    shots = shots_of(rng, conditions=3, shooters=3, shots=6, interaction_sd=20.0, shot_sd=2.0)
    row = compare(shots, Question(margin=15.0)).general.pair("C0", "C1")
    assert row.verdict is Verdict.UNDECIDED
    assert row.more_shots is None
    assert row.more_shooters > 1


def test_adjusted_difference_is_the_analysis_of_covariance():
    """Independent reference: statsmodels' least squares with cells and covariates."""
    rng = np.random.default_rng(10)
    shots = shots_of(rng, conditions=2, shooters=2, shots=8, shot_sd=2.0, step=5.0)
    shots["launch_speed_m_s"] = rng.normal(3, 0.2, len(shots)) + 0.3 * (shots["condition"] == "C1")
    shots["tip_offset_mm"] = rng.normal(14, 0.5, len(shots))
    shots["reading_mm"] += 20 * shots["launch_speed_m_s"] + 4 * shots["tip_offset_mm"]
    comparisons = compare(shots)
    row = comparisons.adjusted_these.pair("C0", "C1")
    fit = smf.ols("reading_mm ~ 0 + C(condition):C(shooter) + launch_speed_m_s + tip_offset_mm", shots).fit()
    contrast = np.array([(("[C1]" in n) - ("[C0]" in n)) / 2 for n in fit.params.index], dtype=float)
    other = fit.t_test(contrast)
    assert row.difference == pytest.approx(float(np.squeeze(other.effect)), rel=1e-9)
    # One variance for all there, one for each cell here.
    assert row.se == pytest.approx(float(np.squeeze(other.sd)), rel=0.1)
    assert row.df < fit.df_resid
    speed = comparisons.adjusted_these.adjustments[0]
    assert (speed.covariate, speed.slope) == ("launch_speed_m_s", pytest.approx(fit.params["launch_speed_m_s"]))
    assert speed.slope_se == pytest.approx(fit.bse["launch_speed_m_s"])
    assert "launch_speed_m_s 3." in row.quantity
    raw = comparisons.these.pair("C0", "C1")
    assert abs(raw.difference - 5) > abs(row.difference - 5)


def test_covariates_that_cannot_be_adjusted_for_are_named():
    shots = groups(A=[1.0, 2.0, 4.0], B=[3.0, 3.5, 5.0])
    shots["tip_offset_mm"] = np.where(shots["condition"] == "A", 10.0, 14.0)
    comparisons = compare(shots)
    assert comparisons.adjusted_these is None
    assert "launch_speed_m_s is not known, so nothing is adjusted for it." in comparisons.notes
    assert any("tip_offset_mm does not vary" in note and "equal values" in note for note in comparisons.notes)


def test_shots_of_unequal_precision_are_weighted():
    """Shots that are known better count for more, and the page says that they do."""
    rng = np.random.default_rng(11)
    sd = np.tile([0.5, 8.0], 10)
    shots = groups(A=rng.normal(0, 1, 10) * sd[:10], B=rng.normal(1, 1, 10) * sd[:10])
    shots["reading_sd_mm"] = sd
    comparisons = compare(shots)
    row = comparisons.these.pair("A", "B")
    assert any("weighted" in note for note in comparisons.these.notes)
    precise = shots[shots["reading_sd_mm"] < 1].groupby("condition")["reading_mm"].mean()
    raw = shots.groupby("condition")["reading_mm"].mean()
    assert abs(row.difference - (precise["B"] - precise["A"])) < abs(
        raw["B"] - raw["A"] - (precise["B"] - precise["A"])
    )


def test_spread_below_the_measuring_uncertainty_is_not_believed():
    shots = groups(A=[10.0, 10.0, 10.1], B=[10.6, 10.6, 10.5]).assign(reading_sd_mm=1.0)
    comparisons = compare(shots)
    assert comparisons.these.pair("A", "B").se == pytest.approx(np.sqrt(2 / 3), rel=1e-12)
    assert comparisons.these.pair("A", "B").verdict is Verdict.UNDECIDED
    assert any("scatter less" in note for note in comparisons.these.notes)


def two_sessions(rng, *, shared):
    """Session 'x' holds A and B, session 'y' holds B and C, offset by a common error."""
    rows = []
    for session, names, offset in (("x", "AB", 0.0), ("y", "BC", shared)):
        for name in names:
            for shooter, own in (("S1", 0.0), ("S2", 6.0)):
                rows += [(session, name, shooter, own + offset + e) for e in rng.normal(0, 2, 6)]
    return pd.DataFrame(rows, columns=["session", "condition", "shooter", "reading_mm"])


def test_a_session_offset_cancels_within_sessions_and_counts_between_them():
    shots = two_sessions(np.random.default_rng(12), shared=5.0)
    these = compare(shots, Question(shared_sd=3.0)).these
    assert these.pair("A", "B").method.startswith("REML with session random")
    within = compare(shots[shots["session"] == "x"]).these.pair("A", "B")
    assert these.pair("A", "B").se == pytest.approx(within.se, rel=0.3)
    assert these.pair("A", "C").se > 1.2 * these.pair("A", "B").se


def test_conditions_of_different_sessions_need_a_stated_calibration_uncertainty():
    shots = two_sessions(np.random.default_rng(13), shared=0.0)
    apart = shots[(shots["session"] + shots["condition"]).isin(["xA", "yC"])]
    silent = compare(apart).these.pair("A", "C")
    assert silent.se is None
    assert "never shot in one session" in silent.note
    stated = compare(apart, Question(shared_sd=3.0)).these.pair("A", "C")
    shot_sd = np.sqrt(apart.groupby(["condition", "shooter"])["reading_mm"].var().mean())
    # Two independent calibration errors, and two means of 12 shots.
    assert stated.se == pytest.approx(np.sqrt(2 * 3.0**2 + 2 * shot_sd**2 / 12), rel=1e-6)


def test_unbalanced_general_scope_answers_and_names_its_method():
    shots = shots_of(np.random.default_rng(14), shooters=4, interaction_sd=6.0).drop(index=[0, 1, 2, 30, 31])
    row = compare(shots).general.pair("C0", "C2")
    assert row.method.startswith("REML, Kenward-Roger")
    assert 1 <= row.df <= 6
    assert row.lo < row.difference < row.hi


def test_nothing_differs_in_general_that_is_undecided_for_these_shooters():
    """Shooters who agree more than their scatter allows: the exact error would be too small for what was seen."""
    rng = np.random.default_rng(20240611)
    for _ in range(40):
        shots = shots_of(rng, conditions=2, shooters=3, shots=4)
        comparisons = compare(shots, Question(covariates=()))
        these, general = comparisons.these.rows[0], comparisons.general.rows[0]
        assert general.se >= these.se
        assert general.hi - general.lo >= (these.hi - these.lo) * (1 - 1e-9)
        assert general.verdict is not Verdict.DIFFERS or these.verdict is Verdict.DIFFERS


def test_small_cells_share_the_scatter_of_their_shooter():
    """Independent reference: the pooled variance of the shooter's small cells, by hand."""
    shots = groups(A=[1.0, 4.0], B=[9.0, 7.0])
    row = compare(shots).these.pair("A", "B")
    assert (row.se, row.df) == pytest.approx((np.sqrt((4.5 + 2.0) / 2), 2.0))
    assert any("A by S1, B by S1" in note for note in compare(shots).these.notes)


def test_shooters_who_scatter_unequally_are_named():
    rng = np.random.default_rng(4)
    calm, wild = shots_of(rng, shooters=1, shot_sd=2.0), shots_of(rng, shooters=1, shot_sd=20.0)
    comparison = compare(pd.concat([calm, wild.assign(shooter="S9")])).these
    assert any(note.startswith("Shooters scatter unequally (from S0") and "S9" in note for note in comparison.notes)


def test_missing_cells_are_compared_over_common_shooters_and_said():
    shots = shots_of(np.random.default_rng(5), interaction_sd=6.0)
    shots = shots[~((shots["condition"] == "C2") & (shots["shooter"] == "S1"))]
    these = compare(shots).these
    means = shots.groupby(["condition", "shooter"])["reading_mm"].mean().unstack()
    assert these.pair("C0", "C2").difference == pytest.approx((means.loc["C2"] - means.loc["C0"]).dropna().mean())
    assert these.pair("C0", "C2").note == "Over those who shot both: S0, S2."
    assert these.pair("C0", "C1").note == ""
    assert any(note.startswith("Not every shooter shot every condition") for note in these.notes)


def test_shots_chosen_by_their_values_carry_the_error_of_the_choosing():
    shots = shots_of(np.random.default_rng(6), shots=7)
    chosen = compare(apply_keep_rule(shots, KeepRule.CLOSEST))
    assert "27 of 63" in chosen.caution
    # The closest 3 of 7 scatter more than the mean of all 7, and the scatter is that of all.
    assert chosen.these.rows[0].se > 1.5 * compare(shots).these.rows[0].se
    alone = compare(apply_keep_rule(shots, KeepRule.CLOSEST, closest_k=1))
    assert alone.these.rows == ()
    assert "no verdict" in alone.caution


def test_reference_comes_first_and_an_unknown_one_is_refused():
    shots = groups(A=[1.0, 2.0], B=[3.0, 5.0], C=[2.0, 2.5])
    rows = compare(shots, Question(reference="C")).these.rows
    assert [(row.a, row.b) for row in rows] == [("C", "A"), ("C", "B"), ("A", "B")]
    with pytest.raises(SessionError, match="reference 'X' is not among the conditions"):
        compare(shots, Question(reference="X"))


def test_turning_the_readings_over_turns_the_answer_over():
    shots = shots_of(np.random.default_rng(15), interaction_sd=4.0, step=6.0)
    turned = shots.assign(reading_mm=-shots["reading_mm"])
    for one, other in zip(compare(shots).parts, compare(turned).parts, strict=True):
        for row, mirror in zip(one.rows, other.rows, strict=True):
            assert (mirror.difference, mirror.lo, mirror.hi) == pytest.approx((-row.difference, -row.hi, -row.lo))
            assert mirror.verdict is row.verdict


def test_frame_has_the_columns_of_the_file_and_angles_their_own():
    shots = shots_of(np.random.default_rng(16))
    frame = compare(shots, Question(margin=5.0)).frame()
    assert ",".join(frame.columns) == (
        "a,b,quantity,scope,difference_mm,se_mm,df,lo_mm,hi_mm,p_adjusted,method,margin_mm,verdict,more_shots"
    )
    assert set(frame["scope"]) == {"these", "general"}
    assert set(frame["verdict"]) <= {"differs", "same", "undecided"}
    angles = shots.assign(squirt_deg=shots["reading_mm"] / 40)
    both = comparisons_frame(compare(shots), compare(angles, Question(quantity="squirt_deg")))
    assert {"difference_mm", "difference_deg"} <= set(both.columns)
    assert both.loc[both["quantity"] == "squirt_deg", "difference_mm"].isna().all()


DEGENERATE = {
    "one condition": groups(A=[1.0, 2.0]),
    "no shot": groups(A=[1.0]).assign(reading_mm=np.nan),
    "one shot each": groups(A=[1.0], B=[2.0]),
    "one shot against three": groups(A=[1.0], B=[2.0, 3.0, 5.0]),
    "equal values": groups(A=[1.0, 1.0, 1.0], B=[2.0, 2.0, 2.0]),
    "all values equal": groups(A=[1.0, 1.0], B=[1.0, 1.0], C=[1.0, 1.0]),
    "equal values of one": groups(A=[1.0, 1.0, 1.0], B=[2.0, 3.0, 5.0]),
    "no shooter in common": pd.concat([groups(A=[1.0, 2.0, 4.0]), groups(B=[2.0, 3.0, 7.0], shooter="S2")]),
    "a missing cell": pd.concat(
        [groups(A=[1.0, 2.0, 4.0], B=[4.0, 6.0, 5.0]), groups(A=[2.0, 3.0, 7.0], shooter="S2")]
    ),
    "equal values, two shooters": pd.concat(
        [groups(A=[1.0, 1.0], B=[2.0, 2.0]), groups(A=[1.0, 1.0], B=[2.0, 2.0], shooter="S2")]
    ),
    "equal values, unbalanced": pd.concat(
        [groups(A=[1.0, 1.0], B=[2.0]), groups(A=[1.0, 1.0], B=[2.0, 2.0], shooter="S2")]
    ),
    "one shot a cell, two shooters": pd.concat([groups(A=[1.0], B=[2.0]), groups(A=[4.0], B=[7.0], shooter="S2")]),
    "NaN and set aside": groups(A=[1.0, np.nan, 3.0, 9.0], B=[2.0, 4.0, np.nan, 1.0]).assign(
        kept=[True] * 3 + [False] + [True] * 4
    ),
    "two sessions of one condition each": pd.concat(
        [groups(A=[1.0, 2.0, 4.0]).assign(session="x"), groups(B=[2.0, 3.0, 7.0]).assign(session="y")]
    ),
    "no difference possible to a control": groups(A=[1.0, 2.0], Z=[0.0, 0.1]).assign(
        role=["test", "test"] + ["control"] * 2
    ),
}


@pytest.mark.parametrize("name", DEGENERATE)
@pytest.mark.parametrize("margin", [None, 3.0])
def test_poor_data_give_what_exists_and_a_sentence(name, margin):
    comparisons = compare(DEGENERATE[name], Question(margin=margin))
    comparisons.frame()
    said = [*comparisons.notes, *(note for part in comparisons.parts for note in part.notes)]
    for part in comparisons.parts:
        for row in part.rows:
            assert (row.se is None) == (row.lo is None) == (row.p_adjusted is None)
            if row.se is None:
                assert row.verdict is Verdict.UNDECIDED
                assert row.more_shots is None
                assert row.note.endswith(".")
    if not comparisons.these.rows:
        assert any("Only condition" in note or "No shots" in note for note in said)


def test_unequal_shooters_answer_where_they_overlap():
    comparisons = compare(DEGENERATE["a missing cell"])
    assert comparisons.these.pair("A", "B").difference == pytest.approx(5 - 7 / 3)
    assert "No two shooters shot both" in comparisons.general.pair("A", "B").note


def test_a_hundred_thousand_shots_in_a_hundred_conditions():
    """4950 pairs, both scopes, raw and adjusted. The report as a whole has 30 s and 2 GB."""
    rng = np.random.default_rng(20240611)
    n = 100_000
    shots = pd.DataFrame(
        {
            "condition": np.repeat([f"C{k}" for k in range(100)], n // 100),
            "shooter": np.tile(["S1", "S2", "S3", "S4"], n // 4),
            "reading_mm": rng.normal(60, 10, n),
            "launch_speed_m_s": rng.normal(3, 0.2, n),
        }
    )
    shots.loc[rng.choice(n, 800, replace=False), "reading_mm"] = np.nan
    start = time.process_time()
    comparisons = compare(shots, Question(margin=2.0))
    frame = comparisons.frame()
    assert len(frame) == 4 * 4950
    assert time.process_time() - start < 15
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 2_000_000
    # A false 'differs' among 100 equal conditions: about one whole table in twenty holds one.
    assert (frame["verdict"] == "differs").sum() <= 4
