"""The dome of a tip from the axes that were seen and the contacts that were stated."""

import numpy as np
import pytest

from analyze.cue.tip_dome import USUAL_RADIUS_M, SeenAxis, Tip, tell_dome, tip_of

R = 0.028575
USUAL = tip_of(USUAL_RADIUS_M, stated=False)


def told(dome_m, *, offset_m=0.013, hand_m=0.0, set_wrong_m=0.0, n=12, rng=None, controls=True, usual=USUAL):
    """Dome told by shots meant to touch at `offset_m`, whose mark stands `set_wrong_m` farther out."""
    scatter = np.zeros(n + 4) if rng is None else rng.normal(0, 0.0012, n + 4)
    out = np.copysign(set_wrong_m, offset_m)
    axes = (offset_m + out + scatter[:n]) * (R + dome_m) / R + hand_m
    tests = [SeenAxis(shooter="S1", axis_m=a, stated_m=offset_m) for a in axes]
    middle = {"S1": list(scatter[n:] + hand_m)} if controls else {}
    return tell_dome(usual, tests, middle, ball_radius_m=R, offset_sd_m=0.001)


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("dome_m", [0.006, 0.00896, 0.0106])
def test_the_contact_comes_out_right_for_round_and_flat_domes(dome_m, side):
    """Half a ball on a 12 mm shaft, a dime and a nickel: 13 mm of contact within 0.6 mm, its sd 0.65 mm."""
    tip = told(dome_m, offset_m=side * 0.013)
    axis_m = 0.013 * (R + dome_m) / R
    assert abs(axis_m * tip.share(R) - 0.013) < 0.0006
    assert axis_m * tip.share_sd(R) == pytest.approx(0.00068, abs=0.00008)


def test_what_hand_and_camera_do_in_controls_too_is_no_dome():
    assert told(0.006, hand_m=0.002).radius_m == pytest.approx(told(0.006).radius_m, abs=1e-12)
    without = told(0.006, hand_m=0.002, controls=False)
    assert without.radius_m > told(0.006).radius_m
    assert without.radius_sd_m > told(0.006).radius_sd_m


def test_intervals_hold_domes_and_marks_of_usual_scatter():
    """Of 400 sessions, domes and marks drawn as they are thought to lie: is 13 mm of contact in 95 % intervals?"""
    rng = np.random.default_rng(20240611)
    held = 0
    for _ in range(400):
        dome_m = max(0.003, rng.normal(USUAL.radius_m, USUAL.radius_sd_m))
        wrong_m = rng.normal(0, 0.001)
        tip = told(dome_m, set_wrong_m=wrong_m, rng=rng, hand_m=rng.normal(0, 0.001))
        axis_m = 0.013 * (R + dome_m) / R
        held += abs(axis_m * tip.share(R) - 0.013) < 1.96 * axis_m * tip.share_sd(R)
    assert 367 <= held <= 396  # 99.9 % of binomial(400, 0.95), and some more above: the likelihood is a t


def test_a_mark_that_was_set_wrongly_takes_the_dome_along_less_and_less():
    shift = [abs(told(0.008, set_wrong_m=w).radius_m - 0.008) for w in (0.001, 0.002, 0.004, 0.008)]
    assert shift[1] < 2 * shift[0]
    assert shift[3] < shift[2] + 0.001


def test_shots_at_the_middle_or_a_dome_that_is_known_tell_nothing_new():
    assert told(0.006, offset_m=0.0) is USUAL
    known = Tip(radius_m=0.010, radius_sd_m=0.0001)
    assert told(0.006, usual=known).radius_m == pytest.approx(0.010, abs=5e-5)
