"""The truth by its definitions, and the shipped session."""

import csv
import math
import tomllib
from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

import sample_clips
from sample_clips.make_session import CELLS, session_setup
from sample_clips.marks import hand_clicks, true_marks
from sample_clips.render import draw_moving_ball, render_frames
from sample_clips.shots import BEHIND_FOOT_RAIL_720P60, shot_truth
from sample_clips.strike import Strike
from sample_clips.table_scene import PaperScale

HOME = Path(sample_clips.__file__).parent
STRUCK = replace(
    BEHIND_FOOT_RAIL_720P60,
    strike=Strike(speed_m_s=3.1, offset_m=0.0143, elevation_rad=math.radians(2.5), end_mass_kg=0.006),
    start_off_m=(0.0011, -0.0017),
)


def test_offsets_follow_their_definitions():
    truth = shot_truth(STRUCK)
    line_y_m = 2.54 + 0.0936625
    squirt_m = 0.0011 + (line_y_m - 0.762 + 0.0017) * math.tan(math.radians(truth.launch_deg))
    assert truth.squirt_offset_mm == pytest.approx(1000 * squirt_m, abs=1e-9)
    assert truth.swerve_offset_mm == pytest.approx(truth.reading_mm - truth.squirt_offset_mm, abs=1e-9)
    assert truth.launch_deg < -1
    assert truth.swerve_offset_mm > 10
    motion = STRUCK.motion
    assert motion.contact_m[1] == pytest.approx(2.54 - 0.028575, abs=1e-9)
    slope = motion.contact_velocity_m_s[0] / motion.contact_velocity_m_s[1]
    reading_m = motion.contact_m[0] - 0.3175 + slope * (line_y_m - motion.contact_m[1])
    assert truth.reading_mm == pytest.approx(1000 * reading_m, abs=1e-9)
    assert truth.slide_end_mm == pytest.approx(1000 * (motion.slide_end_m[1] - 0.762), abs=1e-9)


def test_reading_counts_from_the_scale_as_it_lies():
    shifted = replace(STRUCK, scene=replace(STRUCK.scene, scale=PaperScale(zero_x_m=0.3195)))
    assert shot_truth(shifted).reading_mm == pytest.approx(shot_truth(STRUCK).reading_mm - 2.0, abs=1e-9)


def test_frame_truth_is_at_the_time_of_its_row():
    truth = shot_truth(STRUCK)
    moving = [f for f in truth.frames if truth.strike_s + 0.05 < f.time_s < truth.contact_s - 0.05]
    assert len(moving) > 30
    for frame in moving:
        row_s = frame.time_s + frame.v_px / 720 * STRUCK.recording.readout_s
        place = STRUCK.motion.place_at(np.array(row_s - truth.strike_s))
        np.testing.assert_allclose([frame.x_m, frame.y_m], place, rtol=0, atol=1e-7)


def test_presentation_times_jitter_and_increase():
    ticks = np.array(STRUCK.frame_ticks)
    gaps_ms = np.diff(ticks) / 90
    assert (gaps_ms > 0).all()
    assert 0.1 < np.std(gaps_ms[gaps_ms < 20]) < 0.6


def test_clicks_leave_out_what_is_hidden():
    assert "foot-1" not in true_marks(STRUCK)  # under the paper scale
    assert "foot-2" in true_marks(STRUCK)
    clicks = hand_clicks(STRUCK, ("foot-1", "foot-2", "scale+0"), seed=3)
    assert list(clicks) == ["foot-2", "scale+0"]
    assert math.dist(clicks["scale+0"], true_marks(STRUCK)["scale+0"]) < 4


SMALL = replace(STRUCK, lens=replace(STRUCK.lens, size_px=(640, 360), focal_px=STRUCK.lens.focal_px / 2))


def outline_centroid_px(setup, centre_m):
    """Centroid of the area in which a sphere is seen: of the circle in which the cone of sight touches it."""
    sight = centre_m - setup.lens.position_m
    sin2 = (setup.ball.radius_m / np.linalg.norm(sight)) ** 2
    side = np.cross(sight, [0, 0, 1.0])
    side /= np.linalg.norm(side)
    up = np.cross(side, sight / np.linalg.norm(sight))
    angle = np.linspace(0, 2 * np.pi, 2000)[:, None]
    ring = setup.ball.radius_m * np.sqrt(1 - sin2) * (np.cos(angle) * side + np.sin(angle) * up)
    x, y = setup.lens.project(setup.lens.position_m + sight * (1 - sin2) + ring).T
    cross = x[:-1] * y[1:] - x[1:] * y[:-1]
    return np.array([((x[:-1] + x[1:]) * cross).sum(), ((y[:-1] + y[1:]) * cross).sum()]) / (3 * cross.sum())


