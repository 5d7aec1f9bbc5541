"""Expected precision: its sentence, and its first-order propagation against sampling."""

import numpy as np
import pytest
from calibrate_scenes import BALL, LANE, SETUP, TABLE, behind_foot_rail, behind_shooter, clicks_of

from calibrate.precision import expected_precision, lane_sd
from calibrate.solve import calibrate


@pytest.mark.parametrize("camera", [behind_foot_rail(), behind_shooter()])
def test_propagation_agrees_with_sampling(camera):
    """JCGM 101:2008 (GUM supplement 1): the distribution propagated by sampling, here 4000 draws."""
    calibration = calibrate(clicks_of(camera, rng=np.random.default_rng(20240611)), luma=None, **SETUP)
    rng = np.random.default_rng(20240611)
    radius_m = BALL.radius_m
    ends_m = np.array([[LANE.x_aim_m, y_m, radius_m] for y_m in (LANE.spot_y_m, TABLE.length_m - radius_m)])
    ends_px = calibration.camera.project(ends_m)
    unit = np.sqrt(np.diag(calibration.cov))
    root = np.linalg.cholesky(calibration.cov / np.outer(unit, unit)) * unit[:, None]
    outcomes = []
    for _ in range(4000):
        other = calibration.with_parameters(calibration.parameters + root @ rng.normal(size=15))
        start_m, end_m = other.camera.onto_plane(ends_px, z_m=radius_m)
        along = end_m - start_m
        outcomes.append((other.scale.reading_m(end_m, along), np.arctan2(along[0], along[1])))
    # An sd from 4000 draws is good to 1.1 %; 4 of those.
    np.testing.assert_allclose(lane_sd(calibration), np.std(outcomes, axis=0), rtol=0.045)


def test_the_sentence_names_what_a_tester_wants_to_know():
    calibration = calibrate(clicks_of(behind_foot_rail(), rng=np.random.default_rng(20240611)), luma=None, **SETUP)
    precision = expected_precision(calibration)
    assert f"±{1000 * precision.reading_sd_m:.2f} mm" in precision.sentence
    assert f"{1 / precision.scale_px_per_mm:.2f} mm across the lane at the scale" in precision.sentence
    # The camera stands behind the foot rail: the scale is nearer than the spot.
    assert precision.scale_px_per_mm > precision.spot_px_per_mm


def test_pixels_per_millimetre_are_those_of_the_picture():
    calibration = calibrate(clicks_of(behind_foot_rail()), luma=None, **SETUP)
    ends_m = np.array([[LANE.x_aim_m + s, LANE.spot_y_m, BALL.radius_m] for s in (-0.0005, 0.0005)])
    left, right = calibration.camera.project(ends_m)
    assert expected_precision(calibration).spot_px_per_mm == pytest.approx(np.linalg.norm(right - left), rel=1e-6)
