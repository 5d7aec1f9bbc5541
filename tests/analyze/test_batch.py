"""Measuring a folder: what is measured again and what not, and that nothing stops the rest."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analyze.fit.reasons import SETTINGS_CHANGED
from analyze.fit.shot import Shot, Status, failed_shot
from analyze.measure import batch
from analyze.measure.batch import Progress, measure_session
from analyze.measure.clip import ClipJob
from analyze.session import calibration, decisions
from analyze.session.calibration import calibrate_session
from analyze.session.decision_log import DecisionKind
from analyze.session.folder import Session, open_session
from analyze.session.inputs import calibration_sha256
from analyze.session.picture import picture_from_bytes
from analyze.session.shots import read_shots, session_shots
from analyze.session.store import Store
from calibrate.calibration import Calibration, MarkResidual
from calibrate.camera import Camera
from calibrate.errors import ClipError, MarksError
from tracker.reasons import NO_BALL


def measured(job: ClipJob) -> tuple[Shot, ...]:
    """Stand in for the measurement of one clip, in the process where that runs; the clip says what happens."""
    what = job.path.read_text().partition(" ")[0]
    if what == "unreadable":
        raise ClipError(f"{job.path}: not a video")
    if what == "bug":
        raise ZeroDivisionError("float division by zero")
    if what == "crash":
        os._exit(9)
    shot = replace(failed_shot(job.path, 1, NO_BALL, ""), status=Status.MEASURED, reason=None, reading_m=0.01)
    return (shot, replace(shot, shot=2)) if what == "two" else (shot,)


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Session:
    """A session whose marks are not looked at: calibration has tests of its own."""
    monkeypatch.setattr(
        calibration, "still_luma", lambda path: np.zeros((72, 128)) if path.read_text() else broken(path)
    )
    monkeypatch.setattr(calibration, "calibrate", calibration_of)
    (tmp_path / "session.toml").write_text("")
    (tmp_path / "marks.csv").write_text("mark,u_px,v_px\nfoot-1,1,2\nfoot-2,3,4\n")
    return open_session(tmp_path)


def broken(path: Path) -> np.ndarray:
    raise ClipError(f"{path}: the file is empty")


def calibration_of(clicks, *, luma, size_px, table, lane, ball, scale) -> Calibration:
    camera = Camera(
        focal_px=100.0 * len(clicks),
        centre_px=np.zeros(2),
        k1=0.0,
        k2=0.0,
        rotation_rad=np.zeros(3),
        translation_m=np.zeros(3),
        size_px=np.array(size_px, dtype=float),
    )
    return Calibration(camera=camera, table=table, lane=lane, ball=ball, scale=scale, cov=np.eye(15))


def put(session: Session, clip: str, what: str) -> None:
    path = session.clip_path(clip)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(what and f"{what} {clip}")  # recordings differ in content


def run(session: Session, *, again: bool = False, **others) -> batch.BatchOutcome:
    """Measure by a thread: what is looked at here is the same, and no process needs starting."""
    with ThreadPoolExecutor(1) as thread:
        return measure_session(session, again=again, measure=measured, executor=thread, **others)


def test_a_clip_that_fails_becomes_a_row_and_the_others_are_measured(session):
    for clip, what in (
        ("A/S1/1.mp4", "one"),
        ("A/S1/2.mp4", "unreadable"),
        ("A/S1/3.mp4", "bug"),
        ("4.mp4", "two"),
    ):
        put(session, clip, what)
    outcome = run(session)
    found = [(one.clip, one.shot.shot, str(one.shot.status), one.shot.reason) for one in outcome.shots]
    assert [(clip, shot, status, reason and reason.slug) for clip, shot, status, reason in found] == [
        ("4.mp4", 1, "measured", None),
        ("4.mp4", 2, "measured", None),
        ("A/S1/1.mp4", 1, "measured", None),
        ("A/S1/2.mp4", 1, "failed", "clip-damaged"),
        ("A/S1/3.mp4", 1, "failed", "measuring-broke-off"),
    ]
    assert outcome.shots[4].shot.detail == "ZeroDivisionError: float division by zero"
    assert outcome.needs_a_person
    assert outcome.calibrated_now
    assert outcome.notes == (
        "1 of 4 clips have no condition (the first: 4.mp4): put them into clips/CONDITION/SHOOTER/, "
        "or name them in shots.csv.",
    )


def test_a_crash_of_the_decoder_takes_only_its_own_clip(session):
    for clip, what in (("1.mp4", "crash"), ("2.mp4", "one"), ("3.mp4", "one"), ("4.mp4", "one")):
        put(session, clip, what)
    outcome = measure_session(session, measure=measured, workers=2)
    slugs = [one.shot.reason.slug if one.shot.reason else "" for one in outcome.shots]
    assert slugs == ["measuring-broke-off", "", "", ""]


def test_unchanged_clips_are_not_measured_again_and_changed_ones_are(session):
    for clip in ("1.mp4", "2.mp4", "10.mp4"):
        put(session, clip, "one")
    assert run(session).measured == ("1.mp4", "2.mp4", "10.mp4")
    second = run(session)
    assert (second.measured, second.unchanged) == ((), ("1.mp4", "2.mp4", "10.mp4"))
    assert not second.calibrated_now
    assert [one.clip for one in second.shots] == ["1.mp4", "2.mp4", "10.mp4"]
    put(session, "2.mp4", "two")
    third = run(session)
    assert third.measured == ("2.mp4",)
    assert len(third.shots) == 4
    assert run(session, again=True).measured == ("1.mp4", "2.mp4", "10.mp4")


def test_new_marks_or_another_table_measure_everything_again(session):
    put(session, "1.mp4", "one")
    run(session)
    with session.marks_path.open("a") as file:
        file.write("foot-3,5,6\n")
    again = run(session)
    assert again.calibrated_now
    assert again.measured == ("1.mp4",)
    assert again.calibration.camera.focal_px == 300.0
    (session.folder / "session.toml").write_text("[table]\nsize = '8ft'\n")
    other = run(open_session(session.folder))
    assert other.calibrated_now
    assert other.measured == ("1.mp4",)


def test_another_capture_rate_measures_again_with_the_same_calibration(session):
    put(session, "1.mp4", "one")
    run(session)
    (session.folder / "session.toml").write_text("[camera]\ncapture_fps = 240\n")
    again = run(open_session(session.folder))
    assert not again.calibrated_now
    assert again.measured == ("1.mp4",)


@pytest.mark.parametrize("edit", ["rate", "marks"])
def test_results_of_other_marks_or_settings_are_doubtful_until_measured_again(session, edit):
    put(session, "1.mp4", "one")
    run(session)
    assert read_shots(session).shots[0].shot.status is Status.MEASURED
    if edit == "rate":
        (session.folder / "session.toml").write_text("[camera]\ncapture_fps = 240\n")
    else:
        session.marks_path.write_text("mark,u_px,v_px\nfoot-1,1,2\nfoot-2,3,5\n")
    found = read_shots(open_session(session.folder))
    assert found.shots[0].shot.reason is SETTINGS_CHANGED
    assert found.shots[0].shot.reading_m == 0.01
    assert "railread measure" in found.notes[-1]
    again = run(open_session(session.folder))
    assert again.shots[0].shot.status is Status.MEASURED


def test_another_picture_of_the_same_marks_measures_again(session):
    """It tells whether the camera stood where it did when the marks were clicked."""
    put(session, "1.mp4", "one")
    run(session)
    with Store(session.store_path) as store:
        digest = calibration_sha256(session)
        store.save_calibration(store.calibration(digest), inputs_sha256=digest, frame="2.png", picture=b"other")
    assert read_shots(session).shots[0].shot.reason is SETTINGS_CHANGED
    assert run(session).measured == ("1.mp4",)


def test_a_clip_measured_again_is_measured_together_again(session):
    put(session, "1.mp4", "one")
    run(session)
    with Store(session.store_path) as store:
        assert store.together_inputs()
        record = store.clip_records()["1.mp4"]
        store.save_clip("1.mp4", record, [one.shot for one in store.shots(session.clips_folder)])
        assert not store.together_inputs()


def test_a_decision_outlives_measuring_again_and_a_new_name(session):
    put(session, "A/S1/1.mp4", "two")
    first = run(session).shots[0]
    with Store(session.store_path) as store:
        store.decide(first, DecisionKind.SET_ASIDE, "miscue")
    assert not run(session, again=True).shots[0].kept
    session.clip_path("A/S1/1.mp4").rename(session.clip_path("A/S1/7.mp4"))
    shots = run(session).shots
    assert [(one.clip, one.kept) for one in shots] == [("A/S1/7.mp4", False), ("A/S1/7.mp4", True)]


def test_a_clip_that_was_taken_away_no_longer_counts_unless_it_shall(session):
    for clip, what in (("A/S1/1.mp4", "one"), ("A/S1/2.mp4", "two"), ("A/S1/3.mp4", "unreadable")):
        put(session, clip, what)
    run(session)
    for clip in ("A/S1/2.mp4", "A/S1/3.mp4"):  # one that was measured, and a damaged one
        session.clip_path(clip).unlink()
    outcome = run(session)
    assert [one.clip for one in outcome.shots] == ["A/S1/1.mp4"]
    assert not outcome.needs_a_person
    assert outcome.notes == (
        "2 recordings (the first: A/S1/2.mp4) are no longer in clips/: what was measured of it is left out. "
        f"`railread measure {session.folder} --keep-gone` counts it all the same.",
    )
    kept = run(session, keep_gone=True)
    assert [one.clip for one in kept.shots] == ["A/S1/1.mp4", "A/S1/2.mp4", "A/S1/2.mp4", "A/S1/3.mp4"]
    assert [one.clip for one in run(session).shots] == [one.clip for one in kept.shots]
    assert session_shots(session)[1].kept


def test_a_session_without_any_of_its_recordings_keeps_its_results(session):
    """As it comes out of an archive that does not hold the recordings."""
    put(session, "A/S1/1.mp4", "one")
    run(session)
    session.clip_path("A/S1/1.mp4").unlink()
    found = read_shots(session)
    assert [one.clip for one in found.shots] == ["A/S1/1.mp4"]
    assert "None of the recordings is in" in found.notes[0]


def test_the_same_recording_in_two_places_counts_once(session):
    (session.folder / "session.toml").write_text("[[condition]]\nname = 'B'\n")
    session = open_session(session.folder)
    put(session, "A/S1/1.mp4", "one")
    run(session)
    put(session, "B/S1/2.mp4", "two")
    shutil.copy(session.clip_path("A/S1/1.mp4"), session.clip_path("B/S1/1.mp4"))
    outcome = run(session)
    # the place whose condition is known counts
    assert [one.clip for one in outcome.shots] == ["B/S1/1.mp4", "B/S1/2.mp4", "B/S1/2.mp4"]
    assert outcome.notes == (
        "The same recording in two places counts once (A/S1/1.mp4 is B/S1/1.mp4): take the wrong one away.",
    )


def test_a_clip_of_an_unknown_condition_is_flagged_and_the_rest_is_measured(session):
    put(session, "A/S1/1.mp4", "one")
    put(session, "C/S1/1.mp4", "two")
    (session.folder / "session.toml").write_text("[[condition]]\nname = 'A'\n")
    outcome = run(open_session(session.folder))
    assert [(one.clip, one.kept, one.needs_a_person) for one in outcome.shots] == [
        ("A/S1/1.mp4", True, False),
        ("C/S1/1.mp4", False, True),
        ("C/S1/1.mp4", False, True),
    ]
    assert outcome.notes == (
        "C/S1/1.mp4 is measured but not counted until the folder, shots.csv or session.toml is mended: "
        'condition "C" has no [[condition]] in session.toml; known: A',
    )
    (now,) = decisions.mend_label(session, outcome.shots[1:2], condition="A")
    assert now.kept
    (session.folder / "session.toml").write_text("[[condition]]\nname = 'A'\n[[condition]]\nname = 'C'\n")
    assert all(one.kept for one in run(open_session(session.folder)).shots)


def test_a_run_broken_off_while_measuring_together_is_taken_up_by_the_next(session, monkeypatch):
    put(session, "1.mp4", "one")
    calls = []

    def broken_off(stored, *_, **__):
        raise KeyboardInterrupt

    def finished(stored, *_, **__):
        calls.append([one.clip for one in stored])
        return [(one.clip, replace(one.shot, camera="session")) for one in stored]

    monkeypatch.setattr(batch, "measured_together", broken_off)
    with pytest.raises(KeyboardInterrupt):
        run(session)
    monkeypatch.setattr(batch, "measured_together", finished)
    outcome = run(session)
    assert (outcome.measured, [one.shot.camera for one in outcome.shots]) == ((), ["session"])
    run(session)
    assert calls == [["1.mp4"]]  # nothing changed: not once more
    (session.folder / "session.toml").write_text("[camera]\nreadout_ms = 12\n")
    run(open_session(session.folder))
    assert len(calls) == 2


def test_any_executor_measures(session):
    for clip, what in (("1.mp4", "one"), ("2.mp4", "bug"), ("3.mp4", "unreadable"), ("4.mp4", "two")):
        put(session, clip, what)
    with ThreadPoolExecutor(2) as threads:
        outcome = measure_session(session, measure=measured, executor=threads)
        assert threads.submit(int, "7").result() == 7  # it is not ours to shut down
    slugs = [one.shot.reason.slug if one.shot.reason else "" for one in outcome.shots]
    assert slugs == ["", "measuring-broke-off", "clip-damaged", "", ""]


INTERRUPTED = """
import sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from test_batch import slow_or_not
from analyze.measure import pool
from analyze.measure.clip import ClipJob

