"""Differences where shooters, or sessions, are a sample of many: the models with random effects.

Balanced tests (every shooter shot every condition equally often, one session) have exact t and F tests whose error
is shooter x condition. All others go through REML (`mixed.py`), variances held at zero or above, with Kenward and
Roger's standard errors and degrees of freedom. What is told is never sharper than for these shooters
(`scopes.py`).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from analyze.statistics.cells import Cells
from analyze.statistics.mixed import MixedFit, Random, fit_reml
from analyze.statistics.pairwise import Estimates, Flags, Model, OmnibusTest
from calibrate.arrays import Floats, Ints

SHOOTER = "shooter"
SESSION = "session"
INTERACTION = "condition x shooter"
EXACT = "exact (balanced), error shooter x condition; Tukey"
REML = "REML, Kenward-Roger df; Tukey-Kramer"

ONE_SHOOTER = "One shooter tells nothing about shooters in general."
NO_REPLICATION = "No two shooters shot both conditions, so how the difference varies between shooters is unknown."
BETWEEN_SESSIONS = (
    "They were never shot in one session, and how sessions differ is known neither from the shots nor from a "
    "stated calibration uncertainty."
)


def pairs_of(order: Ints) -> tuple[Ints, Ints]:
    """Places of the first and the second condition of every pair."""
    first, second = np.triu_indices(len(order), 1)
    return order[first], order[second]


def dummies(codes: Ints) -> Floats:
    """One column for each code, 1 where a cell has it."""
    return np.asarray(np.eye(int(codes.max()) + 1)[codes], dtype=np.float64)


def _rank(*parts: Floats) -> int:
    return int(np.linalg.matrix_rank(np.hstack(parts)))


def _estimable(contrasts: Floats, X: Floats, *others: Floats) -> Flags:
    """Whether contrasts of X's effects can be estimated with the effects of the others held fixed."""
    if not others:
        return np.ones(len(contrasts), dtype=bool)
    full = np.hstack([X, *others])
    _, singular, right = np.linalg.svd(full)
    rank = int(np.sum(singular > singular[0] * 1e-9))
    null = right[rank:, : X.shape[1]]
    return np.asarray(np.abs(contrasts @ null.T).max(axis=1, initial=0.0) < 1e-7)


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """What enters a fit, and which pairs it cannot answer."""

    X: Floats
    contrasts: Floats
    mean_rows: Floats
    effects: tuple[Random, ...]
    no_answer: tuple[str, ...]  # per pair, empty where there is one


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Errors:
    """Of N contrasts: their variance, what the scatter of shots has in it, and the degrees of freedom."""

    variance: Floats
    from_shots: Floats
    df: Floats


def _balanced(cells: Cells) -> bool:
    complete = len(cells.n) == len(cells.conditions) * len(cells.shooters)
    return complete and len(cells.sessions) == 1 and bool(np.ptp(cells.weight) <= 1e-9 * cells.weight[0])


def session_effect(cells: Cells, contrasts: Floats, X: Floats, shared_sd: float) -> tuple[Random, Flags]:
    """Return the session's random effect and which contrasts have no answer for want of it."""
    Z = dummies(cells.session)
    known = _rank(X, Z) == _rank(X)
    # Held at zero or above, too small a variance would come out too often where sessions are few (simulated: 91.6 %
    # instead of 95 % covered with two sessions a condition); with a stated floor the bound is that floor.
    effect = Random(
        name=SESSION, group=cells.session, floor=shared_sd**2, known=known, free=shared_sd == 0 and not known
    )
    if known and shared_sd == 0:
        return effect, ~_estimable(contrasts, X, Z)
    return effect, np.zeros(len(contrasts), dtype=bool)


