"""How large the errors of a shot's sightings are, as the scatter of its own path shows.

What the tracker states of noise and drift is an allowance for all recordings; forty sightings about a curve of
eleven parameters tell much of what it is in this one. Noise and drift are told apart by how they persist, so both
scales are found together: the restricted likelihood of the residuals (Patterson & Thompson, Biometrika 58, 545
(1971); from memory), which allows for what the path itself follows, over a grid of both, and the mean of each
variance over it. What a path follows altogether, no residual shows: the drift is never taken as smaller than
`ErrorPriors.least_drift` of what is stated.
"""

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

from analyze.fit.priors import ErrorPriors
from analyze.fit.problem import N_FIT, Problem, weighed
from calibrate.arrays import Floats

_LEAST_NOISE, _MOST_NOISE, _MOST_DRIFT = 0.1, 1.3, 1.3  # ends of the grid, over what the tracker states
_COARSE, _FINE, _DRIFTS = 8, 9, 6  # points of the grid: noise roughly, noise near the peak, drift
_BESIDE_SDS = 3.0  # of the logarithm of the noise, how far the fine grid reaches


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorScales:
    """What noise and drift are, over what the tracker states.

    Attributes
    ----------
    frame : float
        Of the noise of each frame.
    drift : float
        Of the drift.
    """

    frame: float = 1.0
    drift: float = 1.0


def error_scales(problem: Problem, theta: Floats, weights: Floats, errors: ErrorPriors) -> ErrorScales:
    """Find how large noise and drift are.

    Parameters
    ----------
    problem : Problem
        The sightings, with noise and drift as stated.
    theta : (11,) array
        The fitted motion.
    weights : (N,) array
        Of the sightings.
    errors : ErrorPriors
        How firmly the tracker's covariances are believed.

    Returns
    -------
    ErrorScales
        Root mean squares over the posterior of both. The noise has a scaled inverse chi-square prior with
        `noise_dof` degrees of freedom about what is stated; every variance of the drift is as likely as any other.
    """
    white, slope = problem.residuals(theta)
    rows, right = slope.reshape(-1, N_FIT), white.ravel()
    # Following the picture's own motion errs slowly as well, and alike in all that is seen in it; a motion that did
    # not show, the path follows.
    path = problem.path
    least_drift = 1.0 if path.picture_moved_px > 0 or path.picture_hidden_px > 0 else errors.least_drift
    drifts = np.sqrt(np.linspace(least_drift**2, _MOST_DRIFT**2, _DRIFTS))
    if problem.noise.drift_sd_px == 0:
        drifts = np.ones(1)

    def grid(noises: Floats) -> tuple[Floats, Floats]:
        """Pairs of scales, and the share of the posterior of each."""
        pairs = np.array(list(product(noises, drifts)))
        levels = [_level(problem, theta, rows, right, weights, ErrorScales(frame=s, drift=k)) for s, k in pairs]
        total = np.array(levels) + errors.noise_dof * (2 * np.log(pairs[:, 0]) + 1 / pairs[:, 0] ** 2)
        shares = np.exp(-0.5 * (total - total.min()))
        return pairs, shares / shares.sum()

    # The more sightings, the narrower the posterior: a coarse grid finds it, a fine one is laid over it.
    pairs, shares = grid(np.geomspace(_LEAST_NOISE, _MOST_NOISE, _COARSE))
    logs = np.log(pairs[:, 0])
    middle = float(shares @ logs)
    spread = max(math.sqrt(float(shares @ (logs - middle) ** 2)), 0.5 * float(np.diff(np.unique(logs))[0]))
    near = middle + spread * np.linspace(-_BESIDE_SDS, _BESIDE_SDS, _FINE)
    pairs, shares = grid(np.exp(np.clip(near, math.log(_LEAST_NOISE), math.log(_MOST_NOISE))))
    frame, drift = np.sqrt(shares @ pairs**2)
    return ErrorScales(frame=float(frame), drift=float(drift))


def _level(
    problem: Problem, theta: Floats, rows: Floats, right: Floats, weights: Floats, scales: ErrorScales
) -> float:
    """Minus twice the logarithm of the restricted likelihood, up to a constant."""
    steadier = scales.frame / scales.drift
    # rows 0 and 1 are the place of rest, which keeps its own covariance
    unit = np.concatenate([np.ones(2), np.full(len(right) - 2, 1 / scales.frame)])
    rows, right = rows * unit[:, None], right * unit
    weighing = problem.noise.weighing(weights, steadier=steadier)
    both = weighed(weighing, np.column_stack([rows, right]))
    weighed_rows, weighed_right = both[:, :-1], both[:, -1]
    information = rows.T @ weighed_rows + np.diag(problem.prior_precision)
    pull = weighed_rows.T @ right + problem.prior_precision * (problem.prior_mean - theta)
    size = np.sqrt(np.diag(information))
    scaled = information / np.outer(size, size)
    gain = float(pull / size @ np.linalg.solve(scaled, pull / size))
    log_information = float(np.linalg.slogdet(scaled)[1]) + 2 * float(np.log(size).sum())
    log_excess = problem.noise.log_excess(weighing, steadier=steadier)
    log_noise = 4 * np.count_nonzero(weights) * np.log(scales.frame) + log_excess
    return float(right @ weighed_right - gain + log_information + log_noise)
