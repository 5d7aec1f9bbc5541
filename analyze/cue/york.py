"""A straight line through points that are uncertain in both coordinates."""

from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats

METHOD = "York's line, errors of both taken in (York et al. 2004)"
_ROUNDS = 200  # at most; reached where the slope does not settle
_TOLERANCE = 1e-13  # relative change of the slope: rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class YorkLine:
    """A fitted line y = intercept + slope x.

    Attributes
    ----------
    intercept, slope : float
        Of the line.
    intercept_sd, slope_sd : float
        Their standard uncertainties, for the stated errors.
    chi2 : float
        Weighted sum of squares about the line; n - 2 is expected.
    df : int
        n - 2.
    """

    intercept: float
    slope: float
    intercept_sd: float
    slope_sd: float
    chi2: float
    df: int


def york_line(x: Floats, y: Floats, x_sd: Floats, y_sd: Floats) -> YorkLine | None:
    """Fit a line to points with errors in both coordinates, which do not correlate.

    Parameters
    ----------
    x, y : (N,) array
        Points.
    x_sd, y_sd : (N,) array
        Their standard uncertainties, above zero.

    Returns
    -------
    YorkLine or None
        None below three points, or where they do not tell a slope.

    Notes
    -----
    York, Evensen, Lopez Martinez and De Basabe Delgado, Am. J. Phys. 72, 367 (2004), equations (13a) to (13c): the
    maximum-likelihood line, so that an error of x does not flatten it as it flattens the ordinary one.
    """
    n = len(x)
    if n < 3 or np.ptp(x) <= 0:
        return None
    wx, wy = 1 / np.asarray(x_sd) ** 2, 1 / np.asarray(y_sd) ** 2
    slope = float(np.polyfit(x, y, 1)[0])
    x_fit, weight, x_mean, y_mean = x, wx, 0.0, 0.0
    for _ in range(_ROUNDS):
        weight = wx * wy / (wx + slope**2 * wy)
        x_mean, y_mean = float(weight @ x / weight.sum()), float(weight @ y / weight.sum())
        u, v = x - x_mean, y - y_mean
        beta = weight * (u / wy + slope * v / wx)
        below = float(weight @ (beta * u))
        if below == 0:
            return None
        before, slope = slope, float(weight @ (beta * v)) / below
        x_fit = x_mean + beta
        if abs(slope - before) <= _TOLERANCE * max(1.0, abs(slope)):
            break
    else:
        return None
    centre = float(weight @ x_fit / weight.sum())
    slope_var = 1 / float(weight @ (x_fit - centre) ** 2)
    intercept = y_mean - slope * x_mean
    return YorkLine(
        intercept=intercept,
        slope=slope,
        intercept_sd=float(np.sqrt(1 / weight.sum() + centre**2 * slope_var)),
        slope_sd=float(np.sqrt(slope_var)),
        chi2=float(weight @ (y - intercept - slope * x) ** 2),
        df=n - 2,
    )
