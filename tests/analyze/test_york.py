"""Straight lines with errors in both coordinates, against a published set of data."""

import numpy as np
import pytest
from scipy import optimize

from analyze.cue.york import york_line

# Pearson's points (1901) with York's weights (1966), as every later paper on the subject prints them; slope
# -0.4805, intercept 5.4799, their standard errors 0.0580 and 0.2950, sum of squares 11.866 for eight degrees of
# freedom: York et al. 2004, Am. J. Phys. 72, 367, table II (from memory; scipy.odr 1.17 gives -0.480534, 5.479912,
# 0.057985, 0.294971, 11.8663532 with `odr.ODR(odr.RealData(x, y, sx, sy), odr.unilinear, beta0=[-0.5, 5]).run()`).
X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
X_SD = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]) ** -0.5
Y_SD = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5


def test_pearsons_points_with_yorks_weights():
    line = york_line(X, Y, X_SD, Y_SD)
    assert line.slope == pytest.approx(-0.480533, rel=0, abs=5e-7)
    assert line.intercept == pytest.approx(5.479910, rel=0, abs=5e-7)
    assert line.slope_sd == pytest.approx(0.057985, rel=0, abs=5e-7)
    assert line.intercept_sd == pytest.approx(0.294971, rel=0, abs=5e-7)
    assert line.chi2 == pytest.approx(11.8663532, rel=0, abs=5e-8)
    assert line.df == 8


def test_it_is_the_line_of_least_weighted_squares():
    """By plain minimisation of the sum over the line, which is what it should make least (no formula shared)."""

    def chi2(p):
        return float(np.sum((Y - p[0] - p[1] * X) ** 2 / (Y_SD**2 + p[1] ** 2 * X_SD**2)))

    best = optimize.minimize(chi2, [5.0, -0.5], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    line = york_line(X, Y, X_SD, Y_SD)
    assert [line.intercept, line.slope] == pytest.approx(list(best.x), rel=0, abs=1e-6)


def test_an_error_of_x_does_not_flatten_it():
    """True scatter 1.2, error 0.9: ordinary least squares gives 0.64 of the slope, this line all of it."""
    rng = np.random.default_rng(20240611)
    true = rng.normal(0, 1.2, 4000)
    x, y = true + rng.normal(0, 0.9, 4000), 0.12 * true + rng.normal(0, 0.05, 4000)
    line = york_line(x, y, np.full(4000, 0.9), np.full(4000, 0.05))
    assert np.polyfit(x, y, 1)[0] == pytest.approx(0.12 * 1.44 / (1.44 + 0.81), abs=4 * 0.0013)
    assert line.slope == pytest.approx(0.12, abs=4 * line.slope_sd)


def test_two_points_or_one_place_give_none():
    assert york_line(X[:2], Y[:2], X_SD[:2], Y_SD[:2]) is None
    assert york_line(np.ones(5), Y[:5], X_SD[:5], Y_SD[:5]) is None
