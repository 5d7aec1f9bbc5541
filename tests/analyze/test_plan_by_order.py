"""Shots labelled by the shooting order: only when numbers agree and nothing speaks against it."""

from dataclasses import replace
from pathlib import Path

import pytest
from session_samples import CONFIG, made_up_shot, record_of

from analyze.fit.reasons import NO_PLACE, WRONG_CLOCK
from analyze.fit.shot import failed_shot
from analyze.measure.by_order import label_by_order, planned_order
from analyze.session.folder import open_session
from analyze.session.order import OrderRow, write_order
from analyze.session.shots import session_shots
from analyze.session.shots_frame import counted_frame, shots_frame
from analyze.session.store import Store
from analyze.statistics import session_drift
from calibrate.errors import SessionError
from tracker.reasons import BALL_LOST, NO_STRIKE, PICTURE_SIZE

PLANNED = [("S2", "control"), ("S2", "B"), ("S2", "A"), ("S1", "A"), ("S1", "B")]


def session_of(folder: Path, clips: dict[str, int], *, planned=PLANNED, failed=(), reason=NO_STRIKE):
    """Session whose recordings hold so many shots each, readings counting up in the order of the recordings."""
    (folder / "session.toml").write_text(CONFIG.format(units="mm"), encoding="utf-8")
    offsets = {"control": 0.0, "A": 14.3, "B": None}
    rows = [
        OrderRow(order=place, shooter=shooter, condition=condition, shot=1, tip_offset_mm=offsets[condition])
        for place, (shooter, condition) in enumerate(planned, start=1)
    ]
    write_order(folder / "order.csv", rows, "seed 1")
    session = open_session(folder)
    with Store(session.store_path) as store:
        for clip, count in clips.items():
            path = session.clip_path(clip)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(clip.encode())
            shots = [
                replace(made_up_shot(path, launch_rad=0.001, swerve_m=0.0, number=number))
                for number in range(1, count + 1)
            ]
            if clip in failed:
                shots = [failed_shot(path, 1, reason, "")]
            store.save_clip(clip, record_of(clip), shots)
    return session


def labelled(session):
    found = label_by_order(session, session_shots(session), planned_order(session))
    return found, shots_frame(found.session, session_shots(found.session))


def test_shots_take_condition_shooter_and_offset_from_their_place(tmp_path):
    """Ten comes after nine, and a recording may lie in a folder that says nothing."""
    session = session_of(tmp_path, {"10.mp4": 2, "later/12.mp4": 1, "9.mp4": 2})
    found, shots = labelled(session)
    assert found.matched, found.sentence
    shots = shots.set_index(["clip", "shot"])
    in_order = [("9.mp4", 1), ("9.mp4", 2), ("10.mp4", 1), ("10.mp4", 2), ("later/12.mp4", 1)]
    assert [(shots.loc[key, "shooter"], shots.loc[key, "condition"]) for key in in_order] == PLANNED
    assert [shots.loc[key, "role"] for key in in_order] == ["control", "test", "test", "test", "test"]
    assert list(shots.loc[in_order, "order"]) == [1, 2, 3, 4, 5]
    assert shots.loc[("10.mp4", 1), "tip_offset_mm"] == pytest.approx(14.3, rel=1e-12)


def test_the_labels_hold_when_the_session_is_opened_again(tmp_path):
    found, _ = labelled(session_of(tmp_path, {"1.mp4": 5}))
    again = open_session(tmp_path)
    assert again.label("1.mp4", 4) == found.session.label("1.mp4", 4)
    assert again.label("1.mp4", 4).shooter == "S1"


def test_another_number_of_shots_gives_no_labels_and_says_both_numbers(tmp_path):
    found, shots = labelled(session_of(tmp_path, {"1.mp4": 2, "2.mp4": 2}))
    assert not found.matched
    assert "4 shots were found (1.mp4: 2; 2.mp4: 2), but it lists 5 (S2: 3, S1: 2)" in found.sentence
    assert set(shots["condition"]) == {""}
    assert not (tmp_path / "shots.csv").exists()


def test_labels_of_an_earlier_run_do_not_stay_in_use_when_numbers_no_longer_agree(tmp_path):
    labelled(session_of(tmp_path, {"1.mp4": 5}))
    session = session_of(tmp_path, {"0.mp4": 1})
    found, shots = labelled(session)
    assert not found.matched
    assert set(shots["condition"]) == {""}
    assert (tmp_path / "shots-1.csv").read_text().count("by order.csv") == 5
    assert "shots-1.csv" in found.sentence


def test_the_same_run_again_gives_the_same_labels(tmp_path):
    labelled(session_of(tmp_path, {"1.mp4": 5}))
    before = (tmp_path / "shots.csv").read_bytes()
    found, _ = labelled(open_session(tmp_path))
    assert found.matched
    assert (tmp_path / "shots.csv").read_bytes() == before


