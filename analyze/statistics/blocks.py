"""Differences between conditions for these very shooters: each shooter (in each session) is a block of its own."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analyze.statistics.cells import Cells
from analyze.statistics.pairwise import Estimates, Model, OmnibusTest
from calibrate.arrays import Floats, Ints

SPREADS_DIFFER_BELOW = 0.05
TUKEY = "Tukey-Kramer, shooter as block"
GAMES_HOWELL = "Games-Howell, shooter as block"
ADDITIVE = "Tukey-Kramer, shooter as block, shooter x condition as error (one shot a cell)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Whether the shots of the conditions scatter alike.

    Attributes
    ----------
    p : float or None
        Bartlett's test over the conditions, scatter within each shooter's own shots; None when it cannot be made.
    differ : bool
        p below 0.05: Games-Howell is used for all pairs in place of Tukey-Kramer. That is the whole rule.
    sd : tuple of float or None
        Scatter of each condition's shots, in the order of the cells' conditions; None below one degree of freedom.
    """

    p: float | None
    differ: bool
    sd: tuple[float | None, ...]


def compare_spreads(cells: Cells) -> Spreads:
    """Bartlett's test on the conditions' scatter within cells (Bartlett 1937; NIST e-Handbook 1.3.5.7)."""
    k = len(cells.conditions)
    ss = np.bincount(cells.condition, cells.within_ss, k)
    df = np.bincount(cells.condition, cells.n - 1, k)
    variance = np.divide(ss, df, out=np.full(k, np.nan), where=df > 0)
    sd = tuple(float(np.sqrt(v)) if d > 0 else None for v, d in zip(variance, df, strict=True))
    told = df > 0
    if told.sum() < 2 or not ss.any():
        return Spreads(p=None, differ=False, sd=sd)
    if (variance[told] <= 0).any():
        return Spreads(p=0.0, differ=True, sd=sd)
    v, d = variance[told], df[told]
    pooled = float((v * d).sum() / d.sum())
    statistic = d.sum() * np.log(pooled) - (d * np.log(v)).sum()
    correction = 1 + ((1 / d).sum() - 1 / d.sum()) / (3 * (len(d) - 1))
    p = float(stats.chi2.sf(statistic / correction, len(d) - 1))
    return Spreads(p=p, differ=p < SPREADS_DIFFER_BELOW, sd=sd)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Grid:
    """Cells laid out as conditions by blocks, zero where there is no cell."""

    present: Floats
    mean: Floats
    inverse_weight: Floats
    covariates: Floats  # (K, C, B)


def _grid(cells: Cells) -> _Grid:
    block = cells.session * len(cells.shooters) + cells.shooter
    _, block = np.unique(block, return_inverse=True)
    shape = (len(cells.conditions), int(block.max()) + 1)
    place = (cells.condition, block)
    present, mean, inverse = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    present[place] = 1.0
    mean[place] = cells.mean - cells.mean.mean()
    inverse[place] = 1 / cells.weight
    covariates = np.zeros((len(cells.covariate_names), *shape))
    for k, column in enumerate(cells.covariate_mean.T):
        covariates[k][place] = column
    return _Grid(present=present, mean=mean, inverse_weight=inverse, covariates=covariates)


def _common(values: Floats, grid: _Grid, a: Ints, b: Ints, common: Floats) -> Floats:
    """Mean over the blocks that both conditions have, of b minus a."""
    sums = values @ grid.present.T  # sums[i, j]: of i's values over the blocks that j has too
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((sums[b, a] - sums[a, b]) / common)


def _additive_variance(grid: _Grid) -> tuple[float, int]:
    """Mean square of shooter x condition over equal-weight cells, and its degrees of freedom."""
    c, s = np.nonzero(grid.present)
    X = np.hstack([np.eye(grid.present.shape[0])[c], np.eye(grid.present.shape[1])[s]])
    y = grid.mean[c, s]
    residual = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    df = len(y) - int(np.linalg.matrix_rank(X))
    return (float(residual @ residual) / df if df else np.nan), df


def _means(cells: Cells, grid: _Grid, order: Ints, variance: float | None) -> tuple[Floats, Floats, Floats]:
    """Mean of every condition over its shooters, all weighing alike, its standard error and degrees of freedom."""
    count = grid.present.sum(axis=1)
    mean = grid.mean.sum(axis=1) / count + cells.mean.mean()
    share = grid.inverse_weight.sum(axis=1) / count**2
    extra = np.zeros(len(count))
    if len(grid.covariates):
        shift = (grid.covariates.sum(axis=2) / count).T - cells.covariate_mean.mean(axis=0)
        mean = mean - shift @ cells.slope
        extra = np.einsum("ni,ij,nj->n", shift, cells.slope_cov_per_variance, shift)
    se = np.sqrt((np.nan if variance is None else variance) * (share + extra))
    return mean[order], se[order], np.full(len(order), float(max(cells.within_df, 0)))


