"""The posterior where the sightings do not show the end of the slide: a row of Gaussians instead of one.

A ball that is lost from view while it still slides may roll a moment later or never; forward slip, friction and the
end of the slide then trade against each other along a curve, and one Gaussian at the most probable point is
too narrow. So the forward slip is fixed at a row of values, the rest is Gaussian at each, and their weights
follow from Laplace's approximation of each integral (as in nested Laplace approximations: Rue, Martino, Chopin,
J. R. Stat. Soc. B 71, 319 (2009)).
"""

from dataclasses import dataclass

import numpy as np

from analyze.fit.problem import FIT_PARAMETERS, LONGEST_STEP, N_FIT, Problem, inverse, weighed
from analyze.fit.sighting_noise import Weighing
from calibrate.arrays import Floats

_SLIP = FIT_PARAMETERS.index("forward_slip")
_FREE = np.array([i for i in range(N_FIT) if i != _SLIP])
_PROBE_SDS = 2.0  # where the density is looked at beside its peak
# A Gaussian rises by 4 at two standard deviations. Where both sides keep within these limits, one Gaussian gives
# the standard uncertainties of all results within a few per cent (compared with a random walk, see the tests).
_RISE_LOW, _RISE_HIGH = 2.8, 5.6
_DEEP_ENOUGH = 12.0  # in minus twice the log density: exp(-6) of the highest point
_STEP_GROWTH, _LONGEST_SLIP_STEP = 1.3, 0.3  # from node to node; the longest, of the forward slip over the speed
_MOST_STEPS = 20  # to either side: 1.3**20 times the first step
# Where the slide's end comes into view the density drops within a small part of a step: nodes are put in between
# while it changes by more than this from one to the next (in minus twice its logarithm), and where a gap is so many
# times as wide as the one beside it, for results change there as well.
_LARGEST_CHANGE, _WIDEST, _ROUNDS = 2.0, 2.5, 6


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SlideNode:
    """The posterior at one value of the forward slip.

    Attributes
    ----------
    weight : float
        Share of the posterior; those of all nodes add up to 1.
    rise : float
        How much lower the density is here than at the likeliest slip, in minus twice its logarithm.
    theta : (10,) float64
        Most probable values at this slip.
    cov : (10, 10) float64
        Covariance at this slip; zero for the slip itself.
    nuisance_slope : (10, 17) float64
        How `theta` moves with the nuisance parameters.
    pull : (17,) float64
        Derivative of the logarithm of the weight by the nuisance parameters, up to a constant.
    """

    weight: float
    rise: float
    theta: Floats
    cov: Floats
    nuisance_slope: Floats
    pull: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Conditional:
    theta: Floats
    cov: Floats
    level: float  # minus twice the logarithm of the integral over the other parameters
    right: Floats
    rows: Floats


def slide_nodes(
    problem: Problem, theta: Floats, cov: Floats, *, weighing: Weighing, noise2: float, by_nuisance: Floats
) -> tuple[SlideNode, ...]:
    """Lay out the posterior along the forward slip where one Gaussian does not describe it.

    Parameters
    ----------
    problem : Problem
        The sightings.
    theta, cov : (10,) and (10, 10) arrays
        The minimum and the Gaussian at it.
    weighing : Weighing
        Inverse covariance of the sightings.
    noise2 : float
        Factor on the tracker's covariances.
    by_nuisance : (2 N + 2, 17) array
        Derivative of the whitened prediction by the nuisance parameters.

    Returns
    -------
    tuple of SlideNode
        Empty where one Gaussian serves.
    """
    slip, sd = float(theta[_SLIP]), float(np.sqrt(cov[_SLIP, _SLIP]))
    middle = _settle(problem, theta, slip, weighing, noise2)
    probes = [_settle(problem, middle.theta, slip + side * _PROBE_SDS * sd, weighing, noise2) for side in (-1, 1)]
    if all(_RISE_LOW < probe.level - middle.level < _RISE_HIGH for probe in probes):
        return ()

    found = {slip: middle}
    for side in (-1, 1):
        step, at, last = float(np.clip(0.5 * sd, 0.02, 0.2)), slip, middle
        for _ in range(_MOST_STEPS):
            at += side * step
            step = min(step * _STEP_GROWTH, _LONGEST_SLIP_STEP)
            last = _settle(problem, last.theta, at, weighing, noise2)
            found[at] = last
            if last.level - middle.level > _DEEP_ENOUGH:
                break
    _fill_in(found, problem, weighing, noise2)
    slips = np.array(sorted(found))
    conditionals = [found[float(s)] for s in slips]
    levels = np.array([c.level for c in conditionals])
    shares = np.exp(-0.5 * (levels - levels.min())) * np.gradient(slips)
    shares /= shares.sum()
    weighed_nuisance = weighed(weighing, by_nuisance) / noise2
    nodes = []
    for share, c in zip(shares, conditionals, strict=True):
        nodes.append(
            SlideNode(
                weight=float(share),
                rise=float(c.level - levels.min()),
                theta=c.theta,
                cov=c.cov,
                nuisance_slope=-c.cov @ c.rows.T @ weighed_nuisance,
                pull=c.right @ weighed_nuisance,
            )
        )
    return tuple(nodes)


