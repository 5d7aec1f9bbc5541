"""The search for the ball's place: it comes to rest where steps overshoot, and a frame is not given up for that."""

from dataclasses import replace

import numpy as np
import pytest
from paint_ball import Scene
from test_locate import look

from tracker import rim_fit
from tracker.light import any_light


def search(view, patch, optics):
    return rim_fit.RimSearch(view=view, patch=patch, optics=optics, noise=2.0, light=any_light())


def fit_rim(view, patch, optics):
    return rim_fit.fit_rims([search(view, patch, optics)], lambda _, fit: fit)[0]


@pytest.mark.parametrize("overshoot", [0.7, 1.0, 1.9, 2.0, 2.5, 4.0])
def test_moves_come_to_rest_where_steps_are_too_long(overshoot):
    """Steps that are `overshoot` times too long one way and right the other way; undamped, 2 goes to and fro."""
    along = np.array([0.3, 0.95]) / np.hypot(0.3, 0.95)
    stretch = np.eye(2) + (overshoot - 1) * np.outer(along, along)
    sought, place = np.array([1.3, -0.4]), np.zeros(2)
    mover = rim_fit._Mover()
    for n in range(rim_fit.MAX_STEPS):
        step = stretch @ (sought - place)
        if np.hypot(*step) < 0.015:
            break
        place = place + mover.move(place, step, learn=n >= rim_fit.THOROUGH.lenient_steps)
    assert np.hypot(*(place - sought)) < 0.015


def test_a_place_that_is_not_found_in_time_counts_as_uncertain(monkeypatch):
    """With four steps only, from a bad guess, the fit still answers, and its last step is in its uncertainty."""
    rng = np.random.default_rng(11)
    _, guess, patch, optics = look(Scene(), 2.2, rng)
    far = replace(guess, centre_px=guess.centre_px + [2.5, 1.5])
    settled = fit_rim(guess, patch, optics)
    assert settled.unsettled_px == 0
    monkeypatch.setattr(rim_fit, "MAX_STEPS", 2)
    monkeypatch.setattr(rim_fit, "MAX_RECENTRED", 1)
    broken_off = fit_rim(far, patch, optics)
    assert broken_off.unsettled_px > 0.015


def test_frames_fitted_together_are_fitted_as_each_alone(monkeypatch):
    """Frames of other sizes, blurs and streaks, more than are computed at once; one shows no rim."""
    monkeypatch.setattr(rim_fit, "AT_ONCE", 4)
    monkeypatch.setattr(rim_fit, "UNDER_WAY", 5)
    rng = np.random.default_rng(12)
    scene = Scene()
    searches = []
    for n, y_m in enumerate(np.linspace(1.4, 2.3, 7)):
        _, guess, patch, optics = look(scene, float(y_m), rng, exposure_s=0.001 * (n % 3))
        searches.append(search(guess, patch, replace(optics, blur_px=1.0 + 0.1 * n)))
    hidden = replace(searches[3].patch, hidden=np.ones_like(searches[3].patch.hidden))
    searches[3] = replace(searches[3], patch=hidden)
    together = rim_fit.fit_rims(searches, lambda _, fit: fit)
    assert together[3] is None
    for one, fit in zip(searches, together, strict=True):
        alone = rim_fit.fit_rims([one], lambda _, fit: fit)[0]
        if fit is None:
            assert alone is None
            continue
        np.testing.assert_allclose(fit.view.centre_px, alone.view.centre_px, rtol=0, atol=1e-4)
        np.testing.assert_allclose(fit.normal[-2:, -2:], alone.normal[-2:, -2:], rtol=1e-3)
