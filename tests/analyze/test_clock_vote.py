"""A clock that is wrong for some shots of a session is doubted for all of them, and one odd shot is not enough."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from session_samples import made_up_shot, record_of
from simulated_shots import Setting, simulate

from analyze.fit.reasons import CLOCK_UNSURE, KINK, WRONG_CLOCK
from analyze.fit.shot import Status, failed_shot
from analyze.session.clock_vote import with_clock_vote
from analyze.session.decision_log import Decision
from analyze.session.store import StoredShot


def stored(number: int, reason=None) -> StoredShot:
    clip = f"A/S1/{number}.mp4"
    shot = made_up_shot(Path(clip), launch_rad=-0.02, swerve_m=0.01)
    if reason is WRONG_CLOCK:
        shot = failed_shot(Path(clip), 1, WRONG_CLOCK, "friction 0.012; capture_fps = 240 would give 0.2")
    elif reason is not None:
        shot = replace(shot, status=Status.DOUBTFUL, reason=reason)
    return StoredShot(clip=clip, clip_sha256=record_of(clip).sha256, shot=shot, decision=Decision())


@pytest.mark.parametrize(
    ("refused", "passed", "doubted"), [(2, 6, True), (14, 6, True), (1, 3, False), (2, 7, False)]
)
def test_enough_shots_that_refuse_the_clock_doubt_the_others(refused, passed, doubted):
    shots = [stored(k, WRONG_CLOCK) for k in range(refused)] + [stored(100 + k) for k in range(passed)]
    after = with_clock_vote(shots)
    assert [one.clip for one in after] == [one.clip for one in shots]
    for one in after[refused:]:
        assert one.shot.status is (Status.DOUBTFUL if doubted else Status.MEASURED)
        assert (one.shot.reason is WRONG_CLOCK) is doubted
        assert ("capture_fps = 240" in one.shot.detail) is doubted
        assert one.shot.reading_m is not None  # nothing is lost


def test_a_shot_with_another_doubt_keeps_it():
    after = with_clock_vote([*(stored(k, WRONG_CLOCK) for k in range(4)), stored(9, KINK)])
    assert after[-1].shot.reason is KINK


@pytest.mark.parametrize(("shown", "refused", "settled"), [(2, 0, True), (1, 0, False), (4, 1, False)])
def test_shots_that_are_seen_to_slide_settle_what_others_leave_open(shown, refused, settled):
    others = [stored(k) for k in range(shown)] + [stored(50 + k, WRONG_CLOCK) for k in range(refused)]
    last = with_clock_vote([*others, stored(9, CLOCK_UNSURE)])[-1].shot
    assert last.status is (Status.MEASURED if settled else Status.DOUBTFUL)
    assert last.reason is (None if settled else CLOCK_UNSURE)


@pytest.mark.parametrize(("frame_rate", "settled"), [(58.0, True), (240.0, False)])
def test_only_recordings_of_the_same_frame_rate_settle_a_clock(frame_rate, settled):
    path = simulate(Setting(frame_rate=60.0), np.random.default_rng(20240611)).path
    other = replace(path, frame_period_s=1 / frame_rate)
    seen = [replace(one, shot=replace(one.shot, sightings=path)) for one in (stored(1), stored(2))]
    unsure = stored(9, CLOCK_UNSURE)
    unsure = replace(unsure, shot=replace(unsure.shot, sightings=other))
    assert (with_clock_vote([*seen, unsure])[-1].shot.reason is None) is settled


def test_a_ball_that_slides_to_the_rail_settles_nothing():
    slid = [replace(one, shot=replace(one.shot, slide_end_m=None)) for one in (stored(1), stored(2))]
    assert with_clock_vote([*slid, stored(9, CLOCK_UNSURE)])[-1].shot.reason is CLOCK_UNSURE
