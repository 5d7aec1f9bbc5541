import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_shots import integrated_ball

from analyze.fit.motion import (
    GRAVITY_M_S2,
    crossing_s,
    rolling_velocity_m_s,
    slide_time_s,
    state,
    state_jacobian,
)


def straight(v0, mu_s, *, u0=None, mu_r=0.01):
    """A shot along y from the origin; stun unless a slip is given."""
    ux, uy = (0.0, v0) if u0 is None else u0
    return np.array([0.0, 0.0, 0.0, 0.0, v0, ux, uy, mu_s, mu_r])


@pytest.mark.parametrize(
    "parameters",
    [
        [0.317, 0.762, 0.11, -0.08, 3.0, -0.26, 3.0, 0.2, 0.01],
        [0.317, 0.762, 0.11, 0.05, 1.2, 0.3, 2.4, 0.35, 0.02],  # strong draw, masse-like side slip
        [0.317, 0.762, 0.11, 0.05, 2.0, 0.1, -0.4, 0.15, 0.006],  # overspin
        [0.317, 0.762, 0.11, 0.05, 6.0, -0.5, 6.0, 0.2, 0.01],  # slides all the way
    ],
)
def test_closed_form_agrees_with_the_integrated_rigid_ball(parameters):
    """scipy.integrate.solve_ivp on Newton-Euler; 2e-7 m is what the event of 1e-7 m/s slip leaves."""
    times_s = np.linspace(0.12, 0.9, 40)
    position_m, _ = state(np.array(parameters), times_s)
    np.testing.assert_allclose(position_m, integrated_ball(parameters, times_s)[0], rtol=0, atol=2e-7)


@pytest.mark.parametrize(
    ("v0", "mu", "time_s", "way_m", "speed_m_s"),
    [
        (3, 0.20, 0.437021, 1.123769, 2.142857),
        (2, 0.20, 0.291347, 0.499453, 1.428571),
        (5, 0.20, 0.728369, 3.121580, 3.571429),
        (3, 0.15, 0.582695, 1.498359, 2.142857),
        (3, 0.40, 0.218511, 0.561884, 2.142857),
    ],
)
def test_stun_slides(v0, mu, time_s, way_m, speed_m_s):
    """T = 2 v0 / (7 mu g), way 12 v0^2 / (49 mu g), 5/7 v0: worked values, each checked by an integrator."""
    p = straight(v0, mu)
    assert slide_time_s(p) == pytest.approx(time_s, abs=5e-7)
    position_m, _ = state(p, np.array([float(slide_time_s(p))]))
    assert position_m[0, 1] == pytest.approx(way_m, abs=5e-7)
    assert rolling_velocity_m_s(p)[1] == pytest.approx(speed_m_s, abs=5e-7)


def test_bowling_ball_of_the_textbook():
    """Halliday, Resnick, Walker, problem on a bowling ball: 8.5 m/s, mu 0.21, no spin (from memory, recomputed).

    Printed: 1.18 s, 8.6 m, 6.1 m/s with g = 9.8 m/s^2, to which mu is rescaled here.
    """
    p = straight(8.5, 0.21 * 9.8 / GRAVITY_M_S2)
    time_s = float(slide_time_s(p))
    assert time_s == pytest.approx(1.18, abs=0.005)
    assert state(p, np.array([time_s]))[0][0, 1] == pytest.approx(8.6, abs=0.05)
    assert rolling_velocity_m_s(p)[1] == pytest.approx(6.1, abs=0.05)


def test_bowling_ball_with_backspin():
    """8.5 in ball, 25 ft/s, 9 rad/s backspin, mu 0.10, g 32.2 ft/s^2; results derived by hand, in s and feet."""
    foot = 0.3048
    p = straight(25 * foot, 0.10 * 32.2 * foot / GRAVITY_M_S2, u0=(0.0, (25 + 9 * 4.25 / 12) * foot))
    time_s = float(slide_time_s(p))
    assert time_s == pytest.approx(2.5011, abs=5e-5)
    assert state(p, np.array([time_s]))[0][0, 1] / foot == pytest.approx(52.456, abs=5e-4)
    assert rolling_velocity_m_s(p)[1] / foot == pytest.approx(16.946, abs=5e-4)


