"""The section about the hand and its files, from shots that are drawn with known habits."""

import numpy as np
import pandas as pd
import pytest
from drawn_hands import drawn

from analyze.cue.cue_table import Ball
from analyze.cue.equal_contact import equal_contact, squirt_growth
from analyze.cue.hand import habits
from analyze.cue.scatter_split import split_scatter
from analyze.report.blocks import Grid
from analyze.report.hand import Hand, hand_sections, hand_tables
from analyze.report.tables import write_numbers


def a_hand(**said) -> Hand:
    table = drawn(np.random.default_rng(12), n=10, controls=6, **said)
    equal = equal_contact(table, ball=Ball(radius_mm=28.575, mass_g=165.0), confidence=0.95)
    growth = squirt_growth(equal)
    return Hand(
        habits=habits(table, distance_mm=1870.0, growth_deg=growth),
        split=split_scatter(table, distance_mm=1870.0, growth_deg=growth),
        equal=equal,
    )


def test_the_section_tells_habits_sources_of_scatter_and_squirt_at_equal_contact():
    (section,) = hand_sections(a_hand())
    grids = {block.caption: block for block in section.blocks if isinstance(block, Grid)}
    assert [len(grid.rows[0]) == len(grid.head) for grid in grids.values()] == [True] * 5
    sources = next(grid for caption, grid in grids.items() if caption.startswith("Where"))
    assert sum(int(row[3].split()[0]) for row in sources.rows) == pytest.approx(100, abs=3)
    pairs = grids["Squirt compared at equal contact, for these shooters"]
    assert [row[4] for row in pairs.rows] == ["equal contact", "equal contact and speed"]
    words = " ".join(block.text for block in section.blocks if hasattr(block, "text"))
    assert "regression calibration" in words
    assert "a launch speed of 2.5" in words


def test_the_same_is_in_files(tmp_path):
    tables = hand_tables(a_hand())
    assert set(tables) == {"hand.csv", "scatter.csv", "equal_contact.csv"}
    for name, table in tables.items():
        write_numbers(tmp_path / name, table)
    equal = pd.read_csv(tmp_path / "equal_contact.csv").set_index("condition")
    assert equal.loc["A", "end_mass_lo_g"] < 165 / 30 < equal.loc["A", "end_mass_hi_g"]
    assert equal.loc["B", "growth_deg"] == pytest.approx(0.12, abs=0.03)
    assert list(pd.read_csv(tmp_path / "hand.csv")["what"])[:2] == ["aim_deg", "contact_mm"]


def test_nothing_is_told_where_no_cue_was_seen():
    hand = Hand(habits=(), split=None, equal=None)
    assert hand_sections(hand) == ()
    assert hand_tables(hand) == {}
