"""How uncertainties of inputs become uncertainties of results, and which input has which share.

The rules are those of JCGM 100:2008 (GUM), 5.2.2, eq. (13), for correlated inputs, and its note to 5.1.2 for the
second-order terms where a result is bent. Tested against the worked examples H.1 and H.2 of the GUM and 9.4 of
JCGM 101:2008.
"""

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
