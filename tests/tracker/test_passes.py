"""A ball at rest that is not under the light that the clip taught."""

from types import SimpleNamespace

import numpy as np
import pytest
from test_locate import Scene, look

from tracker.ball_image import Optics
from tracker.light import Light, any_light, change, learnt_change
from tracker.locate import Sighting
from tracker.optics import OpticsFit
from tracker.passes import OTHER_LIGHT, REST_FLOOR_PX, allow_other_light, locate_rest, predict_nearer

LEARNT = Light(mean=any_light().mean, cov=any_light().cov + learnt_change())
FIT = OpticsFit(optics=Optics(), sd=np.zeros(4), light=LEARNT)
COV_PX2 = np.diag([0.01, 0.02])


class _Rest:
    """The ball at rest, with a place and a misfit for the learnt light, and others for any light."""

    def __init__(self, view, free_place_px, gain):
        self.cut = SimpleNamespace(place=SimpleNamespace(xy_m=np.zeros(2)))
        self._view, self._free_px, self._gain = view, free_place_px, gain

    def view(self, xy_m, velocity_m_s):
        return self._view

    def table_xy_m(self, sightings):
        return np.zeros((len(sightings), 2))

    def locate_at_rest(self, view, optics, light, effort=None):
        free = light is None
        place = self._free_px if free else self._view.centre_px
        misfit = 5.0 - self._gain * free
        return Sighting(centre_px=place, cov_px2=COV_PX2, residual=1.0, contrast=50.0, visible=1.0, misfit=misfit)


@pytest.fixture(scope="module")
def view():
    return look(Scene(), 1.5, np.random.default_rng(20240611))[1]


@pytest.mark.parametrize("gain", [0.5 * OTHER_LIGHT, 2 * OTHER_LIGHT])
def test_light_at_rest_that_differs_lets_every_frame_differ_more(view, gain):
    told = allow_other_light(_Rest(view, view.centre_px, gain), FIT)
    wanted = LEARNT.cov - learnt_change() + change() if gain > OTHER_LIGHT else LEARNT.cov
    np.testing.assert_allclose(told.light.cov, wanted, rtol=0, atol=1e-9)


@pytest.mark.parametrize("gain", [0.5 * OTHER_LIGHT, 2 * OTHER_LIGHT])
def test_a_place_under_another_light_counts_and_is_as_uncertain_as_the_two_lie_apart(view, gain):
    """Half the distance of the two places is added, in its direction."""
    apart_px = np.array([0.3, 1.2])
    place_px, cov_px2 = locate_rest(_Rest(view, view.centre_px + apart_px, gain), FIT.optics, LEARNT)
    other = float(gain > OTHER_LIGHT)
    np.testing.assert_allclose(place_px, view.centre_px + other * apart_px, rtol=0, atol=1e-12)
    wanted = COV_PX2 + other * np.outer(apart_px, apart_px) / 4 + np.eye(2) * REST_FLOOR_PX**2
    np.testing.assert_allclose(cov_px2, wanted, rtol=0, atol=1e-12)


class _Run:
    """A ball that slides along a parabola, 500 px a metre."""

    times_s = np.arange(40) / 60

    def place_m(self, k):
        t = self.times_s[k]
        return np.array([0.02 * t + 0.01 * t * t, 3.0 * t - 0.4 * t * t])

    def on_table_m(self, centres_px):
        return centres_px / 500

    def moving_px(self, xy_m, velocity_m_s):
        return 500 * xy_m, 500 * velocity_m_s


def test_the_motion_is_predicted_through_places_that_are_known_better():
    """A prediction 2 px off and 0.1 m/s wrong gives way between the frames that are known, and nowhere else."""
    run = _Run()
    before = {k: (run.place_m(k) + 0.004, np.array([0.0, 2.9])) for k in range(40)}
    learnt = {k: 500 * run.place_m(k) for k in range(2, 38, 5)}
    after = predict_nearer(run, before, learnt)
    for k in range(2, 38):
        t = run.times_s[k]
        np.testing.assert_allclose(after[k][0], run.place_m(k), rtol=0, atol=1e-9)
        np.testing.assert_allclose(after[k][1], [0.02 + 0.02 * t, 3.0 - 0.8 * t], rtol=0, atol=1e-7)
    assert all(after[k] is before[k] for k in (0, 1, 38, 39))


@pytest.mark.parametrize("spoiled", range(7, 37, 5))
def test_places_that_lie_on_no_smooth_motion_predict_nothing(spoiled):
    run = _Run()
    before = {k: (run.place_m(k), np.array([0.0, 2.9])) for k in range(40)}
    learnt = {k: 500 * run.place_m(k) for k in range(2, 38, 5)}
    learnt[spoiled] = learnt[spoiled] + 12.0  # a print taken for the ball
    assert predict_nearer(run, before, learnt) is before


@pytest.mark.parametrize(("spoiled", "known"), [((2,), (7, 37)), ((37,), (2, 32)), ((2, 37), None), ((2, 7), None)])
def test_first_and_last_places_far_from_the_motion_before_predict_nothing(spoiled, known):
    """A polynomial runs through them, right or wrong; between the others it holds while there are seven of them."""
    run = _Run()
    before = {k: (run.place_m(k) + 0.004, np.array([0.0, 2.9])) for k in range(40)}
    learnt = {k: 500 * run.place_m(k) for k in range(2, 38, 5)}
    learnt |= {k: learnt[k] + 12.0 for k in spoiled}
    after = predict_nearer(run, before, learnt)
    if known is None:
        assert after is before
        return
    for k in range(40):
        if known[0] <= k <= known[1]:
            np.testing.assert_allclose(after[k][0], run.place_m(k), rtol=0, atol=1e-9)
        else:
            assert after[k] is before[k]
