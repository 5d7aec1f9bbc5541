"""Strike and cushion as heard refuse a wrong clock or settle a right one from one shot; other knocks do not."""

import math
from dataclasses import replace

import numpy as np
import pytest
from room_sounds import RATE_HZ, click, table_sound
from scipy.signal import resample
from simulated_shots import Setting, played_parameters, simulate, true_quantities
from test_clock import timed_wrongly

from analyze.fit.heard_clock import SOUND_M_S, hear_shot
from analyze.fit.heard_clock import with_sound as sound_counted
from analyze.fit.path_fit import fit_path
from analyze.fit.quantities import QUANTITIES, quantities, with_lane_time
from analyze.fit.reasons import CLOCK_UNSURE, HEARD_OTHERWISE, WRONG_CLOCK
from analyze.fit.shot import Status, measure_shot
from tracker.heard import HeardSound
from tracker.onsets import find_onsets
from tracker.readout import ASSUMED_READOUT, Readout
from tracker.slowed import slowed_less_than
from tracker.sound import Sound

SEED = 20240611
AIR_M_S = 343.2  # at 20 degrees Celsius: ISO 9613-1:1993
DELAY_S = 0.057  # of the sound against the picture


def test_the_speed_of_sound_is_that_of_the_handbook():
    """331.3 m/s at 0 degrees, 343.2 m/s at 20 (ISO 9613-1:1993), 346 m/s at 25 (handbooks)."""
    assert pytest.approx(math.sqrt((273.15 + 22) / 293.15) * AIR_M_S, rel=1e-3) == SOUND_M_S


def shot_of(rng, *, place="behind foot rail", speed_m_s=2.6, rolls=False, rate=60.0):
    setting = Setting(place=place, frame_rate=rate, speed_m_s=speed_m_s, readout_known=False)
    parameters = played_parameters(setting, rng)
    if rolls:
        parameters[5], parameters[6] = 0.0, 0.01 * parameters[4]
    else:
        parameters[6], parameters[7] = parameters[4], 0.2
    return simulate(setting, rng, parameters=parameters, readout_s=0.003)


def moments(shot):
    """True times of strike and contact, and of these at the phone."""
    parameters, camera = shot.parameters, shot.truth.camera
    _, contact_s = true_quantities(parameters, shot.truth, shot.pull_m_s2)
    places_m = [parameters[:2], (parameters[0], shot.truth.table.length_m - shot.truth.ball.radius_m)]
    ways_m = [math.dist(camera.position_m, (*place_m, shot.truth.ball.radius_m)) for place_m in places_m]
    events = np.array([parameters[2], contact_s])
    return events, events + np.array(ways_m) / AIR_M_S + DELAY_S


def with_sound(shot, rng, *, clock=1.0, knocks=(), amplitude=0.1, slowed=1):
    """The path on a clock that counts `clock` seconds for each, beside a sound slowed `slowed` times."""
    _, heard_s = moments(shot)
    samples = table_sound(heard_s[1] + 0.5, *heard_s, rng, amplitude=amplitude)
    times_s = np.arange(len(samples)) / RATE_HZ
    for at_s, loud in knocks:
        samples = samples + click(times_s, at_s, loud, rng)
    first = round((heard_s[0] - DELAY_S - 0.45) * RATE_HZ)
    sound = Sound(first_s=first / RATE_HZ, rate_hz=RATE_HZ, samples=samples[first:])
    onsets = find_onsets(sound)
    heard = HeardSound(
        times_s=onsets.times_s * slowed,
        sds_s=onsets.sds_s * slowed,
        strengths_db=onsets.strengths_db,
        from_s=(sound.first_s + 0.15) * slowed,
        until_s=times_s[-1] * slowed,
        slowed_less_than=slowed_less_than(replace(sound, samples=lengthened(samples[first:], slowed))),
        clock_s_per_s=clock / slowed,
        begins_s=0.0,
    )
    return replace(timed_wrongly(shot.path, clock), heard=heard)


def lengthened(samples, times):
    """So many times as many samples, the new ones by the Fourier transform."""
    return resample(samples, times * len(samples)) if times > 1 else samples


def measured(shot, path):
    return measure_shot(path, shot.calibration, readout=ASSUMED_READOUT)


