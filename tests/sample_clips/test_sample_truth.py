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
from sample_clips.marks import hand_clicks, true_marks
from sample_clips.render import render_frames
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


def test_moving_ball_is_drawn_where_the_truth_says():
    """Without noise, frames differ from the first only where the ball was and where the truth says it is."""
    quiet = replace(
        STRUCK,
        lens=replace(STRUCK.lens, size_px=(640, 360), focal_px=STRUCK.lens.focal_px / 2),
        figure=False,
        sensor=replace(STRUCK.sensor, noise=0.0),
        recording=replace(STRUCK.recording, rest_s=0.02, after_s=0.0),
    )
    truth = shot_truth(quiet)
    pictures = [planes[:360].astype(float) for _, planes in islice(render_frames(quiet), 21)]
    change = pictures[20] - pictures[0]
    start, now = truth.frames[0], truth.frames[20]
    v, u = np.mgrid[:360, :640]
    from_now = np.hypot(u - now.u_px, v - now.v_px)
    assert np.abs(change[(from_now > 45) & (np.hypot(u - start.u_px, v - start.v_px) > 45)]).max() == 0
    bright = np.where(from_now < 14, np.maximum(change - 40, 0), 0)
    centroid = (bright * u).sum() / bright.sum(), (bright * v).sum() / bright.sum()
    # lit from above and printed, so that the centroid of the light is not quite the centre: 0.6 px measured
    print(math.dist(centroid, (now.u_px, now.v_px)))
    assert math.dist(centroid, (now.u_px, now.v_px)) < 1.2


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
    with (session / "marks.csv").open(encoding="utf-8") as file:
        marks = [row["mark"] for row in csv.DictReader(file)]
    assert len(marks) == len(set(marks)) >= 12
