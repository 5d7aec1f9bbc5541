"""The numerical motion against published and textbook numbers, none of them from the project's own closed form."""

import math

import numpy as np
import pytest

from sample_clips.physics import Friction, RigidBall, integrate
from sample_clips.strike import Strike, strike_ball

BALL = RigidBall()


def run(start, *, slide, roll=0.0, rail_y_m=1e3, duration_s=1.0, spin_loss=0.0):
    return integrate(
        np.array(start, float),
        ball=BALL,
        friction=Friction(slide=slide, roll=roll, spin_rad_s2=spin_loss),
        rail_y_m=rail_y_m,
        nose_height_m=0.0363,
        duration_s=duration_s,
    )


@pytest.mark.parametrize(
    ("speed_m_s", "slide", "time_s", "distance_m", "final_m_s"),
    [
        # Sphere that slides without spin until it rolls: T = 2 v0 / (7 mu g), 12 v0^2 / (49 mu g), 5 v0 / 7
        # (Halliday and Resnick, Fundamentals of Physics, rolling chapter's bowling ball), g = 9.80665 m/s2.
        (3.0, 0.20, 0.437021, 1.123769, 2.142857),
        (2.0, 0.20, 0.291347, 0.499453, 1.428571),
        (5.0, 0.20, 0.728369, 3.121580, 3.571429),
        (3.0, 0.15, 0.582695, 1.498359, 2.142857),
        (3.0, 0.40, 0.218511, 0.561884, 2.142857),
    ],
)
def test_stun_shot_slides_as_in_the_textbook(speed_m_s, slide, time_s, distance_m, final_m_s):
    motion = run([0.1, 0.2, 0, speed_m_s, 0, 0, 0], slide=slide)
    assert motion.slide_end_s == pytest.approx(time_s, abs=5e-7)
    assert motion.slide_end_m[1] - 0.2 == pytest.approx(distance_m, abs=5e-7)
    assert motion.velocity_m_s[-1, 1] == pytest.approx(final_m_s, abs=5e-7)


def test_elevated_cue_ends_parallel_to_coriolis_line():
    """The final path is parallel to the line from the ball's foot to where the cue's axis meets the bed.

    Theorem of Coriolis, Theorie mathematique des effets du jeu de billard, 1835 (attribution from memory): with the
    tip `b` to the right and a cue of slope theta, tan = (b / R) sin theta / (cos theta + h / R).
    """
    theta, b_m, h_m = math.radians(4), 0.0142875, -0.4 * BALL.radius_m
    # a cue that does not deflect: no end mass, so no squirt
    struck = strike_ball(
        Strike(speed_m_s=3, offset_m=b_m, height_m=h_m, elevation_rad=theta, end_mass_kg=1e-12), BALL
    )
    motion = run([0, 0, *struck.velocity_m_s, *struck.spin_rad_s], slide=0.2, duration_s=1.5)
    ratio = (b_m / BALL.radius_m) * math.sin(theta) / (math.cos(theta) + h_m / BALL.radius_m)
    assert motion.velocity_m_s[-1, 0] / motion.velocity_m_s[-1, 1] == pytest.approx(ratio, rel=1e-7)


def test_slide_to_roll_conserves_spin_about_the_contact():
    """Friction has no moment about the contact point: v + (2/5) R w-part there is the same before and after."""
    start = np.array([0, 0, 0.3, 3.0, 20.0, 12.0, 50.0])
    motion = run(start, slide=0.2)
    conserved = motion.velocity_m_s + 0.4 * BALL.radius_m * np.stack(
        [motion.spin_rad_s[:, 1], -motion.spin_rad_s[:, 0]], axis=-1
    )
    np.testing.assert_allclose(conserved, np.broadcast_to(conserved[0], conserved.shape), rtol=0, atol=1e-9)


