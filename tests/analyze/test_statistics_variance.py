"""Variance components, repeatability and reproducibility, drift, against published studies and by coverage."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyze.statistics import gauge_study, measurement_fitness, session_drift, variance_components
from analyze.statistics.repeatability import range_factors
from calibrate.errors import SessionError

REFERENCES = Path(__file__).parents[1] / "references/statistics"

# Thermal impedance: Houf & Berman 1988, IEEE Trans. Components 11, 516; also in Montgomery, Introduction to
# Statistical Quality Control. Data as in Vidakovic, Statistics for Bioengineering Sciences, example 11.14: 10
# parts, 3 operators, 3 trials; columns operator 1 (3), 2 (3), 3 (3).
IMPEDANCE = """37 38 37 41 41 40 41 42 41 / 42 41 43 42 42 42 43 42 43 / 30 31 31 31 31 31 29 30 28
/ 42 43 42 43 43 43 42 42 42 / 28 30 29 29 30 29 31 29 29 / 42 42 43 45 45 45 44 46 45
/ 25 26 27 28 28 30 29 27 27 / 40 40 40 43 42 42 43 43 41 / 25 25 25 27 29 28 26 26 26
/ 35 34 34 35 35 34 35 34 35"""
# Gasket thickness, 10 parts x 3 operators x 2 trials, patterned on the AIAG manual's: SAS/QC guide, table A.1.
GASKET = """.65 .60 .55 .55 .50 .55 / 1.00 1.00 1.05 .95 1.05 1.00 / .85 .80 .80 .75 .80 .80
/ .85 .95 .80 .75 .80 .80 / .55 .45 .40 .40 .45 .50 / 1.00 1.00 1.00 1.05 1.00 1.05
/ .95 .95 .95 .90 .95 .95 / .85 .80 .75 .70 .80 .80 / 1.00 1.00 1.00 .95 1.05 1.05 / .60 .70 .55 .50 .85 .80"""
DYESTUFF = """1545 1440 1440 1520 1580 / 1540 1555 1490 1560 1495 / 1595 1550 1605 1510 1560
/ 1445 1440 1595 1465 1545 / 1595 1630 1515 1635 1625 / 1520 1455 1450 1480 1445"""
DYESTUFF2 = """7.298 3.846 2.434 9.566 7.99 / 5.22 6.556 .608 11.788 -.892 / .11 10.386 13.434 5.51 8.166
/ 2.212 4.852 7.092 9.288 4.98 / .282 9.014 4.458 9.446 7.198 / 1.722 4.782 8.106 .758 3.758"""


def study(text, trials):
    rows = []
    for clip, line in enumerate(text.split("/")):
        rows += [(f"c{clip}", f"o{k // trials}", float(cell)) for k, cell in enumerate(line.split())]
    return pd.DataFrame(rows, columns=["clip", "operator", "reading_mm"])


def batches(text):
    return pd.DataFrame(
        [
            {"condition": f"b{k}", "shooter": "S1", "reading_mm": float(cell)}
            for k, line in enumerate(text.split("/"))
            for cell in line.split()
        ]
    )


def test_impedance_study_by_analysis_of_variance():
    """Mean squares and components as printed by Montgomery; the digits beyond were computed from the data."""
    found = gauge_study(study(IMPEDANCE, 3))
    squares = found.squares
    assert (squares.row, squares.column) == pytest.approx((437.32840, 19.63333), rel=0, abs=6e-6)
    assert (squares.interaction, squares.within) == pytest.approx((2.695062, 0.511111), rel=0, abs=6e-7)
    variances = found.variances
    assert variances.clip == pytest.approx(48.29259, rel=0, abs=6e-6)
    assert variances.operator == pytest.approx(0.564609, rel=0, abs=6e-7)
    assert variances.interaction == pytest.approx(0.727984, rel=0, abs=6e-7)
    assert variances.repeatability == pytest.approx(0.511111, rel=0, abs=6e-7)
    assert (variances.reproducibility, variances.gauge) == pytest.approx((1.292593, 1.803704), rel=0, abs=6e-7)
    assert variances.study_variation == pytest.approx(0.189749, rel=0, abs=6e-7)
    assert variances.distinct_categories == pytest.approx(7.2959, rel=0, abs=6e-5)
    pooled = found.pooled
    assert (pooled.repeatability, pooled.operator, pooled.clip) == pytest.approx(
        (1.015100, 0.620608, 48.479255), rel=0, abs=6e-7
    )
    assert pooled.gauge == pytest.approx(1.635708, rel=0, abs=6e-7)
    # F of the interaction is 5.27: it must not be pooled.
    assert found.best is variances


def test_gasket_study_by_both_methods():
    found = gauge_study(study(GASKET, 2))
    assert found.variances.gauge == pytest.approx(0.0044375, rel=0, abs=6e-8)
    assert found.variances.study_variation == pytest.approx(0.32660, rel=0, abs=6e-6)
    assert found.variances.distinct_categories == pytest.approx(4.080, rel=0, abs=6e-4)
    ranges = found.ranges
    # The manual's K1, K2, K3 have four digits: 1.6e-4 for K3 = 0.3146, 1e-4 for K2.
    assert ranges.mean_range == pytest.approx(0.0383333, rel=0, abs=6e-8)
    assert ranges.repeatability_sd == pytest.approx(0.0339710, rel=1e-4)
    assert ranges.reproducibility_sd == pytest.approx(0.0304529, rel=1e-4)
    assert ranges.gauge_sd == pytest.approx(0.0456225, rel=1e-4)
    assert ranges.clip_sd == pytest.approx(0.1756517, rel=1.6e-4)
    assert ranges.study_variation == pytest.approx(0.25139, rel=2.6e-4)
    assert ranges.distinct_categories == pytest.approx(5.43, rel=0, abs=5e-3)


@pytest.mark.parametrize(
    ("n", "d2", "d3"),
    # Control-chart constants, ASTM Manual on Presentation of Data and Control Chart Analysis (MNL 7A), table 49.
    [(2, 1.128, 0.853), (3, 1.693, 0.888), (5, 2.326, 0.864), (10, 3.078, 0.797)],
)
def test_range_factors_are_the_printed_constants(n, d2, d3):
    assert range_factors(n) == pytest.approx((d2, d3), rel=0, abs=6e-4)


def test_a_study_says_what_it_lacks():
    full = study(GASKET, 2)
    one = gauge_study(full[full["operator"] == "o0"])
    assert any("One operator" in note for note in one.notes)
    assert one.variances.operator == 0.0
    single = gauge_study(full.groupby(["clip", "operator"]).head(1))
    assert any("No repeats" in note for note in single.notes)
    assert single.ranges is None
    assert single.variances.repeatability == pytest.approx(single.squares.interaction)
    with pytest.raises(SessionError, match="equally often"):
        gauge_study(full.iloc[1:])
    with pytest.raises(SessionError, match="no column operator"):
        gauge_study(full.drop(columns="operator"))
    with pytest.raises(SessionError, match="nothing is repeated"):
        gauge_study(full.iloc[:1])


def test_components_of_the_impedance_study():
    """The same study as conditions and shooters: the same components must come out of the other function."""
    shots = study(IMPEDANCE, 3).rename(columns={"clip": "condition", "operator": "shooter"})
    found = variance_components(shots)
    assert [row.source for row in found.rows] == [
        "condition",
        "shooter",
        "condition x shooter",
        "shot",
        "measuring",
    ]
    variances = [row.variance for row in found.rows[:4]]
    assert variances == pytest.approx([48.29259, 0.564609, 0.727984, 0.511111], rel=0, abs=6e-6)
    assert sum(row.share for row in found.rows[:4]) == pytest.approx(1.0)
    for row in found.rows[:4]:
        assert row.lo <= row.sd <= row.hi


def test_components_of_dyestuff_as_published():
    """Davies & Goldsmith 1972: batch variance 1764.05, sd 42.0006; within 49.5101."""
    found = variance_components(batches(DYESTUFF))
    assert found.row("condition").sd == pytest.approx(42.0006, rel=0, abs=5e-5)
    assert found.row("shot").sd == pytest.approx(49.5101, rel=0, abs=5e-5)
    assert found.row("shooter").variance is None
    assert any("cannot tell the variance of: shooter" in note for note in found.notes)


def test_a_variance_below_zero_is_zero_and_said():
    """Box & Tiao 1973: the moment estimate is -1.3219."""
    found = variance_components(batches(DYESTUFF2))
    assert found.row("condition").variance == 0.0
    assert found.row("condition").lo == 0.0
    assert found.row("condition").hi > 0
    assert any("below zero (-1.32" in note for note in found.notes)


def test_measuring_is_split_from_the_shots():
    shots = batches(DYESTUFF).assign(reading_sd_mm=20.0)
    found = variance_components(shots)
    assert found.row("measuring").variance == pytest.approx(400.0)
    assert found.row("shot").variance == pytest.approx(2451.25 - 400)
    fitness = measurement_fitness(found, margin=50.0)
    assert fitness.ratio == pytest.approx(20 / 49.51010, rel=1e-6)
    assert not fitness.good
    assert "0.40 of the scatter" in fitness.sentence
    assert "0.40 of the margin" in fitness.sentence
    better = variance_components(shots, measuring_sd=5.0)
    assert measurement_fitness(better).good
    assert measurement_fitness(variance_components(batches(DYESTUFF))) is None


def test_unbalanced_and_incomplete_tables_still_answer():
    shots = study(IMPEDANCE, 3).rename(columns={"clip": "condition", "operator": "shooter"})
    unbalanced = variance_components(shots.drop(index=[0, 13, 40, 77]))
    assert unbalanced.method.startswith("analysis of variance of the cells' unweighted means")
    assert unbalanced.row("condition").variance == pytest.approx(48.3, rel=0.05)
    incomplete = variance_components(shots.drop(index=range(3)))
    assert incomplete.method.startswith("REML")
    assert incomplete.row("condition").variance == pytest.approx(48.3, rel=0.15)
    assert incomplete.row("shot").variance == pytest.approx(0.511, rel=0.1)


def test_reml_components_of_a_balanced_table_are_those_of_the_analysis_of_variance():
    from analyze.statistics.cells import reduce_to_cells
    from analyze.statistics.shots_table import check_shots
    from analyze.statistics.variance import _by_reml

    shots = study(IMPEDANCE, 3).rename(columns={"clip": "condition", "operator": "shooter"})
    components, notes = _by_reml(reduce_to_cells(check_shots(shots), "reading_mm"), 0.95)
    assert notes == ()
    assert [c.variance for c in components] == pytest.approx([48.29259, 0.564609, 0.727984, 0.511111], rel=1e-4)


def test_a_session_of_its_own_is_a_source_of_its_own():
    rng = np.random.default_rng(3)
    rows = [
        (f"s{s}", f"C{c}", f"S{k}", 10 * off + c + e)
        for s, off in enumerate(rng.normal(size=6))
        for c in range(3)
        for k in range(2)
        for e in rng.normal(0, 1, 4)
    ]
    found = variance_components(pd.DataFrame(rows, columns=["session", "condition", "shooter", "reading_mm"]))
    assert found.row("session").sd > 5 * found.row("shot").sd
    assert found.row("shot").sd == pytest.approx(1.0, rel=0.2)


POOR = {
    "no shot": batches("1 2 / 3 4").assign(reading_mm=np.nan),
    "one shot": batches("1"),
    "one condition": batches("1 2 3"),
    "one shot a condition": batches("1 / 2 / 4"),
    "equal values": batches("5 5 5 / 5 5 5"),
    "one shot a cell": pd.concat([batches("1 / 2 / 4"), batches("2 / 2 / 7").assign(shooter="S2")]),
    "no overlap": pd.concat([batches("1 2 4").assign(condition="x"), batches("2 5 7").assign(shooter="S2")]),
    "single shots, no overlap": pd.concat([batches("1").assign(condition="x"), batches("2").assign(shooter="S2")]),
}


@pytest.mark.parametrize("name", POOR)
def test_poor_data_give_what_exists(name):
    found = variance_components(POOR[name])
    frame = found.frame()
    assert ",".join(frame.columns) == "source,variance_mm2,sd_mm,share,lo_mm,hi_mm"
    assert found.notes
    for row in found.rows:
        assert row.variance is None or row.variance >= 0


@pytest.mark.slow
@pytest.mark.parametrize(("condition_sd", "interaction_sd"), [(6.0, 0.0), (6.0, 4.0), (0.0, 3.0)])
def test_intervals_of_variances_cover(condition_sd, interaction_sd):
    """95 % intervals of all four sds over 400 balanced tests of 4 conditions, 3 shooters, 5 shots."""
    rng = np.random.default_rng(4)
    held = np.zeros(4)
    for _ in range(400):
        readings = (
            rng.normal(0, condition_sd, (4, 1, 1))
            + rng.normal(0, 8.0, (1, 3, 1))
            + rng.normal(0, interaction_sd, (4, 3, 1))
            + rng.normal(0, 10.0, (4, 3, 5))
        )
        c, s, _ = np.indices(readings.shape)
        shots = pd.DataFrame(
            {
                "condition": np.char.add("C", c.ravel().astype(str)),
                "shooter": np.char.add("S", s.ravel().astype(str)),
                "reading_mm": readings.ravel(),
            }
        )
        truth = (condition_sd, 8.0, interaction_sd, 10.0)
        rows = variance_components(shots).rows[:4]
        held += [row.lo - 1e-9 <= true <= row.hi for row, true in zip(rows, truth, strict=True)]
    # The method is approximate: Burdick & Graybill found 94 % or more in such cases; 99.9 % binomial limit of 0.94.
    assert (held >= 359).all(), held


# --- drift ------------------------------------------------------------------------------------------------------


def test_drift_is_nists_certified_line():
    """NIST StRD Norris: slope 1.00211681802045, its sd 0.429796848199937e-3."""
    lines = (REFERENCES / "Norris.dat").read_text(encoding="ascii").splitlines()[60:96]
    y, x = np.array([[float(cell) for cell in line.split()] for line in lines]).T
    shots = pd.DataFrame({"condition": "A", "shooter": "S1", "reading_mm": y, "order": x})
    (drift,) = session_drift(shots)
    assert drift.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert drift.se == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert drift.df == 34
    assert "drift by" in drift.sentence


def test_levels_of_conditions_and_shooters_are_no_drift():
    rng = np.random.default_rng(5)
    order = rng.permutation(40) + 1
    condition, shooter = np.arange(40) % 2, np.arange(40) // 2 % 2
    shots = pd.DataFrame(
        {
            "condition": np.where(condition, "B", "A"),
            "shooter": np.where(shooter, "S2", "S1"),
            "reading_mm": 30.0 * condition + 9 * shooter + rng.normal(0, 2, 40),
            "order": order,
        }
    )
    (still,) = session_drift(shots)
    assert "no drift shown" in still.sentence
    creeping = shots.assign(reading_mm=shots["reading_mm"] + 0.5 * shots["order"])
    (drift,) = session_drift(creeping)
    assert drift.slope == pytest.approx(still.slope + 0.5, rel=1e-12)
    assert drift.over_session == pytest.approx(39 * drift.slope)
    assert drift.p < 1e-6


def test_blocks_are_said_to_hide_drift():
    shots = pd.DataFrame(
        {
            "condition": ["A"] * 10 + ["B"] * 10,
            "shooter": "S1",
            "reading_mm": np.random.default_rng(6).normal(0, 1, 20),
            "order": np.arange(20),
        }
    )
    (drift,) = session_drift(shots)
    # Within the blocks lies a quarter of the order's variation.
    assert "blocks" in drift.sentence


@pytest.mark.parametrize(
    "shots",
    [
        pd.DataFrame({"condition": ["A"], "shooter": "S1", "reading_mm": [1.0]}),
        pd.DataFrame({"condition": ["A"], "shooter": "S1", "reading_mm": [1.0], "order": [1]}),
        pd.DataFrame({"condition": ["A", "B"], "shooter": "S1", "reading_mm": [1.0, 2.0], "order": [1, 2]}),
        pd.DataFrame({"condition": "A", "shooter": "S1", "reading_mm": [2.0] * 4, "order": [1, 2, 3, 4]}),
    ],
)
def test_too_little_for_a_drift_is_said(shots):
    (drift,) = session_drift(shots)
    assert drift.p is None
    assert drift.sentence.endswith(".")
