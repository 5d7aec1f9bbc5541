"""The model's terms against plain counting: cover of a disc, its slopes, and what they do in limits."""

import numpy as np
import pytest
from paint_ball import aimed_camera
from skimage.measure import EllipseModel

from tracker.ball_image import N_LIGHT, Optics, exposure_steps, image_balls, view_ball
from tracker.shadow import N_SHADOW

CAMERA = aimed_camera((0.1, -0.9, 1.5), (0.5, 1.2, 0), 1300, (1280, 720), k1=0.03)
VIEW = view_ball(CAMERA, np.array([0.4, 0.9]), np.array([0.3, 4.0]), radius_m=0.028575)


def pixels_round(view, reach=45):
    u, v = np.meshgrid(np.arange(-reach, reach + 1.0), np.arange(-reach, reach + 1.0))
    return np.stack([u.ravel(), v.ravel()], axis=1) + np.round(view.centre_px)


def test_the_outline_is_the_ellipse_that_scikit_image_fits_to_it():
    """skimage.measure.EllipseModel (Halir and Flusser 1998), on the outline of the sphere as the lens shows it."""
    rim_px = CAMERA.sphere_outline(np.array([0.4, 0.9, 0.028575]), radius_m=0.028575, count=200)
    ellipse = EllipseModel.from_estimate(rim_px)
    np.testing.assert_allclose(VIEW.centre_px + VIEW.offset_px, ellipse.center, rtol=0, atol=1e-9)
    np.testing.assert_allclose(np.linalg.eigvalsh(VIEW.axes_px), sorted(ellipse.axis_lengths), rtol=0, atol=1e-9)


def image_ball(pixels, optics, shift=(0.0, 0.0)):
    """Image of the ball alone, in one frame."""
    steps = exposure_steps(VIEW, optics)
    return image_balls([VIEW], np.array([shift]), pixels[None], [optics], n_steps=steps)


def test_cover_adds_up_to_the_ball_s_area():
    """A still ball covers pi a b pixels, whatever the blur."""
    area_px2 = np.pi * np.linalg.det(VIEW.axes_px)
    cover = image_ball(pixels_round(VIEW), Optics(blur_px=0.9)).cover[0]
    np.testing.assert_allclose(cover.sum(), area_px2, rtol=0.004)  # the blurred rim of a small disc is curved


def test_motion_spreads_the_cover_along_the_path_only():
    optics = Optics(blur_px=0.9, exposure_s=1 / 200)
    pixels = pixels_round(VIEW)
    still = image_ball(pixels, Optics(blur_px=0.9)).cover[0]
    swept = image_ball(pixels, optics).cover[0]
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


SHADE = np.random.default_rng(5).normal(0, 8, N_LIGHT) + 120 * np.eye(N_LIGHT)[0]
BEHIND = 30.0


def light_of(optics, pixels, shift=(0.0, 0.0)):
    """Light of the model for one set of factors, over an even cloth."""
    image = image_ball(pixels, optics, shift)
    return SHADE @ image.linear[0, :N_LIGHT] + BEHIND * (1 - image.cover[0])


def slopes_of(optics, pixels):
    image = image_ball(pixels, optics)
    return image.slopes(np.concatenate([SHADE, np.zeros(N_SHADOW)])[None], np.full((1, len(pixels)), BEHIND))


def misfit(slope, found):
    """Root mean square of a slope's error, as a share of the slope's own."""
    return np.sqrt(np.mean((slope - found) ** 2) / np.mean(found**2))


def test_slopes_are_those_of_finite_differences():
    """The ball's own light moves with it; measured 3 and 4 %.

    Over 0.2 px: nearest the rim the height of the ball has no finite slope at a point.
    """
    optics = Optics(blur_px=1.1, exposure_s=1 / 300, late_s_px=(0.0, 8e-6), radius_scale=1.002)
    pixels = pixels_round(VIEW)
    slopes = slopes_of(optics, pixels)
    for axis in range(2):
        step = np.eye(2)[axis] * 0.1
        found = (light_of(optics, pixels, step) - light_of(optics, pixels, -step)) / 0.2
        assert misfit(slopes.place[axis, 0], found) < 0.06


def test_slopes_by_optics_are_those_of_finite_differences():
    """Measured 0.02 to 6 %, the exposure worst (14 % without the light that moves along): its steps are coarse."""
    base = {"blur_px": 1.1, "exposure_s": 1 / 300, "radius_scale": 1.0, "sharpening": 0.3}
    pixels = pixels_round(VIEW)
    slopes = slopes_of(Optics(**base), pixels)
    steps = {"blur_px": 0.02, "exposure_s": 2e-4, "radius_scale": 5e-3, "sharpening": 1e-2}
    for column, (name, step) in enumerate(steps.items()):
        ends = [light_of(Optics(**{**base, name: base[name] + s}), pixels) for s in (step, -step)]
        found = (ends[0] - ends[1]) / (2 * step)
        assert misfit(slopes.optics()[column, 0], found) < 0.1


@pytest.mark.parametrize("late_s_px", [(0.0, 1e-5), (0.0, -1e-5), (1e-4, 0.0)])
def test_rolling_shutter_stretches_a_ball_that_moves_along_it(late_s_px):
    """A point moving at s px/s along the readout is seen at 1 / (1 - s row) of its speed: so is the outline."""
    pixels = pixels_round(VIEW, reach=60)
    still = image_ball(pixels, Optics()).cover[0].sum()
    rolled = image_ball(pixels, Optics(late_s_px=late_s_px)).cover[0].sum()
    np.testing.assert_allclose(rolled / still, 1 / (1 - VIEW.velocity_px_s @ late_s_px), rtol=2e-3)
