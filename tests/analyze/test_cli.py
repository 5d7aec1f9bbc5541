"""The command line: verbs, exit status, one line for wrong input; what the verbs do is tested where it is done."""

import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from session_samples import made_up_session
from typer.testing import CliRunner, Result

from analyze.cli import app
from analyze.measure.batch import BatchOutcome, Progress
from analyze.report.terminal import length_text
from analyze.session import demo as sample
from analyze.session.camera_place import CameraPlace
from analyze.session.folder import Session
from analyze.session.store import Store
from calibrate.calibration import Calibration, MarkResidual
from calibrate.camera import Camera
from calibrate.errors import SessionError
from calibrate.scale import RailScale
from calibrate.table import TABLES, Ball, Lane


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def one_line(result: Result) -> str:
    """Return the line on stderr of a run with wrong input; there is exactly one, and no traceback."""
    assert result.exit_code == 2, result.output
    lines = result.stderr.splitlines()
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("railread: ")
    return lines[0]


def a_calibration() -> Calibration:
    camera = Camera(
        focal_px=900.0,
        centre_px=np.array([640.0, 360.0]),
        k1=0.0,
        k2=0.0,
        rotation_rad=np.array([2.0, 0.0, 0.0]),
        translation_m=np.array([-0.3, 1.0, 2.0]),
        size_px=np.array([1280.0, 720.0]),
    )
    marks = [("foot-1", True, ""), ("foot-2", False, "4.2 px off; did you click foot-3?")]
    return Calibration(
        camera=camera,
        table=TABLES["9ft"],
        lane=Lane(x_aim_m=0.3175, spot_y_m=0.762),
        ball=Ball(diameter_m=0.05715, mass_kg=0.165),
        scale=RailScale(line_y_m=2.634, zero_m=0.3175),
        cov=np.eye(15) * 1e-12,
        residual_px=0.2,
        residuals=tuple(
            MarkResidual(
                name=name,
                click_px=(1.0, 2.0),
                used_px=(1.3, 2.4),
                residual_px=(0.1, -0.2),
                sigma_px=0.2,
                snapped=True,
                influence=0.4,
                used=used,
                note=note,
            )
            for name, used, note in marks
        ),
    )


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["measure"], "Missing argument 'DIR'"),
        (["measur", "x"], "No such command 'measur'"),
        (["measure", "x", "--agian"], "No such option"),
        (["measure", "nowhere"], "nowhere: no such folder"),
        (["report", "nowhere"], "nowhere: no such folder"),
        (["draw", "nowhere"], "nowhere: no such folder"),
        (["calibrate", "nowhere", "--frame", "x.mp4"], "nowhere: no such folder"),
        (["check", "nowhere"], "Missing option '--frame'"),
        (["open", "nowhere", "--port", "70000"], "65535"),
        (["--verbose"], "No such option"),
    ],
)
def test_wrong_usage_and_missing_folders_give_one_line(arguments, message):
    assert message in one_line(run(*arguments))


def test_without_a_verb_the_help_is_shown():
    result = run()
    assert result.exit_code == 0
    assert "measure" in result.stdout


def test_new_makes_a_session_once(tmp_path):
    folder = tmp_path / "my-test"
    result = run("new", folder)
    assert result.exit_code == 0
    assert (folder / "session.toml").is_file()
    assert "railread calibrate" in result.stdout
    assert "something here already" in one_line(run("new", folder))


def test_measure_shows_shots_and_says_when_a_person_is_needed(tmp_path, monkeypatch):
    session = made_up_session(tmp_path, units="inch")

    def measured(session: Session, **_: object) -> BatchOutcome:
        with Store(session.store_path) as store:
            shots = store.shots(session.clips_folder)
        return BatchOutcome(
            places=(CameraPlace(name="", calibration=a_calibration(), picture=None, new=True),),
            measured=("A/S1/1.mp4",),
            unchanged=(),
            shots=shots,
            notes=("Something to know.",),
        )

    monkeypatch.setattr("analyze.measure.batch.measure_session", measured)
    result = run("measure", tmp_path)
    assert result.exit_code == 1
    assert "Not used: foot-2; click it again." in result.stdout
    assert "foot-2: 4.2 px off; did you click foot-3?" in result.stdout
    assert "This calibration fixes a reading" in result.stdout
    assert "Note: Something to know." in result.stdout
    assert "B/S1/1.mp4, shot 1: failed, no-ball: nothing within 40 px" in result.stdout
    assert "no-ball: No cue ball was found" in result.stdout
    assert "Shots: 5 measured, 1 doubtful, 1 failed." in result.stdout
    # -1870 tan(0.018) + 10 mm = -23.66 mm = -0.932 in
    assert "-0.932 (-15/16)" in result.stdout
    assert (session.out_folder / "shots.csv").is_file()