def _general_design(cells: Cells, order: Ints, shared_sd: float) -> Design:
    a, b = pairs_of(order)
    X = dummies(cells.condition)
    contrasts = np.eye(X.shape[1])[b] - np.eye(X.shape[1])[a]
    combination = cells.condition * len(cells.shooters) + cells.shooter
    _, combination = np.unique(combination, return_inverse=True)
    Z_shooter, Z_cell = dummies(cells.shooter), dummies(combination)
    several = len(cells.sessions) > 1
    sessions = (dummies(cells.session),) if several else ()
    effects: list[Random] = []
    no_answer = np.full(len(a), "", dtype=object)
    within = _estimable(contrasts, X, Z_shooter)

    shooter_known = _rank(X, Z_shooter, *sessions) == _rank(X, *sessions)
    effects.append(Random(name=SHOOTER, group=cells.shooter, known=shooter_known))
    if shooter_known:
        no_answer[~within] = NO_REPLICATION
    stratum_df = _rank(X, Z_shooter, Z_cell, *sessions) - _rank(X, Z_shooter, *sessions)
    if stratum_df == 0:
        no_answer[within] = NO_REPLICATION
    elif cells.within_df > 0 or len(Z_cell) > Z_cell.shape[1]:
        effects.append(Random(name=INTERACTION, group=combination))
    if several:
        effect, lost = session_effect(cells, contrasts, X, shared_sd)
        effects.append(effect)
        no_answer[lost] = BETWEEN_SESSIONS
    return Design(
        X=X,
        contrasts=contrasts,
        mean_rows=np.eye(X.shape[1])[order],
        effects=tuple(effects),
        no_answer=tuple(no_answer),
    )


def _adjusted_means(cells: Cells) -> Floats:
    if not cells.covariate_names:
        return cells.mean
    return np.asarray(cells.mean - (cells.covariate_mean - cells.covariate_mean.mean(axis=0)) @ cells.slope)


def slope_variance(cells: Cells, rows: Floats, fit: MixedFit, cov: Floats, *, centred: bool) -> Floats:
    """Variance that the uncertain slopes of the covariates, of covariance `cov`, add to contrasts."""
    if not cells.covariate_names:
        return np.zeros(len(rows))
    x = cells.covariate_mean - (cells.covariate_mean.mean(axis=0) if centred else 0.0)
    shift = rows @ fit.operator @ x
    return np.asarray(np.einsum("ni,ij,nj->n", shift, cov, shift))


def pooled_errors(cells: Cells, fit: MixedFit, rows: Floats, *, centred: bool) -> Errors:
    """Errors of contrasts where all shots scatter alike: Kenward and Roger's.

    Parameters
    ----------
    cells : Cells
        The shots.
    fit : MixedFit
        Of these cells.
    rows : (N, p) array
        Contrasts of the fixed effects.
    centred : bool
        Whether they are means, at the covariates' own mean, and no differences.
    """
    variance = np.einsum("ni,ij,nj->n", rows, fit.adjusted_cov, rows, optimize=True)
    slopes = slope_variance(cells, rows, fit, cells.slope_cov_per_variance * fit.variances[-1], centred=centred)
    return Errors(
        variance=variance + slopes,
        from_shots=fit.variances[-1] * np.sum((rows @ fit.operator) ** 2 / cells.weight, axis=1),
        df=np.maximum(fit.satterthwaite_df(rows), 1.0),
    )


def _fit(cells: Cells, design: Design, effects: tuple[Random, ...]) -> MixedFit | None:
    """Fit by REML; None where nothing scatters."""
    y = _adjusted_means(cells)
    unexplained = y - design.X @ np.linalg.lstsq(design.X, y - y.mean(), rcond=None)[0] - y.mean()
    if cells.within_ss.sum() <= 0 and not (np.abs(unexplained) > 1e-12 * np.abs(y).max()).any():
        return None
    return fit_reml(
        y,
        cells.weight,
        design.X,
        effects,
        within_ss=float(cells.within_ss.sum()),
        within_df=max(cells.within_df, 0),
    )


def settled_fit(cells: Cells, design: Design) -> tuple[MixedFit | None, tuple[str, ...]]:
    """Fit, with bounds where it does not settle without them, and say how it went."""
    notes = []
    fit = _fit(cells, design, design.effects)
    if fit is not None and not fit.converged:
        fit = _fit(cells, design, tuple(replace(effect, free=False) for effect in design.effects))
        notes.append("The variances could not be found without bounds; they were held at zero or above.")
    if fit is None:
        return None, ("Nothing scatters, so no variance can be estimated.",)
    if not fit.converged:
        notes.append("REML had not settled when it was stopped: take these intervals with caution.")
    notes.extend(
        f"The variance of {name} came out at zero or below (a singular fit): the scatter of shots explains it."
        for name in fit.singular
    )
    return fit, tuple(notes)


