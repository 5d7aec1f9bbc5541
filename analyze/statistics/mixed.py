"""Mixed models by restricted maximum likelihood (REML), on cells instead of shots.

The model of the cells' means is ``mean = X beta + sum_k Z_k u_k + error``, u_k of variance theta_k, the error of a
mean of weight w of variance theta_shot / w; the scatter within the cells adds its own likelihood. That is the same
likelihood as that of the single shots, at the price of a few hundred rows.

Why not a general fitter: a comparison with 2 to 4 shooters needs degrees of freedom (Satterthwaite), which need the
derivatives of the fixed effects' covariance; and a variance of an interaction must be free to fall below zero, or
the test becomes too small (balanced data then give exactly the analysis of variance). Tests hold this module
against statsmodels' MixedLM and against published fits.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats, Ints

Flags = npt.NDArray[np.bool_]

SHOT = "shot"
_MAX_ITERATIONS = 200
_MAX_HALVINGS = 40
_TOLERANCE = 1e-10  # of the criterion's predicted gain; statsmodels and published fits agree to 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Random:
    """A random effect.

    Attributes
    ----------
    name : str
        As it is called in results.
    group : (J,) int64
        Which level of the effect each cell belongs to.
    floor : float
        Variance known beforehand that is added to the estimated one (a shared calibration error), in unit**2.
    free : bool
        Whether the estimate may fall below zero, as a covariance.
    known : bool
        Whether the floor is all there is and nothing is estimated (the data cannot tell).
    """

    name: str
    group: Ints
    floor: float = 0.0
    free: bool = False
    known: bool = False


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MixedFit:
    """A fitted mixed model with p fixed effects and K variances.

    Attributes
    ----------
    beta : (p,) float64
        Fixed effects.
    beta_cov : (p, p) float64
        Their covariance at the estimated variances.
    adjusted_cov : (p, p) float64
        The same with what the estimating of the variances adds (Kenward & Roger 1997, Biometrics 53, 983, eq. 4).
    names : tuple of str
        Of the variances, the last is `SHOT`.
    variances : (K,) float64
        Estimates, without the floors.
    variances_cov : (K, K) float64
        Their covariance from the expected information, those held at zero included; zero rows for known ones.
    operator : (p, J) float64
        Turns cells into fixed effects: ``beta = operator @ mean``.
    beta_cov_slopes : (K, p, p) float64
        Derivative of `beta_cov` by each variance.
    criterion : float
        -2 log restricted likelihood of the single shots, constants included.
    singular : tuple of str
        Variances that came out at zero or below.
    converged : bool
        Whether the criterion had stopped falling.
    """

    beta: Floats
    beta_cov: Floats
    adjusted_cov: Floats
    names: tuple[str, ...]
    variances: Floats
    variances_cov: Floats
    operator: Floats
    beta_cov_slopes: Floats
    criterion: float
    singular: tuple[str, ...]
    converged: bool

    def satterthwaite_df(self, contrasts: Floats) -> Floats:
        """Degrees of freedom of contrasts of the fixed effects.

        Parameters
        ----------
        contrasts : (N, p) array
            One contrast per row.

        Returns
        -------
        (N,) array
            2 v**2 / var(v), v the contrast's variance (Satterthwaite 1946; Giesbrecht & Burns 1985); for a single
            contrast Kenward and Roger's are the same.
        """
        variance = np.einsum("ni,ij,nj->n", contrasts, self.beta_cov, contrasts, optimize=True)
        slopes = np.stack(
            [np.einsum("ni,ij,nj->n", contrasts, s, contrasts, optimize=True) for s in self.beta_cov_slopes], axis=1
        )
        spread = np.einsum("nk,kl,nl->n", slopes, self.variances_cov, slopes, optimize=True)
        with np.errstate(divide="ignore"):
            return np.asarray(2 * variance**2 / spread)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Data:
    mean: Floats
    weight: Floats
    within_ss: float
    within_df: int
    X: Floats
    effects: tuple[Random, ...]

    def z_sum(self, effect: Random, matrix: Floats) -> Floats:
        """Return Z' matrix: rows of `matrix` summed over the levels of an effect."""
        total = np.zeros((int(effect.group.max()) + 1, matrix.shape[1]))
        np.add.at(total, effect.group, matrix)
        return total


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _State:
    criterion: float
    score: Floats
    information: Floats
    beta: Floats
    beta_cov: Floats
    projected: Floats  # V^-1 X


def _covariance(data: _Data, theta: Floats) -> Floats:
    V = np.diag(theta[-1] / data.weight)
    for effect, variance in zip(data.effects, theta[:-1], strict=True):
        V += (variance + effect.floor) * (effect.group[:, None] == effect.group[None, :])
    return V


