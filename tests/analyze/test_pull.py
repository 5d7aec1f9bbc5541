"""A ball on a table out of level, against the equations of motion integrated by scipy."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from analyze.fit.motion import GRAVITY_M_S2, state, state_jacobian
from analyze.fit.pull import pulled

SLOPE = 0.001


def integrated(forward_slip_m_s, mu_s, times_s):
    """Place and velocity across of a rigid ball with Coulomb friction; it rolls once its slip is gone."""
    uphill_m_s2 = GRAVITY_M_S2 * SLOPE

    def slides(_, values):
        slip = np.hypot(values[2], values[3])
        towards = -mu_s * GRAVITY_M_S2 * values[2:] / slip
        return [values[1], uphill_m_s2 + towards[0], uphill_m_s2 + 3.5 * towards[0], 3.5 * towards[1]]

    slide_s = 2 * abs(forward_slip_m_s) / (7 * mu_s * GRAVITY_M_S2) * (1 - 1e-6)
    sliding = solve_ivp(
        slides, (0, slide_s), [0, 0, 0, forward_slip_m_s], rtol=1e-10, atol=1e-13, dense_output=True
    )
    at_end = sliding.y[:2, -1]
    found = []
    for time_s in times_s:
        after_s = time_s - slide_s
        if after_s <= 0:
            found.append(sliding.sol(time_s)[:2])
        else:
            rolls_m_s2 = 5 / 7 * uphill_m_s2
            velocity = at_end[1] + rolls_m_s2 * after_s
            found.append([at_end[0] + at_end[1] * after_s + 0.5 * rolls_m_s2 * after_s**2, velocity])
    return np.array(found)


@pytest.mark.parametrize("forward_slip_m_s", [3.0, -1.2])
def test_a_slope_moves_the_ball_as_the_equations_of_motion_say(forward_slip_m_s):
    mu_s, times_s = 0.2, np.array([0.05, 0.15, 0.3, 0.6, 1.1])
    pull_m_s2 = 5 / 7 * GRAVITY_M_S2 * SLOPE
    parameters = np.array([0.3, 0.7, 0.0, 0.0, 3.0, 0.0, forward_slip_m_s, mu_s, 0.01])
    place_m, velocity_m_s = state(parameters, times_s, pull_m_s2=pull_m_s2)
    expected = integrated(forward_slip_m_s, mu_s, times_s)
    # the last millionth of the slide is cut off: 3.2e-8 m measured
    np.testing.assert_allclose(place_m[:, 0] - 0.3, expected[:, 0], rtol=0, atol=7e-8)
    np.testing.assert_allclose(velocity_m_s[:, 0], expected[:, 1], rtol=0, atol=1e-7)


def test_at_the_end_of_the_slide_it_is_as_the_docstring_says():
    displacement, velocity, _ = pulled(np.array([0.4]), 0.4)
    assert displacement[0] == pytest.approx(0.6 * 0.4**2, rel=1e-12)
    assert velocity[0] == pytest.approx(0.4, rel=1e-12)


def test_derivatives_agree_with_differences():
    times_s, step = np.array([0.05, 0.31, 0.5, 0.9]), 1e-6
    for slide_s in (0.0, 0.4):
        _, velocity, by_slide = pulled(times_s, slide_s)
        later, earlier = (pulled(times_s + side * step, slide_s)[0] for side in (1, -1))
        np.testing.assert_allclose(velocity, (later - earlier) / (2 * step), rtol=0, atol=1e-8)
        if slide_s:
            longer, shorter = (pulled(times_s, slide_s + side * step)[0] for side in (1, -1))
            np.testing.assert_allclose(by_slide, (longer - shorter) / (2 * step), rtol=0, atol=1e-8)


def test_place_and_its_derivatives_hold_the_pull():
    parameters = np.array([0.3, 0.7, 0.02, -0.05, 2.6, 0.2, 2.5, 0.2, 0.01])
    times_s, pull_m_s2 = np.array([0.1, 0.3, 0.5, 0.9]), 0.05
    place_m, by_motion, by_pull = state_jacobian(parameters, times_s, pull_m_s2=pull_m_s2)
    np.testing.assert_allclose(place_m, state(parameters, times_s, pull_m_s2=pull_m_s2)[0], rtol=0, atol=1e-14)
    for i in range(9):
        step = np.zeros(9)
        step[i] = 1e-6
        up, down = (state(parameters + side * step, times_s, pull_m_s2=pull_m_s2)[0] for side in (1, -1))
        np.testing.assert_allclose(by_motion[..., i], (up - down) / 2e-6, rtol=0, atol=1e-7)
    more = state(parameters, times_s, pull_m_s2=pull_m_s2 + 1e-3)[0]
    np.testing.assert_allclose(by_pull, (more - place_m)[:, 0] / 1e-3, rtol=0, atol=1e-10)
