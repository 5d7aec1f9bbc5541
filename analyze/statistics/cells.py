"""Shots reduced to cells: what a comparison of means needs to know of a table of shots.

A cell holds the shots of one condition by one shooter in one session. With normal errors its count, mean and
sum of squares carry all the information, so 100,000 shots become a few hundred numbers.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import chdtri

from analyze.statistics.shots_table import sd_column
from calibrate.arrays import Floats, Ints

# Below this ratio between the largest and the smallest variance of a shot, weighting gains less than 4.1 % of
# variance (4r / (1 + r)**2 at r = 1.5) and would only make a balanced test unbalanced.
WEIGHTING_RATIO = 1.5
_LOW_CHANCE = 0.2


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cells:
    """Cells of a table of shots, and how far shots scatter within them.

    Attributes
    ----------
    conditions, shooters, sessions : tuple of str
        Names, in the table's order.
    condition, shooter, session : (J,) int64
        Which of the names each cell has.
    n : (J,) int64
        Shots in the cell.
    weight : (J,) float64
        Sum of the shots' weights; equals `n` unless shots are weighted by their measuring uncertainty. The mean of
        a cell has the variance of one shot over this.
    mean : (J,) float64
        (Weighted) mean.
    within_ss : (J,) float64
        (Weighted) sum of squares about the cell's mean, of all `spread_n` shots.
    spread_n : (J,) int64
        Shots that tell the cell's scatter: `n`, or the candidates from which a keep rule chose by the values.
    covariate_names : tuple of str
        Covariates that were taken out, see `slope`.
    covariate_mean : (J, K) float64
        (Weighted) mean of each covariate in the cell.
    slope : (K,) float64
        Change of the quantity per unit of the covariate, from within the cells only.
    slope_cov_per_variance : (K, K) float64
        Covariance of `slope` over the variance of one shot.
    covariate_ss : (J, K, K) float64
        (Weighted) sums of squares and products of the covariates about the cell's means.
    weighted : bool
        Whether shots are weighted.
    measuring_variance : float or None
        What measuring alone gives a shot of weight 1; None when the shots' uncertainties are not known.
    """

    conditions: tuple[str, ...]
    shooters: tuple[str, ...]
    sessions: tuple[str, ...]
    condition: Ints
    shooter: Ints
    session: Ints
    n: Ints
    weight: Floats
    mean: Floats
    within_ss: Floats
    spread_n: Ints
    covariate_names: tuple[str, ...]
    covariate_mean: Floats
    slope: Floats
    slope_cov_per_variance: Floats
    covariate_ss: Floats
    weighted: bool
    measuring_variance: float | None

    @property
    def keys(self) -> list[tuple[str, str, str]]:
        """Condition, shooter and session of each cell."""
        return [
            (self.conditions[c], self.shooters[s], self.sessions[t])
            for c, s, t in zip(self.condition, self.shooter, self.session, strict=True)
        ]

    @property
    def within_df(self) -> int:
        """Degrees of freedom within the cells."""
        return int(self.spread_n.sum()) - len(self.spread_n) - len(self.covariate_names)

    @property
    def spread_df(self) -> Floats:
        """Degrees of freedom within each cell, (J,); what the covariates' slopes cost is shared among all."""
        df = (self.spread_n - 1).astype(np.float64)
        return df * max(self.within_df, 0) / df.sum() if self.covariate_names and df.any() else df

    @property
    def shot_variance(self) -> float | None:
        """Pooled variance of a shot within its cell; None when no cell has two shots."""
        return float(self.within_ss.sum()) / self.within_df if self.within_df > 0 else None


def _codes(shots: pd.DataFrame, column: str) -> tuple[Ints, tuple[str, ...]]:
    codes, names = pd.factorize(shots[column])
    return codes.astype(np.int64), tuple(str(name) for name in names)


def _between_sd(values: Floats, variance: Floats, cell: Ints, n_cells: int) -> float:
    """Shot-to-shot variance beyond what the measuring explains, the same in all cells; rather too large.

    Solves sum w (y - weighted mean)^2 = c with w = 1 / (s + measuring variance), as Paule & Mandel 1982 (J. Res.
    NBS 87, 377) do for c = N - J. Their estimate comes out too small half of the time, and precise shots then weigh
    more than they are worth; c is therefore the lower quantile `_LOW_CHANCE` of chi-square.
    """
    df = len(values) - n_cells
    if df < 1:
        return 0.0
    target = float(chdtri(df, 1 - _LOW_CHANCE))

    def surplus(shot_variance: float) -> float:
        w = 1 / (shot_variance + variance)
        mean = np.bincount(cell, w * values, n_cells) / np.bincount(cell, w, n_cells)
        return float(np.sum(w * (values - mean[cell]) ** 2)) - target

    if surplus(0.0) <= 0:
        return 0.0
    high = float(np.var(values)) + float(variance.max())
    while surplus(high) > 0:
        high *= 4
    return float(brentq(surplus, 0.0, high, xtol=1e-10 * high))


