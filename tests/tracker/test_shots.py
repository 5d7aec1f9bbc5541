"""Resting balls found, and recordings cut into shots, on painted frames."""

from types import SimpleNamespace

import numpy as np
import pytest
from paint_ball import Scene, aimed_camera, paint

from tracker.clip import Frame
from tracker.corridor import lay_corridor
from tracker.resting import RestingSearch, find_resting_ball
from tracker.shots import NoStrike, ShotFrames, cut_shots

RADIUS_M = 0.028575
SIZE = (640, 360)
CAMERA = aimed_camera((0.5, 3.6, 1.8), (0.35, 1.5, 0), 520, SIZE)
# what the tracker reads of a calibration
CALIBRATION = SimpleNamespace(
    camera=CAMERA,
    lane=SimpleNamespace(x_aim_m=0.3175, spot_y_m=0.762),
    ball=SimpleNamespace(radius_m=RADIUS_M),
    table=SimpleNamespace(width_m=1.27, length_m=2.54, nose_height_m=0.0363),
)
PERIOD_S = 1 / 60
CORRIDOR = lay_corridor(CALIBRATION, SIZE)


def picture(xy_m, rng, *, strip=None, dim=1.0):
    """A frame with a ball (None: no ball), and a white strip of paper or a cue; a hand is dimmer than a ball."""
    luma = np.full((SIZE[1], SIZE[0]), 95.0)
    if xy_m is not None:
        u, v = CAMERA.project(np.array([*xy_m, RADIUS_M])).round().astype(int)
        window = (u - 20, v - 20, u + 20, v + 20)
        luma[v - 20 : v + 20, u - 20 : u + 20], _ = paint(CAMERA, xy_m, (0, 0), Scene(noise=0), window, over=4)
    luma = 95 + dim * (luma - 95)
    if strip is not None:
        luma[strip] = 220
    return np.clip(luma + rng.normal(0, 2, luma.shape), 0, 255).astype(np.uint8)


def frames(places, rng, *, strips=None):
    """Frames of a recording."""
    for index, xy_m in enumerate(places):
        strip = None if strips is None else strips.get(index)
        yield Frame(index=index, time_s=index * PERIOD_S, luma=picture(xy_m, rng, strip=strip))


def spot_strip(du=(-14, 14), dv=(-14, -5)):
    """Part of the picture over the far side of the resting ball."""
    u, v = CAMERA.project(np.array([0.3175, 0.762, RADIUS_M])).round().astype(int)
    return np.s_[v + dv[0] : v + dv[1], u + du[0] : u + du[1]]


@pytest.mark.parametrize("off_m", [(0.0, 0.0), (0.013, -0.021), (-0.03, 0.025)])
def test_resting_ball_is_found_near_its_spot(off_m):
    rng = np.random.default_rng(1)
    xy_m = (0.3175 + off_m[0], 0.762 + off_m[1])
    found = find_resting_ball(picture(xy_m, rng), CALIBRATION)
    assert found is not None
    # across a third of a radius; along, the shadow before the ball draws it
    assert abs(found.xy_m[0] - xy_m[0]) < 0.01
    assert abs(found.xy_m[1] - xy_m[1]) < 0.025


@pytest.mark.parametrize("strip", [None, spot_strip(), spot_strip(du=(-2, 2), dv=(-40, 6))])
def test_no_ball_is_found_without_one(strip):
    assert find_resting_ball(picture(None, np.random.default_rng(2), strip=strip), CALIBRATION) is None


def test_shot_is_cut_at_the_strike():
    rng = np.random.default_rng(3)
    away = [(0.3175, 0.762 + 0.05 * k) for k in range(1, 25)]
    places = [(0.3175, 0.762)] * 30 + away
    cuts = list(cut_shots(frames(places, rng), CALIBRATION, CORRIDOR, frame_period_s=PERIOD_S))
    assert len(cuts) == 1
    assert isinstance(cuts[0], ShotFrames)
    assert cuts[0].last_rest_s == pytest.approx(29 * PERIOD_S)
    assert cuts[0].first_moved_s == pytest.approx(30 * PERIOD_S)
    assert len(cuts[0].after) == 24


def test_hand_that_passes_before_the_ball_is_no_strike():
    rng = np.random.default_rng(4)
    over = {k: spot_strip(dv=(-14, 14)) for k in range(20, 24)}  # four frames, 67 ms
    places = [(0.3175, 0.762)] * 50
    cuts = list(cut_shots(frames(places, rng, strips=over), CALIBRATION, CORRIDOR, frame_period_s=PERIOD_S))
    assert len(cuts) == 1
    assert isinstance(cuts[0], NoStrike)


