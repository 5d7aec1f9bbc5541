"""What a person decides: from one place, read back, never lost, never over what another said meanwhile."""

from pathlib import Path

import pandas as pd
import pytest
from session_samples import CONFIG, made_up_session, made_up_shot, record_of
from typer.testing import CliRunner

from analyze.cli import app
from analyze.measure.by_order import label_by_order, planned_order
from analyze.session import decisions
from analyze.session.decision_log import DecisionKind
from analyze.session.folder import open_session
from analyze.session.shots import session_shots
from analyze.session.shots_frame import shots_frame
from analyze.session.store import Store
from calibrate.errors import DecisionOvertakenError, SessionError


@pytest.fixture
def session(tmp_path):
    return made_up_session(tmp_path)


def one(session, name):
    (shot,) = decisions.find_shots(session, name)
    return shot


def test_set_aside_accept_and_take_back_stand_until_the_next_word(session):
    shot = one(session, "A/S1/1.mp4")
    (now,) = decisions.set_aside(session, [shot], "  miscue,\n heard by all ")
    assert (now.kept, now.decision.set_aside_reason) == (False, "miscue, heard by all")
    (now,) = decisions.accept(session, [now])
    assert (now.kept, now.decision.kept) == (True, True)
    (now,) = decisions.take_back(session, [now])
    assert (now.kept, now.decision.kept) == (True, None)
    said = [(entry.kind, entry.value) for entry in decisions.history(session, now)]
    assert said == [
        (DecisionKind.SET_ASIDE, "miscue, heard by all"),
        (DecisionKind.KEEP, ""),
        (DecisionKind.UNDECIDE, ""),
    ]


def test_a_doubtful_shot_that_was_taken_back_wants_a_person_again(session):
    (now,) = decisions.accept(session, [one(session, "B/S1/2.mp4")])
    assert not now.needs_a_person
    (now,) = decisions.take_back(session, [now])
    assert now.needs_a_person


def test_two_people_deciding_on_the_same_shot_do_not_overwrite_each_other(session):
    mine = one(session, "A/S1/1.mp4")
    decisions.set_aside(session, [one(session, "A/S1/1.mp4")], "miscue")
    other = one(session, "A/S1/2.mp4")
    with pytest.raises(DecisionOvertakenError, match=r"A/S1/1\.mp4, shot 1: somebody else .* set aside: miscue"):
        decisions.write_note(session, [other, mine], "sun")
    # all or nothing: the other shot has no note either
    assert one(session, "A/S1/2.mp4").decision.note == ""
    seen_late = decisions.as_seen(one(session, "A/S1/1.mp4"), stamp=0)
    with pytest.raises(DecisionOvertakenError):
        decisions.accept(session, [seen_late])
    decisions.accept(session, [one(session, "A/S1/1.mp4")])


def test_labels_are_mended_in_part_and_taken_back(session):
    (now,) = decisions.mend_label(session, [one(session, "A/S2/1.mp4")], condition="control")
    assert (now.decision.condition, now.decision.shooter) == ("control", "S2")
    (now,) = decisions.label_as_filed(session, [now])
    assert shots_frame(session, [now])["condition"].tolist() == ["A"]
    for wrong, message in (({"condition": "Ab"}, "did you mean A"), ({"shooter": "a/b"}, "no name of a shooter")):
        with pytest.raises(SessionError, match=message):
            decisions.mend_label(session, [now], **wrong)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("C/1.mp4", "no recording of this name was measured"),
        ("1.mp4", "could be A/S1/1.mp4, A/S2/1.mp4"),
        ("A/S1/1.mp4:7", "there is no shot 7 in A/S1/1.mp4; there is 1"),
    ],
)
def test_a_name_that_means_nothing_or_too_much_is_said(session, name, message):
    with pytest.raises(SessionError, match=message):
        decisions.find_shots(session, name)


@pytest.mark.parametrize("name", ["A/S1/1.mp4", "clips/A/S1/1.mp4", "A\\S1\\1.mp4", "A/S1/1.mp4:1", "S2/1.mp4"])
def test_shots_are_found_by_the_names_that_people_type(session, name):
    assert one(session, name).clip == ("A/S2/1.mp4" if name.startswith("S2") else "A/S1/1.mp4")


