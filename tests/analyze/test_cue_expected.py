"""What a camera place is expected to tell of a cue, beside what is stated of cues that were seen from there."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_shots import LANE, look_at
from test_cue_place import calibrated

from analyze.fit.cue_expected import expect_cue, expected_cue_sentences
from analyze.fit.cue_place import CuePlace
from calibrate.calibration import CALIBRATION_PARAMETERS
from calibrate.errors import NotMeasured


def seen_from(eye_m, at_m=(0.5, 1.5, 0.0), focal_px=1530.0):
    """A camera whose place is known exactly."""
    n = len(CALIBRATION_PARAMETERS)
    return replace(calibrated(look_at(eye_m, at_m, focal_px)), cov=np.zeros((n, n)))


LANE_X_M = LANE.x_aim_m


def test_behind_the_foot_rail_direction_and_side_are_expected():
    """The slope turns the direction by what the geometry of the plane through the camera says.

    An axis along the lane, seen from dx beside it and h above the ball, D ahead: tan(turn) = dx/h * tan(slope).
    """
    expected = expect_cue(seen_from((0.08, 3.7, 1.5)))
    place = expected.place
    assert isinstance(place, CuePlace)
    assert place.seen.tolist() == [1, 0, 1, 0]
    by_geometry = (LANE_X_M - 0.08) / (1.5 - 0.0286)
    assert abs(expected.by_slope) == pytest.approx(by_geometry, rel=0.15)
    # what is assumed of a shooter's slope from shot to shot, 0.6 degrees, and the line itself
    assert np.degrees(place.own_sd("cue_rad")) == pytest.approx(np.hypot(0.6 * by_geometry, 0.035), abs=0.02)


def test_a_place_in_the_plane_of_the_lane_is_proposed_where_it_helps():
    aside, over = expect_cue(seen_from((0.75, 3.7, 1.5))), expect_cue(seen_from((LANE_X_M, 3.7, 1.5)))
    assert aside.better == "in the plane of the lane"
    assert over.better == ""
    proposed = expect_cue(seen_from((LANE_X_M, 3.7, 1.5), at_m=(LANE_X_M, 1.65, 0.0)))
    assert proposed.place.sd("cue_rad") == pytest.approx(aside.better_share * aside.place.sd("cue_rad"), rel=0.1)
    words = " ".join(expected_cue_sentences(seen_from((0.75, 3.7, 1.5))))
    assert "its direction to ±" in words
    assert "Would help to see the cue" in words


def test_from_beside_the_table_slope_and_height_are_expected():
    place = expect_cue(seen_from((2.9, 0.6, 0.25), at_m=(0.3, 0.6, 0.1), focal_px=1500.0)).place
    assert place.seen.tolist() == [0, 1, 0, 1]
    assert "its slope to ±" in expected_cue_sentences(seen_from((2.9, 0.6, 0.25), at_m=(0.3, 0.9, 0.1)))[0]


def test_a_spot_at_the_edge_of_the_picture_is_said_to_show_no_cue():
    expected = expect_cue(seen_from((0.3, 2.2, 1.2), at_m=(0.3, 1.6, 0.0), focal_px=2100.0))
    assert isinstance(expected.place, NotMeasured)
    assert expected_cue_sentences(seen_from((0.3, 2.2, 1.2), at_m=(0.3, 1.6, 0.0), focal_px=2100.0))[0].startswith(
        "The cue will not be told from here"
    )
