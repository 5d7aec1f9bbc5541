"""A recording timed at a wrong frame rate is refused, with the right one; a right clock never is."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_shots import GRAVITY_M_S2, Setting, played_parameters, simulate

from analyze.fit.clock import DOUBTED, REFUSED, FrictionSeen, friction_seen, wrong_clock
from analyze.fit.reasons import CLOCK_UNSURE, WRONG_CLOCK
from analyze.fit.shot import Status, measure_shot
from tracker.readout import ASSUMED_READOUT

SEED = 20240611


def timed_wrongly(path, factor):
    """The path as a clock shows it that counts `factor` seconds for each."""
    return replace(
        path,
        times_s=path.times_s * factor,
        last_rest_s=path.last_rest_s * factor,
        first_moved_s=path.first_moved_s * factor,
        turned_s=None if path.turned_s is None else path.turned_s * factor,
        frame_period_s=path.frame_period_s * factor,
    )


def stun_shot(rate, speed_m_s=2.6, mu_s=0.2, seed=SEED):
    rng = np.random.default_rng(seed)
    setting = Setting(frame_rate=rate, speed_m_s=speed_m_s, readout_known=False)
    parameters = played_parameters(setting, rng)
    parameters[6], parameters[7] = parameters[4], mu_s
    return simulate(setting, rng, parameters=parameters, readout_s=0.003)


@pytest.mark.parametrize(
    ("rate", "stated"),
    [(240.0, 60.0), (240.0, 120.0), (60.0, 120.0), (60.0, 240.0), (60.0, 15.0)],
    ids=[
        "60 for 240",
        "120 for 240",
        "120 for 60",
        "container four times too fast",
        "container four times too slow",
    ],
)
def test_a_wrong_rate_is_refused_and_the_right_one_proposed(rate, stated):
    shot = stun_shot(rate)
    found = measure_shot(timed_wrongly(shot.path, rate / stated), shot.calibration, readout=ASSUMED_READOUT)
    assert (found.status, found.reason) == (Status.FAILED, WRONG_CLOCK)
    assert found.detail.endswith(f"try capture_fps = {rate:.0f}")
    assert f"timed at {stated:.0f} frames a second" in found.detail


def test_friction_is_that_of_the_slide_by_the_textbook():
    """12 v^2 / (49 g x) of a ball that slides without spin for x; x = 12 v^2 / (49 mu g), Halliday and Resnick."""
    shot = stun_shot(60.0)
    for factor in (1.0, 2.0):
        path = timed_wrongly(shot.path, factor)
        found = measure_shot(shot.path, shot.calibration, readout=ASSUMED_READOUT)
        speed_m_s = found.launch_speed_m_s / factor
        implied = 12 * speed_m_s**2 / (49 * GRAVITY_M_S2 * found.slide_end_m)
        assert friction_seen(path, shot.calibration, ASSUMED_READOUT).sliding == pytest.approx(implied, rel=0.05)


@pytest.mark.parametrize("mu_s", [0.15, 0.2, 0.3, 0.4])
@pytest.mark.parametrize("speed_m_s", [1.6, 3.0, 5.5])
def test_a_right_clock_is_left_alone_on_every_cloth(mu_s, speed_m_s):
    """Friction of 0.15 to 0.4 occurs: Marlow 1995, Mathavan et al. 2009, both from memory."""
    shot = stun_shot(60.0, speed_m_s, mu_s)
    seen = friction_seen(shot.path, shot.calibration, ASSUMED_READOUT)
    assert wrong_clock(seen, frame_period_s=1 / 60) is None


def test_a_ball_that_slides_to_the_rail_is_not_taken_for_one_that_rolls():
    """12 v^2 / (49 mu g) is 2.2 m of slide, farther than the rail: four times too slowly it looks like rolling."""
    shot = stun_shot(60.0, 4.2)
    found = measure_shot(timed_wrongly(shot.path, 4.0), shot.calibration, readout=ASSUMED_READOUT)
    assert (found.status, found.reason) == (Status.DOUBTFUL, CLOCK_UNSURE)
    assert "recorded at 60 frames a second" in found.detail
    assert measure_shot(shot.path, shot.calibration, readout=ASSUMED_READOUT).status is Status.MEASURED


@pytest.mark.parametrize(("slip", "status"), [(0.01, Status.DOUBTFUL), (1.0, Status.MEASURED)])
def test_a_slow_ball_leaves_the_clock_open_only_where_it_rolls_at_once(slip, status):
    rng = np.random.default_rng(SEED)
    setting = Setting(frame_rate=60.0, speed_m_s=1.2, readout_known=False)
    parameters = played_parameters(setting, rng)
    parameters[5], parameters[6] = 0.0, slip * parameters[4]
    shot = simulate(setting, rng, parameters=parameters, readout_s=0.003)
    found = measure_shot(shot.path, shot.calibration, readout=ASSUMED_READOUT)
    assert found.status is status
    assert found.reason is (CLOCK_UNSURE if slip < 1 else None)


def test_rolling_friction_tells_where_there_was_hardly_a_slide():
    """Half the right rate makes 0.010 to 0.0025, below any cloth's; with open friction it is taken for sliding."""
    rng = np.random.default_rng(SEED)
    setting = Setting(frame_rate=60.0, speed_m_s=3.3, readout_known=False)
    parameters = played_parameters(setting, rng)
    parameters[5], parameters[6], parameters[7], parameters[8] = 0.0, 0.15 * parameters[4], 0.2, 0.009
    shot = simulate(setting, rng, parameters=parameters, readout_s=0.003)
    found = measure_shot(timed_wrongly(shot.path, 2.0), shot.calibration, readout=ASSUMED_READOUT)
    assert found.status is not Status.MEASURED
    assert found.reason is WRONG_CLOCK
    assert found.detail.endswith("try capture_fps = 60")
    right = measure_shot(shot.path, shot.calibration, readout=ASSUMED_READOUT)
    assert right.reason in (None, CLOCK_UNSURE)
    assert right.reading_m is not None


def test_a_slide_whose_end_is_not_seen_refuses_no_clock():
    """Eight sightings over the first 0.4 m: neither friction is seen, no factor is much likelier than another."""
    shot = stun_shot(60.0, 3.2)
    keep = slice(0, 8)
    short = replace(
        shot.path,
        times_s=shot.path.times_s[keep],
        centre_px=shot.path.centre_px[keep] + np.random.default_rng(SEED).normal(0, 0.3, (8, 2)),
        centre_cov_px2=np.tile(0.13 * np.eye(2), (8, 1, 1)),
        turned_s=None,
    )
    for factor in (1.0, 2.0, 0.5):
        seen = friction_seen(timed_wrongly(short, factor), shot.calibration, ASSUMED_READOUT)
        found = wrong_clock(seen, frame_period_s=factor / 60)
        assert found is None or (factor != 1.0 and found[0] < 2 * REFUSED)


def test_a_doubt_is_weaker_than_a_refusal():
    """Between the two limits the shot keeps its numbers: friction of 0.58 is no cloth's, nor four times one's."""
    rolling_unseen = np.diag([1e-4, 9.0])
    seen = FrictionSeen(np.ones(1), np.log([[0.58, 0.01]]), rolling_unseen[None])
    gain, reason = wrong_clock(seen, frame_period_s=1 / 60)
    # by hand, in standard deviations of the usual spread, 0.3: (3.549^2 - (3.549 - 4.621)^2) / 2
    assert gain == pytest.approx(5.72, abs=0.02)
    assert DOUBTED < gain < REFUSED
    assert reason.reason is WRONG_CLOCK
