"""What the shots of a session say together about what they share: camera, readout, friction and pull of the cloth.

Near its fit a shot is linear in its own values and in the shared ones, so its own values can be eliminated: what is
left is a Gaussian in the shared values (block elimination, as in bundle adjustment: Triggs et al. 2000). What a
shot is then measured with is what the marks and all OTHER shots say. Its own sightings enter once, in its own
fit, and a shot that went wrong cannot bend the camera that it is judged with.

What it is worth (`tests/benchmarks/joint_session.py`, 288 shots of 24 sessions with a stated readout time): the
root mean square error of launch angle, swerve offset and launch speed falls by 9 to 15 %, that of reading and rail
speed stays, and the 95 % intervals hold the truth as before (95 to 96 % of each).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
from scipy import special

from analyze.fit.path_fit import PathFit
from analyze.fit.priors import MotionPriors
from analyze.fit.problem import (
    FIT_PARAMETERS,
    N_FIT,
    PULL,
    READOUT,
    build_problem,
    inverse,
    upright_axes,
    weighed,
)
from calibrate.arrays import Floats
from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.camera import CAMERA_PARAMETERS
from tracker.path import BallPath
from tracker.readout import Readout

N_CALIBRATION, N_CAMERA = len(CALIBRATION_PARAMETERS), len(CAMERA_PARAMETERS)
_MU_S, _MU_R = FIT_PARAMETERS.index("log_mu_s"), FIT_PARAMETERS.index("log_mu_r")
# Shared: deviations of the calibration, then of the means that the shots' own values scatter about, then a location
# error that changes slowly along the lane and is the same in all shots.
_LINKED = (_MU_S, _MU_R, READOUT, PULL)
_LINKS = np.arange(N_CALIBRATION, N_CALIBRATION + len(_LINKED))
_BIAS = np.arange(_LINKS[-1] + 1, _LINKS[-1] + 7)  # Legendre polynomials 0 to 2 along the lane, in u and in v
N_SHARED = int(_BIAS[-1]) + 1
_N_OWN = N_FIT + 2  # and a location error of the shot

LEAST_SHOTS = 4  # chosen: what three have in common is hardly told from chance
# Between-shot standard deviation of the logarithm of friction: not known, so the shots decide.
BETWEEN_SHOT_SDS = (0.03, 0.06, 0.12, 0.2, 0.28)
_SAME_READOUT_S = 1e-5
_SAME_PULL_M_S2 = 0.0007  # a lane is no plane, and shots run along different parts of it (chosen: 0.1 mm/m)
LEAST_GAIN = 3.0  # log of 20: the shots must speak clearly for having something in common
LEAST_ACCORD = 1e-4  # paths more discordant with the marks than that have errors that are in no model
_LEAST_INFORMATION = 1e-3  # axes in which the paths say less than this share of what was known do not count


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ShotEvidence:
    """The fit of one shot, linear in its own and the shared values, at one guess of the between-shot scatter.

    Attributes
    ----------
    precision : (S, S) float64
        What the shot says about the shared values, its own eliminated.
    pull : (S,) float64
        Precision times the values that it would have them take.
    level : float
        Logarithm of the shot's likelihood with all shared deviations at nought, up to a constant.
    """

    precision: Floats
    pull: Floats
    level: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Shared:
    """What is known of the shared values for measuring one shot.

    Attributes
    ----------
    calibration : Calibration
        Values and covariance.
    readout : Readout
        Of the rolling shutter.
    priors : MotionPriors
        Friction, with the scatter from shot to shot in its spread.
    """

    calibration: Calibration
    readout: Readout
    priors: MotionPriors


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Linear:
    """One shot at its fit: whitened residuals and their derivatives."""

    right: Floats  # (2 N + 2,)
    own: Floats  # (2 N + 2, 13)
    shared: Floats  # (2 N + 2, S)
    weighed_right: Floats  # the same three times the inverse covariance
    weighed_own: Floats
    weighed_shared: Floats
    own_precision: Floats  # (13,) priors other than the linked ones
    own_pull: Floats  # (13,)
    off: Floats  # (4,) linked values minus the means of their priors
    prior_cost: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Joint:
    """A session taken together.

    Attributes
    ----------
    calibration : Calibration
        As the marks give it.
    readout : Readout
        As before any shot.
    priors : MotionPriors
        As before any shot.
    ball_bias_px : tuple of float
        Location error that changes slowly along the lane and is the same in all shots, at each of its terms:
        sideways and upright.
    evidence : dict
        For each pair of between-shot standard deviations (of sliding and of rolling friction), what each shot says.
    """

    calibration: Calibration
    readout: Readout
    priors: MotionPriors
    ball_bias_px: tuple[float, float]
    evidence: dict[tuple[float, float], tuple[ShotEvidence, ...]]

    @property
    def shots(self) -> int:
        """How many shots there are."""
        return len(next(iter(self.evidence.values())))

    def _prior(self, between_sds: tuple[float, float]) -> Floats:
        """Precision of the shared values before any shot, (S, S)."""
        priors = self.priors
        sds = (
            math.sqrt(priors.log_mu_s_sd**2 - between_sds[0] ** 2),
            math.sqrt(priors.log_mu_r_sd**2 - between_sds[1] ** 2),
            self.readout.sd_s,
            math.sqrt(priors.pull_sd_m_s2**2 - _SAME_PULL_M_S2**2),
        )
        precision = np.zeros((N_SHARED, N_SHARED))
        precision[:N_CALIBRATION, :N_CALIBRATION] = inverse(self.calibration.cov)
        precision[_LINKS, _LINKS] = 1 / np.square(sds)
        precision[_BIAS, _BIAS] = 1 / np.square(np.tile(self.ball_bias_px, len(_BIAS) // 2))
        return precision

    @cached_property
    def weights(self) -> dict[tuple[float, float], float]:
        """How well all shots together support each pair of between-shot standard deviations; they add up to 1."""
        levels = {}
        for between_sds, shots in self.evidence.items():
            prior = self._prior(between_sds)
            levels[between_sds] = sum(one.level for one in shots) + log_support(
                prior, np.zeros(N_SHARED), *_summed(shots)
            )
        top = max(levels.values())
        shares = {between_sds: math.exp(level - top) for between_sds, level in levels.items()}
        total = sum(shares.values())
        return {between_sds: share / total for between_sds, share in shares.items()}

    @cached_property
    def gain(self) -> float:
        """How much better each shot is predicted by marks and other shots than by marks alone.

        Returns
        -------
        float
            Sum over the shots of the logarithm of the ratio of their predictive densities.
        """
        total = 0.0
        for between_sds, weight in self.weights.items():
            shots, prior = self.evidence[between_sds], self._prior(between_sds)
            precision, pull = _summed(shots)
            for one in shots:
                alone = log_support(prior, np.zeros(N_SHARED), one.precision, one.pull)
                rest = prior + precision - one.precision, pull - one.pull
                total += weight * (log_support(*rest, one.precision, one.pull) - alone)
        return total

    @cached_property
    def accord(self) -> float:
        """How likely marks and priors are to be followed by paths as discordant as these, or more so; 0 to 1.

        Notes
        -----
        Along each axis in which the paths say something, what they say is compared with what was known before: the
        sum of squares over its variance is chi-square if both are right.
        """
        between_sds = max(self.weights, key=lambda one: self.weights[one])
        precision, pull = _summed(self.evidence[between_sds])
        root = np.linalg.inv(_root(self._prior(between_sds)))
        information, axes = np.linalg.eigh(root @ precision @ root.T)
        along = (axes.T @ (root @ pull))[information > _LEAST_INFORMATION]
        information = information[information > _LEAST_INFORMATION]
        return float(special.chdtrc(len(information), float(np.sum(along**2 / (information * (1 + information))))))

    @property
    def supported(self) -> bool:
        """Whether the shots are better measured together than each by itself.

        They must be predicted better and be in accord with the marks; and the readout time must be stated. Where it
        is not, paths hardly tell it (eight shots: from 5.0 to 4.5 ms, and that too sure by a fifth), and what they
        say of it, of friction and of the camera hangs together, while a single fit takes the three as independent:
        95 % intervals of launch and rail speed then held the truth in 85 and 78 % only
        (`tests/benchmarks/joint_session.py`).
        """
        return self.readout.known and self.gain > LEAST_GAIN and self.accord > LEAST_ACCORD

    def without(self, shot: int | None) -> Shared:
        """Give what marks and all shots but one say; with None, all of them.

        Parameters
        ----------
        shot : int or None
            Index of the shot to leave out.
        """
        means, covs, between_variances, weights = [], [], [], []
        for between_sds, weight in self.weights.items():
            if weight < 1e-4:
                continue
            shots = self.evidence[between_sds]
            precision, pull = _summed([one for i, one in enumerate(shots) if i != shot])
            cov = inverse(self._prior(between_sds) + precision)
            means.append(cov @ pull)
            covs.append(cov)
            between_variances.append(np.square(between_sds))
            weights.append(weight)
        share = np.array(weights) / sum(weights)
        mean = share @ np.array(means)
        away = np.array(means) - mean
        cov = np.einsum("k,kij->ij", share, np.array(covs)) + np.einsum("k,ki,kj->ij", share, away, away)
        between_variance = share @ np.array(between_variances)
        return self._shared(mean, cov, between_variance)

    def _shared(self, mean: Floats, cov: Floats, between_variance: Floats) -> Shared:
        c = slice(0, N_CALIBRATION)
        calibration = replace(
            self.calibration.with_parameters(self.calibration.parameters + mean[c]), cov=cov[c, c]
        )
        at_s, at_r, at_readout, at_pull = _LINKS
        priors = replace(
            self.priors,
            mu_s=self.priors.mu_s * math.exp(mean[at_s]),
            log_mu_s_sd=math.sqrt(cov[at_s, at_s] + between_variance[0]),
            mu_r=self.priors.mu_r * math.exp(mean[at_r]),
            log_mu_r_sd=math.sqrt(cov[at_r, at_r] + between_variance[1]),
            pull_m_s2=self.priors.pull_m_s2 + float(mean[at_pull]),
            pull_sd_m_s2=math.sqrt(cov[at_pull, at_pull] + _SAME_PULL_M_S2**2),
        )
        # A global shutter's moves by nanoseconds, to either side.
        readout = Readout(
            max(self.readout.value_s + float(mean[at_readout]), 0.0), math.sqrt(cov[at_readout, at_readout])
        )
        return Shared(calibration=calibration, readout=readout, priors=priors)


def join(
    shots: Sequence[tuple[BallPath, PathFit]],
    calibration: Calibration,
    *,
    readout: Readout,
    priors: MotionPriors | None = None,
) -> Joint:
    """Put the shots of one set-up together.

    Parameters
    ----------
    shots : sequence of (BallPath, PathFit)
        Shots whose fit was made with `calibration`, `readout` and `priors`.
    calibration : Calibration
        As the marks give it.
    readout : Readout
        As for the fits.
    priors : MotionPriors, optional
        As for the fits.

    Returns
    -------
    Joint
        Linear at the fits: paths move by millimetres at most, the calibration by fractions of a pixel.
    """
    priors = priors or MotionPriors()
    readout = readout.within_a_frame(min(path.frame_period_s for path, _ in shots))
    linear = [_linear(path, fit, calibration, readout) for path, fit in shots]
    pairs = product(BETWEEN_SHOT_SDS, BETWEEN_SHOT_SDS)
    return Joint(
        calibration=calibration,
        readout=readout,
        priors=priors,
        ball_bias_px=shots[0][1].error_priors.ball_bias_px,
        evidence={between_sds: tuple(_eliminated(one, between_sds) for one in linear) for between_sds in pairs},
    )


def log_support(precision: Floats, pull: Floats, more: Floats, more_pull: Floats) -> float:
    """Logarithm of the mean of a Gaussian likelihood over a Gaussian.

    Parameters
    ----------
    precision : (S, S) array
        Of the Gaussian.
    pull : (S,) array
        Its precision times its mean.
    more, more_pull : (S, S) and (S,) arrays
        The same of the likelihood, which is 1 at the origin.
    """
    size = np.sqrt(np.diag(precision))

    def parts(matrix: Floats, vector: Floats) -> tuple[float, float]:
        scaled = matrix / np.outer(size, size)
        log_det = float(np.linalg.slogdet(scaled)[1])
        return log_det, float(vector / size @ np.linalg.solve(scaled, vector / size))

    log_before, before = parts(precision, pull)
    log_after, after = parts(precision + more, pull + more_pull)
    return 0.5 * (log_before - log_after + after - before)


def _root(precision: Floats) -> Floats:
    """Give the factor L with ``precision = L @ L.T``, of values with units of very different size."""
    size = np.sqrt(np.diag(precision))
    root: Floats = size[:, None] * np.linalg.cholesky(precision / np.outer(size, size))
    return root


def _summed(shots: Sequence[ShotEvidence]) -> tuple[Floats, Floats]:
    precision, pull = np.zeros((N_SHARED, N_SHARED)), np.zeros(N_SHARED)
    for one in shots:
        precision = precision + one.precision
        pull = pull + one.pull
    return precision, pull


def _linear(path: BallPath, fit: PathFit, calibration: Calibration, readout: Readout) -> _Linear:
    """Lay out one shot at its fit."""
    problem = build_problem(path, calibration, readout, fit.motion_priors)
    problem = problem.with_noise(frame=fit.error_scales.frame, drift=fit.error_scales.drift)
    white, slope = problem.residuals(fit.theta)
    _, _, points = problem.predict(fit.theta)
    by_camera = calibration.camera.project_parameter_jacobian(points)
    n = len(points)
    axes = upright_axes(calibration.camera, points[0])
    by_shared = np.zeros((n, 2, N_SHARED))
    by_shared[..., :N_CAMERA] = by_camera
    along = 2 * points[:, 1] / calibration.table.length_m - 1
    for k, legendre in enumerate((np.ones(n), along, 1.5 * along**2 - 0.5)):
        by_shared[:, :, _BIAS[2 * k : 2 * k + 2]] = legendre[:, None, None] * axes
    own = np.concatenate([slope, problem.whiten @ axes], axis=-1).reshape(-1, _N_OWN)
    shared = (problem.whiten @ by_shared).reshape(-1, N_SHARED)
    weighing, noise2 = problem.noise.weighing(fit.weights), fit.noise_scale**2
    linked = np.array(_LINKED)
    prior = problem.prior_precision.copy()
    prior[linked] = 0.0
    gap = problem.prior_mean - fit.theta
    own_precision = np.concatenate([prior, 1 / np.square(fit.error_priors.ball_bias_px)])
    return _Linear(
        right=white.ravel(),
        own=own,
        shared=shared,
        weighed_right=weighed(weighing, white.ravel()) / noise2,
        weighed_own=weighed(weighing, own) / noise2,
        weighed_shared=weighed(weighing, shared) / noise2,
        own_precision=own_precision,
        own_pull=own_precision * np.concatenate([gap, [0.0, 0.0]]),
        off=-gap[linked],
        prior_cost=float(prior @ gap**2),
    )


def _eliminated(one: _Linear, between_sds: tuple[float, float]) -> ShotEvidence:
    """Eliminate a shot's own values."""
    linked = np.array(_LINKED)
    link = 1 / np.square([*between_sds, _SAME_READOUT_S, _SAME_PULL_M_S2])
    block = one.own.T @ one.weighed_own + np.diag(one.own_precision)
    block[linked, linked] += link
    cross = one.own.T @ one.weighed_shared
    cross[linked, _LINKS] -= link
    corner = one.shared.T @ one.weighed_shared
    corner[_LINKS, _LINKS] += link
    own_pull = one.own.T @ one.weighed_right + one.own_pull
    own_pull[linked] -= link * one.off
    pull = one.shared.T @ one.weighed_right
    pull[_LINKS] += link * one.off
    cov = inverse(block)
    size = np.sqrt(np.diag(block))
    log_det = float(np.linalg.slogdet(block / np.outer(size, size))[1]) + 2 * float(np.log(size).sum())
    cost = (
        float(one.right @ one.weighed_right + link @ one.off**2) + one.prior_cost - float(own_pull @ cov @ own_pull)
    )
    precision = corner - cross.T @ cov @ cross
    return ShotEvidence(
        precision=(precision + precision.T) / 2,
        pull=pull - cross.T @ cov @ own_pull,
        level=-0.5 * (cost + log_det - float(np.log(link).sum())),
    )