def _omnibus(cells: Cells, grid: _Grid, mean: Floats, se: Floats) -> OmnibusTest | None:
    """F test with one variance, for shooters who all shot every condition and no covariates.

    The contrasts of condition means weigh the shooters alike; for one shooter it is the one-way analysis.
    """
    usable = grid.present.all() and not len(grid.covariates) and len(mean) > 1 and cells.within_df > 0
    if not usable or not (se > 0).all():
        return None
    weight = 1 / se**2
    centre = float((weight * mean).sum() / weight.sum())
    df = len(mean) - 1
    f = float((weight * (mean - centre) ** 2).sum()) / df
    return OmnibusTest(
        f=f, df_conditions=float(df), df_error=float(cells.within_df), p=float(stats.f.sf(f, df, cells.within_df))
    )


def block_model(cells: Cells, order: Ints, spreads: Spreads) -> Model:
    """Compare for these shooters, one session: see `block_estimates` for the arguments."""
    grid = _grid(cells)
    variance, notes = cells.shot_variance, []
    if variance is not None and cells.measuring_variance is not None and variance < cells.measuring_variance:
        notes.append(
            f"The shots scatter less ({np.sqrt(variance):.3g}) than their measuring uncertainty says "
            f"({np.sqrt(cells.measuring_variance):.3g}); the latter is used."
        )
        variance = cells.measuring_variance
    mean, se, df = _means(cells, grid, order, variance)
    return Model(
        estimates=block_estimates(cells, order, spreads),
        mean=mean,
        mean_se=se,
        mean_df=df,
        omnibus=_omnibus(cells, grid, mean, se),
        notes=tuple(notes),
    )


def block_estimates(cells: Cells, order: Ints, spreads: Spreads) -> Estimates:
    """Differences of all pairs, each over the shooters that shot both conditions.

    Parameters
    ----------
    cells : Cells
        The shots.
    order : (C,) int64
        Conditions in the order of the pairs.
    spreads : Spreads
        Decides between one pooled variance and one per condition.

    Returns
    -------
    Estimates
        The shooters weigh alike, whatever their number of shots. Pooled variance: Tukey 1953, Kramer 1956
        (Biometrics 12, 307); a variance per condition: Games & Howell 1976 (J. Educ. Stat. 1, 113).
    """
    first, second = np.triu_indices(len(order), 1)
    a, b = order[first], order[second]
    grid = _grid(cells)
    common = (grid.present @ grid.present.T)[a, b]
    difference = _common(grid.mean, grid, a, b, common)
    shift = (
        np.stack([_common(x, grid, a, b, common) for x in grid.covariates], axis=1)
        if len(grid.covariates)
        else None
    )
    shared = grid.inverse_weight @ grid.present.T
    with np.errstate(invalid="ignore", divide="ignore"):
        share_a, share_b = shared[a, b] / common**2, shared[b, a] / common**2
        shots_a, shots_b = 1 / share_a, 1 / share_b
    method, variance = TUKEY, cells.shot_variance
    df = np.full(len(a), float(max(cells.within_df, 0)))
    if spreads.differ:
        method = GAMES_HOWELL
        per_condition = np.array([np.nan if sd is None else sd**2 for sd in spreads.sd])
        per_df = np.bincount(cells.condition, cells.n - 1, len(order)).astype(float)
        if cells.measuring_variance is not None:
            per_condition = np.maximum(per_condition, cells.measuring_variance)
        part_a, part_b = per_condition[a] * share_a, per_condition[b] * share_b
        se2 = part_a + part_b
        with np.errstate(invalid="ignore", divide="ignore"):
            df = np.asarray(se2**2 / (part_a**2 / per_df[a] + part_b**2 / per_df[b]))
    elif variance is None:
        method = ADDITIVE
        interaction, additive_df = _additive_variance(grid)
        with np.errstate(invalid="ignore", divide="ignore"):
            se2 = 2 * interaction / common
        df = np.full(len(a), float(additive_df))
    else:
        if cells.measuring_variance is not None:
            variance = max(variance, cells.measuring_variance)
        se2 = variance * (share_a + share_b)
    if shift is not None:
        difference = difference - shift @ cells.slope
        slope_variance = cells.slope_cov_per_variance * (variance or 0.0)
        se2 = se2 + np.einsum("ni,ij,nj->n", shift, slope_variance, shift)
    notes = tuple(
        "" if n else "No shooter shot both in one session, so shooter and condition cannot be told apart."
        for n in common
    )
    return Estimates(
        a=a, b=b, difference=difference, se=np.sqrt(se2), df=df, k=len(order), method=method, notes=notes,
        lasting_variance=np.zeros(len(a)), shots_a=np.nan_to_num(shots_a, nan=1.0, posinf=1.0),
        shots_b=np.nan_to_num(shots_b, nan=1.0, posinf=1.0), df_grows=True, shooters=0,
    )  # fmt: skip
