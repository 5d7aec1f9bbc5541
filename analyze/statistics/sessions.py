"""Differences for these shooters over several sessions: condition x shooter fixed, session random.

What all shots of a session share, its calibration above all, cancels between conditions of one session and counts
in full between sessions. Sessions and shooters may scatter unequally, so every cell (a condition by a shooter in a
session) carries its own variance, as within one session; which of them weighs how much is left to their numbers of
shots, since weights found from a few shots' scatter would make intervals too short.
"""

from dataclasses import dataclass, replace

import numpy as np

from analyze.statistics.blocks import slope_cov
from analyze.statistics.cell_variances import CellVariances, cell_variances
from analyze.statistics.cells import Cells
from analyze.statistics.general import (
    BETWEEN_SESSIONS,
    Design,
    Errors,
    dummies,
    mixed_model,
    pairs_of,
    pooled_errors,
    session_effect,
    settled_fit,
    slope_variance,
)
from analyze.statistics.mixed import MixedFit
from analyze.statistics.pairwise import Model
from calibrate.arrays import Floats, Ints

SESSIONS = "REML with session random, a variance for each cell, Welch-Satterthwaite df; Tukey-Kramer"


def _design(cells: Cells, order: Ints, shared_sd: float) -> Design:
    """For these shooters over several sessions: condition x shooter fixed, session random."""
    a, b = pairs_of(order)
    combination = cells.condition * len(cells.shooters) + cells.shooter
    ids, combination = np.unique(combination, return_inverse=True)
    X = dummies(combination)
    condition, shooter = ids // len(cells.shooters), ids % len(cells.shooters)
    present = np.zeros((len(cells.conditions), len(cells.shooters)))
    present[condition, shooter] = 1.0
    both = present[a] * present[b]
    count = both.sum(axis=1)
    shares = (both / np.maximum(count, 1)[:, None])[:, shooter]
    contrasts = shares * ((condition == b[:, None]).astype(float) - (condition == a[:, None]))
    mean_rows = (condition == order[:, None]) / present.sum(axis=1)[order][:, None]
    effect, lost = session_effect(cells, contrasts, X, shared_sd)
    no_answer = np.where(lost, BETWEEN_SESSIONS, "").astype(object)
    no_answer[count == 0] = "No shooter shot both, so shooter and condition cannot be told apart."
    return Design(
        X=X,
        contrasts=contrasts,
        mean_rows=mean_rows,
        effects=(effect,),
        no_answer=tuple(no_answer),
    )


def _own_spread(cells: Cells, variances: CellVariances, part: Floats) -> Floats:
    """Squares of the cells' parts (N, J) over their degrees of freedom; what shares a variance enters as one."""
    own = np.where(variances.pooled, 0.0, part)
    shared = np.where(variances.pooled, part, 0.0) / np.sqrt(variances.df)
    return np.asarray((own**2 / variances.df).sum(axis=1) + ((shared @ dummies(variances.block)) ** 2).sum(axis=1))


def own_errors(cells: Cells, fit: MixedFit, rows: Floats, *, centred: bool) -> Errors:
    """Errors of contrasts where every cell scatters by its own variance; arguments as of `pooled_errors`.

    The session's part is that of the fit, Kenward and Roger's allowance included. Degrees of freedom after
    Satterthwaite 1946 (Biometrics Bull. 2, 110); that the session's variance was found from the same shots is left
    out of them.
    """
    alike = pooled_errors(cells, fit, rows, centred=centred)
    if not cells.spread_df.any():
        return alike
    variances = cell_variances(cells)
    part = (rows @ fit.operator) ** 2 * variances.variance / cells.weight
    slopes = slope_variance(cells, rows, fit, slope_cov(cells, variances), centred=centred)
    pooled_slopes = slope_variance(
        cells, rows, fit, cells.slope_cov_per_variance * fit.variances[-1], centred=centred
    )
    session = np.maximum(alike.variance - pooled_slopes - alike.from_shots, 0.0)
    variance = session + part.sum(axis=1) + slopes
    steps = np.einsum("ni,kij,nj->nk", rows, fit.beta_cov_slopes[:-1], rows)
    spread = np.einsum("nk,kl,nl->n", steps, fit.variances_cov[:-1, :-1], steps)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = 2 * variance**2 / (spread + 2 * _own_spread(cells, variances, part))
    return Errors(variance=variance, from_shots=part.sum(axis=1), df=np.maximum(df, 1.0))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SessionMeans:
    """Means of two conditions over the shooters who shot both.

    Attributes
    ----------
    mean : (2,) float64
        Of the first and the second.
    cov : (2, 2) float64
        Their covariance, the sessions' part included.
    df_of_ratio : float
        Degrees of freedom of second minus ratio x first, at the ratio of the means.
    """

    mean: Floats
    cov: Floats
    df_of_ratio: float


def session_means(cells: Cells, a: int, b: int, *, shared_sd: float) -> SessionMeans | None:
    """Means of two conditions with the covariance that sessions give them; None where they have no answer.

    Parameters
    ----------
    cells : Cells
        The shots.
    a, b : int
        Places of the conditions.
    shared_sd : float
        As in `sessions_model`.
    """
    design = _design(cells, np.array([a, b]), shared_sd)
    fit, _ = settled_fit(cells, design)
    if fit is None or design.no_answer[0]:
        return None
    rows = np.stack([np.minimum(design.contrasts[0], 0.0) * -1.0, np.maximum(design.contrasts[0], 0.0)])
    mean = rows @ fit.beta
    if mean[0] == 0:
        return None
    # Covariance from variances of sums: what own_errors allows for is a quadratic form in the contrast.
    first, second, both = own_errors(cells, fit, np.vstack([rows, rows.sum(axis=0)]), centred=True).variance
    between = (both - first - second) / 2
    ratio_row = (rows[1] - mean[1] / mean[0] * rows[0])[None, :]
    df = float(own_errors(cells, fit, ratio_row, centred=True).df[0])
    return SessionMeans(mean=mean, cov=np.array([[first, between], [between, second]]), df_of_ratio=df)


def sessions_model(cells: Cells, order: Ints, *, shared_sd: float) -> Model:
    """Compare for these shooters over several sessions, session random.

    Parameters
    ----------
    cells : Cells
        The shots.
    order : (C,) int64
        Conditions in the order of the pairs.
    shared_sd : float
        Standard uncertainty common to the shots of a session.
    """
    design = _design(cells, order, shared_sd)
    found = mixed_model(cells, design, order, method=SESSIONS, df_grows=True, shooters=0, errors=own_errors)
    return replace(found, notes=(*found.notes, *cell_variances(cells).notes))
