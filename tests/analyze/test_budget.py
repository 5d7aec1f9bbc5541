import numpy as np
import pytest

from analyze.fit.budget import central_differences, in_turn, propagate


def test_end_gauge_of_the_gum():
    """JCGM 100:2008, H.1: l = l_S + d - l_S (delta_alpha theta + alpha_S delta_theta).

    Printed: 50 000 838 nm, u_c 32 nm (31.71 before rounding).
    """
    at = np.array([50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0])
    cov = np.diag(np.square([25.0, 9.7, 1.2e-6, 0.41, 0.58e-6, 0.029]))

    def length_nm(x):
        l_s, d, alpha_s, theta, delta_alpha, delta_theta = x
        return np.array([l_s + d - l_s * (delta_alpha * theta + alpha_s * delta_theta)])

    slope = central_differences(length_nm, at, 0.02 * np.sqrt(np.diag(cov)))
    assert length_nm(at)[0] == pytest.approx(50_000_838, abs=0.5)
    assert np.sqrt(propagate(slope, cov)[0, 0]) == pytest.approx(31.711, abs=5e-4)


def test_impedance_of_the_gum():
    """JCGM 100:2008, H.2, tables H.2 to H.4: correlated inputs, three correlated results."""
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    ampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    radian = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    data = np.array([volt, ampere, radian])

    def resistance_reactance_impedance(x):
        v, i, phi = x
        return np.array([v / i * np.cos(phi), v / i * np.sin(phi), v / i])

    at, cov = data.mean(axis=1), np.cov(data) / 5
    slope = central_differences(resistance_reactance_impedance, at, 0.02 * np.sqrt(np.diag(cov)))
    result = propagate(slope, cov)
    sd = np.sqrt(np.diag(result))
    np.testing.assert_allclose(resistance_reactance_impedance(at), [127.732, 219.847, 254.260], rtol=0, atol=5e-4)
    np.testing.assert_allclose(sd[[0, 2]], [0.071, 0.236], rtol=0, atol=5e-4)
    # printed as 0.295 from rounded steps; 0.2956 unrounded
    assert sd[1] == pytest.approx(0.2956, abs=5e-5)
    correlation = result / np.outer(sd, sd)
    assert correlation[0, 1] == pytest.approx(-0.588, abs=5e-4)
    assert correlation[0, 2] == pytest.approx(-0.485, abs=5e-4)
    assert correlation[1, 2] == pytest.approx(0.993, abs=5e-4)


def test_shares_of_correlated_groups_add_up_to_the_whole():
    rng = np.random.default_rng(20240611)
    root = rng.normal(size=(6, 6))
    cov, slope = root @ root.T, rng.normal(size=6)
    parts = in_turn(slope, cov, ([0, 3], [1], [2, 4, 5]))
    assert (parts >= 0).all()
    assert parts.sum() == pytest.approx(slope @ cov @ slope, rel=1e-10)


def test_share_of_an_independent_group_is_its_own_variance():
    cov, slope = np.diag([4.0, 9.0, 0.0]), np.array([0.5, -2.0, 7.0])
    np.testing.assert_allclose(in_turn(slope, cov, ([0], [1], [2])), [1.0, 36.0, 0.0], rtol=1e-12)


def test_what_earlier_groups_explain_is_theirs():
    """Two inputs that are one: the first named gets it all."""
    cov, slope = np.ones((2, 2)), np.array([1.0, 1.0])
    np.testing.assert_allclose(in_turn(slope, cov, ([0], [1])), [4.0, 0.0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(in_turn(slope, cov, ([1], [0])), [4.0, 0.0], rtol=0, atol=1e-12)