def write_labels(session, *lines: str) -> None:
    (session.folder / "shots.csv").write_text("clip,shot,condition,shooter,kept,note\n" + "\n".join(lines) + "\n")


def test_shots_csv_says_what_does_not_count_until_a_person_decides(session):
    write_labels(session, "A/S1/1.mp4,,A,S1,no,miscue", "B/S1/2.mp4,,B,S1,Yes,", "A/S1/2.mp4,,A,S1,no,")
    session = open_session(session.folder)
    first, second, doubtful = (one(session, name) for name in ("A/S1/1.mp4", "A/S1/2.mp4", "B/S1/2.mp4"))
    assert (first.kept, first.decision.set_aside_reason) == (False, "miscue")
    assert second.decision.set_aside_reason == "shots.csv says that it does not count"
    assert (doubtful.kept, doubtful.needs_a_person) == (True, False)
    (now,) = decisions.accept(session, [first])
    assert now.kept
    assert not decisions.take_back(session, [now])[0].kept
    write_labels(session, "A/S1/1.mp4,,A,S1,perhaps,")
    with pytest.raises(SessionError, match=r"line 2: kept = perhaps, but it must be yes, no or empty"):
        open_session(session.folder)


def test_a_miscue_s_own_line_of_the_order_says_that_it_does_not_count(tmp_path):
    (tmp_path / "session.toml").write_text(CONFIG.format(units="mm"))
    order = "order,shooter,condition,kept,note\n1,S1,A,,\n2,S1,A,no,miscue\n3,S1,B,,late\n"
    (tmp_path / "order.csv").write_text(order)
    session = open_session(tmp_path)
    with Store(session.store_path) as store:
        for clip in ("1.mp4", "2.mp4", "3.mp4"):
            path = session.clip_path(clip)
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(b"")
            store.save_clip(clip, record_of(clip), [made_up_shot(path, launch_rad=0.0, swerve_m=0.0)])

    def table(session) -> pd.DataFrame:
        found = label_by_order(session, session_shots(session), planned_order(session))
        assert found.matched, found.sentence
        return shots_frame(found.session, session_shots(found.session))

    shots = table(session)
    assert shots["kept"].tolist() == [True, False, True]
    assert shots["set_aside"].tolist() == ["", "miscue", ""]
    assert shots["note"].tolist()[2] == "by order.csv; late"
    # what somebody wrote into shots.csv by hand is kept when the order is laid over it once more
    labels = tmp_path / "shots.csv"
    labels.write_text(labels.read_text().replace("3,,by order.csv; late", "3,no,by order.csv; late, too hard"))
    assert table(open_session(tmp_path))["kept"].tolist() == [True, False, True]
    assert "too hard" in (tmp_path / "shots-1.csv").read_text()
    table(open_session(tmp_path))
    assert not (tmp_path / "shots-2.csv").exists()


def run(*arguments: str | Path):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_verb_decides_shows_and_writes_the_table_of_shots(session):
    done = run("set-aside", session.folder, "A/S1/1.mp4", "--because", "miscue", "--note", "tip slipped")
    assert done.exit_code == 0, done.output
    assert "A/S1/1.mp4, shot 1 (A, S1; measured): set aside: miscue; note: tip slipped" in done.stdout
    shots = pd.read_csv(session.out_folder / "shots.csv").set_index("clip")
    assert shots.loc["A/S1/1.mp4", ["kept", "set_aside", "note"]].tolist() == ["no", "miscue", "tip slipped"]
    run("set-aside", session.folder, "A/S1/1.mp4", "--undo", "--condition", "B")
    shown = run("set-aside", session.folder, "A/S1/1.mp4").stdout
    assert "(B, S1; measured): counts; note: tip slipped" in shown
    assert [line.split("  ")[-1] for line in shown.splitlines()[1:]] == [
        "set aside: miscue",
        "note: tip slipped",
        "taken back",
        "label as filed",
        "label mended to B/S1",
    ]
    wrong = run("set-aside", session.folder, "A/S1/1.mp4", "--because", " ")
    assert (wrong.exit_code, len(wrong.stderr.splitlines())) == (2, 1)
    assert "set aside for a reason" in wrong.stderr