def _fill_in(found: dict[float, _Conditional], problem: Problem, weighing: Weighing, noise2: float) -> None:
    """Halve the gaps that are too wide for what happens in them, where there is any density."""
    for _ in range(_ROUNDS):
        slips = np.array(sorted(found))
        levels = np.array([found[float(slip)].level for slip in slips])
        gaps = np.diff(slips)
        beside = np.minimum(np.append(gaps[1:], np.inf), np.insert(gaps[:-1], 0, np.inf))
        wide = (np.abs(np.diff(levels)) > _LARGEST_CHANGE) | (gaps > _WIDEST * beside)
        dense = np.minimum(levels[1:], levels[:-1]) - levels.min() < _DEEP_ENOUGH
        for i in np.flatnonzero(wide & dense):
            likelier = slips[i] if levels[i] < levels[i + 1] else slips[i + 1]
            between = float(slips[i] + slips[i + 1]) / 2
            found[between] = _settle(problem, found[float(likelier)].theta, between, weighing, noise2)


def _settle(problem: Problem, theta: Floats, slip: float, weighing: Weighing, noise2: float) -> _Conditional:
    """Minimise over all but the forward slip: Gauss-Newton from a neighbour, halved where it overshoots."""

    def cost_at(values: Floats) -> tuple[float, Floats, Floats]:
        white, slope = problem.residuals(values)
        right, rows = white.ravel(), slope.reshape(-1, N_FIT)
        prior = problem.prior_precision @ (values - problem.prior_mean) ** 2
        return float(right @ weighed(weighing, right) / noise2 + prior), right, rows

    theta = theta.copy()
    theta[_SLIP] = slip
    cost, right, rows = cost_at(theta)
    for _ in range(8):
        free = rows[:, _FREE]
        weighed_free = weighed(weighing, free) / noise2
        hessian = free.T @ weighed_free + np.diag(problem.prior_precision[_FREE])
        gap = problem.prior_mean - theta
        gradient = weighed_free.T @ right + (problem.prior_precision * gap)[_FREE]
        step = np.clip(np.linalg.solve(hessian, gradient), -LONGEST_STEP[_FREE], LONGEST_STEP[_FREE])
        gain = 0.0
        for _ in range(4):
            trial = theta.copy()
            trial[_FREE] += step
            trial_cost, trial_right, trial_rows = cost_at(trial)
            if trial_cost <= cost:
                gain = cost - trial_cost
                theta, cost, right, rows = trial, trial_cost, trial_right, trial_rows
                break
            step = step / 2
        if gain < 1e-2:
            break
    free = rows[:, _FREE]
    hessian = free.T @ weighed(weighing, free) / noise2 + np.diag(problem.prior_precision[_FREE])
    cov = np.zeros((N_FIT, N_FIT))
    cov[np.ix_(_FREE, _FREE)] = inverse(hessian)
    # Scaled, or the determinant of seconds, metres and logarithms together is far off any scale.
    size = np.sqrt(np.diag(hessian))
    log_det = np.linalg.slogdet(hessian / np.outer(size, size))[1] + 2 * np.log(size).sum()
    return _Conditional(theta, cov, cost + float(log_det), right, rows)