def test_energy_never_grows():
    motion = run(
        [0.3, 0.7, 0.1, 3.2, -20, 30, 80], slide=0.2, roll=0.01, rail_y_m=2.5, duration_s=2.0, spin_loss=10
    )
    energy = 0.5 * BALL.mass_kg * (motion.velocity_m_s**2).sum(axis=1)
    energy += 0.5 * BALL.inertia_kg_m2 * (motion.spin_rad_s**2).sum(axis=1)
    assert np.diff(energy).max() < 1e-9
    assert motion.contact_s is not None
    assert motion.velocity_m_s[-1, 1] < 0


def test_rolling_loses_its_share_of_g():
    motion = run([0, 0, 0, 2.0, -2.0 / BALL.radius_m, 0, 0], slide=0.2, roll=0.01)
    assert motion.velocity_m_s[-1, 1] == pytest.approx(2.0 - 0.01 * 9.80665, abs=1e-8)


def test_orientation_turns_with_the_spin():
    """After rolling a distance d the ball has turned by d / R about the x axis, forwards."""
    motion = run([0, 0, 0, 1.0, -1.0 / BALL.radius_m, 0, 0], slide=0.2, duration_s=0.05)
    w, x, y, z = motion.orientation[-1]
    assert 2 * math.atan2(-x, w) == pytest.approx(0.05 / BALL.radius_m, abs=1e-7)
    assert abs(y) + abs(z) < 1e-12


@pytest.mark.parametrize(("mass_ratio", "squirt_deg"), [(20, 2.70943), (40, 1.44633), (100, 0.60289)])
def test_squirt_of_a_tip_that_sticks_sideways(mass_ratio, squirt_deg):
    """Rigid impulse at half the radius: tan = (5ab/2R^2) / (1 + m/m_e + 5a^2/2R^2).

    The form is attributed to Shepard, Everything you always wanted to know about cue ball squirt, 2001 (from
    memory); the numbers were also had from the two impulse equations solved apart.
    """
    strike = Strike(speed_m_s=2.7, offset_m=BALL.radius_m / 2, end_mass_kg=BALL.mass_kg / mass_ratio)
    vx, vy = strike_ball(strike, BALL).velocity_m_s
    assert math.degrees(math.atan2(-vx, vy)) == pytest.approx(squirt_deg, abs=5e-6)
    assert math.hypot(vx, vy) == pytest.approx(2.7, rel=1e-12)


def test_a_ball_rolls_down_a_tilted_table_as_in_the_textbook():
    """A sphere rolls down a slope at 5/7 g sin (Halliday and Resnick, Fundamentals of Physics, rolling chapter)."""
    motion = integrate(
        np.array([0.3, 0.2, 0, 1.5, -1.5 / BALL.radius_m, 0, 0]),
        ball=BALL,
        friction=Friction(slide=0.2, roll=0.0, spin_rad_s2=0.0),
        rail_y_m=1e3,
        nose_height_m=0.0363,
        duration_s=1.0,
        tilt=(0.002, -0.001),
    )
    # 5/7 of 9.80665 m/s2, over 2, times 0.002 and 0.001
    assert motion.place_m[-1] - [0.3, 0.2] == pytest.approx([-0.0070048, 1.5035024], abs=2e-6)


def test_a_tilted_table_pulls_a_sliding_ball_by_all_its_weight():
    level, tilted = (
        integrate(
            np.array([0.3, 0.2, 0, 3.0, 0, 0, 0]),
            ball=BALL,
            friction=Friction(slide=0.2),
            rail_y_m=1e3,
            nose_height_m=0.0363,
            duration_s=0.1,
            tilt=tilt,
        )
        for tilt in ((0.0, 0.0), (0.001, 0.0))
    )
    # g sin over 2 times 0.01 s2, less what the slip that turns aside takes: some per cent in this time
    assert tilted.place_m[-1, 0] - level.place_m[-1, 0] == pytest.approx(-4.903e-5, rel=0.05)
