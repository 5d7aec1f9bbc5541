"""A session measured together: which shots are, with what, and that nothing depends on what was measured before."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_session import play_session
from simulated_shots import Setting

from analyze.fit.shot import CAMERA_MARKS, CAMERA_MOVED, CAMERA_SESSION, Status, failed_shot, measure_shot
from analyze.measure import together
from analyze.measure.together import measured_together, together_inputs, together_notes
from analyze.session.decision_log import Decision
from analyze.session.records import measured_with_from_text, text_from_measured_with
from analyze.session.store import StoredShot
from tracker.readout import ASSUMED_READOUT
from tracker.reasons import NO_BALL

SETTING = Setting(place="side", frame_rate=60.0, speed_m_s=2.2)


def stored(shot, clip):
    return StoredShot(clip=clip, clip_sha256=clip, shot=shot, decision=Decision())


@pytest.fixture(scope="module")
def session():
    """Six simulated shots as measured one by one, with their calibration and stated readout time."""
    played, stated = play_session(SETTING, np.random.default_rng(20240611), shots=6)
    calibration = played[0].calibration
    shots = [measure_shot(one.path, calibration, readout=stated) for one in played]
    assert all(shot.status is Status.MEASURED for shot in shots)
    shots[0] = replace(shots[0], note="the picture itself moved")
    return [stored(shot, f"{k}.mp4") for k, shot in enumerate(shots)], calibration, stated


@pytest.fixture(scope="module")
def joined(session):
    shots, calibration, stated = session
    return measured_together(shots, calibration, readout=stated)


def test_every_shot_is_measured_with_what_the_others_say(session, joined):
    shots, _, _ = session
    assert [clip for clip, _ in joined] == [one.clip for one in shots]
    for (_, now), before in zip(joined, shots, strict=True):
        assert now.camera == CAMERA_SESSION
        assert before.shot.camera == CAMERA_MARKS
        assert now.note == before.shot.note
        assert now.reading_m != before.shot.reading_m
        # between two estimates from the same sightings lies less than their uncertainty
        assert abs(now.reading_m - before.shot.reading_m) < before.shot.reading_sd_m
        assert now.launch_sd_rad < 1.02 * before.shot.launch_sd_rad
    assert together_notes([stored(shot, clip) for clip, shot in joined]) == (
        "6 shots were measured with the camera and cloth that marks and other shots agree upon.",
    )


def test_measuring_together_again_gives_the_same(session, joined):
    _, calibration, stated = session
    before = [stored(shot, clip) for clip, shot in joined]
    assert measured_together(before, calibration, readout=stated) == ()
    anew = [replace(one, shot=replace(one.shot, camera=CAMERA_MARKS, measured_with=None)) for one in before[:2]]
    again = measured_together([*anew, *before[2:]], calibration, readout=stated)
    for (_, one), (_, other) in zip(again, joined[:2], strict=True):
        assert (one.reading_m, one.launch_rad) == (other.reading_m, other.launch_rad)


def test_a_shot_keeps_what_it_was_measured_with(session, joined):
    """From the sightings and what is kept beside them the numbers come out again, to the last bit."""
    for (_, shot), one in zip(joined, session[0], strict=True):
        kept = measured_with_from_text(text_from_measured_with(shot.measured_with))
        again = measure_shot(one.shot.sightings, kept.calibration, readout=kept.readout, priors=kept.priors)
        assert (again.reading_m, again.launch_sd_rad) == (shot.reading_m, shot.launch_sd_rad)
    assert len({tuple(shot.measured_with.calibration.parameters) for _, shot in joined}) == 6  # each without itself


def test_a_shot_that_comes_late_to_a_large_session_leaves_the_others_as_they_are(session, monkeypatch):
    shots, calibration, stated = session
    monkeypatch.setattr(together, "MOST_TELLERS", 4)
    drawn = [one.stored.clip for one in together._tellers(shots, calibration, stated)]
    late = next(one for one in shots if one.clip not in drawn)
    rest = [one for one in shots if one is not late]
    before = dict(measured_together(rest, calibration, readout=stated))
    then = [stored(before[one.clip], one.clip) for one in rest]
    inputs = together_inputs(then, calibration, readout=stated)
    assert inputs != together_inputs([*then, late], calibration, readout=stated)
    assert inputs == together_inputs(rest[::-1], calibration, readout=stated)
    ((clip, shot),) = measured_together([*then, late], calibration, readout=stated)
    assert (clip, shot.camera) == (late.clip, CAMERA_SESSION)
    # as if all had been measured at once
    at_once = dict(measured_together(shots, calibration, readout=stated))
    assert shot.reading_m == at_once[clip].reading_m
    assert all(at_once[one.clip].reading_m == before[one.clip].reading_m for one in rest)


def test_a_shot_whose_camera_had_moved_is_left_alone_and_so_is_a_failed_one(session):
    shots, calibration, stated = session
    moved = replace(shots[0], shot=replace(shots[0].shot, camera=CAMERA_MOVED))
    failed = stored(failed_shot(shots[1].shot.clip, 1, NO_BALL, ""), shots[1].clip)
    found = measured_together([moved, failed, *shots[2:]], calibration, readout=stated)
    assert [clip for clip, _ in found] == [one.clip for one in shots[2:]]


def test_too_few_shots_or_no_stated_readout_time_leave_everything_to_the_marks(session, joined):
    shots, calibration, stated = session
    assert measured_together(shots[:3], calibration, readout=stated) == ()
    assert measured_together(shots, calibration, readout=ASSUMED_READOUT) == ()
    # what was measured together before goes back to the marks
    before = [stored(shot, clip) for clip, shot in joined[:3]]
    back = measured_together(before, calibration, readout=stated)
    for (_, now), one in zip(back, shots, strict=False):
        assert (now.camera, now.reading_m) == (CAMERA_MARKS, one.shot.reading_m)


def test_a_doubtful_shot_tells_the_others_nothing(session, joined, monkeypatch):
    """With one of six not listened to, the other five are measured as if it were not there."""
    shots, calibration, stated = session
    find = together.find_doubt
    odd = shots[0].shot.sightings

    def doubt(fit, path, calibration):
        return "something" if path is odd else find(fit, path, calibration)

    monkeypatch.setattr(together, "find_doubt", doubt)
    found = dict(measured_together(shots, calibration, readout=stated))
    without = dict(measured_together(shots[1:], calibration, readout=stated))
    for clip, shot in without.items():
        assert found[clip].reading_m == shot.reading_m
    assert found["0.mp4"].camera == CAMERA_SESSION  # it hears the others all the same
    assert found["0.mp4"].reading_m != dict(joined)["1.mp4"].reading_m


def test_nothing_measured_together_gives_no_note(session):
    assert together_notes(session[0]) == ()
