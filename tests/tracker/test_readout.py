"""The readout time taken where none is stated."""

import pytest

from tracker.readout import READOUT_S, READOUT_SD_S, within_a_frame


def test_at_thirty_frames_a_second_it_is_as_assumed():
    assert within_a_frame(READOUT_S, READOUT_SD_S, frame_period_s=1 / 30) == (READOUT_S, READOUT_SD_S)


@pytest.mark.parametrize("frame_rate", [120, 240, 960])
def test_a_frame_is_read_out_before_the_next_begins(frame_rate):
    """Two standard uncertainties above the mean are one and a half frames at most, two below it are none."""
    taken_s, sd_s = within_a_frame(READOUT_S, READOUT_SD_S, frame_period_s=1 / frame_rate)
    assert 0 < taken_s < 1 / frame_rate
    assert taken_s == pytest.approx(2 * sd_s, rel=1e-12)


def test_holding_it_twice_changes_nothing():
    once = within_a_frame(READOUT_S, READOUT_SD_S, frame_period_s=1 / 240)
    assert within_a_frame(*once, frame_period_s=1 / 240) == once