def test_ctrl_c_says_what_is_kept(tmp_path, monkeypatch):
    def interrupted(session: Session, *, progress, **_: object) -> BatchOutcome:
        progress(Progress(done=3, total=7, clip="A/S1/3.mp4"))
        raise KeyboardInterrupt

    made_up_session(tmp_path)
    monkeypatch.setattr("analyze.measure.batch.measure_session", interrupted)
    result = run("measure", tmp_path)
    assert result.exit_code == 130
    assert result.stderr == (
        "railread: broken off; the 3 clips finished in this run are kept, and "
        f"`railread measure {tmp_path}` goes on with the rest\n"
    )


def test_a_system_that_lacks_a_library_of_opencv_is_told_which_package_brings_it(tmp_path):
    # With the name of the module, as an extension module that cannot be linked is reported.
    (tmp_path / "cv2.py").write_text("raise ImportError('libGL.so.1: cannot open shared object file', name='cv2')")
    code = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); from analyze.cli import app; app()"
    root = Path(__file__).parents[2]
    command = [sys.executable, "-c", code, "measure", str(tmp_path)]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1
    assert "libGL.so.1" in done.stderr
    assert "apt-get install libgl1" in done.stderr


def test_the_version_is_told():
    result = run("--version")
    assert (result.exit_code, result.stdout) == (0, f"railread {version('railread')}\n")


def test_report_names_its_files_and_the_units(tmp_path):
    made_up_session(tmp_path)
    result = run("report", tmp_path)
    assert result.exit_code == 1
    assert "readings at the foot rail (mm)" in result.stdout
    for name in ("shots.csv", "summary.csv", "lane.png", "readings.png"):
        assert (tmp_path / "out" / name).is_file()
        assert name in result.stdout


def test_a_file_that_cannot_be_written_gives_one_line(tmp_path):
    made_up_session(tmp_path)
    (tmp_path / "out").write_text("a file where the folder should be")
    assert "shots.csv: cannot be written" in one_line(run("report", tmp_path))


def test_a_damaged_database_gives_one_line(tmp_path):
    made_up_session(tmp_path)
    (tmp_path / "railread.sqlite").write_bytes(b"\0" * 4096 + b"spoilt")
    assert "railread.sqlite: the database is damaged" in one_line(run("report", tmp_path))


def test_draw_needs_the_marks_that_were_measured_with(tmp_path):
    made_up_session(tmp_path)
    assert "no marks have been clicked yet" in one_line(run("draw", tmp_path))
    (tmp_path / "marks.csv").write_text("mark,u_px,v_px\nfoot-1,1,2\n")
    assert "not measured with its marks and settings of today" in one_line(run("draw", tmp_path))


def test_failed_calibration_leaves_the_earlier_marks_alone(tmp_path):
    made_up_session(tmp_path)
    (tmp_path / "marks.csv").write_text("mark,u_px,v_px\nfoot-1,1,2\n")
    (tmp_path / "new.csv").write_text("mark,u_px,v_px\nfoot-2,100,200\nfoot-3,150,200\n")
    cv2.imwrite(str(tmp_path / "frame.png"), np.zeros((360, 640), dtype=np.uint8))
    arguments = ["calibrate", tmp_path, "--marks", tmp_path / "new.csv", "--frame", tmp_path / "frame.png"]
    assert "2 marks are too few" in one_line(run(*arguments))
    assert (tmp_path / "marks.csv").read_text() == "mark,u_px,v_px\nfoot-1,1,2\n"


