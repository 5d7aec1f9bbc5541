"""A shot that contradicts session.toml is doubtful, with the number that does not fit."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_shots import Setting, simulate

from analyze.fit.reasons import BALL_SIZE, DARK_PATCH, OFF_SPOT
from analyze.fit.shot import Status, measure_shot
from calibrate.errors import NotMeasured
from calibrate.reasons import SETTING_UNLIKE


@pytest.fixture(scope="module")
def shot():
    made = simulate(Setting(), np.random.default_rng(20240611))
    assert made is not None
    return made


def measured(shot, *, path=None, calibration=None):
    return measure_shot(path or shot.path, calibration or shot.calibration, readout=shot.stated_readout)


@pytest.mark.parametrize(("off_m", "says"), [(0.05, "mm too far back"), (-0.05, "mm too far on")])
def test_a_ball_that_did_not_rest_on_the_stated_spot_is_doubtful(shot, off_m, says):
    lane = replace(shot.calibration.lane, spot_y_m=shot.calibration.lane.spot_y_m + off_m)
    found = measured(shot, calibration=replace(shot.calibration, lane=lane))
    assert found.status is Status.DOUBTFUL
    assert found.reason is OFF_SPOT
    assert says in found.detail
    assert "lane.spot_mm" in found.detail


def test_a_hand_puts_the_ball_on_its_spot_to_some_millimetres(shot):
    lane = replace(shot.calibration.lane, spot_y_m=shot.calibration.lane.spot_y_m + 0.006)
    assert measured(shot, calibration=replace(shot.calibration, lane=lane)).status is Status.MEASURED


@pytest.mark.parametrize(("ratio", "doubtful"), [(52.5 / 57.15, True), (61.5 / 57.15, True), (1.03, False)])
def test_a_ball_that_looks_too_large_or_small_is_doubtful(shot, ratio, doubtful):
    found = measured(shot, path=replace(shot.path, size_ratio=ratio, size_ratio_sd=0.018))
    assert (found.status is Status.DOUBTFUL) == doubtful
    assert (found.reason is BALL_SIZE) == doubtful


@pytest.mark.parametrize(
    ("share", "exposure_s", "doubtful"), [(0.3, 1 / 60, True), (0.3, 1 / 500, False), (0.07, 1 / 60, False)]
)
def test_a_large_dark_patch_in_a_long_streak_is_doubtful(shot, share, exposure_s, doubtful):
    found = measured(shot, path=replace(shot.path, dark_share=share, exposure_s=exposure_s))
    assert (found.status is Status.DOUBTFUL) == doubtful
    assert (found.reason is DARK_PATCH) == doubtful


def test_what_the_marks_contradict_makes_every_shot_doubtful(shot):
    doubt = NotMeasured(SETTING_UNLIKE, "the marks fit better with lane.spot_mm = 700 (not 751)")
    found = measured(shot, calibration=replace(shot.calibration, doubts=(doubt, doubt)))
    assert found.status is Status.DOUBTFUL
    assert found.reason is SETTING_UNLIKE
    assert found.reading_m is not None
    assert found.detail.startswith("the marks fit better with lane.spot_mm = 700")