@pytest.mark.parametrize("place", ["behind foot rail", "behind shooter"])
def test_the_time_from_strike_to_cushion_is_heard_wherever_the_phone_stands(place):
    """Ways to the phone differ by two metres, 6 ms, one way or the other: gone within the stated uncertainty."""
    rng = np.random.default_rng(SEED)
    off = []
    for _ in range(12):
        shot = shot_of(rng, place=place)
        fit = fit_path(shot.path, shot.calibration, readout=ASSUMED_READOUT)
        heard = hear_shot(with_sound(shot, rng).heard, fit, quantities(fit, shot.calibration), shot.calibration)
        strike_s, contact_s = moments(shot)[0]
        off.append((heard.apart_s - (contact_s - strike_s)) / heard.apart_sd_s)
        assert heard.apart_sd_s < 0.003
        assert heard.strike_s - strike_s == pytest.approx(DELAY_S, abs=0.002)
        assert heard.clock_right
        assert heard.not_slowed(2)
    assert np.abs(off).max() < 4
    assert abs(np.mean(off)) < 1.5


@pytest.mark.parametrize("clock", [0.5, 0.25, 0.125])
def test_a_capture_rate_that_the_sound_contradicts_is_refused(clock):
    """A file of 60 frames a second, sound and all, and capture_fps of 120, 240 or 480."""
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng)
    found = measured(shot, with_sound(shot, rng, clock=clock))
    assert (found.status, found.reason) == (Status.FAILED, WRONG_CLOCK)
    assert found.detail.startswith("strike and cushion are heard ")
    assert found.detail.endswith("try capture_fps = 60")


def test_sound_refuses_a_clock_that_no_friction_refuses():
    """A ball that slides to the rail, four times too slowly: doubtful; beside sound in real time refused."""
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng, speed_m_s=4.2)
    silent = measured(shot, timed_wrongly(shot.path, 4.0))
    assert (silent.status, silent.reason) == (Status.DOUBTFUL, CLOCK_UNSURE)
    found = measured(shot, with_sound(shot, rng, clock=4.0))
    assert (found.status, found.reason) == (Status.FAILED, WRONG_CLOCK)
    assert found.detail.endswith("try capture_fps = 60")


def test_sound_settles_a_clock_that_the_path_leaves_open():
    """A ball that rolls from the strike on: doubtful by itself, measured beside sound that was not slowed."""
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng, speed_m_s=1.2, rolls=True)
    silent = measured(shot, shot.path)
    assert (silent.status, silent.reason) == (Status.DOUBTFUL, CLOCK_UNSURE)
    found = measured(shot, with_sound(shot, rng))
    assert (found.status, found.reason) == (Status.MEASURED, None)
    assert (found.reading_m, found.reading_sd_m) == (silent.reading_m, silent.reading_sd_m)


def test_sound_slowed_with_the_picture_says_nothing():
    """Four times too slowly, sound as well: it lies where the path says, but reaches up to 6 kHz only."""
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng, speed_m_s=4.2)
    silent, found = (
        measured(shot, timed_wrongly(shot.path, 4.0)),
        measured(shot, with_sound(shot, rng, clock=4.0, slowed=4)),
    )
    assert (found.status, found.reason, found.detail) == (silent.status, silent.reason, silent.detail)
    right = measured(shot, with_sound(shot, rng, slowed=4))
    assert right.status is Status.MEASURED


@pytest.mark.parametrize("loud", [0.05, 0.5])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 1.0])
def test_a_knock_of_something_else_changes_no_result(loud, share):
    """A knock anywhere from just before the strike to just after the cushion, fainter or louder than they are.

    Either the sound says nothing then, or the same.
    """
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng)
    _, (strike_s, contact_s) = moments(shot)
    at_s = strike_s - 0.15 + share * (contact_s - strike_s + 0.27)
    found = measured(shot, with_sound(shot, rng, knocks=[(at_s, loud)]))
    assert found.status is Status.MEASURED
    without = [measured(shot, path).launch_speed_m_s for path in (shot.path, with_sound(shot, rng))]
    assert min(abs(found.launch_speed_m_s / speed_m_s - 1) for speed_m_s in without) < 0.0005


def test_music_refuses_no_clock():
    """Eight knocks a second that have nothing to do with the shot, which is too faint to be heard."""
    rng = np.random.default_rng(SEED)
    for _ in range(10):
        shot = shot_of(rng)
        strike_s, contact_s = moments(shot)[1]
        beats = [(at_s, 0.3) for at_s in np.arange(strike_s - 0.4 + rng.uniform(0, 0.1), contact_s + 0.4, 0.125)]
        path = with_sound(shot, rng, knocks=beats, amplitude=1e-5)
        fit = fit_path(shot.path, shot.calibration, readout=ASSUMED_READOUT)
        assert len(path.heard.times_s) > 6
        assert hear_shot(path.heard, fit, quantities(fit, shot.calibration), shot.calibration) is None


