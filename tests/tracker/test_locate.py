"""The ball located in painted pictures of known truth: shading, shadow, dots, motion, tone must not pull it."""

from dataclasses import replace

import numpy as np
import pytest
from paint_ball import Scene, aimed_camera, paint

from tracker.ball_image import BallView, Optics, view_ball
from tracker.locate import locate_ball
from tracker.optics import fit_optics
from tracker.patch import Patch, window_px
from tracker.tone import Tone

RADIUS_M = 0.028575
CAMERA = aimed_camera((0.5, 3.6, 1.8), (0.35, 1.5, 0), 1500, (1920, 1080), k1=-0.05, roll_rad=0.02)
VELOCITY_M_S = np.array([-0.1, 3.0])
# a Gaussian of 0.9 px and the pixel's own square (variance 1/12)
BLUR_PX = float(np.hypot(0.9, np.sqrt(1 / 12)))


class Straight(Tone):
    """Grey levels in proportion to light."""

    def light(self, grey):
        return 255 * (grey - self.black) / (self.white - self.black)

    def slope(self, light):
        return np.full_like(light, 255 / (self.white - self.black))


def look(scene: Scene, y_m: float, rng, *, exposure_s=0.0, row_s=0.0):
    """Paint a ball somewhere near the lane and say what a tracker would start from."""
    xy_m = np.array([0.31 + rng.uniform(-0.02, 0.02), y_m + rng.uniform(-0.003, 0.003)])
    optics = Optics(
        blur_px=BLUR_PX, exposure_s=exposure_s, late_s_px=(0.0, row_s), tone=Tone(contrast=scene.contrast)
    )
    true = view_ball(CAMERA, xy_m, VELOCITY_M_S, radius_m=RADIUS_M)
    window = window_px(true, optics)
    picture, empty = paint(
        CAMERA, xy_m, VELOCITY_M_S, scene, window, radius_m=RADIUS_M, exposure_s=exposure_s, row_s=row_s, rng=rng
    )
    guess = replace(true, centre_px=true.centre_px + rng.normal(0, 1, 2))
    patch = Patch(
        luma=picture.astype(np.float32),
        background=empty.astype(np.float32),
        hidden=np.zeros(picture.shape, bool),
        origin_px=window[:2],
    )
    return true, guess, patch, optics


def errors_px(scene: Scene, *, seed=20240611, n=8, **motion):
    """Errors (n, 2), along the lane."""
    rng = np.random.default_rng(seed)
    errors = []
    for y_m in np.linspace(0.7, 2.4, n):
        true, guess, patch, optics = look(scene, y_m, rng, **motion)
        seen = locate_ball(guess, patch, optics, noise=scene.noise)
        assert seen is not None
        errors.append(seen.centre_px - true.centre_px)
    return np.array(errors)


@pytest.mark.parametrize(
    ("scene", "motion"),
    [
        (Scene(), {}),
        (Scene(), {"exposure_s": 1 / 250, "row_s": 1e-5}),
        (Scene(contrast=0.0), {"exposure_s": 1 / 250}),
        (Scene(dots=3), {"exposure_s": 1 / 60}),
        (Scene(dots=6), {}),
        (Scene(shadow=0.9, shine=1.0), {}),
    ],
    ids=[
        "still",
        "moving, rolling shutter",
        "no S in the tone curve",
        "a streak longer than the ball",
        "dots",
        "hard shadow and glare",
    ],
)
def test_light_and_motion_do_not_pull_the_centre(scene, motion):
    """Mean error below 0.1 px in either direction; measured here 0.00 to 0.09.

    Of 16 places, of 32 for the streak with dots: with 16 its mean strays by 0.04 px from one seed to the next.
    """
    errors = errors_px(scene, n=32 if scene.dots == 3 else 16, **motion)
    assert np.abs(errors.mean(axis=0)).max() < 0.1
    assert np.abs(errors).max() < 0.4  # 4 x the stated 0.1 px of the worst of these scenes


