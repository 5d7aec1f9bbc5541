"""What measuring scatters from shot to shot: the formula against shots drawn and measured one by one."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_shots import mark_covariance, true_calibration

from analyze.fit.expectation import expected_shot, seen_shot
from analyze.fit.path_fit import fit_path
from analyze.fit.problem import upright_axes
from analyze.fit.quantities import quantities
from analyze.fit.shot_scatter import FRAME_PX, REST_PX, SLOW_PX, shot_scatter
from tracker.path import DRIFT_TIME_S
from tracker.readout import Readout

READOUT = Readout.stated(0.012)
DRAWN = 60  # two standard errors of a standard deviation: 18 %


@pytest.fixture(scope="module")
def calibration():
    return true_calibration("behind foot rail", np.random.default_rng(20240611))


def test_the_formula_is_what_shots_drawn_with_such_errors_scatter_by(calibration):
    rng = np.random.default_rng(20240611)
    path = seen_shot(calibration, frame_rate=60.0, readout=READOUT, rng=rng)
    fit = fit_path(path, calibration, readout=READOUT)
    stated = shot_scatter(path, fit, calibration)
    alike = np.exp(-np.abs(path.times_s[:, None] - path.times_s) / DRIFT_TIME_S)
    root = np.linalg.cholesky(FRAME_PX**2 * np.eye(path.n_sightings) + SLOW_PX**2 * alike)
    point_m = np.array([*fit.theta[:2], calibration.ball.radius_m])
    axes = upright_axes(calibration.camera, point_m)
    seen = []
    for _ in range(DRAWN):
        # The errors alone are drawn anew, so what the path scatters by and how it is weighed stay as they were.
        again = replace(
            path,
            centre_px=path.centre_px - fit.residuals_px + root @ rng.normal(size=(path.n_sightings, 2)),
            rest_px=calibration.camera.project(point_m) + axes @ (rng.normal(size=2) * REST_PX),
        )
        found = quantities(fit_path(again, calibration, readout=READOUT), calibration)
        seen.append([found.value(name) for name in ("reading_m", "launch_rad", "swerve_offset_m")])
    spread = np.std(seen, axis=0, ddof=1)
    for value, name in zip(spread, ("reading_m", "launch_rad", "swerve_offset_m"), strict=True):
        assert stated[name] == pytest.approx(value, rel=0.25), name


def test_rougher_marks_make_what_all_shots_share_larger_and_leave_their_scatter(calibration):
    usual = expected_shot(calibration, frame_rate=60.0, readout=READOUT)
    rough = replace(calibration, cov=mark_covariance(calibration, sigma_px=0.8))
    less = expected_shot(rough, frame_rate=60.0, readout=READOUT)
    assert less.reading_own_sd_m == pytest.approx(usual.reading_own_sd_m, rel=0.05)
    assert less.reading_sd_m > 1.3 * usual.reading_sd_m
    for name in ("reading_{}sd_m", "launch_{}sd_rad", "swerve_offset_{}sd_m"):
        assert getattr(usual, name.format("own_")) < getattr(usual, name.format(""))