# Swerve without squirt: derived from the rigid impulse and agreeing with an integrator to 4e-6 m.
# v0, elevation deg, b/R, h/R, mu | u0x, u0y, T, x_T mm, y_T mm, final deg, x(1.0 m) mm, x(2.2 m) mm
SWERVES = [
    (3, 4, 0.5, 0, 0.20, -0.262226, 3.0, 0.438688, 16.434, 1128.054, 2.00244, 12.362, 53.912),
    (3, 4, 0.25, 0, 0.20, -0.131113, 3.0, 0.437438, 8.193, 1124.842, 1.00153, 6.204, 26.989),
    (3, 2, 0.5, 0, 0.20, -0.130953, 3.0, 0.437437, 8.183, 1124.839, 1.00030, 6.197, 26.956),
    (6, 4, 0.5, 0, 0.20, -0.524451, 6.0, 0.877375, 65.734, 4512.215, 2.00244, 2.510, 13.098),
    (1.5, 4, 0.5, 0, 0.20, -0.131113, 1.5, 0.219344, 4.108, 282.013, 2.00244, 29.212, 71.168),
    (3, 4, 0.5, 0.4, 0.20, -0.262226, -0.007326, 0.038214, 1.432, 114.683, 1.42960, 23.526, 53.474),
    (3, 4, 0.5, -0.4, 0.20, -0.262226, 6.007326, 0.875943, 32.814, 1876.104, 3.34041, 6.197, 51.718),
    (3, 4, 0.5, 0, 0.15, -0.262226, 3.0, 0.584917, 21.911, 1504.072, 2.00244, 8.582, 46.243),
    (3, 4, 0.5, 0, 0.30, -0.262226, 3.0, 0.292458, 10.956, 752.036, 2.00244, 19.625, 61.581),
]


def slip_at_launch_m_s(speed_m_s, *, side_offset, height_offset, elevation_rad):
    """Slip velocity (to the right, forward) right after a strike with a raised cue; tip contact in ball radii.

    ``u0 = v0 (-(5/2)(b/R) tan theta, 1 - (5/2)(h/R)/cos theta)``: the impulse that gives v0 also gives the spin,
    and the table takes the downward part of it.
    """
    right = -2.5 * side_offset * np.tan(elevation_rad)
    forward = 1 - 2.5 * height_offset / np.cos(elevation_rad)
    return speed_m_s * right, speed_m_s * forward


@pytest.mark.parametrize("row", SWERVES)
def test_swerve_table(row):
    v0, theta_deg, b, h, mu, ux, uy, time_s, x_mm, y_mm, final_deg, near_mm, far_mm = row
    u0 = slip_at_launch_m_s(v0, side_offset=b, height_offset=h, elevation_rad=np.radians(theta_deg))
    np.testing.assert_allclose(u0, (ux, uy), rtol=0, atol=5e-7)
    p = straight(float(v0), mu, u0=u0)
    assert slide_time_s(p) == pytest.approx(time_s, abs=5e-7)
    end_m, _ = state(p, np.array([float(slide_time_s(p))]))
    np.testing.assert_allclose(end_m[0] * 1e3, (x_mm, y_mm), rtol=0, atol=5e-4)
    vx, vy = rolling_velocity_m_s(p)
    assert np.degrees(np.arctan2(vx, vy)) == pytest.approx(final_deg, abs=5e-6)
    for y_m, expected_mm in ((1.0, near_mm), (2.2, far_mm)):
        place_m, _ = state(p, np.array([float(crossing_s(p, y_m))]))
        assert place_m[0, 1] == pytest.approx(y_m, abs=1e-12)
        assert place_m[0, 0] * 1e3 == pytest.approx(expected_mm, abs=5e-4)


def test_squirt_and_swerve_together():
    """As the first row, launched 1.44633 deg to the left (b/R 0.5, mass ratio 40), spin as for the unturned cue."""
    alpha = np.radians(-1.44633)
    v = 3.0 * np.array([np.sin(alpha), np.cos(alpha)])
    u = v + np.array([-0.262226, 0.0])
    p = np.array([0, 0, 0, *v, *u, 0.2, 0.01])
    np.testing.assert_allclose(u, (-0.337947, 2.999044), rtol=0, atol=1e-6)
    assert slide_time_s(p) == pytest.approx(0.439647, abs=5e-7)
    np.testing.assert_allclose(rolling_velocity_m_s(p), (0.020835, 2.142174), rtol=0, atol=1e-6)
    for y_m, x_mm in ((1.0, -12.914), (2.2, -1.660)):
        place_m, _ = state(p, np.array([float(crossing_s(p, y_m))]))
        # the angle is printed to 5e-6 deg, 2e-4 mm at 2.2 m
        assert place_m[0, 0] * 1e3 == pytest.approx(x_mm, abs=1e-3)
    for d_m, chord_deg in ((0.1, -1.3909), (0.2, -1.3329), (0.3, -1.2721), (0.5, -1.1410), (1.0, -0.7399)):
        place_m, _ = state(p, np.array([float(crossing_s(p, d_m))]))
        assert np.degrees(np.arctan2(*place_m[0])) == pytest.approx(chord_deg, abs=6e-5)


