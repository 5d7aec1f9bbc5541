"""A cue that cannot have sent the ball where it went is not believed."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from analyze.fit.cue_check import Struck, check_cue
from analyze.fit.cue_place import CuePlace
from analyze.fit.reasons import CUE_AGAINST_BALL
from calibrate.errors import NotMeasured


def placed(cue_deg, axis_mm, *, sd_deg=0.1, sd_mm=0.6, seen=(1, 0, 1, 0)):
    cov = np.diag([math.radians(sd_deg), 0.025, sd_mm / 1000, 0.0067]) ** 2
    values = np.array([math.radians(cue_deg), 0.07, axis_mm / 1000, 0.0])
    return CuePlace(values=values, cov=cov, own_cov=cov, seen=np.array(seen, float), frames=7)


def checked(cue, launch_deg):
    launch = None if launch_deg is None else math.radians(launch_deg)
    struck = Struck(
        launch_rad=launch,
        launch_sd_rad=math.radians(0.03),
        speed_m_s=3.0,
        strike_s=0.5,
        ball_radius_m=0.028575,
    )
    return check_cue(cue, struck)


# Squirt in degrees for m/m_e = 10, 25 and 100 at 0.5 R (2x2 impulse solve), and none at all.
@pytest.mark.parametrize("squirt_deg", [4.806, 2.224, 0.603, 0.0])
@pytest.mark.parametrize("side", [-1, 1])
def test_every_cue_that_there_is_passes(squirt_deg, side):
    """Struck at half a radius: a dome of 6 or 10.6 mm puts the axis at 17.3 or 19.6 mm."""
    for axis_mm in (17.3, 19.6):
        cue = placed(0.4, side * axis_mm)
        assert checked(cue, 0.4 - side * squirt_deg) is cue


@pytest.mark.parametrize(
    ("axis_mm", "launch_deg", "detail"),
    [
        (17.0, 1.6, r"\+1.6 degrees from it, struck 17 mm to the right"),
        (-17.0, 9.5, "struck 17 mm to the left"),
        (0.0, 2.5, "degrees from it"),
        (34.0, -3.0, "passes the middle of the ball by 34 mm"),
        (28.0, -3.0, "passes the middle of the ball by 28 mm"),
    ],
    ids=["towards the contact", "too far from it", "centre ball", "beside the ball", "farther out than tips grip"],
)
def test_a_stick_that_cannot_have_done_it_is_none(axis_mm, launch_deg, detail):
    found = checked(placed(0.0, axis_mm), launch_deg)
    assert isinstance(found, NotMeasured)
    assert found.reason is CUE_AGAINST_BALL
    assert re.search(detail, found.detail)


def test_what_is_hardly_known_is_not_held_against_it():
    cue = placed(0.0, 17.0, sd_deg=0.55, sd_mm=3.0)
    assert checked(cue, 1.6) is cue


def test_a_cue_of_which_the_side_was_not_seen_is_left():
    cue = placed(0.0, 0.0, seen=(0, 1, 0, 1))
    assert checked(cue, 5.0) is cue
    assert checked(None, 1.0) is None
    known = placed(0.0, 17.0)
    assert checked(known, None) is known


# The ball leaves at 3 m/s, 10 ms after the frame; a cue of 0.54 kg and a tip of 0.75 come at 2.2 m/s for that.
@pytest.mark.parametrize(
    ("came", "detail"),
    [
        ({"speed_m_s": 0.6, "speed_sd_m_s": 0.1}, "it came at 0.6 m/s and the ball left at 3.0 m/s"),
        ({"speed_m_s": 9.0, "speed_sd_m_s": 0.5}, "it came at 9.0 m/s"),
        ({"sideways_m_s": -0.8, "sideways_sd_m_s": 0.03}, "it moved aside at 0.80 m/s"),
        ({"end_m": 0.20, "last_s": 0.49}, "its end was 200 mm behind the ball 10 ms before the strike"),
        ({"end_m": 0.14, "last_s": 0.49, "speed_m_s": 2.2, "speed_sd_m_s": 0.2}, "its end was 140 mm behind"),
    ],
    ids=["too slow", "too fast", "aside", "too far off", "too far off for its speed"],
)
def test_what_came_otherwise_than_a_cue_is_none(came, detail):
    found = checked(replace(placed(0.4, 17.3), **came), -1.0)
    assert isinstance(found, NotMeasured)
    assert found.reason is CUE_AGAINST_BALL
    assert detail in found.detail


@pytest.mark.parametrize(
    "came",
    [
        {"speed_m_s": 2.2, "speed_sd_m_s": 0.2, "end_m": 0.06, "last_s": 0.49},
        {"speed_m_s": 1.3, "speed_sd_m_s": 0.3},
        {"sideways_m_s": 0.08, "sideways_sd_m_s": 0.01},
        {"end_m": 0.15, "last_s": 0.47},
        {"end_m": None, "last_s": 0.49},
    ],
)
def test_a_cue_that_came_as_cues_do_passes(came):
    cue = replace(placed(0.4, 17.3), **came)
    assert checked(cue, -1.0) is cue
