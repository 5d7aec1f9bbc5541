"""The shadow expected round the ball, against a sky sampled ray by ray and the geometry of a sphere on a plane."""

import numpy as np
import pytest
from paint_ball import aimed_camera

from tracker.ball_image import view_ball
from tracker.shadow import N_SHADOW, SHADOW_MEAN, shadow_terms

RADIUS_M = 0.028575
CAMERA = aimed_camera((0.1, -0.9, 1.5), (0.5, 1.2, 0), 1300, (1280, 720))
PLACE_M = np.array([0.4, 0.9])


def terms_at(cloth_m):
    """(N, 16) terms at the images of points of the cloth round the ball."""
    view = view_ball(CAMERA, PLACE_M, np.zeros(2), radius_m=RADIUS_M)
    pixels = CAMERA.project(np.column_stack([cloth_m, np.zeros(len(cloth_m))]))
    unit = (pixels - view.centre_px - view.offset_px) @ np.linalg.inv(view.axes_px)
    return shadow_terms(unit, view.facing).T


@pytest.mark.parametrize("distance", [0.2, 1.0, 2.5])
def test_the_first_part_is_the_sky_that_a_sphere_hides(distance):
    """Share of a cosine-weighted sky whose rays meet the sphere: 100,000 rays by Malley's method."""
    rng = np.random.default_rng(5)
    turn, r = rng.uniform(0, 2 * np.pi, 100_000), np.sqrt(rng.uniform(0, 1, 100_000))
    rays = np.stack([r * np.cos(turn), r * np.sin(turn), np.sqrt(1 - r * r)], axis=1)
    to_centre = np.array([distance, 0.0, 1.0])
    along = rays @ to_centre
    hidden = np.mean((to_centre @ to_centre - along**2 < 1) & (along > 0))
    right_of_it = PLACE_M + [[-distance * RADIUS_M, 0.0]]
    assert terms_at(right_of_it)[0, 1] == pytest.approx(hidden, abs=0.02)


def test_where_a_pixel_looks_is_found_without_the_camera():
    """The view is taken as parallel near the ball: out by less than 4 % of the shadow over three radii."""
    rng = np.random.default_rng(6)
    around = rng.uniform(-3, 3, (200, 2))
    square = 1 + np.sum(around**2, axis=1)
    np.testing.assert_allclose(terms_at(PLACE_M + around * RADIUS_M)[:, 1], square**-1.5, rtol=0, atol=0.04)


def test_a_shadow_that_leans_leans_in_the_room():
    """The second of a part's terms is positive to the right of the lane and negative to its left."""
    both = terms_at(PLACE_M + np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]) * RADIUS_M)
    assert both.shape == (4, N_SHADOW)
    assert both[0, 2] > 0.2
    assert both[1, 2] < -0.2
    assert both[2, 3] > 0.2
    assert both[3, 3] < -0.2


def test_little_light_is_expected_at_the_contact_and_all_of_it_far_away():
    left = 1 + terms_at(PLACE_M + np.array([[0.0, 0.0], [0.0, 30.0]]) * RADIUS_M) @ SHADOW_MEAN
    assert 0 < left[0] < 0.3
    assert left[1] > 0.99