def test_rolling_ball_stops_where_it_should():
    """From 2 m/s rolling at mu_r 0.010: 20.394 s and as many metres (v / (mu_r g), v^2 / (2 mu_r g))."""
    p = np.array([0, 0, 0, 0, 2.0, 0, 0, 0.2, 0.010])
    position_m, velocity_m_s = state(p, np.array([20.3943, 25.0]))
    np.testing.assert_allclose(position_m[:, 1], 20.394, rtol=0, atol=5e-4)
    np.testing.assert_allclose(velocity_m_s[1], 0, rtol=0, atol=0)
    assert np.isnan(crossing_s(p, 20.4))


@given(
    vx=st.floats(-0.3, 0.3),
    vy=st.floats(1, 7),
    ux=st.floats(-0.5, 0.5),
    uy=st.floats(-1, 9),
    mu_s=st.floats(0.1, 0.5),
)
def test_rolling_line_run_backwards_meets_the_launch_line_half_way_through_the_slide(vx, vy, ux, uy, mu_s):
    """The virtual kink: the rolling line passes through start + v0 T / 2."""
    p = np.array([0.3, 0.7, 0.0, vx, vy, ux, uy, mu_s, 1e-9])
    end_s = float(slide_time_s(p))
    kink_m = p[:2] + p[3:5] * end_s / 2
    (place_m,), _ = state(p, np.array([end_s + 0.1]))
    direction = rolling_velocity_m_s(p)
    gap = place_m - kink_m
    assert abs(gap[0] * direction[1] - gap[1] * direction[0]) < 1e-9


@pytest.mark.parametrize("t_s", [0.3, 0.54, 0.9, 60.0])
def test_jacobian_agrees_with_differences(t_s):
    """Sliding, sliding shortly before its end (0.549 s), rolling and stopped."""
    p = np.array([0.317, 0.762, 0.11, -0.08, 3.0, -0.26, 3.0, 0.2, 0.01])
    times_s = np.array([t_s])
    _, jacobian, _ = state_jacobian(p, times_s)
    for i in range(9):
        step = 1e-6
        up, down = p.copy(), p.copy()
        up[i] += step
        down[i] -= step
        slope = (state(up, times_s)[0] - state(down, times_s)[0]) / (2 * step)
        np.testing.assert_allclose(jacobian[0, :, i], slope[0], rtol=1e-6, atol=1e-7)


def test_jacobian_does_not_jump_at_the_end_of_the_slide():
    p = np.array([0.317, 0.762, 0.11, -0.08, 3.0, -0.26, 3.0, 0.2, 0.01])
    end_s = 0.11 + float(slide_time_s(p))
    position_m, jacobian, _ = state_jacobian(p, np.array([end_s - 1e-9, end_s + 1e-9]))
    np.testing.assert_allclose(position_m[0], position_m[1], rtol=0, atol=1e-8)
    np.testing.assert_allclose(jacobian[0], jacobian[1], rtol=0, atol=1e-7)


def test_ball_rests_before_the_strike():
    p = np.array([0.317, 0.762, 0.11, -0.08, 3.0, -0.26, 3.0, 0.2, 0.01])
    position_m, velocity_m_s = state(p, np.array([0.0, 0.1]))
    np.testing.assert_array_equal(position_m, np.broadcast_to(p[:2], (2, 2)))
    np.testing.assert_array_equal(velocity_m_s, 0.0)


def test_ball_without_slip_rolls_from_the_start():
    p = np.array([0.3, 0.7, 0.0, 0.1, 2.0, 0.0, 0.0, 0.2, 0.01])
    position_m, jacobian, _ = state_jacobian(p, np.array([0.0, 0.5]))
    assert np.isfinite(jacobian).all()
    np.testing.assert_allclose(position_m, state(p, np.array([0.0, 0.5]))[0], rtol=1e-12)


def test_many_parameter_sets_at_once():
    rng = np.random.default_rng(20240611)
    p = np.array([0.317, 0.762, 0.11, -0.08, 3.0, -0.26, 3.0, 0.2, 0.01]) * rng.uniform(0.9, 1.1, (5, 9))
    times_s = np.linspace(0.1, 0.9, 7)
    position_m, velocity_m_s = state(p, times_s)
    assert position_m.shape == velocity_m_s.shape == (5, 7, 2)
    np.testing.assert_array_equal(position_m[3], state(p[3], times_s)[0])
