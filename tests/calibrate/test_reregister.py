"""A nudged camera is found out and corrected; a still one is left alone; another picture is refused."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from calibrate_scenes import BALL, LANE, SCALE, SETUP, SIZE_PX, TABLE, behind_foot_rail, clicks_of
from scipy.ndimage import map_coordinates

from calibrate.errors import NotMeasured
from calibrate.marks import mark_point_m
from calibrate.precision import lane_sd
from calibrate.reregister import Reregistered, reregister
from calibrate.solve import calibrate

# Cloth and rail tops with a texture that is fixed to the table, 20 mm from grain to grain.
_GRAIN = np.random.default_rng(20240611).normal(0, 1, (400, 400))


def picture(camera, rng, *, hidden=None):
    """Return the table as `camera` sees it: smooth grain and light discs at the marks."""
    width, height = map(int, SIZE_PX)
    K = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1]])
    grid = np.stack(np.meshgrid(np.arange(0, width, 2.0), np.arange(0, height, 2.0)), axis=-1).reshape(-1, 1, 2)
    rays = cv2.undistortPoints(grid, K, np.array([camera.k1, camera.k2, 0, 0]))[:, 0]
    rays = np.concatenate([rays, np.ones((len(rays), 1))], axis=1) @ cv2.Rodrigues(camera.rotation_rad.copy())[0]
    eye = camera.position_m
    xy = eye[:2] - (eye[2] / rays[:, 2])[:, None] * rays[:, :2]
    # Smooth between the grains: the picture must move with the table by fractions of a pixel.
    grain = map_coordinates(_GRAIN, xy.T / 0.02, order=1, mode="grid-wrap")
    luma = 90 + 6 * grain.reshape(height // 2, width // 2)
    luma = cv2.resize(luma, (width, height), interpolation=cv2.INTER_LINEAR)
    for click in clicks_of(camera):
        left, top = max(0, int(click.u_px) - 8), max(0, int(click.v_px) - 8)
        box = luma[top : top + 18, left : left + 18]
        v, u = np.mgrid[top : top + box.shape[0], left : left + box.shape[1]]
        box += np.clip(5.5 - np.hypot(u - click.u_px, v - click.v_px), 0, 1) * (210 - box)
    if hidden:
        luma[hidden] = 30.0
    return cv2.GaussianBlur(luma, (0, 0), 1.2) + rng.normal(0, 1.0, luma.shape)


@pytest.fixture(scope="module")
def calibrated():
    camera = behind_foot_rail()
    calibration = calibrate(clicks_of(camera, rng=np.random.default_rng(20240611)), luma=None, **SETUP)
    return camera, calibration, picture(camera, np.random.default_rng(1))


def nudge(camera, *, turn_rad, shift_m):
    values = camera.parameters.copy()
    values[5:8] += turn_rad
    values[8:11] += shift_m
    return camera.with_parameters(values)


def test_a_still_camera_is_left_alone(calibrated):
    camera, calibration, reference = calibrated
    outcome = reregister(calibration, reference=reference, luma=picture(camera, np.random.default_rng(2)))
    assert isinstance(outcome, Reregistered)
    assert not outcome.nudged
    assert outcome.calibration is calibration
    assert outcome.shift_px < 0.1  # measured: 0.02


@pytest.mark.parametrize(
    ("turn_rad", "shift_m"),
    [((0.001, -0.0006, 0.0004), (0.0, 0.0, 0.0)), ((0.004, -0.003, 0.006), (0.004, -0.002, 0.003))],
    ids=["a phone touched", "a tripod leg moved"],
)
def test_a_nudge_is_found_and_undone(calibrated, turn_rad, shift_m):
    camera, calibration, reference = calibrated
    after = nudge(camera, turn_rad=turn_rad, shift_m=shift_m)
    outcome = reregister(calibration, reference=reference, luma=picture(after, np.random.default_rng(3)))
    assert isinstance(outcome, Reregistered)
    assert outcome.nudged
    truth_px = np.linalg.norm(
        [np.subtract(b, a) for a, b in zip(places(camera), places(after), strict=True)], axis=1
    )
    assert outcome.shift_px == pytest.approx(np.sqrt(np.mean(truth_px**2)), rel=0.1)
    # What the calibration said of the old picture, the new one must say of the new: measured within 0.05 mm.
    assert reading_of(outcome.calibration, after) == pytest.approx(reading_of(calibration, camera), rel=0, abs=2e-4)
    assert abs(reading_of(calibration, after) - reading_of(calibration, camera)) > 5e-4
    assert lane_sd(outcome.calibration)[0] > lane_sd(calibration)[0]


def test_something_in_front_of_marks_does_not_pull_the_pose(calibrated):
    camera, calibration, reference = calibrated
    after = nudge(camera, turn_rad=(0.002, 0.001, -0.002), shift_m=(0.0, 0.001, 0.0))
    hidden = np.s_[250:420, 500:900]
    outcome = reregister(
        calibration, reference=reference, luma=picture(after, np.random.default_rng(3), hidden=hidden)
    )
    assert isinstance(outcome, Reregistered)
    assert reading_of(outcome.calibration, after) == pytest.approx(reading_of(calibration, camera), rel=0, abs=2e-4)


def test_pictures_that_do_not_match_are_refused(calibrated):
    camera, calibration, reference = calibrated
    outcome = reregister(calibration, reference=reference, luma=reference[:720, :1280])
    assert isinstance(outcome, NotMeasured)
    assert "1920 x 1080 and 1280 x 720" in outcome.detail
    noise = np.random.default_rng(5).normal(90, 10, reference.shape)
    outcome = reregister(calibration, reference=reference, luma=noise)
    assert isinstance(outcome, NotMeasured)
    assert "0 of 17 marks found again" in outcome.detail
    elsewhere = replace(camera, translation_m=camera.translation_m + [0.6, 0.2, 0.4])
    outcome = reregister(calibration, reference=reference, luma=picture(elsewhere, np.random.default_rng(6)))
    assert isinstance(outcome, NotMeasured)


def test_a_changed_zoom_is_solved_for(calibrated):
    """A finger on the screen zooms by 4 %: no pose explains that, and the reading must not follow it."""
    camera, calibration, reference = calibrated
    zoomed = nudge(replace(camera, focal_px=1.04 * camera.focal_px), turn_rad=(0.001, 0, 0.001), shift_m=0.0)
    outcome = reregister(calibration, reference=reference, luma=picture(zoomed, np.random.default_rng(7)))
    assert isinstance(outcome, Reregistered)
    assert outcome.zoom == pytest.approx(1.04, abs=0.001)  # measured: within 0.0001
    assert outcome.patches >= 14  # of 17
    assert reading_of(outcome.calibration, zoomed) == pytest.approx(
        reading_of(calibration, camera), rel=0, abs=2e-4
    )


def test_patches_without_structure_do_not_count(calibrated):
    """Template matching calls any two flat patches alike: a black picture once was 'found again on 14 marks'."""
    camera, calibration, reference = calibrated
    rng = np.random.default_rng(8)
    black = 16 + rng.normal(0, 0.5, reference.shape)
    for one, other in ((reference, black), (black, reference), (np.full_like(reference, 16.0), black)):
        outcome = reregister(calibration, reference=one, luma=other)
        assert isinstance(outcome, NotMeasured)
        assert outcome.detail.startswith("0 of ")


def test_marks_that_move_apart_are_no_nudge(calibrated):
    """Half of the marks shifted by 3 px, as if a rail had slipped: no camera explains that."""
    camera, calibration, reference = calibrated
    apart = picture(camera, np.random.default_rng(9))
    apart[:, :960] = np.roll(picture(camera, np.random.default_rng(9)), 3, axis=1)[:, :960]
    outcome = reregister(calibration, reference=reference, luma=apart)
    assert isinstance(outcome, NotMeasured)
    assert "moved in different ways" in outcome.detail


def places(camera):
    names = [click.name for click in clicks_of(behind_foot_rail())]
    return [camera.project(mark_point_m(name, TABLE, LANE, SCALE)) for name in names]


def reading_of(calibration, camera):
    """Return the reading of a ball rolling down the lane as `camera` sees it."""
    ends_m = np.array([[LANE.x_aim_m, LANE.spot_y_m, BALL.radius_m], [LANE.x_aim_m, 2.5, BALL.radius_m]])
    start_m, end_m = calibration.camera.onto_plane(camera.project(ends_m), z_m=BALL.radius_m)
    return calibration.scale.reading_m(end_m, end_m - start_m)
