import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyze.cue.end_mass import (
    END_MASS_FORMULA,
    PIVOT_FORMULAS,
    contact_offset_m,
    cue_end,
    mass_ratio,
    miscue_limit,
    miscue_warning,
    squirt_rad,
)

RADIUS_M = 0.028575

# Squirt in degrees; rows b/R, columns m/m_e 10 20 25 30 40 60 80 100. From the impulse equations.
MASS_RATIOS = (10, 20, 25, 30, 40, 60, 80, 100)
SQUIRT_DEG = {
    0.10: (1.0576, 0.6071, 0.5005, 0.4257, 0.3278, 0.2245, 0.1707, 0.1377),
    0.20: (2.0938, 1.1994, 0.9883, 0.8403, 0.6467, 0.4427, 0.3366, 0.2715),
    0.25: (2.5966, 1.4850, 1.2231, 1.0397, 0.7999, 0.5474, 0.4160, 0.3355),
    0.30: (3.0850, 1.7607, 1.4495, 1.2317, 0.9472, 0.6478, 0.4922, 0.3969),
    0.40: (4.0021, 2.2721, 1.8681, 1.5861, 1.2182, 0.8322, 0.6319, 0.5093),
    0.50: (4.8061, 2.7094, 2.2240, 1.8860, 1.4463, 0.9864, 0.7484, 0.6029),
    0.55: (5.1491, 2.8905, 2.3702, 2.0086, 1.5389, 1.0485, 0.7951, 0.6404),
}
# b/R 0.5, R 28.575 mm: m/m_e, tan, squirt deg, the three pivot lengths in mm, the small-offset limit in mm
PIVOTS = [
    (20, 0.0473238, 2.70943, 302.25, 301.91, 277.16, 268.61),
    (25, 0.0388352, 2.22398, 368.18, 367.90, 343.15, 325.75),
    (30, 0.0329287, 1.88600, 434.13, 433.89, 409.15, 382.90),
    (40, 0.0252486, 1.44633, 566.05, 565.87, 541.13, 497.20),
    (50, 0.0204734, 1.17288, 698.00, 697.86, 673.11, 611.50),
    (60, 0.0172172, 0.98638, 829.96, 829.84, 805.09, 725.80),
    (80, 0.0130622, 0.74837, 1093.90, 1093.80, 1069.06, 954.40),
    (100, 0.0105228, 0.60289, 1357.84, 1357.77, 1333.02, 1183.00),
]


def impulse_squirt_rad(b, n):
    """Solve the rigid impulse directly: sideways momentum of ball and end mass, spin, no slip of the tip.

    Unknown J_x; J_y = 1, m = 1, R = 1: the contact point of the ball and the end mass move sideways alike.
    """
    a, inertia = math.sqrt(1 - b * b), 0.4
    # First row: J_x (1/m + a^2/I) + J_y ab/I is the sideways velocity of the ball's contact point, which is that of
    # the end mass, V. Second row: the end mass gets the opposite impulse, m_e V = -J_x.
    matrix = np.array([[1 + a * a / inertia, -1.0], [n, 1.0]])
    j_x, _ = np.linalg.solve(matrix, [-a * b / inertia, 0.0])
    return math.atan(-j_x)


@pytest.mark.parametrize("b", SQUIRT_DEG)
def test_squirt_table(b):
    for n, expected_deg in zip(MASS_RATIOS, SQUIRT_DEG[b], strict=True):
        assert math.degrees(squirt_rad(b, n)) == pytest.approx(expected_deg, abs=5e-5)


@given(b=st.floats(-0.7, 0.7), n=st.floats(5, 150))
def test_formula_agrees_with_the_impulse_equations(b, n):
    assert squirt_rad(b, n) == pytest.approx(impulse_squirt_rad(b, n), abs=1e-13)


@given(b=st.floats(0.05, 0.6), n=st.floats(5, 150))
def test_mass_ratio_inverts_squirt(b, n):
    assert mass_ratio(b, squirt_rad(b, n)) == pytest.approx(n, rel=1e-9)
    assert mass_ratio(-b, squirt_rad(-b, n)) == pytest.approx(n, rel=1e-9)