def test_two_shots_of_one_recording_are_cut_apart():
    rng = np.random.default_rng(5)
    shot = [(0.3175, 0.762)] * 25 + [(0.3175, 0.762 + 0.05 * k) for k in range(1, 30)] + [None] * 190
    cuts = list(cut_shots(frames(shot + shot, rng), CALIBRATION, CORRIDOR, frame_period_s=PERIOD_S))
    assert [type(cut) for cut in cuts] == [ShotFrames, ShotFrames]


def test_a_ball_set_right_by_hand_is_not_struck_and_lies_where_it_lies_then():
    rng = np.random.default_rng(7)
    over = {k: spot_strip(dv=(-14, 14)) for k in range(20, 50)}  # a hand for half a second
    away = [(0.3255, 0.762 + 0.05 * k) for k in range(1, 25)]
    places = [(0.3175, 0.762)] * 35 + [(0.3255, 0.762)] * 50 + away
    cuts = list(cut_shots(frames(places, rng, strips=over), CALIBRATION, CORRIDOR, frame_period_s=PERIOD_S))
    assert [type(cut) for cut in cuts] == [ShotFrames]
    assert cuts[0].first_moved_s == pytest.approx(85 * PERIOD_S)
    assert cuts[0].before[0][0] > 50 * PERIOD_S
    assert cuts[0].place.xy_m[0] == pytest.approx(0.3255, abs=0.005)


def test_a_hand_that_brings_the_ball_is_not_taken_for_it():
    """Fingers round the ball are found first; they cover it for another two seconds."""
    rng = np.random.default_rng(9)
    hand = [picture((0.3255, 0.754), rng, dim=0.4)] * 30 + [
        picture((0.3175, 0.762), rng, strip=spot_strip(dv=(-14, 14)))
    ] * 120
    ball = [(0.3175, 0.762)] * 60 + [(0.3175, 0.762 + 0.05 * k) for k in range(1, 25)]
    pictures = [*hand, *(picture(xy_m, rng) for xy_m in ball)]
    recording = (Frame(index=n, time_s=n * PERIOD_S, luma=luma) for n, luma in enumerate(pictures))
    cuts = list(cut_shots(recording, CALIBRATION, CORRIDOR, frame_period_s=PERIOD_S))
    assert [type(cut) for cut in cuts] == [ShotFrames]
    assert cuts[0].first_moved_s == pytest.approx((150 + 60) * PERIOD_S)


def test_a_ball_laid_ready_soon_after_a_shot_is_a_shot_of_its_own():
    """1.5 s after the strike, while the frames of the first shot are still being kept."""
    rng = np.random.default_rng(8)
    shot = [(0.3175, 0.762)] * 25 + [(0.3175, 0.762 + 0.05 * k) for k in range(1, 30)] + [None] * 60
    cuts = list(cut_shots(frames(shot + shot, rng), CALIBRATION, CORRIDOR, frame_period_s=PERIOD_S))
    assert [type(cut) for cut in cuts] == [ShotFrames, ShotFrames]
    assert cuts[1].first_moved_s == pytest.approx((len(shot) + 25) * PERIOD_S)


def test_recording_without_a_ball_gives_nothing():
    rng = np.random.default_rng(6)
    assert not list(cut_shots(frames([None] * 30, rng), CALIBRATION, CORRIDOR, frame_period_s=PERIOD_S))


def test_the_ball_is_looked_for_again_only_where_something_changed(monkeypatch):
    """What a hand, a ball or a lamp changes is seen; what noise changes is not."""
    rng = np.random.default_rng(7)
    spot, beside = (0.3175, 0.762), (0.3255, 0.758)
    searched = []

    def counted(luma, calibration):
        searched.append(find_resting_ball(luma, calibration))
        return searched[-1]

    monkeypatch.setattr("tracker.resting.find_resting_ball", counted)
    search = RestingSearch(CALIBRATION)
    covered = picture(spot, rng)
    covered[:] = 60 + rng.normal(0, 2, covered.shape)
    shown = [picture(where, rng) for where in (None, spot, beside) for _ in range(12)]
    shown += [*[covered] * 3, picture(None, rng)]
    found = [search.find(luma) for luma in shown]
    assert 5 <= len(searched) <= 8  # 40 frames, 5 changes
    assert all(place is None for place in [*found[:12], *found[36:]])
    assert all(place is not None and place.contrast > 10 for place in found[12:36])
    assert np.hypot(*(found[30].xy_m - found[20].xy_m)) == pytest.approx(0.009, abs=0.005)
