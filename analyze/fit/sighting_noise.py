"""The errors of a shot's sightings: the noise of each frame, and a drift that they share with their neighbours.

What the model of the ball's image lacks (lamps mirrored in it, print, the hand's shadow) changes slowly while the
ball rolls on, so a sighting errs by ``drift + noise``. The drift is a first-order autoregression in continuous
time, of the same spread in u and v (Ornstein & Uhlenbeck, Phys. Rev. 36, 823 (1930); from memory). Its precision
matrix has entries beside the diagonal only, so whatever needs the inverse of the whole covariance costs no more
than the number of sightings: the sum of squares minimised over the drift is that of generalised least squares
(Rue & Held, Gaussian Markov Random Fields, 2005, ch. 2; from memory).
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

from calibrate.arrays import Floats
from tracker.path import BallPath

# Precision of a drift that there is not, over that of the sightings: no drift is left, and no digits are lost.
_NO_DRIFT = 1e9
_BELOW = 3  # entries below the diagonal that are not zero: the two coordinates of the next sighting


@dataclass(frozen=True, eq=False)
class Weighing:
    """The inverse covariance of whitened sightings, when each has a weight of its own.

    A weight divides the covariance of the sighting's noise, not of the drift: an outlier that is left out
    (weight 0) says nothing of either.

    Attributes
    ----------
    weights : (2 N,) float64
        Of each coordinate.
    factor : (4, 2 N) float64
        Cholesky factor of ``diag(weights) + precision of the drift``, lower banded form.
    """

    weights: Floats
    factor: Floats

    def __call__(self, columns: Floats) -> Floats:
        """Multiply whitened columns, (2 N, K) or (2 N,), by the inverse covariance."""
        weighted = (self.weights * columns.T).T
        result: Floats = weighted - (self.weights * self._solve(weighted).T).T
        return result

    def drift(self, white: Floats) -> Floats:
        """Find the likeliest whitened drift behind whitened residuals, both (N, 2)."""
        return self._solve(self.weights * white.ravel()).reshape(white.shape)

    def _solve(self, columns: Floats) -> Floats:
        solved: Floats = cho_solve_banded((self.factor, True), columns, check_finite=False)
        return solved


@dataclass(frozen=True, eq=False)
class SightingNoise:
    """Noise and drift of N sightings.

    Attributes
    ----------
    whiten : (N, 2, 2) float64
        Inverse Cholesky factors of the covariances of the noise.
    times_s : (N,) float64
        When.
    drift_sd_px, drift_time_s : float
        Standard deviation of the drift, and the time in which its correlation falls to 1/e.
    """

    whiten: Floats
    times_s: Floats
    drift_sd_px: float
    drift_time_s: float

    def weighing(self, weights: Floats, *, steadier: float = 1.0) -> Weighing:
        """Prepare the inverse covariance.

        Parameters
        ----------
        weights : (N,) array
            Of the sightings, 0 to 1.
        steadier : float
            How much larger the noise is taken than the drift, over what they are.
        """
        each = np.repeat(weights, 2)
        banded = self._drift_precision * steadier**2
        banded[0] += each
        return Weighing(each, cholesky_banded(banded, lower=True, check_finite=False))

    def scaled(self, *, frame: float, drift: float) -> "SightingNoise":
        """Take the noise of each frame `frame` times as large, and the drift `drift` times."""
        return replace(self, whiten=self.whiten / frame, drift_sd_px=self.drift_sd_px * drift)

    def log_excess(self, weighing: Weighing, *, steadier: float = 1.0) -> float:
        """Logarithm of the determinant of noise and drift together, over that of the noise alone."""
        drift = self._log_drift_precision + 2 * len(weighing.weights) * math.log(steadier)
        return 2 * float(np.log(weighing.factor[0]).sum()) - drift

    def roughness(self, drift: Floats) -> float:
        """Sum of squares of a whitened drift, (N, 2), over its covariance."""
        flat, bands = drift.ravel(), self._drift_precision
        total = float(bands[0] @ flat**2)
        for below in range(1, _BELOW + 1):
            total += 2 * float(bands[below, :-below] @ (flat[below:] * flat[:-below]))
        return total

    def innovations(self, white: Floats, weights: Floats) -> Floats:
        """Compare each sighting with what those before it predict.

        Parameters
        ----------
        white : (N, 2) array
            Whitened residuals.
        weights : (N,) array
            Of the sightings; those of weight 0 are left out.

        Returns
        -------
        (M, 2) array
            Independent and of unit variance if noise and drift are what they are said to be.
        """
        good = weights > 0
        noise = np.diag(1 / np.repeat(weights[good], 2))
        if self.drift_sd_px > 0:
            times_s, whiten = self.times_s[good], self.whiten[good]
            alike = np.exp(-np.abs(times_s[:, None] - times_s) / self.drift_time_s)
            drift = self.drift_sd_px**2 * np.einsum("ij,iac,jbc->iajb", alike, whiten, whiten)
            noise += drift.reshape(noise.shape)
        found: Floats = np.linalg.solve(np.linalg.cholesky(noise), white[good].ravel())
        return found.reshape(-1, 2)

    @cached_property
    def _log_drift_precision(self) -> float:
        """Logarithm of the determinant of the precision of the whitened drift."""
        factor = cholesky_banded(self._drift_precision, lower=True, check_finite=False)
        return 2 * float(np.log(factor[0]).sum())

    @cached_property
    def _drift_precision(self) -> Floats:
        """(4, 2 N) precision of the whitened drift, lower banded form."""
        n = len(self.times_s)
        bands = np.zeros((_BELOW + 1, 2 * n))
        if self.drift_sd_px == 0:
            bands[0] = _NO_DRIFT
            return bands
        rho = np.exp(-np.diff(self.times_s) / self.drift_time_s)
        fresh = 1 - rho**2
        own = np.ones(n)
        own[:-1] += rho**2 / fresh
        own[1:] += rho**2 / fresh
        unwhiten = np.linalg.inv(self.whiten) / self.drift_sd_px
        turned = unwhiten.transpose(0, 2, 1)
        blocks = own[:, None, None] * (turned @ unwhiten)
        beside = (-rho / fresh)[:, None, None] * (turned[1:] @ unwhiten[:-1])
        bands[0, 0::2], bands[0, 1::2] = blocks[:, 0, 0], blocks[:, 1, 1]
        bands[1, 0::2] = blocks[:, 1, 0]
        bands[1, 1:-1:2] = beside[:, 0, 1]
        bands[2, 0:-2:2], bands[2, 1:-1:2] = beside[:, 0, 0], beside[:, 1, 1]
        bands[3, 0:-2:2] = beside[:, 1, 0]
        return bands


def sighting_noise(path: BallPath) -> SightingNoise:
    """Take noise and drift of a path's sightings as its tracker states them."""
    return SightingNoise(
        whiten=np.linalg.inv(np.linalg.cholesky(path.centre_cov_px2)),
        times_s=path.times_s,
        drift_sd_px=path.drift_sd_px,
        drift_time_s=path.drift_time_s,
    )