def test_clicking_in_a_picture_that_is_no_recording_of_the_session_says_what_to_do(tmp_path):
    made_up_session(tmp_path)
    clip = tmp_path / "clips/A/S1/1.mp4"
    clip.parent.mkdir(parents=True)
    clip.touch()
    cv2.imwrite(str(tmp_path / "frame.png"), np.zeros((360, 640), dtype=np.uint8))
    assert "not a recording of this session" in one_line(
        run("calibrate", tmp_path, "--frame", tmp_path / "frame.png")
    )
    assert not (tmp_path / "marks.csv").exists()


def test_the_demo_never_writes_into_a_folder_that_holds_something(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert sample.free_demo_folder(None) == Path("railread-demo")
    (tmp_path / "railread-demo").mkdir()
    (tmp_path / "railread-demo-2").mkdir()
    assert sample.free_demo_folder(None) == Path("railread-demo-3")
    (tmp_path / "mine").mkdir()
    assert sample.free_demo_folder(tmp_path / "mine") == tmp_path / "mine"
    (tmp_path / "mine" / "notes.txt").write_text("mine")
    with pytest.raises(SessionError, match="something here already"):
        sample.free_demo_folder(tmp_path / "mine")
    assert "something here already" in one_line(run("demo", tmp_path / "mine"))


@pytest.mark.parametrize(
    ("value_mm", "units", "text"),
    [(61.9125, "inch", "2.438 (2 7/16)"), (-61.9125, "mm", "-61.91"), (None, "mm", ""), (float("nan"), "inch", "")],
)
def test_lengths_are_shown_in_the_tester_s_unit(value_mm, units, text):
    # 2 7/16 in = 61.9125 mm, by definition of the inch
    assert length_text(value_mm, units) == text


def test_hand_read_numbers_alone_are_reported(tmp_path):
    (tmp_path / "readings.csv").write_text("condition,shooter,reading_in\nA,S1,2-7/16\nA,S1,2.5\nB,S1,1 1/8\n")
    result = run("report", tmp_path)
    assert result.exit_code == 0
    # The mean of 2 7/16 and 2 1/2 in is 2.46875 in, half a sixteenth, which rounds away from zero.
    assert "2.469 (2 1/2)" in result.stdout
    (tmp_path / "readings.csv").write_text("condition,shooter,reading_in\nA,S1,2-7/1b\n")
    assert "readings.csv, line 2" in one_line(run("report", tmp_path))


def test_the_keep_rule_of_the_settings_counts_and_says_what_it_does(tmp_path):
    readings = "".join(f"A,S1,{value}\n" for value in (1.0, 1.1, 1.3, 4.0, 9.0))
    (tmp_path / "readings.csv").write_text("condition,shooter,reading_mm\n" + readings)
    (tmp_path / "session.toml").write_text("[session]\nunits = 'mm'\n[analysis]\nkeep = 'closest'\nclosest_k = 3\n")
    result = run("report", tmp_path)
    assert result.exit_code == 0, result.output
    summary = pd.read_csv(tmp_path / "out" / "summary.csv")
    assert summary["n"].tolist() == [3, 3]
    assert summary["mean_mm"].tolist() == pytest.approx([3.4 / 3] * 2, abs=0.0005, rel=0)
    rules = pd.read_csv(tmp_path / "out" / "keep_rules.csv").set_index("rule")
    assert rules["n"].to_dict() == {"all": 5, "drop_failed": 5, "closest": 3}
    assert rules.loc["closest", "naive_se_mm"] < rules.loc["closest", "honest_se_mm"]
    assert "Note: " in result.stdout


def test_calibrating_without_marks_opens_the_page_at_its_camera_view(tmp_path, monkeypatch):
    served = []
    monkeypatch.setattr("analyze.cli.verbs._serve", lambda folder, **more: served.append((folder, more)))
    run("new", tmp_path / "s")
    assert run("calibrate", tmp_path / "s", "--no-browser").exit_code == 0
    assert served == [(tmp_path / "s", {"browser": False, "view": "calibrate", "place": ""})]
