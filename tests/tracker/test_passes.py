"""A ball at rest that is not under the light that the clip taught."""

from types import SimpleNamespace

import numpy as np
import pytest
from test_locate import Scene, look

from tracker.ball_image import Optics
from tracker.light import Light, any_light, change, learnt_change
from tracker.locate import Sighting
from tracker.optics import OpticsFit
from tracker.passes import OTHER_LIGHT, REST_FLOOR_PX, allow_other_light, locate_rest

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

    def locate_at_rest(self, view, optics, light):
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
