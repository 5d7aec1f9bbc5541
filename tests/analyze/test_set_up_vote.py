"""What one shot leaves open about ball and spot, the shots of a session together tell."""

from dataclasses import replace

import numpy as np
import pytest
from session_samples import record_of
from simulated_shots import Setting, simulate

from analyze.fit.reasons import BALL_SIZE, OFF_SPOT
from analyze.fit.shot import CAMERA_MOVED, Status, measure_shot
from analyze.session.decision_log import Decision
from analyze.session.set_up_vote import with_set_up_vote
from analyze.session.store import StoredShot

SEED = 20240611


@pytest.fixture(scope="module")
def measured():
    made = simulate(Setting(), np.random.default_rng(SEED))
    return measure_shot(made.path, made.calibration, readout=made.stated_readout), made.calibration


def session_of(measured, *, shots=6, ratio=1.0, spot_off_m=0.0):
    """Shots whose balls look 3 % larger or smaller than they are, and lie as a hand puts them."""
    shot, calibration = measured
    rng = np.random.default_rng(SEED)
    y_m = calibration.lane.spot_y_m + spot_off_m + rng.normal(0, 0.004, shots)
    x_m = calibration.lane.x_aim_m + rng.normal(0, 0.004, shots)
    rest_m = np.column_stack([x_m, y_m, np.full(shots, calibration.ball.radius_m)])
    seen = zip(calibration.camera.project(rest_m), ratio + rng.normal(0, 0.03, shots), strict=True)
    return [
        StoredShot(
            clip=f"{k}.mp4",
            clip_sha256=record_of(f"{k}.mp4").sha256,
            shot=replace(
                shot, sightings=replace(shot.sightings, rest_px=rest_px, size_ratio=size, size_ratio_sd=0.03)
            ),
            decision=Decision(),
        )
        for k, (rest_px, size) in enumerate(seen)
    ], calibration


@pytest.mark.parametrize(
    ("made", "reason", "says"),
    [
        ({}, None, ""),
        ({"spot_off_m": 0.006}, None, ""),
        ({"ratio": 57.15 / 52.5, "shots": 8}, BALL_SIZE, "in 8 shots together where ball.diameter_mm"),
        ({"ratio": 57.15 / 61.5, "shots": 8}, BALL_SIZE, "in 8 shots together where ball.diameter_mm"),
        ({"spot_off_m": 0.025}, OFF_SPOT, "mm too far on for lane.spot_mm"),
        ({"spot_off_m": -0.025}, OFF_SPOT, "mm too far back for lane.spot_mm"),
        ({"ratio": 57.15 / 52.5, "shots": 2}, None, ""),
    ],
    ids=["right", "spot by tape", "52.5 stated", "61.5 stated", "spot 25 mm on", "25 mm back", "two shots"],
)
def test_a_wrong_number_doubts_the_whole_session(measured, made, reason, says):
    stored, calibration = session_of(measured, **made)
    after = with_set_up_vote(stored, calibration)
    assert [one.clip for one in after] == [one.clip for one in stored]
    for one in after:
        assert one.shot.status is (Status.MEASURED if reason is None else Status.DOUBTFUL)
        assert one.shot.reason is reason
        assert says in one.shot.detail
        assert one.shot.reading_m is not None


def test_shots_with_a_camera_of_their_own_and_an_unknown_calibration_tell_nothing(measured):
    stored, calibration = session_of(measured, ratio=1.09)
    moved = [replace(one, shot=replace(one.shot, camera=CAMERA_MOVED)) for one in stored]
    assert with_set_up_vote(moved, calibration) == tuple(moved)
    assert with_set_up_vote(stored, None) == tuple(stored)