def _even_shots(cells: Cells) -> Floats:
    """Shots of each condition as if spread evenly over its cells."""
    k = len(cells.conditions)
    inverse = np.bincount(cells.condition, 1 / cells.weight, k)
    return np.asarray(np.bincount(cells.condition, minlength=k) ** 2 / inverse)


def _no_fit(cells: Cells, design: Design, order: Ints, method: str, notes: tuple[str, ...]) -> Model:
    """Differences of the plain means, without any interval."""
    a, b = pairs_of(order)
    beta = np.linalg.lstsq(design.X, _adjusted_means(cells), rcond=None)[0]
    nothing = np.full(len(a), np.nan)
    shots = _even_shots(cells)
    return Model(
        estimates=Estimates(
            a=a, b=b, difference=design.contrasts @ beta, se=nothing, df=nothing, k=len(order), method=method,
            notes=design.no_answer, lasting_variance=np.zeros(len(a)), shots_a=shots[a], shots_b=shots[b],
            df_grows=False, shooters=0,
        ),
        mean=design.mean_rows @ beta, mean_se=np.full(len(order), np.nan), mean_df=np.full(len(order), np.nan),
        omnibus=None, notes=notes,
    )  # fmt: skip


def mixed_model(
    cells: Cells,
    design: Design,
    order: Ints,
    *,
    method: str,
    df_grows: bool,
    shooters: int,
    errors: Callable[..., Errors] = pooled_errors,
) -> Model:
    """Fit a design and give its pairs and means; `errors` says how sure contrasts are, as `pooled_errors` does."""
    fit, notes = settled_fit(cells, design)
    if fit is None:
        return _no_fit(cells, design, order, method, notes)
    a, b = pairs_of(order)
    rows, means = design.contrasts, design.mean_rows
    answered = np.array([not reason for reason in design.no_answer], dtype=bool)
    found, of_means = errors(cells, fit, rows, centred=False), errors(cells, fit, means, centred=True)
    difference = rows @ fit.beta
    # Without a shot in common terms the model's difference would be a guess about sessions or shooters.
    difference = np.where(answered | (np.abs(rows).sum(axis=1) > 0), difference, np.nan)
    shots = _even_shots(cells)
    return Model(
        estimates=Estimates(
            a=a, b=b, difference=difference, se=np.where(answered, np.sqrt(found.variance), np.nan), df=found.df,
            k=len(order), method=method, notes=design.no_answer,
            lasting_variance=np.clip(found.variance - found.from_shots, 0.0, found.variance),
            shots_a=shots[a], shots_b=shots[b], df_grows=df_grows, shooters=shooters,
        ),
        mean=means @ fit.beta,
        mean_se=np.sqrt(np.where(of_means.variance > 0, of_means.variance, np.nan)),
        mean_df=of_means.df,
        omnibus=_wald_test(fit, rows[: len(order) - 1]) if answered.all() else None,
        notes=notes,
    )  # fmt: skip


def _wald_test(fit: MixedFit, contrasts: Floats) -> OmnibusTest | None:
    """F test of several contrasts with degrees of freedom after Fai & Cornelius 1996 (J. Stat. Comput. Simul.)."""
    count = len(contrasts)
    values, vectors = np.linalg.eigh(contrasts @ fit.beta_cov @ contrasts.T)
    if count == 0 or values[0] <= 0:
        return None
    rotated = vectors.T @ contrasts
    f = float(np.sum((rotated @ fit.beta) ** 2 / values)) / count
    df = np.maximum(fit.satterthwaite_df(rotated), 2.0 + 1e-9)
    if count == 1:
        error_df = float(np.maximum(fit.satterthwaite_df(rotated), 1.0)[0])
    else:
        expected = float(np.sum(df / (df - 2)))
        error_df = 2 * expected / (expected - count)
    return OmnibusTest(f=f, df_conditions=float(count), df_error=error_df, p=float(stats.f.sf(f, count, error_df)))