def test_stated_covariance_is_that_of_the_errors():
    """The mean square of error over stated uncertainty over two scenes lies within a factor of 2 of 1.

    With the light learnt from all frames of a scene, as the tracker does it.
    """
    ratios = []
    for scene, seed, motion in ((Scene(), 7, {}), (Scene(dots=3), 8, {"exposure_s": 1 / 250})):
        rng = np.random.default_rng(seed)
        frames = [look(scene, y_m, rng, **motion) for y_m in np.linspace(0.7, 2.4, 10)]
        guesses, patches = [guess for _, guess, _, _ in frames], [patch for _, _, patch, _ in frames]
        fit = fit_optics(
            guesses, patches, noise=scene.noise, frame_period_s=1 / 60, late_s_px=(0.0, 0.0), tone=Tone()
        )
        for true, guess, patch, optics in frames:
            seen = locate_ball(guess, patch, optics, noise=scene.noise, light=fit.light)
            ratios.append((seen.centre_px - true.centre_px) / np.sqrt(np.diag(seen.cov_px2)))
    # 99.9 % of chi-square(40)/40 lies within 0.46 to 1.84; the shading that the model lacks may add a little
    assert 0.4 < np.mean(np.square(ratios)) < 2.0


def test_leaving_out_the_tone_curve_moves_the_rim():
    """A blurred rim of light, then curved: taken as grey levels, the centre is off by tenths of a pixel."""
    rng = np.random.default_rng(3)
    scene = Scene(noise=0.5, lamps=((0.0, 0.0, 1.0, 0.5),), shine=0.0, shadow=0.0)
    true, guess, patch, optics = look(scene, 2.2, rng)
    right = locate_ball(guess, patch, optics, noise=0.5)
    wrong = locate_ball(guess, patch, replace(optics, tone=Straight()), noise=0.5)
    assert np.hypot(*(wrong.centre_px - true.centre_px)) > 2 * np.hypot(*(right.centre_px - true.centre_px))


def test_hidden_part_of_the_ball_does_not_pull_the_centre():
    """The near cushion hides the lower third: the rest still tells the place."""
    rng = np.random.default_rng(4)
    true, guess, patch, optics = look(Scene(), 2.3, rng)
    v = np.arange(patch.luma.shape[0]) + patch.origin_px[1]
    low = v > true.centre_px[1] + 0.3 * true.radius_px
    luma = patch.luma.copy()
    luma[low] = 30
    hidden = np.zeros(luma.shape, bool)
    hidden[low] = True
    seen = locate_ball(guess, replace(patch, luma=luma, hidden=hidden), optics, noise=2.0)
    assert seen.visible < 0.8
    assert np.all(np.abs(seen.centre_px - true.centre_px) < 4 * np.sqrt(np.diag(seen.cov_px2)))


def test_no_ball_gives_no_contrast():
    """Bare cloth is not located, or has no contrast to speak of."""
    rng = np.random.default_rng(5)
    _, guess, patch, optics = look(Scene(), 1.5, rng)
    bare = replace(patch, luma=(patch.background + rng.normal(0, 2, patch.luma.shape)).astype(np.float32))
    seen = locate_ball(guess, bare, optics, noise=2.0)
    ball = locate_ball(guess, patch, optics, noise=2.0)
    assert seen is None or seen.contrast < 0.2 * ball.contrast


def test_inputs_are_not_altered():
    rng = np.random.default_rng(6)
    _, guess, patch, optics = look(Scene(), 1.5, rng)
    before = patch.luma.copy(), patch.background.copy(), guess.centre_px.copy()
    locate_ball(guess, patch, optics, noise=2.0)
    for now, then in zip((patch.luma, patch.background, guess.centre_px), before, strict=True):
        np.testing.assert_array_equal(now, then)


def test_window_outside_the_picture_is_no_sighting():
    rng = np.random.default_rng(6)
    _, guess, patch, optics = look(Scene(), 1.5, rng)
    tiny = Patch(
        luma=patch.luma[:4, :4], background=patch.background[:4, :4], hidden=patch.hidden[:4, :4], origin_px=(0, 0)
    )
    assert locate_ball(guess, tiny, optics, noise=2.0) is None


def test_outline_of_the_view_is_that_of_the_sphere():
    """The fitted ellipse goes through the projected tangency circle to 0.02 px, distortion included."""
    centre_m = np.array([0.29, 2.31, RADIUS_M])
    view = view_ball(CAMERA, centre_m[:2], np.zeros(2), radius_m=RADIUS_M)
    rim_px = CAMERA.sphere_outline(centre_m, radius_m=RADIUS_M, count=31)
    unit = np.linalg.solve(view.axes_px, (rim_px - view.centre_px - view.offset_px).T)
    np.testing.assert_allclose(np.linalg.norm(unit, axis=0) * view.radius_px, view.radius_px, rtol=0, atol=0.02)
    assert isinstance(view, BallView)
