"""Clicks, picture and truth of the sample session: snapping within the solver."""

from pathlib import Path

import numpy as np
import pytest
from calibrate_scenes import BALL, LANE, SCALE, TABLE, moved

from calibrate.marks import read_marks
from calibrate.precision import lane_sd
from calibrate.solve import calibrate
from sample_clips.make_session import CELLS, session_setup
from sample_clips.marks import true_marks
from tracker.clip import still_luma

SESSION = Path(__file__).parents[2] / "sample_clips" / "session"


@pytest.fixture(scope="module")
def session():
    """Hand-made clicks, the averaged picture (1280 x 720, H.264), and where the marks truly are."""
    cell = CELLS[0]
    clip = sorted(SESSION.glob("clips/*/*/0001.mp4"))[0]
    return read_marks(SESSION / "clicks.csv"), still_luma(clip), true_marks(session_setup(cell, 1))


def solve(clicks, luma, *, snap=True):
    height, width = luma.shape
    setup = {"table": TABLE, "lane": LANE, "ball": BALL, "scale": SCALE}
    return calibrate(clicks, luma=luma if snap else None, size_px=(width, height), **setup)


def test_snapped_marks_lie_where_they_were_drawn(session):
    clicks, luma, truth_px = session
    calibration = solve(clicks, luma)
    errors = np.array(
        [
            np.subtract(mark.used_px, truth_px[mark.name])
            for mark in calibration.residuals
            if mark.snapped and not mark.name.startswith("scale")  # along a tick the click stays
        ]
    )
    assert len(errors) >= 15
    # Measured: rms 0.05 and 0.06 px, largest 0.20.
    assert np.all(np.sqrt(np.mean(errors**2, axis=0)) < 0.12)
    assert np.abs(errors).max() < 0.4


def test_snapping_makes_directions_four_times_surer_and_readings_twice(session):
    """The clicks of this session are good, 0.5 px by their own scatter; the readings keep what shifts all ticks."""
    clicks, luma, _ = session
    by_hand, snapped = (np.array(lane_sd(solve(clicks, luma, snap=snap))) for snap in (False, True))
    assert snapped[0] < by_hand[0] / 2  # measured: 0.43 and 0.16 mm
    assert snapped[1] < by_hand[1] / 4  # measured: 0.027 and 0.0055 degrees
    assert snapped[0] < 0.0002


def test_the_scale_is_found_where_it_lies(session):
    clicks, luma, _ = session
    calibration = solve(clicks, luma)
    scene = session_setup(CELLS[0], 1).scene
    sd_m = np.sqrt(calibration.cov[12, 12])
    assert abs(calibration.scale.zero_m - scene.scale.zero_x_m) < max(4 * sd_m, 1e-5)


def test_another_hand_gets_the_same_answer(session):
    """Clicks 0.7 px elsewhere, within the reach of the snap, change the reading by less than its uncertainty."""
    clicks, luma, _ = session
    rng = np.random.default_rng(20240611)
    again = clicks
    for click in clicks:
        again = moved(again, click.name, rng.normal(0, 0.5, 2))
    first, second = solve(clicks, luma), solve(again, luma)
    path_px = first.camera.project(np.array([[LANE.x_aim_m, 0.8, 0.0286], [LANE.x_aim_m - 0.03, 2.5, 0.0286]]))
    readings = []
    for calibration in (first, second):
        start_m, end_m = calibration.camera.onto_plane(path_px, z_m=0.0286)
        readings.append(calibration.scale.reading_m(end_m, end_m - start_m))
    assert abs(readings[0] - readings[1]) < 0.0003


def test_a_wrong_click_is_named_with_the_picture_at_hand(session):
    clicks, luma, _ = session
    calibration = solve(moved(clicks, "left-6", (9, -4)), luma)
    assert [mark.name for mark in calibration.residuals if not mark.used] == ["left-6"]
