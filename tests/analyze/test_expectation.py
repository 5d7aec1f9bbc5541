"""What is expected before any shot grows with what it should, and is said in the session's units.

That it is what shots turn out to have is tested end to end, `tests/end_to_end/test_sample_session.py`.
"""

from dataclasses import replace

import numpy as np
import pytest
from simulated_shots import LANE, mark_covariance, true_calibration

from analyze.fit.expectation import expected_shot
from analyze.report.expected import expected_lines
from tracker.readout import Readout

READOUT = Readout.stated(0.012)


@pytest.fixture(scope="module")
def calibration():
    return true_calibration("behind foot rail", np.random.default_rng(20240611))


@pytest.fixture(scope="module")
def usual(calibration):
    return expected_shot(calibration, frame_rate=60.0, readout=READOUT)


def test_marks_four_times_rougher_make_readings_less_sure(calibration, usual):
    rough = replace(calibration, cov=mark_covariance(calibration, sigma_px=0.8))
    less = expected_shot(rough, frame_rate=60.0, readout=READOUT)
    assert less.reading_sd_m > 1.3 * usual.reading_sd_m
    # What all shots have in common, controls take out.
    assert less.squirt_sd_rad == pytest.approx(usual.squirt_sd_rad, rel=0.1)


def test_more_frames_make_launch_surer(calibration, usual):
    quick = expected_shot(calibration, frame_rate=240.0, readout=READOUT)
    assert quick.launch_sd_rad < usual.launch_sd_rad


def test_a_lane_outside_the_picture_is_not_guessed_at(calibration):
    aside = replace(calibration, lane=replace(LANE, x_aim_m=-3.0))
    assert expected_shot(aside, frame_rate=60.0, readout=READOUT) is None
    assert expected_lines(None, "mm") == []


def test_words_give_the_units_of_the_session_and_say_what_helps(usual):
    mm, inch = (expected_lines(usual, units) for units in ("mm", "inch"))
    assert f"reading ±{1000 * usual.reading_sd_m:.2f} mm" in mm[0]
    assert f"reading ±{usual.reading_sd_m / 0.0254:.3f} in" in inch[0]
    assert f"from shot to shot by ±{1000 * usual.reading_own_sd_m:.2f} mm" in mm[1]
    assert f"(swerve ±{1000 * usual.swerve_offset_own_sd_m:.2f} mm)" in mm[1]
    assert all("what would help most" in line for line in mm[2:])