def _balanced_model(cells: Cells, order: Ints) -> Model:
    """Give the exact analysis of a balanced two-way table: shooters random, error shooter x condition."""
    C, S = len(cells.conditions), len(cells.shooters)
    n = float(cells.weight[0])
    table = np.zeros((C, S))
    table[cells.condition, cells.shooter] = _adjusted_means(cells)
    mean = table.mean(axis=1)
    grand = table.mean()
    residual = table - mean[:, None] - table.mean(axis=0)[None, :] + grand
    df = float((C - 1) * (S - 1))
    ms_interaction = n * float(np.sum(residual**2)) / df if df else np.nan
    ms_shooter = C * n * float(np.sum((table.mean(axis=0) - grand) ** 2)) / (S - 1)
    a, b = pairs_of(order)
    variance = np.full(len(a), 2 * ms_interaction / (S * n))
    within = cells.shot_variance
    notes = []
    if within is not None and df and ms_interaction < within:
        notes.append(
            f"The variance of {INTERACTION} came out below zero (a singular fit), as if shooters agreed more than "
            "their scatter allows."
        )
    lasting = (
        max(2 * (ms_interaction - within) / (S * n), 0.0) if within is not None else float(variance.max(initial=0))
    )
    if cells.covariate_names and within is not None:
        x = np.zeros((len(cells.covariate_names), C, S))
        for k, column in enumerate(cells.covariate_mean.T):
            x[k, cells.condition, cells.shooter] = column
        shift = (x.mean(axis=2)[:, b] - x.mean(axis=2)[:, a]).T
        variance = variance + np.einsum("ni,ij,nj->n", shift, cells.slope_cov_per_variance * within, shift)
    # Var of a condition's mean: (MS_shooter + (C-1) MS_interaction) / (C S n), Satterthwaite's df.
    parts = np.array([ms_shooter, (C - 1) * ms_interaction]) / (C * S * n)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_df = parts.sum() ** 2 / np.sum(parts**2 / np.array([S - 1, df or np.nan]))
        f = float(np.divide(S * n * np.sum((mean - grand) ** 2), (C - 1) * ms_interaction))
    shots = _even_shots(cells)
    return Model(
        estimates=Estimates(
            a=a, b=b, difference=mean[b] - mean[a], se=np.sqrt(variance), df=np.full(len(a), df), k=len(order),
            method=EXACT, notes=("",) * len(a), lasting_variance=np.full(len(a), lasting), shots_a=shots[a],
            shots_b=shots[b], df_grows=False, shooters=S,
        ),
        mean=mean[order], mean_se=np.full(C, np.sqrt(parts.sum())), mean_df=np.full(C, mean_df),
        omnibus=None
        if not np.isfinite(f) or cells.covariate_names
        else OmnibusTest(f=f, df_conditions=C - 1.0, df_error=df, p=float(stats.f.sf(f, C - 1, df))),
        notes=tuple(notes),
    )  # fmt: skip


def general_model(cells: Cells, order: Ints, *, shared_sd: float) -> Model:
    """Compare for shooters in general.

    Parameters
    ----------
    cells : Cells
        The shots, by at least two shooters for an answer.
    order : (C,) int64
        Conditions in the order of the pairs.
    shared_sd : float
        Standard uncertainty common to the shots of a session.

    Returns
    -------
    Model
        Shooter and condition x shooter random; session too where there are several.
    """
    if _balanced(cells) and len(cells.shooters) > 1:
        return _balanced_model(cells, order)
    design = _general_design(cells, order, shared_sd)
    if len(cells.shooters) == 1:
        design = replace(design, no_answer=(ONE_SHOOTER,) * len(design.no_answer))
        return _no_fit(cells, design, order, REML, (ONE_SHOOTER,))
    return mixed_model(
        cells,
        design,
        order,
        method=REML,
        df_grows=False,
        shooters=len(cells.shooters) if len(cells.sessions) == 1 else 0,
    )
