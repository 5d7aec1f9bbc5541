"""Summaries against certified and published values, and on data that hold no full answer."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analyze.statistics import summarise
from analyze.statistics.shots_table import check_shots
from calibrate.errors import SessionError

# Numbers of statsmodels' own robust-scale test (statsmodels/robust/tests/test_scale.py, data `chem`).
CHEM = [2.20, 2.20, 2.4, 2.4, 2.5, 2.7, 2.8, 2.9, 3.03, 3.03, 3.10, 3.37]
CHEM += [3.4, 3.4, 3.4, 3.5, 3.6, 3.7, 3.7, 3.7, 3.7, 3.77, 5.28, 28.95]


def table(**cells):
    rows = [
        {"condition": name.split("_")[0], "shooter": name.split("_")[1], "reading_mm": value}
        for name, values in cells.items()
        for value in values
    ]
    return pd.DataFrame(rows)


def test_mean_median_and_mad_of_published_data():
    row = summarise(table(A_S1=CHEM)).row("A", "S1")
    assert row.mean == pytest.approx(4.2804, rel=0, abs=5e-5)
    assert row.median == pytest.approx(3.385, rel=0, abs=1e-12)
    # The published 0.52632 is scaled to a normal sd.
    assert row.mad * 1.482602218505602 == pytest.approx(0.52632, rel=0, abs=5e-6)


@pytest.mark.parametrize(
    ("base", "tolerance"),
    # NIST StRD NumAcc2, 3, 4: sd exactly 0.1. Double precision itself costs 8e-17, 2e-11, 4e-10 (two-pass).
    [(1.2, 1e-14), (1000000.2, 1e-10), (10000000.2, 2e-9)],
)
def test_sd_keeps_its_digits_on_nist_numacc(base, tolerance):
    # No reading is as large as theirs. A power of two scales exactly: no digit changes.
    scale = 1.0 if base < 1000 else 2.0**-14
    values = [scale * value for value in (base, *[base - 0.1, base + 0.1] * 500)]
    row = summarise(table(A_S1=values)).row("A", "S1")
    assert row.mean == pytest.approx(scale * base, rel=1e-15)
    assert row.sd == pytest.approx(scale * 0.1, rel=0, abs=scale * tolerance)


def test_interval_is_the_one_sample_t_interval():
    """Student 1908, first sleep group; independent reference: scipy's one-sample t."""
    values = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    row = summarise(table(A_S1=values), confidence=0.9).row("A", "S1")
    interval = stats.ttest_1samp(values, 0.0).confidence_interval(0.9)
    assert (row.lo, row.hi) == pytest.approx(tuple(interval), rel=1e-12)
    assert row.se == pytest.approx(stats.sem(values), rel=1e-12)


def test_rows_keep_the_order_of_the_table_and_end_with_the_pooled_row():
    summary = summarise(table(B_S2=[1.0, 2.0], A_S1=[3.0, 5.0, 7.0], B_S1=[4.0]))
    assert [(r.condition, r.shooter, r.n) for r in summary.rows] == [
        ("B", "S2", 2),
        ("B", "S1", 1),
        ("B", "all", 3),
        ("A", "S1", 3),
        ("A", "all", 3),
    ]
    assert summary.row("B").mean == pytest.approx(7 / 3)


def test_frame_has_the_columns_of_the_file():
    frame = summarise(table(A_S1=[1.0, 2.0])).frame()
    assert ",".join(frame.columns) == "condition,shooter,n,mean_mm,sd_mm,se_mm,lo_mm,hi_mm,median_mm,mad_mm"
    angles = table(A_S1=[1.0, 2.0]).rename(columns={"reading_mm": "squirt_deg"})
    assert "mean_deg" in summarise(angles, quantity="squirt_deg").frame().columns


def test_one_shot_gives_its_mean_and_says_what_is_missing():
    summary = summarise(table(A_S1=[12.5]))
    row = summary.row("A", "S1")
    assert (row.n, row.mean, row.median, row.mad) == (1, 12.5, 12.5, 0.0)
    assert (row.sd, row.se, row.lo, row.hi) == (None, None, None, None)
    assert "One shot" in row.note
    assert summary.frame().loc[0, ["sd_mm", "lo_mm"]].isna().all()


def test_equal_values_are_named():
    shots = table(A_S1=[3.0, 3.0, 3.0]).assign(reading_sd_mm=0.4)
    row = summarise(shots).row("A", "S1")
    assert row.sd == 0.0
    assert "equal" in row.note
    assert "0.4 mm" in row.note


def test_missing_and_set_aside_shots_are_counted_out_aloud():
    shots = table(A_S1=[1.0, np.nan, 3.0, 50.0]).assign(kept=[True, True, True, False])
    summary = summarise(shots)
    assert summary.row("A", "S1").mean == 2.0
    assert summary.notes == (
        "1 of 4 shots are set aside and not counted.",
        "1 of 4 shots have no reading_mm and are not counted.",
    )


def test_no_shot_at_all_is_an_answer_too():
    summary = summarise(table(A_S1=[np.nan]))
    assert summary.rows == ()
    assert summary.row("A") is None
    assert list(summary.frame().columns)[:3] == ["condition", "shooter", "n"]
    assert "No shot" in summary.notes[-1]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.drop(columns="shooter"), "no column shooter"),
        (lambda t: t.assign(reading_mm=["1", "two"]), "row 2, reading_mm: 'two' is not a number"),
        (lambda t: t.assign(reading_mm=[1.0, np.inf]), "row 2, reading_mm: 'inf' is not a number"),
        (lambda t: t.assign(condition=["A", " "]), "row 2: condition is empty"),
        (lambda t: t.assign(shooter="all"), "no shooter may be called 'all'"),
        (lambda t: t.assign(role="centre"), "role 'centre' is neither"),
        (lambda t: t.assign(reading_sd_mm=-0.1), "reading_sd_mm is below zero"),
    ],
)
def test_a_wrong_table_is_refused_in_one_line(change, message):
    with pytest.raises(SessionError, match=message) as raised:
        summarise(change(table(A_S1=[1.0, 2.0])))
    assert "\n" not in str(raised.value)


def test_the_table_handed_in_is_not_altered():
    shots = table(A_S1=[1.0, 2.0])
    before = shots.copy()
    check_shots(shots)
    summarise(shots)
    pd.testing.assert_frame_equal(shots, before)
