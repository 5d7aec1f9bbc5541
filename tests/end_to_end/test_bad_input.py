"""Everything that can be wrong with what a tester hands in: one clear line or one row, and the rest is measured."""

import re
import shutil
from collections.abc import Iterator
from importlib.resources import as_file, files
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from analyze.cli import app
from tracker.clip import read_frames

GOOD = "A/S1/0001.mp4"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def one_line(result: Result) -> str:
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.splitlines()
    assert line.startswith("railread: ")
    assert "Traceback" not in result.output
    return line


@pytest.fixture(scope="module")
def sample() -> Iterator[Path]:
    with as_file(files("sample_clips") / "session") as folder:
        yield folder


@pytest.fixture
def session(sample: Path, tmp_path: Path) -> Path:
    return session_with_one_clip(sample, tmp_path / "test")


def session_with_one_clip(sample: Path, folder: Path) -> Path:
    """The sample session with one of its clips, calibrated by hand."""
    (folder / "clips" / GOOD).parent.mkdir(parents=True)
    for name in ("session.toml", f"clips/{GOOD}"):
        shutil.copyfile(sample / name, folder / name)
    shutil.copyfile(sample / "clicks.csv", folder / "marks.csv")
    return folder


def write_clip(path: Path, frames: list[np.ndarray]) -> None:
    height, width = frames[0].shape
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), 60.0, (width, height))
    assert writer.isOpened()
    for frame in frames:
        writer.write(cv2.cvtColor(frame, cv2.COLOR_GRAY2BGR))
    writer.release()


def test_a_missing_and_an_empty_folder(tmp_path):
    assert "nowhere: no such folder" in one_line(run("measure", tmp_path / "nowhere"))
    (tmp_path / "empty").mkdir()
    assert "there is no session.toml in this folder" in one_line(run("measure", tmp_path / "empty"))
    run("new", tmp_path / "fresh")
    assert "no recordings" in one_line(run("measure", tmp_path / "fresh"))


