"""Drawn clips: the path lies where the camera sees the ball, the caption tells the reading in the tester's unit."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from session_samples import made_up_session, made_up_shot, record_of

from analyze.report.draw import draw_over, draw_shot
from analyze.session.decision_log import Decision
from analyze.session.store import StoredShot
from calibrate.calibration import Calibration
from calibrate.camera import Camera
from calibrate.errors import ClipError
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
    return (image[:, :, 2].astype(int) - image[:, :, 0]) > 100


def test_the_path_is_drawn_where_the_ball_is_seen_and_only_up_to_now():
    calibration = a_calibration()
    shot = made_up_shot(Path("1.mp4"), launch_rad=-0.02, swerve_m=0.01)
    half_s = float(shot.path_times_s[20])
    image = np.full((360, 640, 3), 90, dtype=np.uint8)
    draw_over(image, calibration, shot, "mm", half_s)
    path_m = np.column_stack([shot.path_xy_m, np.full(len(shot.path_xy_m), calibration.ball.radius_m)])
    path_px = calibration.camera.project(path_m)
    drawn = cv2.dilate(orange(image).astype(np.uint8), np.ones((3, 3)))
    at = [bool(drawn[round(v), round(u)]) for u, v in path_px]
    assert all(at[:20])
    assert not any(at[25:])


def test_the_caption_is_in_the_tester_s_unit(monkeypatch):
    written = []
    monkeypatch.setattr(cv2, "putText", lambda image, text, *_: written.append(text))
    shot = made_up_shot(Path("1.mp4"), launch_rad=0.0, swerve_m=0.0619125)
    for units in ("inch", "mm"):
        draw_over(np.zeros((360, 640, 3), dtype=np.uint8), a_calibration(), shot, units, 9.0)
    # 61.9125 mm is 2 7/16 in = 2.4375 in; 1.96 x 0.4 mm is 0.784 mm = 0.031 in
    assert set(written) == {"reading +2.438 +- 0.031 in (2 7/16 in)", "reading +61.9 +- 0.8 mm"}


def stored_clip(session, *, frames: int) -> StoredShot:
    clip = "A/S1/1.mp4"
    path = session.clip_path(clip)
    path.parent.mkdir(parents=True)
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), 60.0, (640, 360))
    for _ in range(frames):
        writer.write(np.full((360, 640, 3), 90, dtype=np.uint8))
    writer.release()
    shot = made_up_shot(path, launch_rad=-0.02, swerve_m=0.01)
    return StoredShot(clip=clip, clip_sha256=record_of(clip).sha256, shot=shot, decision=Decision())


def test_a_picture_and_a_slower_clip_are_written(tmp_path):
    session = made_up_session(tmp_path)
    drawn = draw_shot(session, a_calibration(), stored_clip(session, frames=90))
    assert drawn.picture == tmp_path / "out" / "drawn" / "A-S1-1-1.png"
    assert orange(cv2.imread(str(drawn.picture))).sum() > 100
    assert drawn.clip.stat().st_size > 1000


def test_a_clip_that_is_gone_is_said_to_be_so(tmp_path):
    session = made_up_session(tmp_path)
    stored = stored_clip(session, frames=3)
    gone = replace(stored, shot=replace(stored.shot, clip=tmp_path / "gone.mp4"))
    with pytest.raises(ClipError, match=r"gone\.mp4: no such file"):
        draw_shot(session, a_calibration(), gone)