def test_knocks_that_are_too_far_apart_are_not_strike_and_cushion():
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng)
    fit = fit_path(shot.path, shot.calibration, readout=ASSUMED_READOUT)
    found, heard = quantities(fit, shot.calibration), with_sound(shot, rng).heard
    assert hear_shot(heard, fit, found, shot.calibration) is not None
    for late_s in (-0.06, -0.03, 0.03, 0.06):
        moved = replace(heard, times_s=heard.times_s + np.array([0.0, late_s]))
        assert hear_shot(moved, fit, found, shot.calibration) is None


def test_friction_of_a_cloth_outweighs_sound_that_keeps_its_height():
    """An editor's slow motion, half as fast, sound stretched without lowering it, and capture_fps set rightly."""
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng)
    heard = with_sound(shot, rng).heard
    stretched = replace(
        heard, times_s=2 * heard.times_s, from_s=2 * heard.from_s, until_s=2 * heard.until_s, clock_s_per_s=0.5
    )
    assert measured(shot, replace(shot.path, heard=stretched)).status is Status.MEASURED


@pytest.mark.parametrize("clock", [0.93, 0.96, 1.04, 1.08])
def test_a_rate_that_is_a_few_per_cent_off_is_said_with_the_rate_heard(clock):
    """25 frames a second stated for 24, 240 for 230: no speed by such a clock is measured, nor by half of it."""
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng)
    silent = measured(shot, timed_wrongly(shot.path, clock))
    found = measured(shot, with_sound(shot, rng, clock=clock))
    assert (found.status, found.reason) == (Status.DOUBTFUL, HEARD_OTHERWISE)
    assert found.detail.endswith(": 60 frames a second go with the sound")
    assert (found.launch_speed_m_s, found.rail_speed_m_s) == (silent.launch_speed_m_s, silent.rail_speed_m_s)


def test_a_rate_that_is_a_thousandth_off_is_mended_by_the_sound():
    """60 stated for 59.94 (SMPTE ST 2036-1): the sound knows the second."""
    rng = np.random.default_rng(SEED)
    shot = shot_of(rng)
    off = measured(shot, with_sound(shot, np.random.default_rng(SEED), clock=0.999))
    right = measured(shot, with_sound(shot, np.random.default_rng(SEED)))
    assert off.status is right.status is Status.MEASURED
    assert off.launch_speed_m_s == pytest.approx(right.launch_speed_m_s, rel=0.0005)


def a_heard_shot(shot, rng):
    """The fit of a shot, what it says, and what is heard."""
    fit = fit_path(shot.path, shot.calibration, readout=ASSUMED_READOUT)
    found = quantities(fit, shot.calibration)
    return fit, found, hear_shot(with_sound(shot, rng).heard, fit, found, shot.calibration)


def test_sound_counts_for_as_much_as_it_is_believed():
    """Mean and variance of a mixture of two Gaussians; all of it in a silent room, none beside endless knocks."""
    rng = np.random.default_rng(SEED)
    _, found, heard = a_heard_shot(shot_of(rng), rng)
    near = replace(heard, apart_s=heard.lane_s + 0.8 * heard.sd_s)
    told = with_lane_time(found, near.apart_s, near.apart_sd_s)
    alone, lost = (sound_counted(found, replace(near, others_per_s=rate)) for rate in (0.0, 1e12))
    np.testing.assert_allclose(alone.values, told.values, rtol=1e-12)
    np.testing.assert_allclose(alone.cov, told.cov, rtol=1e-9)
    np.testing.assert_allclose(lost.values, found.values, rtol=1e-9)
    np.testing.assert_allclose(lost.cov, found.cov, rtol=1e-6)
    density = math.exp(-0.32) / math.sqrt(2 * math.pi) / near.sd_s
    even = sound_counted(found, replace(near, others_per_s=density))
    np.testing.assert_allclose(even.values, (told.values + found.values) / 2, rtol=1e-12)
    draws = np.concatenate(
        [
            (np.random.default_rng(k).multivariate_normal(one.values, one.cov, 400_000))
            for k, one in enumerate((told, found))
        ]
    )
    np.testing.assert_allclose(even.cov[2, 2], np.var(draws[:, 2]), rtol=0.01)


def test_speeds_that_sound_and_picture_give_differently_are_as_much_less_sure():
    rng = np.random.default_rng(SEED)
    _, found, heard = a_heard_shot(shot_of(rng), rng)
    beside = replace(heard, apart_s=heard.lane_s + 2.5 * heard.sd_s, others_per_s=0.0)
    told = with_lane_time(found, beside.apart_s, beside.apart_sd_s)
    counted = sound_counted(found, beside)
    ratios = np.sqrt(np.diag(counted.cov) / np.diag(told.cov))
    np.testing.assert_allclose(ratios, [1, 1, 2.5, 2.5, 1, 1, 1], rtol=1e-9)


