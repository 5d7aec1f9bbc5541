import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analyze.cue.squirt import AIM_SD_RAD, NO_CONTROLS, control_zero, own_launch_sd_rad, squirt_of
from analyze.fit.budget import BudgetShare
from analyze.fit.reasons import NO_FIT
from analyze.fit.shot import Status, failed_shot

FAILED = failed_shot(Path("clip.mp4"), 1, NO_FIT, "")


def launched(deg, *, own_deg=0.02, common_deg=0.03):
    """A measured shot with this launch direction and uncertainty, own and common to the set-up."""
    budget = (
        BudgetShare(source="ball", quantity="launch_rad", sd=math.radians(own_deg)),
        BudgetShare(source="lens", quantity="launch_rad", sd=math.radians(common_deg)),
        BudgetShare(source="ball", quantity="reading_m", sd=1.0),
    )
    return replace(
        FAILED,
        status=Status.MEASURED,
        reason=None,
        launch_rad=math.radians(deg),
        launch_sd_rad=math.radians(math.hypot(own_deg, common_deg)),
        budget=budget,
    )


def test_zero_is_the_mean_of_the_controls():
    zero = control_zero([launched(0.1), launched(0.3), FAILED, launched(0.2)])
    assert zero.shots == 3
    assert math.degrees(zero.zero_rad) == pytest.approx(0.2, abs=1e-12)
    assert math.degrees(zero.sd_rad) == pytest.approx(0.1 / math.sqrt(3), abs=1e-12)


def test_zero_is_never_surer_than_its_shots():
    """Two controls that happen to agree still carry their location errors."""
    zero = control_zero([launched(0.2), launched(0.2)])
    assert math.degrees(zero.sd_rad) == pytest.approx(0.02 / math.sqrt(2), abs=1e-12)


def test_single_control_has_the_scatter_of_aiming():
    zero = control_zero([launched(0.2, own_deg=0.0)])
    assert zero.sd_rad == pytest.approx(AIM_SD_RAD, rel=1e-12)


def test_squirt_is_counted_from_the_zero_and_the_camera_drops_out():
    zero = control_zero([launched(0.1), launched(0.3)])
    found = squirt_of(launched(-1.3), zero)
    assert math.degrees(found.squirt_rad) == pytest.approx(-1.5, abs=1e-12)
    assert math.degrees(found.sd_rad) == pytest.approx(math.hypot(0.02, 0.1), abs=1e-12)
    assert found.note == ""


def test_without_controls_squirt_says_so_and_keeps_the_camera_in():
    assert control_zero([FAILED]) is None
    found = squirt_of(launched(-1.3), None)
    assert math.degrees(found.squirt_rad) == pytest.approx(-1.3, abs=1e-12)
    assert math.degrees(found.sd_rad) == pytest.approx(math.hypot(0.02, 0.03), abs=1e-12)
    assert found.note == NO_CONTROLS


def test_controls_from_another_camera_place_leave_both_calibrations_in():
    here = [launched(0.1), launched(0.3)]
    elsewhere = [replace(shot, place="head") for shot in here]
    alone = squirt_of(launched(-1.3), control_zero(here))
    assert alone.common_sd_rad is None
    for controls in (elsewhere, [here[0], elsewhere[1]]):
        found = squirt_of(launched(-1.3), control_zero(controls))
        assert math.degrees(found.common_sd_rad) == pytest.approx(math.hypot(0.03, 0.03), abs=1e-12)
        assert found.sd_rad == pytest.approx(math.hypot(alone.sd_rad, found.common_sd_rad), rel=1e-12)


def test_failed_shot_has_no_squirt():
    assert squirt_of(FAILED, None) is None


def test_stated_sd_covers_the_scatter_of_squirt():
    """1000 sessions of 5 controls and a test shot; the camera errs alike in all, aim scatters in the controls."""
    rng = np.random.default_rng(20240611)
    z = []
    for _ in range(1000):
        camera = rng.normal(0, 0.03)
        controls = [launched(camera + rng.normal(0, 0.15) + rng.normal(0, 0.02)) for _ in range(5)]
        found = squirt_of(launched(-1.5 + camera + rng.normal(0, 0.02)), control_zero(controls))
        z.append((math.degrees(found.squirt_rad) + 1.5) / math.degrees(found.sd_rad))
    # Student's t with 4 degrees of freedom has variance 2; its 68 % quantile is 1.14, so within 1 lie 62.6 %
    held = np.mean(np.abs(z) < 1)
    assert 0.626 - 4 * 0.0153 < held < 0.626 + 4 * 0.0153


def test_own_uncertainty_without_a_budget_is_the_whole():
    assert own_launch_sd_rad(replace(launched(0.1), budget=())) == pytest.approx(
        math.radians(math.hypot(0.02, 0.03))
    )
