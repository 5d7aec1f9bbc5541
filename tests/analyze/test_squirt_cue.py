"""Squirt from the cue's own line: worked by hand, with and without control shots."""

import math
from dataclasses import replace

import numpy as np
import pytest
from test_squirt import FAILED, launched

from analyze.cue.squirt_cue import FROM_CUE_ITSELF, contact_of, cue_zero, squirt_cue_of
from analyze.cue.tip_dome import Tip, tip_of
from analyze.fit.cue_place import CuePlace

RADIUS_M = 0.028575


def placed(cue_deg, *, own_deg=0.03, all_deg=0.05, side_m=0.0, seen=(1, 0, 1, 0)):
    sds = np.array([math.radians(all_deg), 0.02, 0.0004, 0.005])
    own = np.array([math.radians(own_deg), 0.01, 0.0003, 0.003])
    return CuePlace(
        values=np.array([math.radians(cue_deg), 0.07, side_m, 0.0]),
        cov=np.diag(sds**2),
        own_cov=np.diag(own**2),
        seen=np.array(seen, float),
        frames=7,
    )


def played(launch_deg, cue_deg, **cue):
    return replace(launched(launch_deg), cue=placed(cue_deg, **cue))


def test_aim_and_what_controls_share_fall_out():
    """Launch 1.9, cue 0.4: 1.5 off the cue, less the 0.1 by which the controls leave it."""
    zero = cue_zero([played(0.3, 0.2), played(-0.1, -0.2)])
    squirt = squirt_cue_of(played(1.9, 0.4), zero)
    assert math.degrees(squirt.squirt_rad) == pytest.approx(1.4, abs=1e-12)
    one = math.hypot(0.02, 0.03)
    assert math.degrees(squirt.sd_rad) == pytest.approx(math.hypot(one, one / math.sqrt(2)), abs=1e-12)
    assert squirt.note == ""


def test_controls_from_another_camera_place_leave_both_calibrations_in():
    """Shared are 0.03° of the launch and, of the cue, the root of 0.05² - 0.03², from both places."""
    controls = [played(0.3, 0.2), played(-0.1, -0.2)]
    alone = squirt_cue_of(played(1.9, 0.4), cue_zero(controls))
    found = squirt_cue_of(played(1.9, 0.4), cue_zero([replace(shot, place="head") for shot in controls]))
    assert math.degrees(found.common_sd_rad) == pytest.approx(0.05 * math.sqrt(2), abs=1e-12)
    assert found.sd_rad == pytest.approx(math.hypot(alone.sd_rad, found.common_sd_rad), rel=1e-12)


def test_without_controls_it_is_counted_from_the_cue_with_all_that_is_uncertain():
    squirt = squirt_cue_of(played(1.9, 0.4), cue_zero([launched(0.1), FAILED]))
    assert math.degrees(squirt.squirt_rad) == pytest.approx(1.5, abs=1e-12)
    assert math.degrees(squirt.sd_rad) == pytest.approx(math.hypot(math.hypot(0.02, 0.03), 0.05), abs=1e-12)
    assert squirt.note == FROM_CUE_ITSELF


def test_a_shot_without_a_cue_has_none():
    assert squirt_cue_of(launched(1.0), None) is None
    assert squirt_cue_of(played(1.0, 0.0, seen=(0, 1, 0, 1)), None) is None


def test_contact_lies_inside_the_axis_by_the_radii():
    """Two spheres touch on the line of their centres: axis 14.29 mm, dome 10.605 mm, ball 28.575 mm: 10.42 mm.

    The ratio R/(R + r) by the geometry of the common normal; the same numbers are in the README.
    """
    contact = contact_of(
        placed(0.0, side_m=0.01429), tip=Tip(radius_m=0.010605, radius_sd_m=0.0), ball_radius_m=RADIUS_M
    )
    assert contact.side_m * 1000 == pytest.approx(10.42, abs=0.005)
    assert contact.side_sd_m == pytest.approx(0.0004 * 28.575 / 39.18, rel=1e-3)
    assert contact.up_m is None


def test_a_dome_that_nobody_stated_widens_the_contact():
    cue = placed(0.0, side_m=0.017)
    stated, assumed = (contact_of(cue, tip=tip_of(0.010, stated=s), ball_radius_m=RADIUS_M) for s in (True, False))
    assert stated.side_m == assumed.side_m
    assert assumed.side_sd_m > 1.9 * stated.side_sd_m
