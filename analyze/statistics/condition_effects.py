"""Effects of what conditions are made of: contrasts of a linear model of their means, for either scope.

For these shooters the cells' means are fitted by least squares, shooters as blocks, and every cell carries its own
scatter; for shooters in general REML has shooter and condition x shooter random.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from analyze.statistics.cell_variances import cell_variances
from analyze.statistics.cells import Cells
from analyze.statistics.general import INTERACTION, SESSION, SHOOTER
from analyze.statistics.mixed import Random, fit_reml
from analyze.statistics.pairwise import OmnibusTest
from analyze.statistics.question import Scope
from calibrate.arrays import Floats

THESE_METHOD = "least squares of cell means, shooter as block, a variance for each cell, Satterthwaite df"
GENERAL_METHOD = "REML, shooter and condition x shooter random, Kenward-Roger df"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Effects:
    """A fitted model of the conditions' means.

    Attributes
    ----------
    estimate, cov : callable
        Of contrasts (N, p) of the model's p effects: (N,) and (N, N), in the unit of the quantity and its square.
    df : callable
        Degrees of freedom of each contrast, (N,).
    estimable : callable
        Whether each contrast can be estimated at all, (N,).
    method : str
        How it was fitted.
    """

    estimate: Callable[[Floats], Floats]
    cov: Callable[[Floats], Floats]
    df: Callable[[Floats], Floats]
    estimable: Callable[[Floats], Floats]
    method: str

    def test(self, contrasts: Floats) -> OmnibusTest | None:
        """F test that all contrasts are zero, df after Fai & Cornelius 1996 (J. Stat. Comput. Simul. 54, 363).

        None where they cannot be estimated or nothing scatters.
        """
        count = len(contrasts)
        if count == 0 or not self.estimable(contrasts).all():
            return None
        values, vectors = np.linalg.eigh(self.cov(contrasts))
        if not np.isfinite(values).all() or values[0] <= 1e-12 * values[-1]:
            return None
        rotated = vectors.T @ contrasts
        f = float(np.sum(self.estimate(rotated) ** 2 / values)) / count
        df = self.df(rotated)
        if count == 1:
            error_df = max(float(df[0]), 1.0)
        else:
            df = np.maximum(df, 2.0 + 1e-9)
            expected = float(np.sum(df / (df - 2)))
            error_df = 2 * expected / (expected - count)
        return OmnibusTest(
            f=f, df_conditions=float(count), df_error=error_df, p=float(stats.f.sf(f, count, error_df))
        )


def fit_effects(cells: Cells, X: Floats, scope: Scope, *, shared_sd: float = 0.0) -> Effects | None:
    """Fit a model of the conditions' means.

    Parameters
    ----------
    cells : Cells
        The shots.
    X : (C, p) array
        Row of each condition, of full column rank.
    scope : Scope
        For whom.
    shared_sd : float
        Standard uncertainty common to the shots of a session: the least by which sessions differ in `general`.

    Returns
    -------
    Effects or None
        None where nothing tells of the error: one shooter in scope `general`, no two shots of a kind, no scatter,
        conditions that never met in a session.
    """
    return _these(cells, X) if scope is Scope.THESE else _general(cells, X, shared_sd)


def _these(cells: Cells, X: Floats) -> Effects | None:
    variances = cell_variances(cells)
    blocks = np.eye(int(variances.block.max()) + 1)[variances.block]
    full = np.hstack([X[cells.condition], blocks])
    inverse = np.linalg.pinv(full)
    origin = float(cells.mean.mean())
    error, error_df = variances.variance / cells.weight, variances.df
    pooled = variances.pooled
    if not cells.spread_df.any():
        # One shot a cell: what the model leaves over is the only error there is.
        left = (cells.mean - origin) - full @ (inverse @ (cells.mean - origin))
        df = len(left) - int(np.linalg.matrix_rank(full))
        if df < 1:
            return None
        error, error_df = np.full(len(left), float(left @ left) / df), np.full(len(left), float(df))
        pooled, blocks = np.ones(len(left), dtype=bool), np.ones((len(left), 1))
    if not (error > 0).any():
        return None

    def operator(contrasts: Floats) -> Floats:
        return np.asarray(np.hstack([contrasts, np.zeros((len(contrasts), full.shape[1] - X.shape[1]))]) @ inverse)

    def estimable(contrasts: Floats) -> Floats:
        wide = np.hstack([contrasts, np.zeros((len(contrasts), full.shape[1] - X.shape[1]))])
        return np.asarray(np.abs(wide @ inverse @ full - wide).max(axis=1) < 1e-8)

    def df_of(contrasts: Floats) -> Floats:
        part = operator(contrasts) ** 2 * error
        shared = (part * pooled) @ blocks
        shared_df = np.array([error_df[pooled & (column > 0)].min(initial=np.inf) for column in blocks.T])
        spread = (np.where(pooled, 0.0, part) ** 2 / error_df).sum(axis=1) + (shared**2 / shared_df).sum(axis=1)
        return np.asarray(part.sum(axis=1) ** 2 / spread)

    return Effects(
        estimate=lambda contrasts: operator(contrasts) @ (cells.mean - origin),
        cov=lambda contrasts: (operator(contrasts) * error) @ operator(contrasts).T,
        df=df_of,
        estimable=estimable,
        method=THESE_METHOD,
    )


def _general(cells: Cells, X: Floats, shared_sd: float) -> Effects | None:
    if len(cells.shooters) < 2:
        return None
    combination = np.unique(cells.condition * len(cells.shooters) + cells.shooter, return_inverse=True)[1]
    rows = X[cells.condition]
    effects = [Random(name=SHOOTER, group=cells.shooter)]
    if cells.within_df > 0 or len(np.unique(combination)) < len(combination):
        effects.append(Random(name=INTERACTION, group=combination))
    if len(cells.sessions) > 1:
        # Where each session had conditions of its own, only a stated uncertainty says how sessions differ.
        wide = np.hstack([rows, np.eye(len(cells.sessions))[cells.session]])
        known = bool(np.linalg.matrix_rank(wide) == np.linalg.matrix_rank(rows))
        if known and shared_sd == 0:
            return None
        effects.append(Random(name=SESSION, group=cells.session, floor=shared_sd**2, known=known))
    mean = cells.mean - cells.mean.mean()
    left = mean - rows @ np.linalg.lstsq(rows, mean, rcond=None)[0]
    if np.linalg.matrix_rank(rows) < X.shape[1] or not (cells.within_ss.sum() > 0 or np.abs(left).max() > 1e-9):
        return None
    fit = fit_reml(
        mean, cells.weight, rows, tuple(effects), within_ss=float(cells.within_ss.sum()),
        within_df=max(cells.within_df, 0),
    )  # fmt: skip
    return Effects(
        estimate=lambda contrasts: contrasts @ fit.beta,
        cov=lambda contrasts: contrasts @ fit.adjusted_cov @ contrasts.T,
        df=lambda contrasts: np.maximum(fit.satterthwaite_df(contrasts), 1.0),
        estimable=lambda contrasts: np.ones(len(contrasts), dtype=bool),
        method=GENERAL_METHOD,
    )