def _evaluate(data: _Data, theta: Floats) -> _State | None:
    """Criterion, score and expected information at `theta`; None where the covariance is not positive.

    Searle, Casella & McCulloch, Variance Components, 1992, section 6.6: score_k = -(tr(P V_k) - y'P V_k P y) / 2,
    information_kl = tr(P V_k P V_l) / 2, P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1.
    """
    if theta[-1] <= 0:
        return None
    try:
        L = np.linalg.cholesky(_covariance(data, theta))
    except np.linalg.LinAlgError:
        return None
    inverse_l = np.linalg.inv(L)
    V_inv = inverse_l.T @ inverse_l
    VX = V_inv @ data.X
    sign, log_det_x = np.linalg.slogdet(data.X.T @ VX)
    if sign <= 0:
        return None
    beta_cov = np.asarray(np.linalg.inv(data.X.T @ VX), dtype=np.float64)
    beta = beta_cov @ (VX.T @ data.mean)
    residual = data.mean - data.X @ beta
    Py = V_inv @ residual
    P = V_inv - VX @ beta_cov @ VX.T
    log_det = 2 * np.log(np.diag(L)).sum() + np.log(data.weight).sum() + data.within_df * np.log(theta[-1])
    n_contrasts = len(data.mean) + data.within_df - data.X.shape[1]
    criterion = (
        log_det + log_det_x + float(residual @ Py) + data.within_ss / theta[-1] + n_contrasts * np.log(2 * np.pi)
    )
    # V_k = Z Z': tr(P V_k P V_l) is the square sum of Z_k' P Z_l.
    left = [data.z_sum(effect, P) for effect in data.effects] + [P / np.sqrt(data.weight)[:, None]]
    count = len(theta)
    score, information = np.zeros(count), np.zeros((count, count))
    for k in range(count):
        quadratic, trace = _forms(data, k, left[k], Py)
        score[k] = -0.5 * (trace - quadratic)
        for m in range(k, count):
            other = (
                left[k] / np.sqrt(data.weight)[None, :]
                if m == count - 1
                else data.z_sum(data.effects[m], left[k].T).T
            )
            information[k, m] = information[m, k] = 0.5 * float(np.sum(other**2))
    score[-1] -= 0.5 * (data.within_df / theta[-1] - data.within_ss / theta[-1] ** 2)
    information[-1, -1] += 0.5 * data.within_df / theta[-1] ** 2
    return _State(
        criterion=float(criterion), score=score, information=information, beta=beta, beta_cov=beta_cov, projected=VX
    )


def _forms(data: _Data, k: int, left: Floats, Py: Floats) -> tuple[float, float]:
    """Return y'P V_k P y and tr(P V_k)."""
    if k == len(data.effects):
        return float(np.sum(Py**2 / data.weight)), float(np.sum(np.diag(left) / np.sqrt(data.weight)))
    effect = data.effects[k]
    sums = data.z_sum(effect, Py[:, None])
    trace = float(left[effect.group, np.arange(len(Py))].sum())
    return float(np.sum(sums**2)), trace


def _step(state: _State, active: Flags) -> Floats:
    """Fisher scoring step over the active variances."""
    chosen = np.flatnonzero(active)
    step = np.zeros(len(active))
    block = state.information[np.ix_(chosen, chosen)]
    # A variance that the data say nothing of (equal cells, rounded to zero information) stays where it is.
    scale = np.sqrt(np.where(np.diag(block) > 0, np.diag(block), 1.0))
    step[chosen] = (
        np.linalg.lstsq(block / np.outer(scale, scale), state.score[chosen] / scale, rcond=1e-12)[0] / scale
    )
    return step


def _ascend(data: _Data, theta: Floats, bounded: Flags, known: Flags) -> tuple[Floats, _State, bool]:
    state = _evaluate(data, theta)
    if state is None:
        raise ValueError("the fixed effects are linearly dependent, or the starting variances impossible")
    for _ in range(_MAX_ITERATIONS):
        active = ~known & ~(bounded & (theta <= 0) & (state.score <= 0))
        step = _step(state, active)
        gain = float(step @ state.score)
        if gain < _TOLERANCE:
            return theta, state, True
        length = 1.0
        for _ in range(_MAX_HALVINGS):
            candidate = theta + length * step
            candidate = np.where(bounded, np.maximum(candidate, 0.0), candidate)
            following = _evaluate(data, candidate)
            if following is not None and following.criterion < state.criterion:
                break
            length /= 2
        else:
            return theta, state, gain < np.sqrt(_TOLERANCE)
        theta, state = candidate, following
    return theta, state, False


