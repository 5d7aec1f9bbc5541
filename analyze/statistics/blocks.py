"""Differences between conditions for these very shooters: each shooter (in each session) is a block of its own."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analyze.statistics.cell_variances import UNEQUAL_BELOW, CellVariances, bartlett, blocks_of, cell_variances
from analyze.statistics.cells import Cells
from analyze.statistics.pairwise import Estimates, Model, OmnibusTest
from analyze.statistics.shots_table import listed
from calibrate.arrays import Floats, Ints

GAMES_HOWELL = "Games-Howell, shooter as block, a variance for each of its cells, Welch-Satterthwaite df"
ADDITIVE = "Tukey-Kramer, shooter as block, shooter x condition as error (one shot a cell)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Whether the shots of the conditions scatter alike: to be read, it chooses nothing.

    Attributes
    ----------
    p : float or None
        Bartlett's test over the conditions, scatter within each shooter's own shots; None when it cannot be made.
    differ : bool
        p below 0.05.
    sd : tuple of float or None
        Scatter of each condition's shots, in the order of the cells' conditions; None below one degree of freedom.
    """

    p: float | None
    differ: bool
    sd: tuple[float | None, ...]


def compare_spreads(cells: Cells) -> Spreads:
    """Bartlett's test on the conditions' scatter within cells."""
    k = len(cells.conditions)
    ss = np.bincount(cells.condition, cells.within_ss, k)
    df = np.bincount(cells.condition, cells.spread_n - 1, k).astype(np.float64)
    variance = np.divide(ss, df, out=np.full(k, np.nan), where=df > 0)
    sd = tuple(float(np.sqrt(v)) if d > 0 else None for v, d in zip(variance, df, strict=True))
    estimable = df > 0
    if estimable.sum() < 2 or not ss.any():
        return Spreads(p=None, differ=False, sd=sd)
    if (variance[estimable] <= 0).any():
        return Spreads(p=0.0, differ=True, sd=sd)
    p = bartlett(variance[estimable], df[estimable])
    return Spreads(p=p, differ=p < UNEQUAL_BELOW, sd=sd)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Grid:
    """Cells laid out as conditions by blocks, zero where there is no cell.

    `error` is the variance of a cell's mean; `own` its square over the degrees of freedom where the cell's variance
    is its own, `pooled` its error over their root where the variance is shared within the block.
    """

    present: Floats
    mean: Floats
    inverse_weight: Floats
    error: Floats
    own: Floats
    pooled: Floats
    covariates: Floats  # (K, C, B)


def _grid(cells: Cells, variances: CellVariances) -> _Grid:
    shape = (len(cells.conditions), int(variances.block.max()) + 1)

    def laid(values: Floats) -> Floats:
        table = np.zeros(shape)
        table[cells.condition, variances.block] = values
        return table

    error = variances.variance / cells.weight
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.where(variances.pooled, 0.0, error**2 / variances.df)
        pooled = np.where(variances.pooled, error / np.sqrt(variances.df), 0.0)
    return _Grid(
        present=laid(np.ones(len(cells.n))),
        mean=laid(cells.mean - cells.mean.mean()),
        inverse_weight=laid(1 / cells.weight),
        error=laid(error),
        own=laid(own),
        pooled=laid(pooled),
        covariates=np.array([laid(column) for column in cells.covariate_mean.T]).reshape(-1, *shape),
    )


def _over_common(values: Floats, grid: _Grid, a: Ints, b: Ints) -> tuple[Floats, Floats]:
    """Sum the values of a, and those of b, over the blocks that both have."""
    sums = values @ grid.present.T  # sums[i, j]: of i's values over the blocks that j has too
    return sums[a, b], sums[b, a]


def _additive_variance(grid: _Grid) -> tuple[float, int]:
    """Mean square of shooter x condition over equal-weight cells, and its degrees of freedom."""
    c, s = np.nonzero(grid.present)
    X = np.hstack([np.eye(grid.present.shape[0])[c], np.eye(grid.present.shape[1])[s]])
    y = grid.mean[c, s]
    residual = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    df = len(y) - int(np.linalg.matrix_rank(X))
    return (float(residual @ residual) / df if df else np.nan), df


def slope_cov(cells: Cells, variances: CellVariances) -> Floats:
    """Covariance of the covariates' slopes where each cell scatters by its own variance."""
    inverse = cells.slope_cov_per_variance
    return np.asarray(inverse @ np.einsum("j,jkl->kl", variances.variance, cells.covariate_ss) @ inverse)


