"""How uncertainties of inputs become uncertainties of results, and which input has which share.

The rules are those of JCGM 100:2008 (GUM), 5.2.2, eq. (13), for correlated inputs, and its note to 5.1.2 for the
second-order terms where a result is bent. Tested against the worked examples H.1 and H.2 of the GUM and 9.4 of
JCGM 101:2008.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats

Function = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetShare:
    """What one source contributes to the standard uncertainty of one quantity.

    Attributes
    ----------
    source : str
        Slug of the source: one of `SOURCES`.
    quantity : str
        Which result: `reading_m`, `launch_rad`, `swerve_offset_m`.
    sd : float
        Standard uncertainty from this source alone, in the unit of the quantity. The squares of the shares of a
        quantity add up to the square of its standard uncertainty.
    """

    source: str
    quantity: str
    sd: float


SOURCES = {
    "lens": "focal length, principal point and distortion, as far as the marks leave them open",
    "rail-top": "height of the rail top, with the lens known",
    "marks": "place of the camera from the marks, with lens and rail top known",
    "scale": "zero, turn and stretch of the scale, with the camera known",
    "ball-bias": "error in locating the ball that all frames of a shot share",
    "ball": "error in locating the ball from frame to frame and at rest",
    "timing": "readout time of the rolling shutter",
    "friction": "prior knowledge of sliding and rolling friction",
    "spin": "prior knowledge of the spin that a tip can give",
    "table": "prior knowledge of how level the table is, and of the nap of its cloth",
    "slide-end": "where the slide ended, when the sightings do not show it",
}


def central_differences(function: Function, at: Floats, steps: Floats) -> Floats:
    """Differentiate a vector function by central differences.

    Parameters
    ----------
    function : callable
        From (N,) to (M,).
    at : (N,) array
        Where.
    steps : (N,) array
        Half the distance of the two evaluations, in each input; a fraction of its uncertainty serves well.

    Returns
    -------
    (M, N) array
        Derivatives.
    """
    columns = []
    for i, step in enumerate(steps):
        move = np.zeros_like(at)
        move[i] = step
        columns.append((function(at + move) - function(at - move)) / (2 * step))
    slope: Floats = np.stack(columns, axis=-1)
    return slope


def propagate(slope: Floats, cov: Floats) -> Floats:
    """Covariance of results from that of their inputs, to first order.

    Parameters
    ----------
    slope : (M, N) array
        Derivatives of the results.
    cov : (N, N) array
        Covariance of the inputs.

    Returns
    -------
    (M, M) array
        Covariance of the results: GUM eq. (13) in matrix form.
    """
    result: Floats = slope @ cov @ slope.T
    return (result + result.T) / 2


def propagate_curved(function: Function, at: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of results to second order, for Gaussian inputs.

    Parameters
    ----------
    function : callable
        From (N,) to (M,).
    at : (N,) array
        Means of the inputs.
    cov : (N, N) array
        Their covariance; may be singular.

    Returns
    -------
    mean : (M,) array
        ``f + trace(H C) / 2``.
    cov : (M, M) array
        ``g C g' + trace(H_i C H_j C) / 2``: exact for a quadratic function of Gaussian inputs.

    Notes
    -----
    Evaluated along the principal axes of `cov`, one standard deviation out; exact inputs cost nothing.
    """
    sd = np.sqrt(np.diag(cov))
    unit = np.where(sd > 0, sd, 1.0)  # of the inputs: nanometres and expansion coefficients must not be compared
    values, axes = np.linalg.eigh(cov / np.outer(unit, unit))
    keep = values > 1e-13
    root = unit[:, None] * axes[:, keep] * np.sqrt(values[keep])  # columns: one standard deviation each
    n = root.shape[1]
    middle = function(at)
    plus = [function(at + root[:, i]) for i in range(n)]
    minus = [function(at - root[:, i]) for i in range(n)]
    slope = np.array([(p - m) / 2 for p, m in zip(plus, minus, strict=True)]).reshape(n, -1)
    bend = np.zeros((n, n, middle.size))
    for i in range(n):
        bend[i, i] = plus[i] - 2 * middle + minus[i]
        for j in range(i):
            corner = function(at + root[:, i] + root[:, j]) - plus[i] - plus[j] + middle
            corner += function(at - root[:, i] - root[:, j]) - minus[i] - minus[j] + middle
            bend[i, j] = bend[j, i] = corner / 2
    mean: Floats = middle + np.einsum("iim->m", bend) / 2
    result: Floats = slope.T @ slope + np.einsum("ijm,ijn->mn", bend, bend) / 2
    return mean, result


def in_turn(slope: Floats, cov: Floats, groups: Sequence[Sequence[int]]) -> Floats:
    """Variance of one result, divided among groups of correlated inputs.

    Each group gets the variance that knowing it exactly would remove once the groups before it are known: what the
    earlier groups explain is theirs. So the parts add up to the whole whatever the correlations, and the order of
    the groups is part of the statement.

    Parameters
    ----------
    slope : (N,) array
        Derivatives of the result.
    cov : (N, N) array
        Covariance of the inputs; may be singular.
    groups : sequence of sequences of int
        Indices of the inputs, each once.

    Returns
    -------
    (G,) array
        Variances, none negative; their sum is ``slope @ cov @ slope``.
    """
    remaining = cov.copy()
    parts = []
    left = float(slope @ remaining @ slope)
    for group in groups:
        g = np.asarray(group)
        block = remaining[np.ix_(g, g)]
        scale = np.sqrt(np.where(np.diag(block) > 0, np.diag(block), 1.0))
        inverse = np.linalg.pinv(block / np.outer(scale, scale), rcond=1e-12, hermitian=True) / np.outer(
            scale, scale
        )
        cross = remaining[:, g]
        remaining = remaining - cross @ inverse @ cross.T
        after = max(float(slope @ remaining @ slope), 0.0)
        parts.append(max(left - after, 0.0))
        left = after
    return np.array(parts)


def root_sum_square(sds: Sequence[float]) -> float:
    """Combine independent contributions to a standard uncertainty."""
    return math.sqrt(sum(sd * sd for sd in sds))