@pytest.fixture(scope="module")
def measured(sample: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """A session of one good clip and five that cannot be measured, and what `measure` said of it."""
    session = session_with_one_clip(sample, tmp_path_factory.mktemp("mixed") / "test")
    frames = [frame.luma.copy() for frame in read_frames(sample / "clips" / GOOD)]
    folder = (session / "clips" / GOOD).parent
    (folder / "text.mp4").write_text("This is not a video.\n" * 50)
    (folder / "empty.mp4").write_bytes(b"")
    whole = (sample / "clips" / GOOD).read_bytes()
    (folder / "cut.mp4").write_bytes(whole[: len(whole) // 3])
    still = frames[:20]  # the ball rests on its spot
    write_clip(folder / "still.mp4", [*still, *still, *still])
    # In the second half of the clip the ball is on its way and nowhere for long.
    cloth = np.median(np.stack(frames[len(frames) // 2 :: 3]), axis=0)
    rng = np.random.default_rng(20240611)
    write_clip(
        folder / "bare.mp4",
        [(cloth + rng.normal(0, 1.5, cloth.shape)).clip(0, 255).astype(np.uint8) for _ in range(60)],
    )

    return session, run("measure", session)


def test_clips_that_cannot_be_measured_become_rows_and_the_others_are_measured(measured):
    session, result = measured
    assert result.exit_code == 1, result.output
    assert "Traceback" not in result.output
    rows = pd.read_csv(session / "out" / "shots.csv", keep_default_na=False).set_index("clip")
    assert rows.loc[GOOD, "status"] == "measured"
    reasons = {Path(clip).stem: row["reason"] for clip, row in rows.iterrows() if row["status"] == "failed"}
    assert reasons == {
        "text": "clip-damaged",
        "empty": "clip-damaged",
        "cut": "clip-damaged",
        "still": "no-strike",
        "bare": "no-ball",
    }
    assert (rows["detail"].str.count("\n") == 0).all()
    for slug in set(reasons.values()):
        assert re.search(rf"^{slug}: .+\.$", result.stdout, flags=re.M), "each reason is explained once"


def test_only_clips_that_cannot_be_read(session):
    (session / "clips" / GOOD).write_text("This is not a video.\n")
    line = one_line(run("measure", session))
    assert "none of the 1 recordings can be read" in line
    assert "0001.mp4" in line


def test_marks_outside_the_picture(session):
    marks = session / "marks.csv"
    marks.write_text(re.sub(r"^scale\+0,.*$", "scale+0,5000.0,300.0", marks.read_text(), flags=re.M))
    line = one_line(run("measure", session))
    assert "marks.csv" in line
    assert "scale+0 at (5000, 300) px lies outside the picture of 1280 x 720 px" in line


def test_marks_of_a_table_that_does_not_fit(session):
    config = session / "session.toml"
    config.write_text(
        config.read_text().replace('size = "9ft"', 'size = "7ft"').replace("spot_mm = 762", "spot_mm = 600")
    )
    line = one_line(run("measure", session))
    assert "marks.csv" in line
    assert "table" in line


def test_marks_of_no_known_name_and_files_that_hold_no_marks(session):
    marks = session / "marks.csv"
    text = marks.read_text()
    marks.write_text(text + "foot-9,10,10\n")
    assert "unknown mark 'foot-9'" in one_line(run("measure", session))
    marks.write_text("mark,u_px,v_px\n")
    assert "holds no marks" in one_line(run("measure", session))
    marks.write_text(text + "foot-1,here,there\n")
    assert "which is not a number" in one_line(run("measure", session))
    marks.unlink()
    (session / "clips" / GOOD).write_text("No printed markers here either.\n")
    assert "no marks have been clicked yet" in one_line(run("measure", session))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("spot_mm = 762", "spot_mm = -762", "lane.spot_mm = -762, but it must be between 50 and 5000 mm"),
        ("diameter_mm = 57.15", "diameter_mm = 5.7e9", "ball.diameter_mm = 5700000000.0, but it must be between"),
        ("mass_g = 165", "mass_g = nan", "ball.mass_g = nan, but it must be a finite number"),
        ("readout_ms = 12.0", "readout_ms = -12", "camera.readout_ms = -12, but it must be between 0 and 100 ms"),
        (
            "readout_ms = 12.0",
            "readuot_ms = 12",
            "camera.readuot_ms is no key of this file; did you mean readout_ms?",
        ),
        ("sight = 1 ", "sight = 9 ", "lane.sight = 9, but it must be between 1 and 3"),
        ("[lane]", "[lane", "not written as TOML"),
    ],
)
def test_negative_and_absurd_settings(session, old, new, message):
    config = session / "session.toml"
    text = config.read_text()
    assert old in text
    config.write_text(text.replace(old, new))
    line = one_line(run("measure", session))
    assert "session.toml: " in line
    assert message in line


def test_a_condition_that_is_not_in_the_settings(measured, tmp_path):
    """The recording stays measured, is said not to count, and the exit status asks for a person."""
    folder = tmp_path / "test"
    shutil.copytree(measured[0], folder)
    for clip in (folder / "clips/A/S1").iterdir():
        if clip.name != Path(GOOD).name:
            clip.unlink()
    config = folder / "session.toml"
    config.write_text(config.read_text().replace('"A"', '"Q"'))
    result = run("measure", folder)
    assert result.exit_code == 1, result.output
    said = " ".join(result.output.split())
    assert 'condition "A" has no [[condition]] in session.toml' in said
    assert "0 clips measured now, 1 unchanged" in said
    assert "1 measured" in said


def test_a_calibration_frame_that_is_none(session):
    frame = session / "frame.mp4"
    frame.write_text("no frame")
    arguments = ["calibrate", session, "--marks", session / "marks.csv", "--frame"]
    assert "frame.mp4" in one_line(run(*arguments, frame))
    assert "missing.png" in one_line(run(*arguments, session / "missing.png"))