def _means(cells: Cells, grid: _Grid, of_slopes: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean of every condition over its shooters, all weighing alike, its squared error and degrees of freedom."""
    count = grid.present.sum(axis=1)
    mean = grid.mean.sum(axis=1) / count + cells.mean.mean()
    variance = grid.error.sum(axis=1) / count**2
    with np.errstate(divide="ignore", invalid="ignore"):
        df = variance**2 / ((grid.own.sum(axis=1) + (grid.pooled**2).sum(axis=1)) / count**4)
    if len(grid.covariates):
        shift = (grid.covariates.sum(axis=2) / count).T - cells.covariate_mean.mean(axis=0)
        mean = mean - shift @ cells.slope
        variance = variance + np.einsum("ni,ij,nj->n", shift, of_slopes, shift)
    return mean, variance, df


def welch_test(mean: Floats, variance: Floats, df: Floats) -> OmnibusTest | None:
    """F test of equal means that have variances of their own (Welch 1951, Biometrika 38, 330).

    Parameters
    ----------
    mean, variance, df : (C,) array
        Means, their estimated variances and the degrees of freedom of these.
    """
    k = len(mean)
    if k < 2 or not (np.isfinite(variance) & (variance > 0) & (df > 0)).all():
        return None
    weight = 1 / variance
    share = weight / weight.sum()
    centre = float(share @ mean)
    loss = float(((1 - share) ** 2 / df).sum())
    f = float((weight * (mean - centre) ** 2).sum()) / (k - 1) / (1 + 2 * (k - 2) / (k**2 - 1) * loss)
    error_df = (k**2 - 1) / (3 * loss)
    return OmnibusTest(f=f, df_conditions=k - 1.0, df_error=error_df, p=float(stats.f.sf(f, k - 1, error_df)))


def block_model(cells: Cells, order: Ints) -> Model:
    """Compare for these shooters, one session.

    Parameters
    ----------
    cells : Cells
        The shots.
    order : (C,) int64
        Conditions in the order of the pairs.

    Returns
    -------
    Model
        The shooters weigh alike, whatever their number of shots; each pair is compared over the shooters that shot
        both. Games & Howell 1976 (J. Educ. Stat. 1, 113) on means of cells; degrees of freedom after Satterthwaite
        1946 (Biometrics Bull. 2, 110).
    """
    variances = cell_variances(cells)
    grid = _grid(cells, variances)
    of_slopes = slope_cov(cells, variances)
    mean, variance, df = _means(cells, grid, of_slopes)
    # The test of all conditions needs independent means: every shooter shot everything, and no common slope.
    omnibus = welch_test(mean, variance, df) if grid.present.all() and not len(grid.covariates) else None
    return Model(
        estimates=_pairs(cells, grid, order, of_slopes),
        mean=mean[order],
        mean_se=np.sqrt(variance)[order],
        mean_df=df[order],
        omnibus=omnibus,
        notes=(*variances.notes, *_missing_note(grid)),
    )


def _missing_note(grid: _Grid) -> tuple[str, ...]:
    if grid.present.all() or grid.present.shape[1] == 1:
        return ()
    return (
        "Not every shooter shot every condition: each pair is compared over the shooters that shot both, who weigh "
        "alike, since a difference may vary from shooter to shooter.",
    )


def _pair_notes(cells: Cells, grid: _Grid, a: Ints, b: Ints, common: Floats) -> tuple[str, ...]:
    """Say per pair over whom it holds, where that is not everybody."""
    blocks = np.zeros(grid.present.shape[1], dtype=np.int64)
    blocks[blocks_of(cells)] = cells.shooter
    notes = []
    for one, other, count in zip(a, b, common, strict=True):
        if count == grid.present.shape[1]:
            notes.append("")
        elif count == 0:
            notes.append("No shooter shot both in one session, so shooter and condition cannot be told apart.")
        else:
            both = np.flatnonzero(grid.present[one] * grid.present[other])
            notes.append(f"Over those who shot both: {listed(cells.shooters[blocks[k]] for k in both)}.")
    return tuple(notes)


def _pairs(cells: Cells, grid: _Grid, order: Ints, of_slopes: Floats) -> Estimates:
    first, second = np.triu_indices(len(order), 1)
    a, b = order[first], order[second]
    common = (grid.present @ grid.present.T)[a, b]
    with np.errstate(invalid="ignore", divide="ignore"):
        of_a, of_b = _over_common(grid.mean, grid, a, b)
        difference = (of_b - of_a) / common
        se2 = sum(_over_common(grid.error, grid, a, b)) / common**2
        shots_a, shots_b = (common**2 / share for share in _over_common(grid.inverse_weight, grid, a, b))
        # A variance shared within a block enters both sides at once: (pa + pb)**2 = pa**2 + pb**2 + 2 pa pb.
        spread = sum(_over_common(grid.own + grid.pooled**2, grid, a, b)) + 2 * (grid.pooled @ grid.pooled.T)[a, b]
        df = se2**2 / (spread / common**4)
    method = GAMES_HOWELL
    if not cells.spread_df.any():
        method = ADDITIVE
        interaction, additive_df = _additive_variance(grid)
        with np.errstate(invalid="ignore", divide="ignore"):
            se2 = 2 * interaction / common
        df = np.full(len(a), float(additive_df))
    if len(grid.covariates):
        shift = np.stack(
            [np.subtract(*_over_common(x, grid, b, a)) / np.maximum(common, 1) for x in grid.covariates], axis=1
        )
        difference = difference - shift @ cells.slope
        se2 = se2 + np.einsum("ni,ij,nj->n", shift, of_slopes, shift)
    return Estimates(
        a=a, b=b, difference=difference, se=np.sqrt(se2), df=np.nan_to_num(df, nan=0.0), k=len(order),
        method=method, notes=_pair_notes(cells, grid, a, b, common), lasting_variance=np.zeros(len(a)),
        shots_a=np.nan_to_num(shots_a, nan=1.0, posinf=1.0), shots_b=np.nan_to_num(shots_b, nan=1.0, posinf=1.0),
        df_grows=True, shooters=0,
    )  # fmt: skip
