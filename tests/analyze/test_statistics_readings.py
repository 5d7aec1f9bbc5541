"""`readings.csv`: what a tester may write, and what is refused with file and line."""

import re
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyze.statistics import inch_from_text, read_readings, summarise
from analyze.statistics.readings import own_columns
from calibrate.errors import SessionError


def written(tmp_path, text):
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("2.4375", 2.4375),
        ("2-7/16", 2.4375),
        ("2 7/16", 2.4375),
        ("7/16", 0.4375),
        ("-2-7/16", -2.4375),
        ("-2 7/16", -2.4375),
        ("- 7/16", -0.4375),
        ("+1 1/2", 1.5),
        ("\N{MINUS SIGN}1/8", -0.125),
        (' 2 7/16" ', 2.4375),
        ("2 - 7/16 in", 2.4375),
        ("3", 3.0),
        (".5", 0.5),
        ("-.25", -0.25),
    ],
)
def test_inches_as_testers_write_them(text, inches):
    assert inch_from_text(text) == inches


@pytest.mark.parametrize("text", ["", "two", "2,5", "7/0", "2-7", "1 2 3/4", "nan", "inf", "2 -7/16 x", "--1"])
def test_what_is_no_length_is_refused(text):
    with pytest.raises(ValueError, match="is not a length in inches"):
        inch_from_text(text)


@given(st.integers(0, 40), st.integers(1, 63), st.sampled_from([2, 4, 8, 16, 32, 64]), st.booleans())
def test_every_ruler_fraction_is_exact(whole, top, bottom, negative):
    sign = "-" if negative else ""
    exact = (-1 if negative else 1) * (whole + Fraction(top, bottom))
    assert Fraction(inch_from_text(f"{sign}{whole}-{top}/{bottom}")) == exact
    assert Fraction(inch_from_text(f"{sign}{whole} {top}/{bottom}")) == exact


def test_inch_file_gives_a_table_in_mm(tmp_path):
    path = written(
        tmp_path,
        "# by hand\ncondition,shooter,reading_in,shot,note\n\nA,S1,2-7/16,1,\nA,S1,-1/16,2,\nB,S1,,3,ball lost\n",
    )
    table = read_readings(path)
    assert table["reading_mm"].tolist()[:2] == pytest.approx([61.9125, -1.5875], rel=1e-14)
    assert table["reading_mm"].isna().tolist() == [False, False, True]
    assert table["note"].tolist() == ["", "", "ball lost"]
    summary = summarise(table)
    assert summary.row("A").n == 2
    assert "1 of 3 shots have no reading_mm" in summary.notes[0]


