"""Factors and trends against R (lme4, emmeans, pbkrtest), and in words where there is no answer.

Data and numbers: `tests/references/statistics/factors/factors.R`. Moore & Krupat 1971 is an unbalanced 2 x 3 table
of text books (Fox, Applied Regression Analysis).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyze.statistics import Design, Question, Scope, Verdict, compare, compare_factors, compare_values

FOLDER = Path(__file__).parents[1] / "references/statistics/factors"
SHOTS = pd.read_csv(FOLDER / "shots.csv")
EXPECTED = pd.read_csv(FOLDER / "expected.csv", skipinitialspace=True)


def design_of(shots, *values):
    once = shots.drop_duplicates("condition").set_index("condition")
    return Design(
        factors={name: once[name].to_dict() for name in ("shaft", "taper")},
        values={name: once[name].to_dict() for name in values},
    )


def close_to(one, row, sign):
    assert sign * row.difference == pytest.approx(one.difference, rel=2e-4)
    if np.isfinite(one.df):
        assert row.se == pytest.approx(one.se, rel=1e-3)
        assert row.df == pytest.approx(one.df, rel=5e-3)


@pytest.mark.parametrize("name", ["one missing", "complete", "Moore"])
@pytest.mark.parametrize("scope", list(Scope))
def test_effects_of_factors_as_in_r(name, scope):
    shots = SHOTS[SHOTS["data"] == name]
    wanted = EXPECTED[(EXPECTED["data"] == name) & (EXPECTED["scope"] == scope) & EXPECTED["contrast"].notna()]
    effects = {one.factor: one for one in compare_factors(shots, design_of(shots)) if one.scope is scope}
    for one in wanted.itertuples():
        b, a = one.contrast.split(" - ")
        row = next(row for row in effects[one.what].rows if {row.a, row.b} == {a, b})
        close_to(one, row, 1 if row.b == b else -1)
        if name != "Moore" and scope is Scope.THESE:
            assert row.se == pytest.approx(one.se, rel=1e-8)
    assert ("model in which the factors add up" in effects["taper"].estimand) == (name == "one missing")
    if name == "one missing":
        assert "missing: P with short" in effects["taper"].estimand
    if name == "Moore" and scope is Scope.GENERAL:
        assert effects["taper"].notes == ("One shooter tells nothing about shooters in general.",)


def test_a_trend_as_in_r():
    shots = SHOTS[(SHOTS["data"] == "one missing") & (SHOTS["taper"] == "long")]
    once = shots.drop_duplicates("condition").set_index("condition")
    these, general = compare_values(shots, Design(values={"ferrule_mm": once["ferrule_mm"].to_dict()}))
    one = EXPECTED[EXPECTED["what"] == "ferrule_mm"].iloc[0]
    assert (general.slope, general.slope_se) == pytest.approx((one.difference, one.se), rel=1e-3)
    assert general.row.df == pytest.approx(one.df, rel=5e-3)
    assert (these.low, these.high) == (8, 25)
    assert these.slope_se < general.slope_se
    assert these.bend.df_conditions == 1


def made(rng, *, taper=0.0, interaction=0.0):
    rows = []
    for shaft in "NM":
        for k, length in enumerate(("long", "short")):
            for s in range(3):
                centre = 60 + 5 * s + taper * k + interaction * (shaft == "N") * k
                rows += [(f"{shaft} {length}", shaft, length, f"S{s}", e) for e in rng.normal(centre, 4, 6)]
    return pd.DataFrame(rows, columns=["condition", "shaft", "taper", "shooter", "reading_mm"])


def test_a_factor_matters_whatever_the_other_and_an_idle_one_is_the_same():
    shots = made(np.random.default_rng(1), taper=12.0)
    effects = {
        (one.factor, one.scope): one for one in compare_factors(shots, design_of(shots), Question(margin=5.0))
    }
    taper, shaft = effects["taper", Scope.THESE], effects["shaft", Scope.THESE]
    assert taper.rows[0].verdict is Verdict.DIFFERS
    assert shaft.rows[0].verdict is Verdict.SAME
    assert taper.test.p < 0.001
    assert taper.interaction.p > 0.05
    # With two levels the test of the factor is the square of its one contrast's.
    assert taper.test.f == pytest.approx((taper.rows[0].difference / taper.rows[0].se) ** 2)


def test_factors_that_act_on_each_other_are_found():
    shots = made(np.random.default_rng(2), interaction=12.0)
    assert compare_factors(shots, design_of(shots))[0].interaction.p < 0.001


def test_factors_that_were_never_varied_apart_are_said():
    shots = made(np.random.default_rng(3))
    shots = shots[shots["condition"].isin(["N long", "M short"])]
    effects = compare_factors(shots, design_of(shots))
    assert all(not one.rows and "never varied apart" in one.notes[0] for one in effects)


def test_a_trend_confounded_with_another_is_said_and_none_has_none():
    shots = made(np.random.default_rng(4))
    once = shots.drop_duplicates("condition").set_index("condition")
    twice = {"a_mm": {c: float(k) for k, c in enumerate(once.index)}}
    twice["b_mm"] = {c: 2 * x for c, x in twice["a_mm"].items()}
    assert any(
        "not varied apart from b_mm" in note for note in compare_values(shots, Design(values=twice))[0].notes
    )
    assert compare_values(shots, Design(values={"a_mm": dict.fromkeys(once.index, 1.0)})) == ()
    assert compare_factors(shots, Design()) == ()


def test_what_the_shots_of_a_session_share_is_in_effects_as_it_is_in_comparisons():
    """Each condition was shot on a day of its own: only what is stated of the days' zeros says how sure it is."""
    rng = np.random.default_rng(2)
    rows = [
        {"condition": c, "shooter": s, "session": day, "reading_mm": rng.normal(0, 3)}
        for day, c in (("d1", "N"), ("d2", "K"))
        for s in ("S1", "S2", "S3")
        for _ in range(5)
    ]
    shots = pd.DataFrame(rows)
    design = Design(factors={"shaft": {"N": "n", "K": "k"}}, values={"ferrule_mm": {"N": 8, "K": 20}})
    question = Question(shared_sd=5.0)
    pair = compare(shots, question).general.pair("N", "K")
    (row,) = next(one for one in compare_factors(shots, design, question) if one.scope is Scope.GENERAL).rows
    trend = next(one for one in compare_values(shots, design, question) if one.scope is Scope.GENERAL)
    assert pair.se > np.sqrt(2) * 5.0
    assert (row.difference, row.se, row.lo) == pytest.approx((pair.difference, pair.se, pair.lo), rel=5e-3)
    assert (trend.slope * 12, trend.slope_se * 12) == pytest.approx((pair.difference, pair.se), rel=5e-3)
