"""How far the shots of each condition by each shooter scatter: a variance for each cell, small cells pooled.

Shooters scatter unequally, and so may conditions; a variance common to all would call equal conditions different in
two of three tests (simulated: shooters' sds of 4, 4 and 20 mm, 12, 12 and 2 shots). Whether variances differ is not
tested first, since such a test misses what few shots hide and its choice spoils the error rates behind it.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analyze.statistics.cells import Cells
from analyze.statistics.shots_table import listed
from calibrate.arrays import Floats, Ints

# A variance from two shots has one degree of freedom; cells that small share one variance with the shooter's other
# small cells. From three shots on each keeps its own (simulated: 0.03 to 0.067 false `differs` of a stated 0.05).
SMALL_CELL_DF = 1
UNEQUAL_BELOW = 0.05


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CellVariances:
    """Variance of one shot in each cell.

    Attributes
    ----------
    variance : (J,) float64
        Estimate, in unit**2; cells of one group share it. NaN where no cell has two shots.
    df : (J,) float64
        Degrees of freedom of the group's estimate.
    pooled : (J,) bool
        Whether the cell shares its variance with the other pooled cells of its block.
    block : (J,) int64
        Shooter in a session.
    notes : tuple of str
        Which cells are pooled, whether shooters scatter unequally, where the measuring uncertainty is the floor.
    """

    variance: Floats
    df: Floats
    pooled: np.ndarray
    block: Ints
    notes: tuple[str, ...]


def blocks_of(cells: Cells) -> Ints:
    """Return which block, a shooter in a session, each cell belongs to, from 0."""
    return np.asarray(np.unique(cells.session * len(cells.shooters) + cells.shooter, return_inverse=True)[1])


def _over(total: Floats, df: Floats) -> Floats:
    return np.asarray(np.divide(total, df, out=np.full(len(df), np.nan), where=df > 0))


def cell_variances(cells: Cells) -> CellVariances:
    """Give each cell its variance.

    Parameters
    ----------
    cells : Cells
        The shots.

    Returns
    -------
    CellVariances
        Cells of three or more shots that are not all equal keep their own. The others of one shooter are pooled;
        what is left of one degree of freedom or none takes the larger of its own and the shooter's whole scatter,
        and where a shooter made one shot of everything, that of all shooters.
    """
    block, df = blocks_of(cells), cells.spread_df
    count = int(block.max()) + 1
    small = (df <= SMALL_CELL_DF) | (cells.within_ss <= 0)
    group_df = np.bincount(block, df * small, count).astype(np.float64)
    group = _over(np.bincount(block, cells.within_ss * small, count).astype(np.float64), group_df)
    whole_df = np.bincount(block, df, count).astype(np.float64)
    whole = _over(np.bincount(block, cells.within_ss, count).astype(np.float64), whole_df)
    overall_df = float(df.sum())
    overall = float(cells.within_ss.sum()) / overall_df if overall_df > 0 else np.nan
    lent = ~(whole_df > 0)
    whole, whole_df = np.where(lent, overall, whole), np.where(lent, overall_df, whole_df)
    lone = group_df <= SMALL_CELL_DF
    shared = np.where(lone, np.fmax(group, whole), group)
    shared_df = np.where(group_df > 0, group_df, whole_df)

    own = _over(cells.within_ss, df)
    variance = np.where(small, shared[block], own)
    notes = [*_scatter_note(cells, block, whole, whole_df), *_pooled_note(cells, small, lent[block])]
    if cells.measuring_variance is not None:
        below = variance < cells.measuring_variance
        if below.any():
            notes.append(
                f"In {int(below.sum())} of {len(below)} combinations of condition and shooter the shots scatter "
                f"less than their measuring uncertainty says ({np.sqrt(cells.measuring_variance):.3g}); there the "
                "latter is used."
            )
        variance = np.where(below, cells.measuring_variance, variance)
    return CellVariances(
        variance=variance, df=np.where(small, shared_df[block], df), pooled=small, block=block, notes=tuple(notes)
    )


def bartlett(variance: Floats, df: Floats) -> float:
    """P value of Bartlett's test of equal variances (Bartlett 1937; NIST e-Handbook 1.3.5.7)."""
    pooled = float((variance * df).sum() / df.sum())
    statistic = df.sum() * np.log(pooled) - (df * np.log(variance)).sum()
    correction = 1 + ((1 / df).sum() - 1 / df.sum()) / (3 * (len(df) - 1))
    return float(stats.chi2.sf(statistic / correction, len(df) - 1))


def _scatter_note(cells: Cells, block: Ints, variance: Floats, df: Floats) -> tuple[str, ...]:
    """Warn where shooters scatter unequally; it chooses nothing."""
    estimable = (df > 0) & (variance > 0)
    if estimable.sum() < 2 or bartlett(variance[estimable], df[estimable]) >= UNEQUAL_BELOW:
        return ()
    first = np.unique(block, return_index=True)[1]
    names = [cells.shooters[cells.shooter[j]] for j in first]
    order = np.flatnonzero(estimable)[np.argsort(variance[estimable], kind="stable")]
    low, high = order[0], order[-1]
    return (
        f"Shooters scatter unequally (from {names[low]}, sd {np.sqrt(variance[low]):.3g}, to {names[high]}, sd "
        f"{np.sqrt(variance[high]):.3g}): every difference carries each shooter's own scatter.",
    )


def _pooled_note(cells: Cells, small: np.ndarray, lent: np.ndarray) -> tuple[str, ...]:
    if not small.any() or not cells.spread_df.sum():
        return ()
    named = listed(
        f"{cells.conditions[cells.condition[j]]} by {cells.shooters[cells.shooter[j]]}"
        for j in np.flatnonzero(small)
    )
    source = "all shooters" if lent[small].all() else "the same shooter"
    return (
        f"Too few different values for a scatter of their own: {named}; the scatter of other shots by {source} is "
        "used.",
    )