@pytest.mark.parametrize("exposure_s", [1 / 240, 1 / 60])
def test_moving_ball_is_drawn_where_the_truth_says(exposure_s):
    """The swept area's centroid is that of the outline at the middle of the exposure: within 0.02 px.

    Rows see the ball at their own times: the lower half later, so that the swept area is stretched, not moved.
    """
    setup = replace(SMALL, recording=replace(SMALL.recording, exposure_s=exposure_s))
    truth = shot_truth(setup)
    for index in (52, 63, 77):
        frame = truth.frames[index]
        layer = draw_moving_ball(setup, frame.time_s, frame.v_px)
        left, top, right, bottom = layer.window
        v, u = np.mgrid[top:bottom, left:right]
        drawn = [(layer.cover * u).sum() / layer.cover.sum(), (layer.cover * v).sum() / layer.cover.sum()]
        expected = outline_centroid_px(setup, np.array([frame.x_m, frame.y_m, frame.z_m]))
        assert np.abs(drawn - expected).max() < 0.02


def test_frames_differ_only_where_the_ball_was_and_is():
    quiet = replace(
        SMALL,
        figure=False,
        sensor=replace(STRUCK.sensor, noise=0.0),
        recording=replace(STRUCK.recording, rest_s=0.02, after_s=0.0),
    )
    truth = shot_truth(quiet)
    pictures = [planes[:360].astype(float) for _, planes in islice(render_frames(quiet), 21)]
    change = pictures[20] - pictures[0]
    start, now = truth.frames[0], truth.frames[20]
    v, u = np.mgrid[:360, :640]
    from_now, from_start = np.hypot(u - now.u_px, v - now.v_px), np.hypot(u - start.u_px, v - start.v_px)
    assert np.abs(change[(from_now > 45) & (from_start > 45)]).max() == 0
    assert change[from_now < 2].mean() > 40
    assert change[from_start < 2].mean() < -40


def test_shipped_session_is_whole():
    session = HOME / "session"
    clips = sorted(path.relative_to(session).as_posix() for path in session.glob("clips/*/*/*.mp4"))
    with (HOME / "truth.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["clip"] for row in rows] == clips
    assert len(clips) >= 9
    assert sum(path.stat().st_size for path in session.rglob("*") if path.is_file()) < 12_000_000
    config = tomllib.loads((session / "session.toml").read_text(encoding="utf-8"))
    assert {clip.split("/")[1] for clip in clips} == {condition["name"] for condition in config["condition"]}
    assert {clip.split("/")[2] for clip in clips} == {"S1", "S2"}
    for row in rows:
        assert float(row["reading_mm"]) == pytest.approx(
            float(row["squirt_offset_mm"]) + float(row["swerve_offset_mm"]), abs=2e-6
        )
    with (session / "clicks.csv").open(encoding="utf-8") as file:
        marks = [row["mark"] for row in csv.DictReader(file)]
    assert len(marks) == len(set(marks)) >= 12


def test_shipped_truth_is_what_the_program_makes():
    with (HOME / "truth.csv").open(encoding="utf-8") as file:
        rows = {row["clip"]: row for row in csv.DictReader(file)}
    for cell in CELLS[::2]:
        truth = shot_truth(session_setup(cell, 1))
        row = rows[f"clips/{cell.condition}/{cell.shooter}/0001.mp4"]
        for name in ("reading_mm", "launch_deg", "swerve_offset_mm", "launch_speed_m_s", "strike_s", "start_x_mm"):
            assert float(row[name]) == pytest.approx(getattr(truth, name), abs=1e-5), (row["clip"], name)


def test_shipped_clicks_are_off_as_a_hand_is():
    places = true_marks(session_setup(CELLS[0], 1))
    with (HOME / "session" / "clicks.csv").open(encoding="utf-8") as file:
        off = [
            (float(row["u_px"]) - places[row["mark"]][0], float(row["v_px"]) - places[row["mark"]][1])
            for row in csv.DictReader(file)
        ]
    # 0.7 px a coordinate over some 60 of them: its sample spread is within 0.7 +- 4 * 0.065
    assert 0.44 < np.sqrt(np.mean(np.square(off))) < 0.96