def _weights(shots: pd.DataFrame, quantity: str, cell: Ints, n_cells: int) -> tuple[Floats, float | None]:
    """Weights of the shots, all 1 when alike, and what measuring alone gives a shot of weight 1."""
    equal = np.ones(len(shots))
    name = sd_column(quantity)
    if name not in shots.columns or shots[name].isna().all():
        return equal, None
    given = shots[name].to_numpy(dtype=np.float64)
    variance = np.where(np.isnan(given), np.nanmedian(given), given) ** 2
    mean_square = float(variance.mean())
    if variance.min() <= 0:  # a shot measured without error would take all the weight
        return equal, mean_square
    total = variance + _between_sd(shots[quantity].to_numpy(dtype=np.float64), variance, cell, n_cells)
    if total.max() < WEIGHTING_RATIO * total.min():
        return equal, mean_square
    return len(shots) / (1 / total).sum() / total, len(shots) / float((1 / variance).sum())


def _within_regression(y: Floats, x: Floats, w: Floats) -> tuple[Floats, Floats]:
    """Weighted least squares of centred y on centred x: slope, and the inverse of x'Wx."""
    scale = np.sqrt((w[:, None] * x**2).sum(axis=0))
    scaled = x * np.sqrt(w)[:, None] / scale
    inverse = np.linalg.inv(scaled.T @ scaled)
    return inverse @ (scaled.T @ (y * np.sqrt(w))) / scale, inverse / np.outer(scale, scale)


def reduce_to_cells(shots: pd.DataFrame, quantity: str, covariates: tuple[str, ...] = ()) -> Cells:
    """Reduce counted shots to cells, taking covariates out by their slope within the cells.

    Parameters
    ----------
    shots : DataFrame
        Shots that count, each with a value of `quantity` and of every covariate.
    quantity : str
        Column analysed.
    covariates : tuple of str
        Columns whose effect is taken out; each must vary within some cell (`usable_covariates` says which do).

    Returns
    -------
    Cells
        `mean` is still the raw mean; `covariate_mean` and `slope` give the adjustment.
    """
    condition, conditions = _codes(shots, "condition")
    shooter, shooters = _codes(shots, "shooter")
    session, sessions = _codes(shots, "session")
    joint = (condition * len(shooters) + shooter) * len(sessions) + session
    ids, cell = np.unique(joint, return_inverse=True)
    n_cells = len(ids)
    weight, measuring_variance = _weights(shots, quantity, cell, n_cells)
    total = np.bincount(cell, weight, n_cells).astype(np.float64)
    values = shots[quantity].to_numpy(dtype=np.float64)
    # Two passes about a first mean: readings far from zero keep their digits.
    origin = values.mean() if len(values) else 0.0
    mean = np.bincount(cell, weight * (values - origin), n_cells) / total
    centred = values - origin - mean[cell]
    correction = np.bincount(cell, weight * centred, n_cells) / total
    mean, centred = mean + correction, centred - correction[cell]

    x = shots[list(covariates)].to_numpy(dtype=np.float64)
    x_mean = (
        np.stack([np.bincount(cell, weight * column, n_cells) / total for column in x.T], axis=1)
        if covariates
        else np.zeros((n_cells, 0))
    )
    slope, slope_cov = np.zeros(0), np.zeros((0, 0))
    covariate_ss = np.zeros((n_cells, len(covariates), len(covariates)))
    if covariates:
        x_centred = x - x_mean[cell]
        np.add.at(covariate_ss, cell, weight[:, None, None] * x_centred[:, :, None] * x_centred[:, None, :])
        slope, slope_cov = _within_regression(centred, x_centred, weight)
        centred = centred - x_centred @ slope
    return Cells(
        conditions=conditions,
        shooters=shooters,
        sessions=sessions,
        condition=ids // (len(shooters) * len(sessions)),
        shooter=ids // len(sessions) % len(shooters),
        session=ids % len(sessions),
        n=np.bincount(cell, minlength=n_cells),
        weight=total,
        mean=mean + origin,
        within_ss=np.bincount(cell, weight * centred**2, n_cells).astype(np.float64),
        spread_n=np.bincount(cell, minlength=n_cells),
        covariate_names=covariates,
        covariate_mean=x_mean,
        slope=slope,
        slope_cov_per_variance=slope_cov,
        covariate_ss=covariate_ss,
        weighted=bool(np.ptp(weight) > 0),
        measuring_variance=measuring_variance,
    )