def test_a_line_of_the_order_that_was_mended_by_hand_is_kept(tmp_path):
    labelled(session_of(tmp_path, {"1.mp4": 5}))
    path = tmp_path / "shots.csv"
    mended = path.read_text().replace("1.mp4,2,B,S2", "1.mp4,2,A,S2")
    path.write_text(mended)
    found, _ = labelled(open_session(tmp_path))
    assert found.matched
    assert (tmp_path / "shots-1.csv").read_text() == mended
    assert "shots-1.csv" in found.sentence


def test_the_statistics_know_the_order_of_shots_that_were_labelled_by_it(tmp_path):
    """Five readings that creep by 1 mm a shot, in one cell: a drift of 4 mm from first to last."""
    session = session_of(tmp_path, {"1.mp4": 5}, planned=[("S1", "A")] * 5)
    with Store(session.store_path) as store:
        shots = [
            made_up_shot(session.clip_path("1.mp4"), launch_rad=0.0, swerve_m=0.001 * number, number=number)
            for number in range(1, 6)
        ]
        store.save_clip("1.mp4", record_of("1.mp4"), shots)
    _, table = labelled(session)
    (drift,) = session_drift(counted_frame(table))
    assert drift.over_session == pytest.approx(4.0, rel=1e-9)


def test_labels_of_the_testers_own_are_left_alone(tmp_path):
    session_of(tmp_path, {"1.mp4": 5})
    own = "clip,shot,condition,shooter,tip_offset_mm,note\n1.mp4,,A,S1,,mine\n"
    (tmp_path / "shots.csv").write_text(own)
    with pytest.raises(SessionError, match="says already whose shots these are"):
        planned_order(open_session(tmp_path))
    assert (tmp_path / "shots.csv").read_text() == own


def test_folders_that_say_otherwise_stop_the_labelling(tmp_path):
    clips = {"control/S2/1.mp4": 1, "B/S2/2.mp4": 1, "A/S2/3.mp4": 1, "B/S1/4.mp4": 1, "A/S1/5.mp4": 1}
    found, shots = labelled(session_of(tmp_path, clips))
    assert not found.matched
    assert "B/S1/4.mp4 lies in the folders of B/S1, but is number 4 in the order, which is A/S1" in found.sentence
    assert shots.set_index("clip").loc["B/S1/4.mp4", "condition"] == "B"


def test_recordings_of_the_same_name_stop_the_labelling(tmp_path):
    found, _ = labelled(session_of(tmp_path, {"a/1.mp4": 2, "b/1.MP4": 3}))
    assert not found.matched
    assert "called 1.mp4" in found.sentence


@pytest.mark.parametrize("reason", [NO_STRIKE, NO_PLACE, PICTURE_SIZE, WRONG_CLOCK], ids=lambda one: one.slug)
def test_a_recording_without_a_shot_may_hold_several_where_others_do(tmp_path, reason):
    """2 + 1 + 2 would be five, by chance."""
    clips = {"1.mp4": 2, "2.mp4": 1, "3.mp4": 2}
    found, _ = labelled(session_of(tmp_path, clips, failed=("2.mp4",), reason=reason))
    assert not found.matched
    assert "no shot was found in 2.mp4" in found.sentence


@pytest.mark.parametrize(
    ("clips", "reason"),
    [
        ({f"{n}.mp4": 1 for n in range(1, 6)}, NO_STRIKE),  # one shot a recording: the failed one is one as well
        ({"1.mp4": 2, "2.mp4": 1, "3.mp4": 2}, BALL_LOST),  # a shot was seen, only not followed
    ],
)
def test_a_shot_that_failed_keeps_its_place(tmp_path, clips, reason):
    found, shots = labelled(session_of(tmp_path, clips, failed=("2.mp4",), reason=reason))
    assert found.matched, found.sentence
    assert shots.set_index("clip").loc["2.mp4", "condition"] == ("B" if len(clips) == 5 else "A")


def test_results_of_recordings_that_are_gone_do_not_count(tmp_path):
    session = session_of(tmp_path, {"1.mp4": 5, "2.mp4": 1})
    session.clip_path("2.mp4").unlink()
    assert labelled(session)[0].matched


def test_an_order_with_an_unknown_condition_is_refused_before_measuring(tmp_path):
    session = session_of(tmp_path, {"1.mp4": 1})
    text = (tmp_path / "order.csv").read_text().replace(",B,", ",X,")
    (tmp_path / "order.csv").write_text(text)
    with pytest.raises(SessionError, match=r'order 2: condition "X" has no \[\[condition\]\]'):
        planned_order(session)


def test_a_missing_order_names_the_verb_that_draws_it(tmp_path):
    session = session_of(tmp_path, {"1.mp4": 1})
    (tmp_path / "order.csv").unlink()
    with pytest.raises(SessionError, match="railread plan"):
        planned_order(session)
