"""The rough run found among spots that a cue, a hand and a still ball leave too."""

import numpy as np
import pytest

from tracker.chain import RunStart, rough_track

START = RunStart(xy_m=np.array([0.3175, 0.762]), from_s=-0.02, until_s=0.5, end_y_m=2.51)


def spots_of_a_shot(rng, *, speed_m_s, period_s, slope=0.02):
    """Ball, a brighter cue tip that follows 15 cm and stops, and flicker at random places."""
    times = np.arange(0.25 * period_s, 2.4 / speed_m_s, period_s)
    spots = []
    for t in times:
        y = 0.762 + speed_m_s * t
        found = [[0.3175 + slope * (y - 0.762), y, 60.0]] if y < 2.5 else []
        found.append([0.3175, min(0.762 + 0.6 * speed_m_s * t, 0.91) - 0.03, 90.0])
        found += [[rng.uniform(0, 0.6), rng.uniform(0.7, 2.5), 20.0] for _ in range(2)]
        order = np.argsort([-f[2] for f in found])
        spots.append(np.array(found)[order] + rng.normal(0, 0.002, (len(found), 3)) * [1, 1, 0])
    return times, spots


@pytest.mark.parametrize("period_s", [1 / 30, 1 / 60, 1 / 240])
@pytest.mark.parametrize("speed_m_s", [1.5, 4.0])
def test_ball_is_chained_to_the_cushion(speed_m_s, period_s):
    rng = np.random.default_rng(20240611)
    times, spots = spots_of_a_shot(rng, speed_m_s=speed_m_s, period_s=period_s)
    track = rough_track(spots, times, START)
    assert track is not None
    line_y_m = 0.762 + speed_m_s * track.times_s
    # the first two may be the cue's tip, still at the ball; locating them tells
    assert np.abs(track.xy_m[:, 1] - line_y_m)[2:].max() < 0.02
    assert len(track.index) > 0.9 * np.sum(0.762 + speed_m_s * times < 2.5) - 2


def test_flicker_alone_is_no_run():
    rng = np.random.default_rng(1)
    times = np.arange(0.005, 0.8, 1 / 60)
    spots = [np.column_stack([rng.uniform(0, 0.6, 2), rng.uniform(0.7, 2.5, 2), np.full(2, 20.0)]) for _ in times]
    track = rough_track(spots, times, START)
    assert track is None or len(track.index) < 8


def test_empty_frames_are_no_run():
    assert rough_track([np.zeros((0, 3))] * 20, np.arange(20) / 60, START) is None


def test_a_slow_ball_is_followed_over_paper():
    """Before white paper the spot lags, over it only the far part stands out: it leaps by two frames' way."""
    times = np.arange(0.005, 1.6, 1 / 60)
    y_m = 0.762 + 1.1 * times
    spot_m = y_m - np.interp(y_m, [1.80, 1.87, 1.8701, 1.95], [0.0, 0.02, -0.02, 0.0])
    spots = [np.array([[0.3175, y, 60.0]]) for y in spot_m]
    track = rough_track(spots, times, START)
    assert track is not None
    assert track.xy_m[-1, 1] > 2.4
