"""What is expected of a ball's brightness, against closed forms and published coefficients."""

import numpy as np
import pytest
from paint_ball import aimed_camera
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from tracker.ball_image import DEGREE, N_LIGHT, polynomials, view_ball
from tracker.light import (
    LACQUER,
    Light,
    any_light,
    change,
    learnt_change,
    rooms,
    turn_light,
    under_lacquer,
)

RNG = np.random.default_rng(20240611)
ANYWHERE = RNG.normal(size=(3000, 3))
ANYWHERE /= np.linalg.norm(ANYWHERE, axis=1, keepdims=True)
CAMERA = aimed_camera((0.1, -0.9, 1.5), (0.5, 1.2, 0), 1300, (1280, 720))


def test_polynomials_are_independent_and_span_the_degree():
    """Spherical harmonics up to degree n are (n + 1)^2."""
    assert N_LIGHT == (DEGREE + 1) ** 2
    assert np.linalg.matrix_rank(polynomials(*ANYWHERE.T).T) == N_LIGHT


@pytest.mark.parametrize(
    ("degree", "coefficient"), [(0, np.pi), (1, 2.094395), (2, 0.785398), (3, 0.0), (4, -0.130900)]
)
def test_one_far_lamp_has_the_published_harmonics(degree, coefficient):
    """Ramamoorthi & Hanrahan, JOSA A 18, 2448 (2001), eq. (8): pi, 2 pi/3, pi/4, 0, -pi/24, from memory.

    The clamped cosine is the sum of (2 n + 1) / (4 pi) A_n P_n(cos): the polynomials hold all up to degree 4.
    """
    lamp = np.array([0.3, -0.5, 0.81])
    lamp /= np.linalg.norm(lamp)
    even = _even(20000)
    factors = np.linalg.lstsq(polynomials(*even.T).T, np.maximum(even @ lamp, 0), rcond=None)[0]
    legendre = np.polynomial.Legendre.basis(degree)(even @ lamp)
    found = 2 * np.pi * np.mean(polynomials(*even.T).T @ factors * legendre) * 2
    assert found == pytest.approx(coefficient, rel=0, abs=2e-3)


def _even(count):
    z = 1 - (2 * np.arange(count) + 1) / count
    turn = np.pi * (1 + np.sqrt(5)) * np.arange(count)
    return np.stack([np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn), z], axis=1)


def test_turned_light_shines_on_the_same_side():
    """The image's axes and the table's describe one brightness: exact, as turned polynomials are polynomials."""
    view = view_ball(CAMERA, np.array([0.4, 0.9]), np.zeros(2), radius_m=0.028575)
    factors = RNG.normal(size=N_LIGHT)
    in_room = polynomials(*(ANYWHERE @ view.facing).T).T @ factors
    in_image = polynomials(*ANYWHERE.T).T @ (turn_light(view) @ factors)
    np.testing.assert_allclose(in_image, in_room, rtol=0, atol=1e-9)


def test_axes_of_the_view_are_a_right_handed_set_towards_the_camera():
    view = view_ball(CAMERA, np.array([0.4, 0.9]), np.zeros(2), radius_m=0.028575)
    np.testing.assert_allclose(view.facing @ view.facing.T, np.eye(3), rtol=0, atol=1e-12)
    towards = CAMERA.position_m - [0.4, 0.9, 0.028575]
    np.testing.assert_allclose(view.facing[2], towards / np.linalg.norm(towards), rtol=0, atol=1e-12)
    # down in the image is down in the room
    assert view.facing[1][2] < -0.5


def test_rooms_light_a_ball_from_above():
    light = rooms()
    up, side, down = polynomials(*np.array([[0, 0, 1.0], [1.0, 0, 0], [0, 0, -1.0]]).T).T @ light.mean
    assert up > 2 * side > 0
    assert side > 2 * abs(down)


def test_one_low_lamp_is_a_room_as_well():
    """At 30 degrees over the cloth it leaves the underside dark; chi-square of 25 degrees of freedom as for any."""
    even = _even(400)
    lamp = np.array([0.0, -np.cos(np.radians(30)), np.sin(np.radians(30))])
    seen = np.maximum(even @ lamp, 0) / lamp[2] + 0.05 * (0.5 + 0.5 * even[:, 2])
    off = np.linalg.pinv(polynomials(*even.T).T) @ (180 * seen / seen.max()) - any_light().mean
    assert off @ np.linalg.solve(any_light().cov, off) < chi2.ppf(0.99, N_LIGHT)  # 33; 109 of the rooms as drawn


def test_light_changes_less_along_the_lane_than_from_room_to_room():
    spread = [
        np.einsum("ni,ij,nj->n", p, cov, p).mean()
        for p in (polynomials(*ANYWHERE.T).T,)
        for cov in (change(), any_light().cov)
    ]
    assert 0 < spread[0] < 0.25 * spread[1]


def test_a_turn_of_the_camera_round_the_table_keeps_what_is_expected_from_above():
    """Lamps are sampled with no side preferred: turned light is as likely, to the sampling's 1 in sqrt(600)."""
    half_turn = ANYWHERE @ Rotation.from_rotvec([0, 0, np.pi]).as_matrix()
    mean, turned = (polynomials(*n.T).T @ rooms().mean for n in (ANYWHERE, half_turn))
    sd = np.sqrt(np.einsum("ni,ij,nj->n", polynomials(*ANYWHERE.T).T, rooms().cov, polynomials(*ANYWHERE.T).T))
    assert np.max(np.abs(mean - turned) / sd) < 4 * 2 / np.sqrt(600)


def test_lacquer_mirrors_what_lies_behind_the_rim():
    """Schlick's reflectance, computed for each direction: the terms hold the sum to a level of 255."""
    view = view_ball(CAMERA, np.array([0.4, 0.9]), np.zeros(2), radius_m=0.028575)
    matt = Light(mean=rooms().mean, cov=1e-6 * np.eye(N_LIGHT))
    seen = under_lacquer(matt, view, behind=80.0)
    cosine = ANYWHERE @ view.facing[2]
    here = ANYWHERE[(cosine > 0) & (cosine < 0.8)]
    mirror = 0.04 + 0.96 * (1 - here @ view.facing[2]) ** 5
    own = polynomials(*here.T).T @ matt.mean
    expected = own + LACQUER * mirror * (80.0 - own)
    np.testing.assert_allclose(polynomials(*here.T).T @ seen.mean, expected, rtol=0, atol=1.0)


def test_how_shiny_the_ball_is_stays_open():
    """Both a matt and a polished ball lie within two standard deviations of what is expected at the rim."""
    view = view_ball(CAMERA, np.array([0.4, 0.9]), np.zeros(2), radius_m=0.028575)
    seen = under_lacquer(Light(mean=rooms().mean, cov=1e-6 * np.eye(N_LIGHT)), view, behind=20.0)
    side = polynomials(*view.facing[0])
    matt = float(side @ rooms().mean)
    sd = float(np.sqrt(side @ seen.cov @ side))
    assert abs(matt - side @ seen.mean) < 2 * sd
    assert abs(20.0 - side @ seen.mean) < 2 * sd


def test_once_learnt_the_light_of_a_frame_is_expected_more_closely():
    assert np.linalg.eigvalsh(change() - learnt_change()).min() > 0
