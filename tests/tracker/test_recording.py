"""Long recordings: idle spans are not decoded, and no shot is missed or invented by that."""

from itertools import count

import numpy as np
import pytest
from test_clip import write_clip
from test_shots import CALIBRATION, CORRIDOR, picture, spot_strip

from tracker.clip import Frame, clip_info, read_frames, read_keyframes
from tracker.recording import WHOLE, cut_recording, spans_to_decode
from tracker.shots import NoStrike, ShotFrames, cut_shots

FPS = 20
SPOT_M = (0.3175, 0.762)
BESIDE_M = (0.3225, 0.757)


def keyframes(places):
    """One keyframe a second."""
    rng = np.random.default_rng(4)
    return [Frame(index=i, time_s=float(i), luma=picture(xy_m, rng)) for i, xy_m in enumerate(places)]


def test_only_what_is_round_a_vanished_ball_is_decoded():
    places = [None] * 8 + [SPOT_M] * 12 + [None] * 30
    ((from_s, until_s),) = spans_to_decode(keyframes(places), CALIBRATION, last_s=50.0)
    assert 17.0 < from_s < 18.5  # last seen at 19 s
    assert 23.0 < until_s < 26.0


def test_a_ball_that_lies_elsewhere_may_have_been_struck():
    places = [SPOT_M] * 30 + [(0.335, 0.78)] * 30 + [None] * 30
    spans = spans_to_decode(keyframes(places), CALIBRATION, last_s=90.0)
    assert all(any(from_s < at < until_s for from_s, until_s in spans) for at in (29.5, 59.5))
    assert spans[-1][1] < 66


def test_a_ball_still_there_at_the_end_is_decoded_to_the_end():
    spans = spans_to_decode(keyframes([None] * 40 + [SPOT_M] * 3), CALIBRATION, last_s=42.5)
    assert spans[-1][1] == np.inf


def test_keyframes_far_apart_tell_too_little():
    far = [Frame(index=i, time_s=8.0 * i, luma=one.luma) for i, one in enumerate(keyframes([SPOT_M] * 6))]
    assert spans_to_decode(far, CALIBRATION, last_s=41.0) == WHOLE
    assert spans_to_decode([], CALIBRATION, last_s=41.0) == WHOLE


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Seventy seconds: two shots, practice strokes over the ball, a ball put back elsewhere, and idle time."""
    rng = np.random.default_rng(5)
    empty, ball, beside = (picture(xy_m, rng) for xy_m in (None, SPOT_M, BESIDE_M))
    practice = picture(SPOT_M, rng, strip=spot_strip())
    run = [picture((0.3175, 0.762 + 1.4 * (i + 1) / FPS), rng) for i in range(22)]
    pictures = [empty] * (6 * FPS) + [ball] * (9 * FPS)
    for _ in range(4):
        pictures += [practice] * 2 + [ball] * 10
    struck = [len(pictures) / FPS]
    pictures += run + [empty] * (14 * FPS) + [beside] * (8 * FPS)
    struck.append(len(pictures) / FPS)
    pictures += run + [empty] * (26 * FPS)
    path = tmp_path_factory.mktemp("long") / "session.mp4"
    ticks = [round(i * 90000 / FPS) for i in range(len(pictures))]
    options = {"crf": "23", "preset": "ultrafast", "g": str(FPS)}
    return write_clip(path, pictures, ticks, options=options), struck


def cuts_of(path, looked_at):
    damage: list[str] = []
    cuts = cut_recording(
        clip_info(path),
        CALIBRATION,
        CORRIDOR,
        frame_period_s=1 / FPS,
        capture_fps=None,
        damage=damage,
        looked_at=looked_at,
    )
    found = list(cuts)
    assert not damage
    return found


def test_the_shots_of_a_long_recording_are_those_of_all_its_frames(recording):
    path, struck = recording
    decoded = count()
    found = cuts_of(path, lambda frame: next(decoded))
    whole = list(cut_shots(read_frames(path), CALIBRATION, CORRIDOR, frame_period_s=1 / FPS))
    assert [type(cut) for cut in found] == [ShotFrames, ShotFrames]
    assert [cut.first_moved_s for cut in found] == pytest.approx([cut.first_moved_s for cut in whole])
    assert [cut.first_moved_s for cut in found] == pytest.approx(struck, abs=1.5 / FPS)
    assert all(len(one.before) == len(other.before) for one, other in zip(found, whole, strict=True))
    share = next(decoded) / clip_info(path).n_frames
    assert share < 0.35  # measured: 0.26
    assert sum(1 for _ in read_keyframes(path)) == pytest.approx(clip_info(path).n_frames / FPS, abs=1)


def test_a_recording_without_a_strike_says_so_once(tmp_path):
    rng = np.random.default_rng(6)
    ball, empty = picture(SPOT_M, rng), picture(None, rng)
    pictures = [empty] * (15 * FPS) + [ball] * (9 * FPS)
    ticks = [round(i * 90000 / FPS) for i in range(len(pictures))]
    path = write_clip(
        tmp_path / "idle.mp4",
        pictures,
        ticks,
        options={"crf": "23", "preset": "ultrafast", "g": str(FPS)},
    )
    (cut,) = cuts_of(path, lambda frame: None)
    assert isinstance(cut, NoStrike)
