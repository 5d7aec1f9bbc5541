"""Drawn clips: the path lies where the camera sees the ball, the caption tells the reading in the tester's unit."""

from dataclasses import replace
from pathlib import Path

import av  # noqa: TID251 - the test reads what was written
import cv2
import numpy as np
import pytest
from session_samples import made_up_session, made_up_shot, record_of
from test_cue_place import CENTRE_M, FOOT_RAIL, calibrated, seen

from analyze.cue.tip_dome import Tip
from analyze.fit.cue_place import CuePlace, place_cue
from analyze.report.contact_sheet import write_contact_sheet, write_side_by_side
from analyze.report.draw import DrawJob, DrawWish, draw_over, draw_shot, shot_panel
from analyze.report.draw_cue import cue_in_space, cue_words
from analyze.report.pens import CUE, LANE, LAUNCH, SWERVE, draw_line
from analyze.session.decision_log import Decision
from analyze.session.folder import Label
from analyze.session.store import StoredShot
from calibrate.calibration import Calibration
from calibrate.camera import Camera
from calibrate.errors import ClipError, SessionError
from calibrate.scale import RailScale
from calibrate.table import TABLES, Ball, Lane

TIP = Tip(radius_m=0.0106, radius_sd_m=0.001)


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
    draw_over(image, calibration, shot, half_s, TIP)
    path_m = np.column_stack([shot.path_xy_m, np.full(len(shot.path_xy_m), calibration.ball.radius_m)])
    path_px = calibration.camera.project(path_m)
    drawn = cv2.dilate(orange(image).astype(np.uint8), np.ones((3, 3)))
    at = [bool(drawn[round(v), round(u)]) for u, v in path_px]
    assert all(at[:20])
    assert not any(at[25:])


def with_cue(shot, *, side_m=0.012, seen=(1, 0, 1, 0)):
    """Return the shot struck by a cue that points 2 degrees to the right and comes down by 4."""
    values = np.array([np.radians(2.0), np.radians(4.0), side_m, 0.0])
    cov = np.diag([0.001, 0.01, 0.0005, 0.002]) ** 2
    return replace(shot, cue=CuePlace(values=values, cov=cov, own_cov=cov, seen=np.array(seen, float), frames=7))


def green(image: np.ndarray) -> np.ndarray:
    colours = image.astype(int)
    return (colours[:, :, 1] - colours[:, :, 2] > 60) & (colours[:, :, 1] - colours[:, :, 0] > 60)


def test_the_cue_is_drawn_on_its_sighted_line_up_to_the_strike_and_with_the_result():
    """The slope is not the assumed one: direction and place turn out wrong, the line in the picture does not."""
    calibration = calibrated(FOOT_RAIL)
    path = seen(FOOT_RAIL, cue_deg=1.0, slope_deg=6.5, side_m=0.012)
    shot = made_up_shot(Path("1.mp4"), launch_rad=-0.02, swerve_m=0.01)
    shot = replace(
        shot, cue=place_cue(path, calibration), path_xy_m=shot.path_xy_m + CENTRE_M[:2] - shot.path_xy_m[0]
    )
    near_px, far_px = path.cue.near_px, path.cue.far_px
    along = (far_px - near_px) / np.linalg.norm(far_px - near_px)
    counts = []
    for time_s in (shot.path_times_s[0] - 0.1, shot.path_times_s[20], shot.path_times_s[-1]):
        image = np.full((1080, 1920, 3), 90, dtype=np.uint8)
        draw_over(image, calibration, shot, float(time_s), TIP)
        v, u = np.nonzero(green(image))
        counts.append(len(u))
        behind = (u - near_px[0]) * along[0] + (v - near_px[1]) * along[1] > 10  # of the dot
        away = ((u - near_px[0]) * along[1] - (v - near_px[1]) * along[0])[behind]
        assert (np.abs(away) < 4).all()  # a line of 3 px with round ends and soft borders
        assert not len(away) or abs(away.mean()) < 0.5
    assert counts[0] > 200
    assert counts[1] == 0
    assert counts[2] > 200


