"""Drawn clips: the path lies where the camera sees the ball, the caption tells the reading in the tester's unit."""

from dataclasses import replace
from pathlib import Path

import av  # noqa: TID251 - the test reads what was written
import cv2
import numpy as np
import pytest
from session_samples import made_up_session, made_up_shot, record_of

from analyze.report.contact_sheet import write_contact_sheet, write_side_by_side
from analyze.report.draw import DrawJob, DrawWish, draw_over, draw_shot, shot_panel
from analyze.report.pens import SWERVE, draw_line
from analyze.session.decision_log import Decision
from analyze.session.folder import Label
from analyze.session.store import StoredShot
from calibrate.calibration import Calibration
from calibrate.camera import Camera
from calibrate.errors import ClipError, SessionError
from calibrate.scale import RailScale
from calibrate.table import TABLES, Ball, Lane


def a_calibration() -> Calibration:
    """Return a camera behind the foot rail, 1.5 m up, looking back along the lane."""
    rotation = np.array([[-1.0, 0.0, 0.0], [0.0, 0.6, -0.8], [0.0, -0.8, -0.6]])
    position_m = np.array([0.6, 3.6, 1.5])
    return Calibration(
        camera=Camera(
            focal_px=500.0,
            centre_px=np.array([321.0, 179.0]),
            k1=0.0,
            k2=0.0,
            rotation_rad=cv2.Rodrigues(rotation)[0].ravel(),
            translation_m=-rotation @ position_m,
            size_px=np.array([640.0, 360.0]),
        ),
        table=TABLES["9ft"],
        lane=Lane(x_aim_m=0.3175, spot_y_m=0.762),
        ball=Ball(diameter_m=0.05715, mass_kg=0.165),
        scale=RailScale(line_y_m=2.634, zero_m=0.3175),
        cov=np.eye(15) * 1e-12,
    )


def orange(image: np.ndarray) -> np.ndarray:
    return (image[:, :, 2].astype(int) - image[:, :, 0]) > 130


def test_the_path_is_drawn_where_the_ball_is_seen_and_only_up_to_now():
    calibration = a_calibration()
    shot = made_up_shot(Path("1.mp4"), launch_rad=-0.02, swerve_m=0.01)
    half_s = float(shot.path_times_s[20])
    image = np.full((360, 640, 3), 90, dtype=np.uint8)
    draw_over(image, calibration, shot, half_s)
    path_m = np.column_stack([shot.path_xy_m, np.full(len(shot.path_xy_m), calibration.ball.radius_m)])
    path_px = calibration.camera.project(path_m)
    drawn = cv2.dilate(orange(image).astype(np.uint8), np.ones((3, 3)))
    at = [bool(drawn[round(v), round(u)]) for u, v in path_px]
    assert all(at[:20])
    assert not any(at[25:])


@pytest.mark.parametrize(
    ("units", "said"), [("inch", "reading 2 7/16 in (61.9 mm)"), ("mm", "reading 61.9 mm ± 0.78 mm")]
)
def test_the_words_are_in_the_tester_s_unit(tmp_path, monkeypatch, units, said):
    """61.9125 mm is 2 7/16 in; 1.96 x 0.4 mm is 0.78 mm."""
    lines = []
    monkeypatch.setattr("analyze.report.draw.panel", lambda words, *_, **__: lines.extend(words))
    session = made_up_session(tmp_path)
    stored = stored_clip(session, frames=2)
    shot = made_up_shot(stored.shot.clip, launch_rad=0.0, swerve_m=0.0619125)
    shot_panel(replace(stored, shot=shot), Label(condition="A", shooter="S1"), units, 360)
    assert lines[0] == "A · S1 · A/S1/1.mp4, shot 1"
    assert lines[1].replace("\u202f", " ").replace("\xa0", " ").startswith(said)


def test_a_dashed_line_has_gaps_and_keeps_its_ends():
    image = np.zeros((1000, 400, 3), dtype=np.uint8)
    draw_line(image, np.array([[50.0, 500.0], [350.0, 500.0]]), SWERVE)
    row = image[500].max(axis=1) > 150
    assert row[51:55].all()
    assert not row[50:350].all()
    assert not row[:44].any()
    assert not row[358:].any()


def stored_clip(session, *, frames: int, number: int = 1) -> StoredShot:
    clip = f"A/S1/{number}.mp4"
    path = session.clip_path(clip)
    path.parent.mkdir(parents=True, exist_ok=True)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), 60.0, (640, 360))
    for _ in range(frames):
        writer.write(np.full((360, 640, 3), 90, dtype=np.uint8))
    writer.release()
    shot = made_up_shot(path, launch_rad=-0.02, swerve_m=0.01)
    return StoredShot(clip=clip, clip_sha256=record_of(clip).sha256, shot=shot, decision=Decision())


def job_of(stored: StoredShot) -> DrawJob:
    return DrawJob(stored=stored, label=Label(condition="A", shooter="S1"), calibration=a_calibration())


def test_a_picture_and_a_slower_clip_that_plays_everywhere_are_written(tmp_path):
    session = made_up_session(tmp_path)
    drawn = draw_shot(session, job_of(stored_clip(session, frames=90)), DrawWish())
    assert drawn.picture == tmp_path / "out" / "drawn" / "A-S1-1-1.png"
    assert orange(cv2.imread(str(drawn.picture))).sum() > 100
    data = drawn.clip.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")  # the index in front: it plays while it loads
    with av.open(str(drawn.clip)) as clip:
        video = clip.streams.video[0]
        assert (video.codec_context.name, video.codec_context.pix_fmt) == ("h264", "yuv420p")
        times = [frame.time for frame in clip.decode(video)]
    # four times slower than the 60 frames/s of the recording
    np.testing.assert_allclose(np.diff(times), 4 / 60, rtol=0, atol=1e-3)


def test_two_shots_lie_side_by_side_and_all_on_one_sheet(tmp_path):
    session = made_up_session(tmp_path)
    jobs = [job_of(stored_clip(session, frames=70, number=n)) for n in (1, 2)]
    for job in jobs:
        draw_shot(session, job, DrawWish(slower=1))
    path = write_side_by_side(session, *jobs, DrawWish(slower=1))
    with av.open(str(path)) as clip:
        assert (clip.streams.video[0].width, clip.streams.video[0].height) == (1280, 360)
    sheet = cv2.imread(str(write_contact_sheet(session, jobs)))
    assert sheet.shape[1] > 2 * 640


def test_sound_is_for_life_s_speed():
    with pytest.raises(SessionError, match="--slower 1"):
        DrawWish(slower=4, sound=True)


def test_a_clip_that_is_gone_is_said_to_be_so(tmp_path):
    session = made_up_session(tmp_path)
    stored = stored_clip(session, frames=3)
    gone = replace(stored, shot=replace(stored.shot, clip=tmp_path / "gone.mp4"))
    with pytest.raises(ClipError, match=r"gone\.mp4: no such file"):
        draw_shot(session, job_of(gone), DrawWish())
