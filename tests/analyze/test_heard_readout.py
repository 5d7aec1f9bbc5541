"""A readout time that the sound contradicts makes the shot doubtful and is named; a right one does not."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_shots import Setting, played_parameters, simulate
from test_heard_clock import with_sound

from analyze.fit.heard_clock import hear_shot
from analyze.fit.heard_readout import unlike_readout
from analyze.fit.path_fit import fit_path
from analyze.fit.quantities import quantities
from analyze.fit.reasons import READOUT_UNLIKE
from analyze.fit.shot import Status, measure_shot
from tracker.readout import ASSUMED_READOUT, Readout

PLACES = ("behind foot rail", "behind shooter")


def heard_shot(seed, place, readout_s):
    rng = np.random.default_rng(seed)
    setting = Setting(place=place, frame_rate=60.0, speed_m_s=3.0, readout_known=True)
    shot = simulate(setting, rng, parameters=played_parameters(setting, rng), readout_s=readout_s)
    assert shot is not None
    return shot, with_sound(shot, rng)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("readout_s", [0.0115, 0.016])
@pytest.mark.parametrize("seed", [3, 4])
def test_a_global_shutter_stated_for_a_rolling_one_is_doubtful(place, readout_s, seed):
    """The time proposed is right to 4 ms: two of its standard uncertainties, or less."""
    shot, path = heard_shot(seed, place, readout_s)
    found = measure_shot(path, shot.calibration, readout=Readout.stated(0.0))
    assert found.status is Status.DOUBTFUL
    assert found.reason is READOUT_UNLIKE
    assert "a global shutter is stated" in found.detail
    proposed_ms = float(found.detail.partition("readout about ")[2].split()[0])
    assert abs(proposed_ms / 1000 - readout_s) < 0.004


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("seed", range(3, 9))
def test_the_right_one_is_not_and_an_assumed_one_is_not_blamed(place, seed):
    shot, path = heard_shot(seed, place, 0.016)
    for readout in (Readout.stated(0.016), ASSUMED_READOUT):
        assert measure_shot(path, shot.calibration, readout=readout).reason is not READOUT_UNLIKE


def test_what_no_readout_explains_is_not_put_down_to_it():
    """Sound that an editor stretched is 30 ms off: a frame cannot take so long to read out."""
    shot, path = heard_shot(3, PLACES[0], 0.016)
    readout = Readout.stated(0.016)
    fit = fit_path(path, shot.calibration, readout=readout)
    heard = hear_shot(path.heard, fit, quantities(fit, shot.calibration), shot.calibration)
    assert unlike_readout(heard, fit, path, readout) is None
    for off_s in (-0.03, 0.03):
        stretched = replace(heard, apart_s=heard.apart_s + off_s)
        assert unlike_readout(stretched, fit, path, readout) is None
    assert unlike_readout(replace(heard, apart_s=heard.apart_s - 0.008), fit, path, readout) is not None


def test_what_phones_do_to_pictures_is_not_put_down_to_the_readout():
    """Places dragged back by a part in 500, as one standard uncertainty; knocks 2.8 and 3.2 of all together off."""
    shot, path = heard_shot(3, PLACES[0], 0.016)
    readout = Readout.stated(0.008)
    fit = fit_path(path, shot.calibration, readout=readout)
    heard = hear_shot(path.heard, fit, quantities(fit, shot.calibration), shot.calibration)
    sd_s = np.hypot(np.hypot(heard.apart_sd_s, heard.fitted_sd_s), 0.002 * heard.lane_s)
    assert unlike_readout(replace(heard, apart_s=heard.lane_s - 2.8 * sd_s), fit, path, readout) is None
    assert unlike_readout(replace(heard, apart_s=heard.lane_s - 3.2 * sd_s), fit, path, readout) is not None