@pytest.mark.parametrize("place", ["behind foot rail", "behind shooter"])
def test_a_knock_of_something_else_is_seldom_taken_for_an_unheard_cushion(place):
    """The strike is heard, the cushion is not, and something knocks once a second: wrong in less than 1 of 200."""
    rng = np.random.default_rng(SEED)
    speeds = [QUANTITIES.index("launch_speed_m_s"), QUANTITIES.index("rail_speed_m_s")]
    tried = wrong = 0
    for _ in range(10):
        shot = simulate(Setting(place=place, speed_m_s=rng.uniform(1.8, 4.0), readout_known=False), rng)
        fit = fit_path(shot.path, shot.calibration, readout=shot.stated_readout)
        found = quantities(fit, shot.calibration)
        _, (strike_s, contact_s) = moments(shot)
        from_s, until_s = strike_s - 0.3, contact_s + 0.3
        for _ in range(200):
            others_s = rng.uniform(from_s, until_s, rng.poisson(until_s - from_s))
            times_s = np.sort([*others_s, strike_s + rng.normal(0, 0.0005)])
            knocks = HeardSound(
                times_s=times_s,
                sds_s=np.full(len(times_s), 0.0003),
                strengths_db=rng.normal(30, 4, len(times_s)),
                from_s=from_s,
                until_s=until_s,
                slowed_less_than=2.0,
                clock_s_per_s=1.0,
                begins_s=0.0,
            )
            counted = sound_counted(found, hear_shot(knocks, fit, found, shot.calibration))
            tried += 1
            moved = np.abs(counted.values - found.values)[speeds]
            wrong += bool(
                (moved > np.minimum(0.01 * found.values, 3 * np.sqrt(np.diag(counted.cov)))[speeds]).any()
            )
    assert wrong < tried / 200


def spoken(shot, readout, rng, *, sd_s=0.0011):
    """Quantities without and with a lane time that is heard with a known error, and the truth for this shot.

    What drags places down the lane scales the true speeds in simulated shots, and so the true time.
    """
    fit = fit_path(shot.path, shot.calibration, readout=readout)
    found = quantities(fit, shot.calibration)
    dragged = shot.values[QUANTITIES.index("launch_speed_m_s")] / np.hypot(*shot.parameters[3:5])
    events_s = moments(shot)[0]
    lane_s = (events_s[1] - events_s[0]) / dragged + rng.normal(0, sd_s)
    return found, with_lane_time(found, lane_s, sd_s)


@pytest.mark.slow
def test_speeds_are_surer_with_sound_and_their_intervals_hold():
    """Of 60 shots with an unknown readout time 95 % intervals hold 95 % of both: 99.9 % of binomial, 51 to 60."""
    rng = np.random.default_rng(SEED)
    speeds = [QUANTITIES.index("launch_speed_m_s"), QUANTITIES.index("rail_speed_m_s")]
    off, held = {False: [], True: []}, []
    for _ in range(60):
        setting = Setting(speed_m_s=rng.uniform(1.6, 4.5), readout_known=False)
        shot = simulate(setting, rng)
        true = shot.values[speeds]
        both = spoken(shot, shot.stated_readout, rng)
        for heard, found in zip((False, True), both, strict=True):
            off[heard].append(found.values[speeds] / true - 1)
        held.append(np.abs(both[1].values[speeds] - true) < 1.959964 * np.sqrt(np.diag(both[1].cov))[speeds])
    rms = {heard: np.sqrt(np.mean(np.square(values), axis=0)) for heard, values in off.items()}
    assert (rms[True] < rms[False]).all()
    assert ((np.sum(held, axis=0) >= 51) & (np.sum(held, axis=0) <= 60)).all()


def test_sound_that_contradicts_the_path_is_said_and_not_counted():
    """A cushion heard 8 ms late, which no readout time of a camera at 60 frames a second explains."""
    rng = np.random.default_rng(SEED)
    shot = simulate(Setting(speed_m_s=2.6), rng, readout_s=0.015)
    path, readout = with_sound(shot, rng), Readout.stated(0.015)
    silent = measure_shot(shot.path, shot.calibration, readout=readout)
    late = replace(path, heard=replace(path.heard, times_s=path.heard.times_s + np.array([0.0, 0.008])))
    found = measure_shot(late, shot.calibration, readout=readout)
    assert (found.status, found.reason) == (Status.DOUBTFUL, HEARD_OTHERWISE)
    assert (found.launch_speed_m_s, found.rail_speed_m_s) == (silent.launch_speed_m_s, silent.rail_speed_m_s)
    assert measure_shot(path, shot.calibration, readout=readout).status is Status.MEASURED
