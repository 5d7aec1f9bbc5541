"""The rail scale: ticks and readings undo each other, and a scale laid badly is said to be."""

from dataclasses import replace

import numpy as np
import pytest
from calibrate_scenes import LANE, SCALE, SETUP, behind_foot_rail, clicks_of, moved
from hypothesis import given
from hypothesis import strategies as st

from calibrate.notices import notices
from calibrate.scale import scale_notices
from calibrate.solve import calibrate

SDS = {"zero_sd_m": 0.0003, "skew_sd_rad": 0.001, "stretch_sd": 0.001}


@given(
    number=st.floats(-6, 6),
    skew_rad=st.floats(-0.05, 0.05),
    stretch=st.floats(-0.01, 0.01),
    slope=st.floats(-0.2, 0.2),
)
def test_a_line_through_a_tick_reads_its_number(number, skew_rad, stretch, slope):
    scale = replace(SCALE, skew_rad=skew_rad, stretch=stretch)
    tick_m = np.array(scale.tick_xy_m(number))
    direction = np.array([slope, 1.0])
    assert scale.reading_m(tick_m - 0.7 * direction, direction) == pytest.approx(number * 0.0254, rel=0, abs=1e-12)


def test_a_line_along_the_scale_reads_nothing():
    with pytest.raises(ValueError, match="along the scale"):
        SCALE.reading_m(np.array([0.3, 2.0]), np.array([1.0, 0.0]))


def test_a_scale_that_lies_well_needs_no_words():
    assert scale_notices(replace(SCALE, zero_m=SCALE.zero_m + 0.0009), aim_m=LANE.x_aim_m, **SDS) == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"zero_m": SCALE.zero_m - 0.0042}, "zero lies 4.2 mm to the left of the line of aim"),
        ({"skew_rad": 0.01}, "over 300 mm its right end is 3.0 mm farther"),
        ({"stretch": -0.005}, "0.50 % shorter than printed units"),
    ],
)
def test_a_scale_that_lies_otherwise_is_described(change, words):
    (sentence,) = scale_notices(replace(SCALE, **change), aim_m=LANE.x_aim_m, **SDS)
    assert words in sentence


def test_what_is_not_known_well_enough_is_not_said():
    wide = SDS | {"zero_sd_m": 0.003}
    assert scale_notices(replace(SCALE, zero_m=SCALE.zero_m + 0.004), aim_m=LANE.x_aim_m, **wide) == ()


def test_notices_hold_scale_and_marks():
    camera = behind_foot_rail()
    clicks = clicks_of(
        camera, rng=np.random.default_rng(20240611), scale=replace(SCALE, zero_m=SCALE.zero_m + 0.009)
    )
    said = notices(calibrate(moved(clicks, "foot-3", (14, -6)), luma=None, **SETUP))
    assert "scale.zero_mm = 10" in said[0]
    assert "to the right of the line of aim" in said[1]
    assert said[-1].startswith("foot-3: left out")