@pytest.mark.parametrize("row", PIVOTS)
def test_pivot_lengths(row):
    n, tan, angle_deg, centre_mm, foot_mm, tip_mm, limit_mm = row
    angle = squirt_rad(0.5, n)
    assert math.tan(angle) == pytest.approx(tan, abs=5e-8)
    assert math.degrees(angle) == pytest.approx(angle_deg, abs=5e-6)
    end = cue_end(
        offset_m=0.5 * RADIUS_M,
        offset_sd_m=0.0,
        angle_rad=-angle,
        angle_sd_rad=0.0,
        ball_radius_m=RADIUS_M,
        ball_mass_kg=0.17,
    )
    lengths = [1000 * end.pivot_m[name].value for name in PIVOT_FORMULAS]
    np.testing.assert_allclose(lengths, [centre_mm, foot_mm, tip_mm], rtol=0, atol=5.001e-3)
    # At ever smaller offsets b/tan(squirt) tends to (2R/5)(7/2 + m/m_e).
    small = 1e-6
    assert 1000 * small * RADIUS_M / math.tan(squirt_rad(small, n)) == pytest.approx(limit_mm, abs=5.001e-3)


def test_end_mass_with_uncertainty():
    """b/R 0.50 +- 0.02, squirt 1.50 +- 0.05 deg, ball 0.170 kg: worked by hand from the derivatives."""
    end = cue_end(
        offset_m=-0.5 * RADIUS_M,
        offset_sd_m=0.02 * RADIUS_M,
        angle_rad=math.radians(1.5),
        angle_sd_rad=math.radians(0.05),
        ball_radius_m=RADIUS_M,
        ball_mass_kg=0.170,
    )
    assert end.mass_ratio.value == pytest.approx(38.465, abs=5e-4)
    assert end.mass_ratio.sd == pytest.approx(1.797, abs=5e-4)
    assert 1000 * end.end_mass_kg.value == pytest.approx(4.420, abs=5e-4)
    assert 1000 * end.end_mass_kg.sd == pytest.approx(0.206, abs=5.1e-4)
    assert 1000 * end.pivot_m["beside the ball centre"].value == pytest.approx(545.62, abs=5e-3)
    assert end.mass_ratio.formula == END_MASS_FORMULA


def test_uncertainties_of_pivots_agree_with_simulation():
    rng = np.random.default_rng(20240611)
    b, angle = RADIUS_M * rng.normal(0.5, 0.01, 4000), np.radians(rng.normal(1.5, 0.03, 4000))
    end = cue_end(
        offset_m=0.5 * RADIUS_M,
        offset_sd_m=0.01 * RADIUS_M,
        angle_rad=-math.radians(1.5),
        angle_sd_rad=math.radians(0.03),
        ball_radius_m=RADIUS_M,
        ball_mass_kg=0.17,
    )
    drawn = {
        "ball centre": b / np.sin(angle),
        "beside the ball centre": b / np.tan(angle),
        "tip contact": b / np.tan(angle) - np.sqrt(RADIUS_M**2 - b**2),
    }
    for name, values in drawn.items():
        # an sd from 4000 draws is good to 1.1 %; four times that
        assert end.pivot_m[name].sd == pytest.approx(np.std(values), rel=0.045)


def test_angle_from_an_offset_at_the_rail():
    """55.547 mm at 2.200 m is 1.44633 deg; 1 mm at 2.2 m is 0.02604 deg."""
    assert math.degrees(math.atan2(0.055547, 2.2)) == pytest.approx(1.44633, abs=6e-6)
    assert math.degrees(squirt_rad(0.5, 40)) == pytest.approx(math.degrees(math.atan2(0.055547, 2.2)), abs=2e-5)


@pytest.mark.parametrize(("mu", "limit"), [(0.5, 0.4472), (1 / math.sqrt(3), 0.5), (0.6, 0.5145), (0.7, 0.5735)])
def test_miscue_limit(mu, limit):
    assert miscue_limit(mu) == pytest.approx(limit, abs=5e-5)


def test_miscue_warning_names_the_limit():
    assert miscue_warning(0.5) == ""
    assert "0.51" in miscue_warning(-0.55)


def test_domed_tip_touches_nearer_the_centre():
    """Dome radius 10.605 mm, axis 14.29 mm beside the centre of a 57.15 mm ball: contact at 10.42 mm."""
    contact_mm = 1000 * contact_offset_m(0.01429, tip_radius_m=0.010605, ball_radius_m=RADIUS_M)
    assert contact_mm == pytest.approx(10.42, abs=5e-3)


def test_squirt_to_the_tips_side_gives_no_end_mass():
    assert (
        cue_end(
            offset_m=0.014,
            offset_sd_m=0.0,
            angle_rad=0.01,
            angle_sd_rad=0.0,
            ball_radius_m=RADIUS_M,
            ball_mass_kg=0.17,
        )
        is None
    )


def test_offset_outside_the_ball_is_refused():
    with pytest.raises(ValueError, match="offset_ratio must lie within the ball"):
        squirt_rad(1.2, 20)