def main():
    jobs = [ClipJob(clip=name, path=Path(name), places=(), capture_fps=None, readout=None)
            for name in ("quick", "slow", "slow too", "slow as well")]
    for job, _ in pool.measured_jobs(jobs, slow_or_not, workers=2):
        print(job.clip, flush=True)

if __name__ == "__main__":
    main()
"""


def slow_or_not(job: ClipJob) -> tuple[Shot, ...]:
    if job.clip != "quick":
        time.sleep(60)
    return ()


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent to a process group another way there")
def test_ctrl_c_ends_within_two_seconds_and_workers_say_nothing(tmp_path):
    script = tmp_path / "interrupted.py"
    script.write_text(INTERRUPTED.format(tests=str(Path(__file__).parent)))
    with subprocess.Popen(
        [sys.executable, str(script)],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as running:
        assert running.stdout.readline() == "quick\n"
        began = time.monotonic()
        os.killpg(running.pid, signal.SIGINT)  # as a terminal does: to every process of the group
        _, said = running.communicate(timeout=20)
        assert time.monotonic() - began < 2.0
        assert said.count("Traceback") == 1, said
        assert said.rstrip().endswith("KeyboardInterrupt")


def test_the_first_clip_that_can_be_read_calibrates(session):
    put(session, "1.mp4", "")
    with pytest.raises(ClipError, match="none of the 1 recordings can be read; the first: .*is empty"):
        run(session)
    put(session, "2.mp4", "one")
    assert run(session).calibration.camera.size_px.tolist() == [128.0, 72.0]


def test_a_first_clip_that_shows_no_marks_does_not_calibrate(session, monkeypatch):
    """A black clip, and one of another size, before the one that was clicked: the batch is not poisoned."""

    def solve(clicks, *, luma, **set_up):
        if luma.shape[1] < 128:
            raise MarksError("lies outside the picture of 64 x 36 px")
        made = calibration_of(clicks, luma=luma, **set_up)
        mark = MarkResidual(
            name="foot-1", click_px=(0, 0), used_px=(0, 0), residual_px=(0, 0), sigma_px=1.0,
            snapped=bool(luma.max() > 20), influence=0.5, used=True,
        )  # fmt: skip
        return replace(made, residuals=(mark,))

    pictures = {"1": np.full((36, 64), 90.0), "2": np.full((72, 128), 16.0), "3": np.full((72, 128), 90.0)}
    monkeypatch.setattr(calibration, "calibrate", solve)
    monkeypatch.setattr(calibration, "still_luma", lambda path: pictures[path.stem])
    for clip in pictures:
        put(session, f"{clip}.mp4", "one")
    run(session)
    with Store(session.store_path) as store:
        packed = store.picture(calibration_sha256(session))
    assert packed is not None
    assert picture_from_bytes(packed).max() == 90
    assert picture_from_bytes(packed).shape == (72, 128)


def test_no_marks_are_said_before_measuring(session):
    put(session, "C/S1/1.mp4", "one")
    session.marks_path.unlink()
    with pytest.raises(MarksError, match=r"no marks have been clicked yet; `railread calibrate .* does that"):
        run(session)


def test_progress_is_told_from_first_to_last(session):
    for clip in ("1.mp4", "2.mp4"):
        put(session, clip, "one")
    heard: list[Progress] = []
    run(session, progress=heard.append)
    assert [(one.done, one.total) for one in heard] == [(0, 2), (1, 2), (2, 2)]
    assert {one.clip for one in heard} == {"", "1.mp4", "2.mp4"}


def test_a_calibration_made_anew_measures_everything_again(session, monkeypatch):
    put(session, "1.mp4", "one")
    run(session)
    monkeypatch.setattr(calibration, "still_luma", lambda path: np.zeros((60, 128)))
    calibrate_session(session, session.clip_path("1.mp4"))
    again = run(session)
    assert not again.calibrated_now
    assert again.measured == ("1.mp4",)
    assert again.calibration.camera.size_px.tolist() == [128.0, 60.0]


def test_a_calibration_without_its_picture_is_said_to_leave_nudges_unseen(session):
    put(session, "1.mp4", "one")
    assert not any("nudged" in note for note in run(session).notes)
    with sqlite3.connect(session.store_path) as earlier:  # as a version wrote it that kept no picture
        earlier.execute("UPDATE calibrations SET picture = NULL")
    earlier.close()
    again = run(session)
    assert not again.calibrated_now
    assert "nobody looked whether the camera was nudged" in again.notes[-1]


def test_a_readout_of_nought_is_pointed_out(session):
    put(session, "A/S1/1.mp4", "one")
    assert not any("readout_ms" in note for note in run(session).notes)
    (session.folder / "session.toml").write_text("[camera]\nreadout_ms = 0\n")
    assert run(open_session(session.folder)).notes[-1].startswith("camera.readout_ms = 0 is taken for 'not known'")
    stated = "[camera]\nreadout_ms = 0\nglobal_shutter = true\n"
    (session.folder / "session.toml").write_text(stated)
    assert run(open_session(session.folder)).notes[-1].startswith("camera.global_shutter = true is half believed")
    (session.folder / "session.toml").write_text(stated + 'global_shutter_camera = "made up 1"\n')
    assert not any("readout_ms" in note for note in run(open_session(session.folder)).notes)


def test_every_clip_is_given_the_calibrated_picture(session, monkeypatch):
    put(session, "1.mp4", "one")
    monkeypatch.setattr(calibration, "still_luma", lambda _: np.full((72, 128), 77.0))
    jobs: list[ClipJob] = []
    monkeypatch.setattr(batch, "measured_jobs", lambda found, *_, **__: jobs.extend(found) or (one for one in ()))
    run(session)
    (job,) = jobs
    assert np.all(picture_from_bytes(job.places[0].picture) == 77.0)
