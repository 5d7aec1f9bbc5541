"""The cue's axis placed in space: exact images of known axes, and what a picture can and cannot tell."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated_shots import BALL, LANE, TABLE, look_at, mark_covariance

from analyze.fit.cue_place import CuePlace, expected_slope_rad, place_cue
from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.errors import NotMeasured
from calibrate.scale import RailScale
from tracker.path import BallPath, CueSight
from tracker.reasons import CUE_NOT_SEEN

RADIUS_M = BALL.radius_m
CENTRE_M = np.array([LANE.x_aim_m + 0.004, LANE.spot_y_m - 0.003, RADIUS_M])
FOOT_RAIL = look_at((0.28, 3.75, 1.5), (0.5, 1.2, 0.0), 1530)
BESIDE = look_at((2.0, 0.5, 0.35), (0.32, 0.55, 0.05), 1500)


def calibrated(camera):
    scale = RailScale(line_y_m=TABLE.length_m + TABLE.sight_setback_m, zero_m=LANE.x_aim_m)
    draft = Calibration(
        camera=camera, table=TABLE, lane=LANE, ball=BALL, scale=scale, cov=np.eye(len(CALIBRATION_PARAMETERS))
    )
    return replace(draft, cov=mark_covariance(draft))


def cue_direction(cue_deg, slope_deg):
    """Unit vector forwards along the cue, built from the definition: seen from above, then downwards."""
    cue, slope = math.radians(cue_deg), math.radians(slope_deg)
    return np.array([math.sin(cue) * math.cos(slope), math.cos(cue) * math.cos(slope), -math.sin(slope)])


def seen(camera, *, cue_deg, slope_deg, side_m, up_m=0.0, sd_px=0.05):
    """What the tracker hands on of a cue whose axis passes the ball's centre so."""
    forward = cue_direction(cue_deg, slope_deg)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    point_m = CENTRE_M + side_m * right + up_m * np.cross(right, forward)
    near_px, far_px = camera.project(np.stack([point_m, point_m - 0.85 * forward]))
    sight = CueSight(near_px=near_px, far_px=far_px, across_cov_px2=np.eye(2) * sd_px**2, frames=7, scatter_px=0.08)
    return BallPath(
        clip=Path("clip.mp4"),
        shot=1,
        rest_px=camera.project(CENTRE_M),
        rest_cov_px2=np.eye(2) * 0.1**2,
        times_s=np.array([0.1, 0.2]),
        centre_px=np.zeros((2, 2)),
        centre_cov_px2=np.tile(np.eye(2), (2, 1, 1)),
        last_rest_s=0.0,
        first_moved_s=0.016,
        turned_s=None,
        frame_period_s=0.016,
        exposure_s=0.003,
        size_px=camera.size_px,
        frames=2,
        cue=sight,
    )


def deg(place, name):
    return math.degrees(place.value(name)), math.degrees(place.sd(name))


@pytest.mark.parametrize(("cue_deg", "side_m"), [(0.0, 0.0), (0.7, -0.017), (-0.9, 0.012)])
def test_from_the_foot_rail_direction_and_side_are_seen(cue_deg, side_m):
    """With the slope as expected the picture gives both back: to 0.001 degrees and 0.01 mm."""
    calibration = calibrated(FOOT_RAIL)
    slope_deg = math.degrees(expected_slope_rad(calibration))
    path = seen(FOOT_RAIL, cue_deg=cue_deg, slope_deg=slope_deg, side_m=side_m)
    place = place_cue(path, calibration)
    assert isinstance(place, CuePlace)
    assert place.is_seen("cue_rad")
    assert place.is_seen("side_m")
    assert not place.is_seen("slope_rad")
    assert not place.is_seen("up_m")
    assert deg(place, "cue_rad")[0] == pytest.approx(cue_deg, abs=0.001)
    assert place.value("side_m") == pytest.approx(side_m, abs=1e-5)


def test_a_slope_other_than_expected_is_within_the_stated_uncertainty():
    """Slopes from 1.5 to 7 degrees: the direction errs by up to a quarter degree, and says so."""
    calibration = calibrated(look_at((0.75, 3.75, 1.5), (0.5, 1.2, 0.0), 1530))
    errors, stated = [], []
    for slope_deg in (1.5, 3.0, 5.5, 7.0):
        path = seen(calibration.camera, cue_deg=0.5, slope_deg=slope_deg, side_m=-0.010, up_m=0.002)
        place = place_cue(path, calibration)
        assert isinstance(place, CuePlace)
        value, sd = deg(place, "cue_rad")
        errors.append(value - 0.5)
        stated.append(sd)
    assert np.abs(errors).max() > 0.05  # it does matter, for a camera off the plane of the lane
    assert (np.abs(errors) < 2.5 * np.array(stated)).all()


def test_what_a_shooters_shots_share_is_not_in_their_own_uncertainty():
    place = place_cue(seen(FOOT_RAIL, cue_deg=0.3, slope_deg=4.0, side_m=0.0), calibrated(FOOT_RAIL))
    assert isinstance(place, CuePlace)
    assert 0 < place.own_sd("cue_rad") < place.sd("cue_rad")
    assert np.linalg.eigvalsh(place.cov - place.own_cov).min() > -1e-12


def test_from_beside_the_table_slope_and_height_are_seen_and_direction_is_not():
    calibration = calibrated(BESIDE)
    place = place_cue(seen(BESIDE, cue_deg=0.0, slope_deg=6.0, side_m=0.0, up_m=0.004), calibration)
    assert isinstance(place, CuePlace)
    assert place.is_seen("slope_rad")
    assert not place.is_seen("cue_rad")
    assert not place.is_seen("side_m")
    assert math.degrees(place.value("slope_rad")) == pytest.approx(6.0, abs=4 * deg(place, "slope_rad")[1])


def test_intervals_hold_the_truth_over_cues_as_they_are_held():
    """Cues drawn as they are thought to be held, pixels with noise: 95 % hold; 40 draws, binomial 99.9 %."""
    rng = np.random.default_rng(20240611)
    calibration = calibrated(FOOT_RAIL)
    expected_deg = math.degrees(expected_slope_rad(calibration))
    held = 0
    for _ in range(40):
        cue_deg, slope_deg = rng.normal(0, 0.5), expected_deg + rng.normal(0, 1.4)
        path = seen(FOOT_RAIL, cue_deg=cue_deg, slope_deg=slope_deg, side_m=rng.normal(0, 0.01), up_m=0.0)
        sight = path.cue
        assert isinstance(sight, CueSight)
        path = replace(
            path,
            cue=replace(
                sight, near_px=sight.near_px + rng.normal(0, 0.05, 2), far_px=sight.far_px + rng.normal(0, 0.05, 2)
            ),
        )
        place = place_cue(path, calibration)
        assert isinstance(place, CuePlace)
        value, sd = deg(place, "cue_rad")
        held += abs(value - cue_deg) < 1.96 * sd
    assert 32 <= held <= 40


def test_why_a_cue_was_not_seen_is_handed_on():
    path = seen(FOOT_RAIL, cue_deg=0.0, slope_deg=4.0, side_m=0.0)
    why = NotMeasured(CUE_NOT_SEEN, "nobody there")
    assert place_cue(replace(path, cue=why), calibrated(FOOT_RAIL)) is why
    assert place_cue(replace(path, cue=None), calibrated(FOOT_RAIL)) is None
