"""The model's terms against plain counting: cover of a disc, its slopes, and what they do in limits."""

import numpy as np
import pytest
from paint_ball import aimed_camera

from tracker.ball_image import Optics, image_ball, view_ball

CAMERA = aimed_camera((0.1, -0.9, 1.5), (0.5, 1.2, 0), 1300, (1280, 720), k1=0.03)
VIEW = view_ball(CAMERA, np.array([0.4, 0.9]), np.array([0.3, 4.0]), radius_m=0.028575)


def pixels_round(view, reach=45):
    u, v = np.meshgrid(np.arange(-reach, reach + 1.0), np.arange(-reach, reach + 1.0))
    return np.stack([u.ravel(), v.ravel()], axis=1) + np.round(view.centre_px)


def test_cover_adds_up_to_the_ball_s_area():
    """A still ball covers pi a b pixels, whatever the blur."""
    area_px2 = np.pi * np.linalg.det(VIEW.axes_px)
    cover = image_ball(VIEW, np.zeros(2), pixels_round(VIEW), Optics(blur_px=0.9)).cover
    np.testing.assert_allclose(cover.sum(), area_px2, rtol=0.004)  # the blurred rim of a small disc is curved


def test_motion_spreads_the_cover_along_the_path_only():
    optics = Optics(blur_px=0.9, exposure_s=1 / 200)
    pixels = pixels_round(VIEW)
    still = image_ball(VIEW, np.zeros(2), pixels, Optics(blur_px=0.9)).cover
    swept = image_ball(VIEW, np.zeros(2), pixels, optics).cover
    along = VIEW.velocity_px_s / np.hypot(*VIEW.velocity_px_s)
    across = np.array([-along[1], along[0]])

    def variance(cover, direction):
        place = pixels @ direction
        mean = (place * cover).sum() / cover.sum()
        return (((place - mean) ** 2) * cover).sum() / cover.sum()

    length_px = np.hypot(*VIEW.velocity_px_s) / 200
    # the variance of a uniform sweep is L^2 / 12
    np.testing.assert_allclose(variance(swept, along) - variance(still, along), length_px**2 / 12, rtol=0.02)
    np.testing.assert_allclose(variance(swept, across), variance(still, across), rtol=0.002)


def test_slopes_are_those_of_finite_differences():
    optics = Optics(blur_px=1.1, exposure_s=1 / 300, late_s_px=(0.0, 8e-6), radius_scale=1.002)
    pixels = pixels_round(VIEW)
    image = image_ball(VIEW, np.zeros(2), pixels, optics)
    slope = image.place_slope(np.ones(image.outwards_px.shape[1:]))
    for axis in range(2):
        step = np.eye(2)[axis] * 1e-4
        ahead = image_ball(VIEW, step, pixels, optics).cover
        behind = image_ball(VIEW, -step, pixels, optics).cover
        # the rim's distance is first order: 2 % of a slope of at most 0.4 per px
        np.testing.assert_allclose(slope[axis], (ahead - behind) / 2e-4, rtol=0, atol=0.02)


def test_slopes_by_optics_are_those_of_finite_differences():
    base = {"blur_px": 1.1, "exposure_s": 1 / 300, "radius_scale": 1.0, "sharpening": 0.3}
    pixels = pixels_round(VIEW)
    image = image_ball(VIEW, np.zeros(2), pixels, Optics(**base))
    slope = image.optics_slope(np.ones(image.outwards_px.shape[1:]))
    steps = {"blur_px": 1e-3, "exposure_s": 1e-6, "radius_scale": 1e-5, "sharpening": 1e-4}
    for column, (name, step) in enumerate(steps.items()):
        covers = [
            image_ball(VIEW, np.zeros(2), pixels, Optics(**{**base, name: base[name] + s})).cover
            for s in (step, -step)
        ]
        found = (covers[0] - covers[1]) / (2 * step)
        scale = np.abs(found).max()
        # 0.016 for the exposure: that the ball grows and speeds up within it is left out; 1e-5 for the others
        np.testing.assert_allclose(slope[column] / scale, found / scale, rtol=0, atol=0.03)


@pytest.mark.parametrize("late_s_px", [(0.0, 1e-5), (0.0, -1e-5), (1e-4, 0.0)])
def test_rolling_shutter_stretches_a_ball_that_moves_along_it(late_s_px):
    """A point moving at s px/s along the readout is seen at 1 / (1 - s row) of its speed: so is the outline."""
    pixels = pixels_round(VIEW, reach=60)
    still = image_ball(VIEW, np.zeros(2), pixels, Optics()).cover.sum()
    rolled = image_ball(VIEW, np.zeros(2), pixels, Optics(late_s_px=late_s_px)).cover.sum()
    np.testing.assert_allclose(rolled / still, 1 / (1 - VIEW.velocity_px_s @ late_s_px), rtol=2e-3)
