"""The session folder: which clips there are, and whose shot is which."""

import os
from pathlib import Path

import pytest

from analyze.session.folder import Session, new_session, open_session
from calibrate.errors import SessionError

CONDITIONS = """
[[condition]]
name = "control"
role = "control"
[[condition]]
name = "A"
tip_offset_mm = 14.3
"""


def session_with(folder: Path, *clips: str, config: str = CONDITIONS, shots_csv: str | None = None) -> Session:
    folder.mkdir(exist_ok=True)
    (folder / "session.toml").write_text(config, encoding="utf-8")
    for clip in clips:
        path = folder / "clips" / clip
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    if shots_csv is not None:
        (folder / "shots.csv").write_text(shots_csv, encoding="utf-8")
    return open_session(folder)


def test_a_new_session_opens_and_names_its_folders(tmp_path):
    session = new_session(tmp_path / "my test")
    assert session.config.session.name == "my test"
    assert session.config.condition_names == ("control", "A", "B")
    assert (tmp_path / "my test/clips/control/S1").is_dir()


def test_a_new_session_never_goes_into_a_folder_that_holds_something(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(SessionError, match="there is something here already"):
        new_session(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_a_missing_folder_and_a_file_are_told_apart(tmp_path):
    with pytest.raises(SessionError, match="no such folder"):
        open_session(tmp_path / "nowhere")
    (tmp_path / "file").write_text("")
    with pytest.raises(SessionError, match="this is a file"):
        open_session(tmp_path / "file")


def test_clips_come_in_reading_order_and_without_file_system_leavings(tmp_path):
    session = session_with(
        tmp_path,
        "A/S1/10.MP4",
        "A/S1/9.mp4",
        "A/S1/._9.mp4",
        "A/S1/notes.txt",
        "B/2.mov",
        "B/1²2.mov",
        "loose.webm",
    )
    assert session.clips() == ("A/S1/9.mp4", "A/S1/10.MP4", "B/1²2.mov", "B/2.mov", "loose.webm")


def test_no_clips_folder_and_no_clips_give_one_line_each(tmp_path):
    session = session_with(tmp_path)
    with pytest.raises(SessionError, match="no such folder; recordings go into clips/CONDITION/SHOOTER/"):
        session.clips()
    session = session_with(tmp_path, "A/S1/readme.txt")
    with pytest.raises(SessionError, match=r"no recordings \(.*\.mp4.*\) in it or below"):
        session.clips()


def test_the_two_folders_above_a_clip_are_condition_and_shooter(tmp_path):
    session = session_with(tmp_path, "day 1/A/S2/1.mp4", "control/S1/1.mp4", "1.mp4")
    label = session.label("day 1/A/S2/1.mp4", 1)
    assert (label.condition, label.shooter, label.control) == ("A", "S2", False)
    assert label.tip_offset_m == pytest.approx(0.0143, abs=1e-12)
    assert session.label("control/S1/1.mp4", 3).control
    assert session.label("1.mp4", 1).condition == ""


def test_a_folder_that_is_no_condition_is_named_with_the_nearest(tmp_path):
    session = session_with(tmp_path, "contrl/S1/1.mp4")
    label = session.label("contrl/S1/1.mp4", 1)
    assert label.problem == 'condition "contrl" has no [[condition]] in session.toml; did you mean control?'
    assert (label.condition, label.control) == ("contrl", False)


def test_without_conditions_in_the_file_any_folder_name_is_one(tmp_path):
    session = session_with(tmp_path, "blue shaft/S1/1.mp4", config="")
    assert session.label("blue shaft/S1/1.mp4", 1).condition == "blue shaft"


def test_shots_csv_goes_before_folder_names_and_may_speak_of_single_shots(tmp_path):
    session = session_with(
        tmp_path,
        "A/S1/1.mp4",
        "long.mp4",
        shots_csv="\ufeffclip, shot, condition, shooter, tip_offset_mm, note\n"
        "clips/long.mp4,2,A,S2,-7.5,sun came out\nlong.mp4,,control,S1,,\n\n",
    )
    second = session.label("long.mp4", 2)
    assert (second.condition, second.shooter, second.note) == ("A", "S2", "sun came out")
    assert second.tip_offset_m == pytest.approx(-0.0075, abs=1e-12)
    assert session.label("long.mp4", 7).control
    assert session.label("A/S1/1.mp4", 1).shooter == "S1"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("clip,shot,shooter\n", "column condition is missing"),
        ("clip,shot,condition,shooter\n1.mp4,0,A,S1\n", "line 2: shot = 0, but it must be a whole number from 1"),
        ("clip,shot,condition,shooter\n1.mp4,1,A,S1\n1.mp4,1,A,S2\n", r"line 3: 1\.mp4 shot 1 stands there twice"),
        ("clip,condition,shooter,tip_offset_mm\n1.mp4,A,S1,much\n", "line 2: tip_offset_mm = much"),
        ("clip,condition,shooter,tip_offset_mm\n1.mp4,A,S1,143\n", "must be between -40 and 40 mm"),
    ],
)
def test_a_wrong_line_of_shots_csv_is_named(tmp_path, text, message):
    with pytest.raises(SessionError, match=message):
        session_with(tmp_path, "1.mp4", shots_csv=text)


def test_a_name_that_is_no_text_is_left_out_and_said(tmp_path):
    """Bytes of another encoding in a file name: no table or database can hold them."""
    session = session_with(tmp_path / "s", "A/S1/1.mp4")
    odd = os.fsencode(session.clips_folder / "A" / "S1") + b"/caf\xe9.mp4"
    try:
        Path(os.fsdecode(odd)).write_bytes(b"x")
    except OSError:
        pytest.skip("this file system takes only UTF-8 names")
    assert session.clips() == ("A/S1/1.mp4",)
    assert session.unnamed_clips() == ("A/S1/caf\\xe9.mp4",)


def test_shots_csv_may_have_semicolons(tmp_path):
    session = session_with(
        tmp_path / "s", "1.mp4", shots_csv="clip;shot;condition;shooter;tip_offset_mm\n1.mp4;1;A;S1;14.3\n"
    )
    assert session.label("1.mp4", 1).condition == "A"
