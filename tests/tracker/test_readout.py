"""Which way a frame is read out, and the readout time taken where none is stated."""

import numpy as np
import pytest

from tracker.readout import ASSUMED_READOUT, Readout, late_s_px, readout_share, way_after_turns


def test_at_thirty_frames_a_second_it_is_as_assumed():
    assert ASSUMED_READOUT.within_a_frame(1 / 30) == ASSUMED_READOUT


@pytest.mark.parametrize("frame_rate", [120, 240, 960])
def test_a_frame_is_read_out_before_the_next_begins(frame_rate):
    """Two standard uncertainties above the mean are one and a half frames at most, two below it are none."""
    taken = ASSUMED_READOUT.within_a_frame(1 / frame_rate)
    assert 0 < taken.value_s < 1 / frame_rate
    assert taken.value_s == pytest.approx(2 * taken.sd_s, rel=1e-12)


def test_holding_it_twice_changes_nothing():
    once = ASSUMED_READOUT.within_a_frame(1 / 240)
    assert once.within_a_frame(1 / 240) == once


def test_what_was_stated_is_believed_whatever_the_frame_rate():
    """15 ms of a frame of 16.7 ms is common; the three quarters of a frame are for what nobody stated."""
    stated = Readout.stated(0.015)
    assert stated.within_a_frame(1 / 60) == stated


def test_a_global_shutter_is_a_known_readout_of_nought():
    assert Readout.stated(0.0).known
    assert Readout.stated(0.0).sd_s < 1e-8
    assert not ASSUMED_READOUT.known


@pytest.mark.parametrize(("value_s", "sd_s"), [(-0.001, 0.001), (0.01, 0.0), (float("nan"), 0.001)])
def test_no_clock_reads_backwards(value_s, sd_s):
    with pytest.raises(ValueError, match="a readout needs value_s >= 0 and sd_s > 0"):
        Readout(value_s, sd_s)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_rows_follow_one_another_as_in_the_turned_picture(turns):
    """Against the turned picture itself, each pixel of which holds the number of the row that it was read in."""
    shown = np.rot90(np.repeat(np.arange(90)[:, None], 160, axis=1), turns)
    v, u = np.indices(shown.shape)
    size_px = np.array([shown.shape[1], shown.shape[0]], dtype=float)
    way = np.array(way_after_turns(turns), dtype=float)
    share = readout_share(np.stack([u, v], axis=-1).astype(float), size_px, way)
    # a picture read from its far edge counts from that edge, which is half a pixel beyond the last pixel's middle
    np.testing.assert_allclose(share, shown / 90, rtol=0, atol=1.01 / 90)
    right, down = late_s_px(0.012, (shown.shape[1], shown.shape[0]), way_after_turns(turns))
    np.testing.assert_allclose(0.012 * np.diff(share, axis=0), down, rtol=0, atol=1e-14)
    np.testing.assert_allclose(0.012 * np.diff(share, axis=1), right, rtol=0, atol=1e-14)
    np.testing.assert_allclose(np.diff(share, axis=0), np.diff(shown, axis=0) / 90, rtol=0, atol=1e-12)
    np.testing.assert_allclose(np.diff(share, axis=1), np.diff(shown, axis=1) / 90, rtol=0, atol=1e-12)
