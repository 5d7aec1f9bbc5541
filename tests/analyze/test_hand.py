"""What the hand did, on shots that are drawn with known habits, and what of the scatter of readings it explains."""

import numpy as np
import pytest
from drawn_hands import drawn

from analyze.cue.cue_table import Ball
from analyze.cue.hand import habits
from analyze.cue.scatter_split import split_scatter


def test_habits_are_those_that_were_drawn():
    shots = drawn(np.random.default_rng(20240611))
    found = {one.what: one for one in habits(shots, distance_mm=1870.0, growth_deg=0.0866)}
    assert set(found) == {"aim_deg", "contact_mm", "speed_m_s", "sideways_m_s"}
    assert found["aim_deg"].lo < 0.35 < found["aim_deg"].hi
    assert found["contact_mm"].lo < 1.2 < found["contact_mm"].hi
    assert found["contact_mm"].bias == pytest.approx(0.5, abs=2 * found["contact_mm"].bias_half)
    assert found["speed_m_s"].own_sd == pytest.approx(np.sqrt(0.2**2 - 0.1**2), abs=0.02)
    assert found["sideways_m_s"].bias == pytest.approx(0.02, abs=2 * found["sideways_m_s"].bias_half)
    # a degree is 32.6 mm at 1870 mm
    assert found["aim_deg"].at_rail_mm == pytest.approx(0.35 * 32.64, rel=0.1)
    assert found["contact_mm"].at_rail_mm == pytest.approx(1.2 * 0.0866 * 32.64, rel=0.1)


def test_contact_is_held_against_where_a_dome_touches_whose_axis_was_set():
    """A ball of radius R is touched at R / (R + r) of the axis's offset by a dome of radius r: 8 mm, and 12."""
    shots = drawn(np.random.default_rng(20240611))
    at_contact = next(one for one in habits(shots, distance_mm=1870.0, growth_deg=None) if one.what == "contact_mm")
    own = {str(name): 12.0 for name in shots["condition"].unique()[:1]}
    radii = shots["condition"].map(own).fillna(8.0)
    axis = shots.assign(tip_offset_mm=shots["tip_offset_mm"] * (28.575 + radii) / 28.575)
    ball = Ball(radius_mm=28.575, tip_radius_mm=8.0, own_tip_radii_mm=own)
    of_axis = next(
        one for one in habits(axis, distance_mm=1870.0, growth_deg=None, ball=ball) if one.what == "contact_mm"
    )
    assert (of_axis.bias, of_axis.bias_half) == pytest.approx((at_contact.bias, at_contact.bias_half), abs=1e-9)


def test_what_a_dome_moves_in_all_shots_is_not_taken_from_the_scatter():
    shots = drawn(np.random.default_rng(20240611))
    assert (shots["tip_side_sd_mm"] > 0.7).any()
    found = {one.what: one for one in habits(shots, distance_mm=1870.0, growth_deg=None)}
    assert found["contact_mm"].measuring_sd == pytest.approx(0.3, abs=1e-12)
    assert found["contact_mm"].at_rail_mm is None


def test_the_scatter_of_readings_is_split_into_what_was_drawn():
    """Aim 0.35° = 11.4 mm, contact 1.2 mm = 3.4 mm by 0.0866°/mm, speed 0.2 m/s = 1.6 mm, rest 1.5 mm."""
    split = split_scatter(drawn(np.random.default_rng(5), n=2000), distance_mm=1870.0, growth_deg=0.0866)
    at_rail = {part.source: part.at_rail_mm for part in split.parts}
    assert set(at_rail) == {"aim", "contact", "speed", "measuring", "rest"}
    assert at_rail["aim"] == pytest.approx(11.4, rel=0.04)
    assert at_rail["contact"] == pytest.approx(3.4, rel=0.08)
    assert at_rail["speed"] == pytest.approx(1.6, rel=0.2)
    assert at_rail["rest"] < 3
    assert sum(part.share for part in split.parts) == pytest.approx(1.0, abs=1e-9)
    assert split.notes == ()


def test_sources_that_offset_each_other_are_said_to():
    """A hand that steers against what its contact does: the reading scatters less than aim and contact would."""
    shots = drawn(np.random.default_rng(6), n=50)
    shots["reading_mm"] = np.random.default_rng(1).normal(0, 2, len(shots))
    split = split_scatter(shots, distance_mm=1870.0, growth_deg=0.0866)
    assert "offset each other" in split.notes[0]


def test_nothing_is_said_where_no_cue_was_seen_or_shots_are_few():
    shots = drawn(np.random.default_rng(1), n=5)
    blind = shots.assign(
        cue_deg=np.nan, tip_side_mm=np.nan, squirt_cue_deg=np.nan, cue_speed_m_s=np.nan, cue_sideways_m_s=np.nan
    )
    assert habits(blind, distance_mm=1870.0, growth_deg=None) == ()
    assert habits(blind.drop(columns="cue_deg"), distance_mm=1870.0, growth_deg=None) == ()
    assert split_scatter(blind, distance_mm=1870.0, growth_deg=0.1) is None
    assert split_scatter(drawn(np.random.default_rng(1), n=2), distance_mm=1870.0, growth_deg=0.1) is None