def test_the_contact_lies_on_the_ball_and_inside_the_axis_by_the_radii():
    """Two spheres touch on the line of their centres: at R/(R + r) of the axis' 12 mm, R from the ball's centre."""
    cue = with_cue(made_up_shot(Path("1.mp4"), launch_rad=0.0, swerve_m=0.0)).cue
    centre_m = np.array([0.3, 0.762, 0.028575])
    axis_m, contact_m = cue_in_space(cue, centre_m, TIP)
    assert np.linalg.norm(contact_m - centre_m) == pytest.approx(0.028575, abs=1e-12)
    right = np.array([np.cos(np.radians(2.0)), -np.sin(np.radians(2.0)), 0.0])
    assert (contact_m - centre_m) @ right == pytest.approx(0.012 * 0.028575 / (0.028575 + 0.0106), abs=1e-12)
    # behind the ball, and the shaft goes back from it, rising by 4 degrees
    assert contact_m[1] < centre_m[1]
    assert (axis_m[-1] - axis_m[0])[2] == pytest.approx(0.6 * np.sin(np.radians(4.0)), abs=1e-12)
    # the tip's end lies a dome's radius from the dome's centre, which lies both radii from the ball's
    dome_m = centre_m + (contact_m - centre_m) * (0.028575 + 0.0106) / 0.028575
    assert np.linalg.norm(axis_m[0] - dome_m) == pytest.approx(0.0106, abs=1e-12)


def test_no_contact_is_drawn_where_none_was_seen_or_the_axis_passes_the_ball():
    shot = made_up_shot(Path("1.mp4"), launch_rad=0.0, swerve_m=0.0)
    centre_m = np.array([0.3, 0.762, 0.028575])
    assert cue_in_space(with_cue(shot, seen=(1, 0, 0, 0)).cue, centre_m, TIP)[1] is None
    assert cue_in_space(with_cue(shot, side_m=0.05).cue, centre_m, TIP)[1] is None


def test_words_say_what_was_seen_of_the_cue():
    """12 mm times 0.7294 is 8.8 mm; 1.96 times the 0.36 mm of the axis and 0.22 mm of the dome is 0.8 mm."""
    shot = made_up_shot(Path("1.mp4"), launch_rad=0.0, swerve_m=0.0)
    assert cue_words(with_cue(shot), TIP, 0.028575) == "cue 2.00°, contact 8.8 ± 0.8 mm right"
    assert cue_words(with_cue(shot, seen=(0, 0, 0, 1)), TIP, 0.028575).startswith("contact 0.0 ± ")
    assert cue_words(shot, TIP, 0.028575) == ""


@pytest.mark.parametrize("cue", [True, False])
def test_the_legend_names_the_cue_where_it_was_seen(tmp_path, monkeypatch, cue):
    words = []
    monkeypatch.setattr(
        "analyze.report.draw.panel", lambda _, legend, **__: words.extend(word for word, _ in legend)
    )
    stored = stored_clip(made_up_session(tmp_path), frames=2)
    shown = replace(stored, shot=with_cue(stored.shot)) if cue else stored
    shot_panel(job_of(shown), "mm", 360)
    assert any(word.startswith("axis of the cue") for word in words) is cue


def test_lines_are_told_apart_without_colour():
    """Whole lines by lightness and width, the others by dashes: no two are dashed alike."""
    dashes = [pen.dash for pen in (LAUNCH, SWERVE, LANE, CUE)]
    assert len(set(dashes)) == 4
    image = np.zeros((1000, 400, 3), dtype=np.uint8)
    draw_line(image, np.array([[50.0, 500.0], [350.0, 500.0]]), CUE)
    bright = np.concatenate([[False], image[500, 50:350].max(axis=1) > 150, [False]])
    edges = np.flatnonzero(np.diff(bright.astype(int)))
    lengths = edges[1::2] - edges[::2]
    # a long dash and a dot, by turns
    assert (lengths[:8:2] > 14).all()
    assert (lengths[1:8:2] < 8).all()


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
    shot_panel(job_of(replace(stored, shot=shot)), units, 360)
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
    return DrawJob(stored=stored, label=Label(condition="A", shooter="S1"), calibration=a_calibration(), tip=TIP)


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