def test_mm_file_with_semicolons_quotes_and_every_column(tmp_path):
    path = written(
        tmp_path,
        "condition;shooter;reading_mm;reading_sd_mm;launch_speed_m_s;tip_offset_mm;order;role;kept;session\n"
        '"A; soft tip";S1;61.5;0.4;3.1;14.3;2;test;no;first\nZ;S1;-1.0;;;;;control;yes;first\n',
    )
    table = read_readings(path)
    assert table.loc[0, "condition"] == "A; soft tip"
    assert table["kept"].tolist() == [False, True]
    assert table.loc[0, ["reading_mm", "reading_sd_mm", "launch_speed_m_s", "tip_offset_mm"]].tolist() == [
        61.5,
        0.4,
        3.1,
        14.3,
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("condition,reading_mm\nA,1\n", "line 1: no column 'shooter'"),
        ("condition,shooter\nA,S1\n", "line 1: one column 'reading_mm' or 'reading_in' is needed, but none"),
        ("condition,shooter,reading_mm,reading_in\n", "but both are there"),
        ("condition,shooter,reading_mm,speed\nA,S1,1,2\n", "unknown column 'speed'"),
        ("condition,shooter,reading_mm,note,note\n", "column 'note' is there twice"),
        ("condition,shooter,reading_mm\n", "holds no shot"),
        ("condition,shooter,reading_mm\nA,S1,1\nA,S1\n", "line 3: 2 cells"),
        ("condition,shooter,reading_mm\nA,S1,1\n,S1,1\n", "line 3: condition is empty"),
        ("condition,shooter,reading_mm\nA,all,1\n", "line 2: no shooter may be called 'all'"),
        ("condition,shooter,reading_mm\n\nA,S1,1 7/16\n", "line 3: reading_mm: '1 7/16' is not a number"),
        ("condition,shooter,reading_in\nA,S1,2.5.1\n", "line 2: reading_in: '2.5.1' is not a length in inches"),
        ("condition,shooter,reading_mm,reading_sd_mm\nA,S1,1,-2\n", "line 2: reading_sd_mm: -2 is below zero"),
        ("condition,shooter,reading_mm,kept\nA,S1,1,maybe\n", "line 2: kept: 'maybe' is neither yes nor no"),
        ("condition,shooter,reading_mm,role\nA,S1,1,zero\n", "line 2: role: 'zero' is neither"),
        ("condition,shooter,reading_mm\nA,S1,1e300\n", "line 2: reading_mm: 1e+300 mm is not between -3000"),
        ("condition,shooter,reading_in\nA,S1,1e9\n", "line 2: reading_mm: 2.54e+10 mm is not between"),
        (
            "condition,shooter,reading_mm,launch_speed_m_s\nA,S1,1,0\n",
            "line 2: launch_speed_m_s: 0 m/s is no speed",
        ),
        ("condition,shooter,reading_mm,launch_speed_m_s\nA,S1,1,95\n", "95 m/s is no speed of a cue ball"),
        ("condition,shooter,reading_mm,tip_offset_mm\nA,S1,1,99\n", "that lies beside the ball"),
        ("condition,shooter,reading_mm\nA,S1,60\nA,S1,2.4\nA,S1,63\n", "line 3: 2.4 among readings about 61.5 mm"),
        (
            "condition,shooter,reading_in\nA,S1,2.5\nA,S1,2.4\nA,S1,63\n",
            "line 4: 63 among readings about 2.45 inches",
        ),
        ("condition,shooter,reading_mm,shot\nA,S1,60,1\nA,S1,61,1\n", "line 3: shot 1 is already in line 2"),
        ("condition,shooter,reading_mm,order\nA,S1,60,4\nB,S1,61,4\n", "line 3: order 4 is already in line 2"),
        (
            "condition,shooter,reading_mm\n" + 2 * "A,S1,60\nA,S1,64\nB,S1,61\nB,S1,69\n",
            "line 6: the rows from here on stand from line 2 on already",
        ),
    ],
)
def test_what_is_wrong_is_said_in_one_line_with_its_place(tmp_path, text, message):
    path = written(tmp_path, text)
    with pytest.raises(SessionError, match=re.escape(message)) as raised:
        read_readings(path)
    assert str(raised.value).startswith(str(path))
    assert "\n" not in str(raised.value)


def test_an_outlier_and_equal_readings_are_no_mistake(tmp_path):
    """A shot gone wrong, readings about zero, and readings to the nearest eighth that come again are possible."""
    for text in (
        "A,S1,60\nA,S1,5\nA,S1,63\n",
        "A,S1,1\nA,S1,25\nA,S1,2\n",
        "A,S1,60\nA,S1,2.4,no\nA,S1,63\n".replace("\n", ",\n").replace("no,", "no"),
        6 * "A,S1,60\n",
    ):
        header = "condition,shooter,reading_mm,kept\n" if ",no" in text else "condition,shooter,reading_mm\n"
        assert len(read_readings(written(tmp_path, header + text))) >= 3


def test_columns_of_ones_own_say_what_conditions_are_made_of(tmp_path):
    header = "condition,shooter,reading_mm,shaft,ferrule_mm\n"
    table = read_readings(written(tmp_path, header + "A,S1,60,N,12\nB,S1,61,M,\nA,S2,64,N,12\n"))
    assert own_columns(table) == ("shaft", "ferrule_mm")
    assert table["shaft"].tolist() == ["N", "M", "N"]
    assert table["ferrule_mm"].tolist() == pytest.approx([12.0, np.nan, 12.0], nan_ok=True)
    for name in ("shoter", "launch_speed", "conditions", "speed"):
        with pytest.raises(SessionError, match=f"unknown column '{name}'"):
            read_readings(written(tmp_path, f"condition,shooter,reading_mm,{name}\nA,S1,1,2\n"))
    with pytest.raises(
        SessionError, match="column 'humidity' is not known and says different things of condition 'A'"
    ):
        read_readings(written(tmp_path, "condition,shooter,reading_mm,humidity\nA,S1,1,50\nA,S1,2,60\n"))


def test_numbers_that_no_table_gives_are_refused_in_any_table():
    """Sums of squares of them overflow, and searches for a variance do not end."""
    shots = pd.DataFrame(
        {"condition": ["A", "B"] * 3, "shooter": "S1", "reading_mm": [1.0, 2.0, 3.0, 4.0, 5.0, 1e9]}
    )
    with pytest.raises(SessionError, match=r"row 6, reading_mm: 1e\+09 mm cannot be"):
        summarise(shots)


def test_a_file_that_is_not_there_or_not_text(tmp_path):
    with pytest.raises(SessionError, match="cannot be read"):
        read_readings(tmp_path / "readings.csv")
    (tmp_path / "readings.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SessionError, match="cannot be read"):
        read_readings(tmp_path / "readings.csv")
