"""Weights found from the marks' own scatter: exact marks, usual ones, worse than usual; clicks, ticks."""

from dataclasses import replace

import numpy as np
import pytest
from calibrate_scenes import BALL, LANE, MARKS, SCALE, SETUP, TABLE, behind_foot_rail, behind_shooter, clicks_of
from scipy.linalg import block_diag

from calibrate.adjust import Scene, adjust
from calibrate.mark_scatter import scatter_weighted
from calibrate.marks import Click, MarkKind, mark_kind, mark_point_m
from calibrate.precision import lane_sd
from calibrate.solve import calibrate

SHARP_PX = 0.12  # what a snapped mark is good to
NAMES = (*MARKS, "head-1", "head-2", "head-3", *(f"{side}-{k}" for side in ("left", "right") for k in (1, 2, 3)))


def laid(camera, rng, *, placement_m):
    """Marks seen sharply, sights and rings laid to `placement_m`, on a table and scale off their nominal values."""
    table = replace(
        TABLE,
        rail_top_m=TABLE.rail_top_m + rng.normal(0, 0.003),
        sight_setback_m=TABLE.sight_setback_m + rng.normal(0, 0.001),
    )
    scale = replace(
        SCALE,
        zero_m=SCALE.zero_m + rng.normal(0, 0.005),
        skew_rad=rng.normal(0, 0.004),
        stretch=rng.normal(0, 0.003),
        line_y_m=SCALE.line_y_m + rng.normal(0, 0.001),
    )
    clicks = []
    for name in NAMES:
        off_m = rng.normal(0, 1, 2) * ([1e-4, 2e-4] if mark_kind(name) is MarkKind.TICK else placement_m)
        place_m = mark_point_m(name, table, LANE, scale) + [*off_m, 0.0]
        u, v = camera.project(place_m) + rng.normal(0, SHARP_PX, 2)
        if 0 <= u < 1919 and 0 <= v < 1079:
            clicks.append(Click(name, float(u), float(v), SHARP_PX))
    return clicks, scale


def errors_of(calibration, camera, scale):
    """Errors of reading (m) and direction (rad) of a ball that rolls from the spot to 20 mm left of the lane."""
    radius_m = BALL.radius_m
    path_m = np.array(
        [[LANE.x_aim_m, LANE.spot_y_m, radius_m], [LANE.x_aim_m - 0.02, TABLE.length_m - radius_m, radius_m]]
    )
    start_m, end_m = calibration.camera.onto_plane(camera.project(path_m), z_m=radius_m)
    along_m, true_m = end_m - start_m, (path_m[1] - path_m[0])[:2]
    reading_m = calibration.scale.reading_m(end_m, along_m) - scale.reading_m(path_m[1, :2], true_m)
    return reading_m, np.arctan2(*along_m) - np.arctan2(*true_m)


@pytest.mark.parametrize(("placement_m", "largest"), [(0.0, 1.2), (0.0005, 1.25), (0.00075, 1.3), (0.001, 1.35)])
def test_marks_laid_exactly_as_usual_or_worse_are_covered(placement_m, largest):
    """24 calibrations, stated for marks that lie to 0.5 mm: reading and direction err as stated.

    Of the direction the root mean square of error over stated was, with fixed weights, 0.42 for exact marks and
    1.35 for marks that lie to 1 mm, whose intervals held 78 %; now 0.72 and 1.19, 90 %, over 40 calibrations each.
    """
    ratios = []
    for view in (behind_foot_rail, behind_shooter):
        for seed in range(12):
            rng = np.random.default_rng([20240611, seed])
            camera = view(k1=rng.normal(0, 0.05), k2=rng.normal(0, 0.03))
            clicks, scale = laid(camera, rng, placement_m=placement_m)
            calibration = calibrate(clicks, luma=None, **SETUP)
            ratios.append(np.divide(errors_of(calibration, camera, scale), lane_sd(calibration)))
    rms = np.sqrt(np.mean(np.square(ratios), axis=0))
    assert ((rms > 0.55) & (rms < largest)).all(), rms
    assert (np.mean(np.abs(ratios) < 1.959964, axis=0) >= 0.85).all()  # of 24; three misses of 24 are chance


def stated(names, place_px, sigma_px):
    scene = Scene(names=tuple(names), **(SETUP | {"size_px": np.array(SETUP["size_px"])}))
    cov_px2 = np.eye(2) * np.square(sigma_px)[:, None, None]
    return scene, adjust(scene, place_px, cov_px2, used=np.ones(len(names), dtype=bool), start=None)


def test_each_class_has_the_factor_of_its_own_scatter():
    """Sharp marks laid exactly, beside clicks of 1.5 px said to be good to 0.7 px: 20 pictures, mean factors.

    Marks of 0.12 px where 0.5 mm are allowed have a tenth to a third of the variance stated; the clicks
    (1.5 / 0.7)^2 = 4.6 times, drawn towards 1 by what is believed beforehand.
    """
    found = []
    camera = behind_foot_rail()
    for seed in range(20):
        rng = np.random.default_rng([20240611, seed])
        sharp, _ = laid(camera, rng, placement_m=0.0)
        blunt = np.array([click.name.startswith(("lane", "head", "left")) for click in sharp])
        places = np.array([[click.u_px, click.v_px] for click in sharp])
        places[blunt] += rng.normal(0, 1.5, (np.count_nonzero(blunt), 2))
        scene, fit = stated([click.name for click in sharp], places, np.where(blunt, 0.7, SHARP_PX))
        none = np.zeros(len(sharp), dtype=bool)
        _, factors = scatter_weighted(scene, places, fit, snapped=none, blunt=blunt)
        found.append(factors)
    placed, clicked, printed = np.mean(found, axis=0)
    assert 0.2 < placed < 0.6
    assert 2.5 < clicked < 5.0
    assert printed >= 1.0


def test_leverage_along_the_axes_is_that_of_the_whole_hat_matrix():
    """Against ``J (J' W J + P)^-1 J' W`` of all coordinates at once, from derivatives taken numerically."""
    clicks = clicks_of(behind_foot_rail(), rng=np.random.default_rng(20240611))
    places = np.array([[click.u_px, click.v_px] for click in clicks])
    scene, fit = stated([click.name for click in clicks], places, np.full(len(clicks), 0.7))
    _, axes = np.linalg.eigh(fit.cov_px2)

    def image(state):
        return scene.camera(state).project(scene.points_m(state)[0]).ravel()

    steps = np.maximum(1e-6, 1e-6 * np.abs(fit.state))
    jacobian = np.stack(
        [
            (image(fit.state + step) - image(fit.state - step)) / (2 * steps[i])
            for i, step in enumerate(np.diag(steps))
        ],
        axis=-1,
    )
    hat = jacobian @ fit.cov @ jacobian.T @ np.linalg.inv(block_diag(*fit.cov_px2))
    turned = block_diag(*axes)
    wanted = np.diag(turned.T @ hat @ turned).reshape(-1, 2)
    np.testing.assert_allclose(fit.leverage_along(axes), wanted, rtol=0, atol=1e-4)
