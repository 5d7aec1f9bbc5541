"""Blur, exposure and light of a clip found from painted frames."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_locate import BLUR_PX, Scene, look

from tracker import optics
from tracker.ball_image import Optics
from tracker.optics import fit_optics
from tracker.tone import Tone


@pytest.mark.parametrize("exposure_s", [1 / 250, 1 / 60])
def test_exposure_and_blur_are_found(exposure_s):
    """Six frames of a ball at 3 m/s, streaks from a fifth of the ball to all of it."""
    rng = np.random.default_rng(20240611)
    frames = [look(Scene(dots=3), y_m, rng, exposure_s=exposure_s) for y_m in np.linspace(0.9, 2.4, 6)]
    fit = fit_optics(
        [guess for _, guess, _, _ in frames],
        [patch for _, _, patch, _ in frames],
        noise=2.0,
        frame_period_s=1 / 30,
        late_s_px=(0.0, 0.0),
        tone=Tone(),
    )
    assert fit.optics.exposure_s == pytest.approx(exposure_s, rel=0.05)
    # sharpening and blur undo each other in part
    assert fit.optics.blur_px == pytest.approx(BLUR_PX, rel=0.2)
    assert 0.98 < fit.optics.radius_scale < 1.01


def test_frames_that_tell_nothing_do_not_choose_the_first_exposure(monkeypatch):
    """Of three frames two have a slow ball, whose misfits differ by chance, and one a fast one, whose do not."""
    rng = np.random.default_rng(20240611)
    _, guess, patch, _ = look(Scene(), 1.5, rng)
    chance = {
        1.0: (2.30, 2.31, 2.38, 2.30, 2.59),
        2.0: (2.38, 2.39, 2.40, 2.37, 3.14),
        9.0: (1.99, 2.03, 2.16, 2.3, 3.9),
    }
    shares = [1.0, 2.0, 9.0]
    views = [replace(guess, velocity_px_s=np.array([0.0, 100 * share])) for share in shares]

    def misfit(search):
        n = int(np.argmin(np.abs(np.array(optics.EXPOSURE_SHARES) - search.optics.exposure_s)))
        return chance[search.view.velocity_px_s[1] / 100][n]

    asked = []

    def found(searches):
        asked.extend(searches)
        return [SimpleNamespace(misfit=misfit(one), centre_px=one.view.centre_px + 1.0) for one in searches]

    monkeypatch.setattr(optics, "located", found)
    start = optics._likeliest_start(views, [patch] * 3, Optics(), noise=2.0, frame_period_s=1.0)
    assert start.exposure_s == optics.EXPOSURE_SHARES[0]
    # twice less likely than the one before: longer ones are not tried, and each begins where the last one ended
    assert {one.optics.exposure_s for one in asked} == set(optics.EXPOSURE_SHARES[:3])
    np.testing.assert_allclose(asked[-1].view.centre_px, guess.centre_px + 2.0, rtol=0, atol=1e-12)


@pytest.mark.parametrize("ratio", [0.65, 0.3, -0.6])
def test_steps_that_shrink_or_go_to_and_fro_evenly_are_followed_to_their_end(ratio):
    """Steps that each are a share of the one before lead to first / (1 - share) altogether."""
    first = np.array([0.1, -2e-4, 3e-3, 0.05])
    precision = np.diag([4.0, 4e4, 4e4, 16.0])
    moved = first  # the first is made as it is
    ahead = optics._farther(ratio * first, first, moved, precision)
    np.testing.assert_allclose(moved + ahead, first / (1 - ratio), rtol=1e-9, atol=0)


def test_steps_that_grow_are_made_as_they_are():
    step = np.array([0.1, -2e-4, 3e-3, 0.05])
    np.testing.assert_array_equal(optics._farther(1.5 * step, step, step, np.eye(4)), 1.5 * step)