def _adjusted_cov(data: _Data, state: _State, theta: Floats, variances_cov: Floats) -> tuple[Floats, Floats]:
    """Return the derivatives of the fixed effects' covariance by each variance, and Kenward and Roger's own.

    With Phi that covariance and W the variances': Phi + 2 Phi [sum W_kl (Q_kl - P_k Phi P_l)] Phi, where
    P_k = -X'V^-1 V_k V^-1 X and Q_kl = X'V^-1 V_k V^-1 V_l V^-1 X; V is linear in the variances.
    """
    V_inv = np.linalg.inv(_covariance(data, theta))

    def applied(k: int, matrix: Floats) -> Floats:  # V_k matrix
        if k == len(data.effects):
            return np.asarray(matrix / data.weight[:, None])
        return data.z_sum(data.effects[k], matrix)[data.effects[k].group]

    Phi, VX = state.beta_cov, state.projected
    by_effect = [applied(k, VX) for k in range(len(theta))]
    middle = [VX.T @ part for part in by_effect]
    correction = np.zeros_like(Phi)
    for k, part in enumerate(by_effect):
        for m, other in enumerate(by_effect):
            if variances_cov[k, m]:
                correction += variances_cov[k, m] * (part.T @ V_inv @ other - middle[k] @ Phi @ middle[m])
    slopes = np.stack([Phi @ part @ Phi for part in middle])
    return slopes, np.asarray(Phi + 2 * Phi @ correction @ Phi)


def fit_reml(
    mean: Floats,
    weight: Floats,
    X: Floats,
    effects: tuple[Random, ...],
    *,
    within_ss: float,
    within_df: int,
    start: Mapping[str, float] | None = None,
) -> MixedFit:
    """Fit a mixed model to cells by REML.

    Parameters
    ----------
    mean : (J,) array
        Means of the cells.
    weight : (J,) array
        A mean has the variance of a shot over this.
    X : (J, p) array
        Fixed effects, of full column rank.
    effects : tuple of Random
        Random effects.
    within_ss, within_df : float, int
        Pooled sum of squares and degrees of freedom within the cells; both 0 when every cell has one shot.
    start : mapping, optional
        Starting variances by name.

    Returns
    -------
    MixedFit
        `converged` and `singular` say how far to trust it.

    Raises
    ------
    ValueError
        If the fixed effects are linearly dependent.

    Notes
    -----
    Fisher scoring with halved steps; variances that are not `free` are held at zero while the score points below.
    """
    data = _Data(
        mean=mean - mean.mean(), weight=weight, within_ss=within_ss, within_df=within_df, X=X, effects=effects
    )
    if np.linalg.matrix_rank(X) < X.shape[1]:
        raise ValueError("the fixed effects are linearly dependent")
    rough = float(np.var(data.mean - X @ np.linalg.lstsq(X, data.mean, rcond=None)[0]))
    shot = within_ss / within_df if within_df and within_ss > 0 else rough * float(weight.mean())
    floor = max(shot, rough, 1e-300)
    names = (*(effect.name for effect in effects), SHOT)
    theta = np.array([*(rough / max(len(effects), 1) + 1e-3 * floor for _ in effects), shot or floor])
    if start:
        theta = np.array([start.get(name, value) for name, value in zip(names, theta, strict=True)])
    bounded = np.array([*(not effect.free for effect in effects), False])
    known = np.array([*(effect.known for effect in effects), False])
    theta = np.where(known, 0.0, theta)
    theta, state, converged = _ascend(data, theta, bounded, known)

    # A variance held at zero is uncertain all the same: without it intervals would be too short.
    chosen = np.flatnonzero(~known & (np.diag(state.information) > 0))
    variances_cov = np.zeros((len(theta), len(theta)))
    block = state.information[np.ix_(chosen, chosen)]
    scale = np.sqrt(np.diag(block))
    variances_cov[np.ix_(chosen, chosen)] = np.linalg.pinv(
        block / np.outer(scale, scale), hermitian=True
    ) / np.outer(scale, scale)
    slopes, adjusted_cov = _adjusted_cov(data, state, theta, variances_cov)
    # The mean was taken out for the digits' sake: put it back into the fixed effects.
    offset = np.linalg.lstsq(X, np.full(len(mean), mean.mean()), rcond=None)[0]
    return MixedFit(
        beta=state.beta + offset,
        beta_cov=state.beta_cov,
        adjusted_cov=adjusted_cov,
        names=names,
        variances=theta,
        variances_cov=variances_cov,
        operator=state.beta_cov @ state.projected.T,
        beta_cov_slopes=slopes,
        criterion=state.criterion,
        singular=tuple(
            effect.name
            for effect, value in zip(effects, theta[:-1], strict=True)
            if value <= 1e-9 * floor and not effect.known
        ),
        converged=converged,
    )
