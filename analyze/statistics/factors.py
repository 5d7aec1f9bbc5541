"""Does the shaft matter, whatever the taper: main effects of what conditions are made of, and their interaction."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product

import numpy as np
import pandas as pd

from analyze.statistics.cells import Cells, reduce_to_cells
from analyze.statistics.condition_effects import Effects, fit_effects
from analyze.statistics.general import ONE_SHOOTER
from analyze.statistics.pairwise import Estimates, OmnibusTest, PairRow, judge
from analyze.statistics.question import Question, Scope
from analyze.statistics.scopes import no_bolder, no_sharper
from analyze.statistics.shots_table import check_shots, counted_shots, listed
from calibrate.arrays import Floats

MARGINAL = (
    "Means of each level over all combinations of the other factors, each combination weighing alike (marginal "
    "means; hypotheses of Type III)."
)
ADDITIVE = (
    "Not all combinations were shot (missing: {missing}): effects are those of a model in which the factors add up "
    "(marginal means without interaction, Type III). They mislead where the factors act on each other."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """What the conditions are made of.

    Attributes
    ----------
    factors : mapping of str to mapping
        Level of each condition, by the factor's name.
    values : mapping of str to mapping
        Number of each condition, by its name, which ends in the unit (``ferrule_mm``).
    """

    factors: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorEffect:
    """One factor in one scope.

    Attributes
    ----------
    factor : str
        Its name.
    levels : tuple of str
        In the order of the conditions.
    scope : Scope
        For whom.
    rows : tuple of PairRow
        Each two levels compared, simultaneous over the factor; empty where there is no answer.
    test : OmnibusTest or None
        That no level differs.
    interaction : OmnibusTest or None
        That the factors add up; None where the conditions cannot tell.
    estimand : str
        What was estimated, in words.
    notes : tuple of str
        What was left out or does not exist.
    missing : tuple of str
        Combinations that were not shot.
    """

    factor: str
    levels: tuple[str, ...]
    scope: Scope
    rows: tuple[PairRow, ...]
    test: OmnibusTest | None
    interaction: OmnibusTest | None
    estimand: str
    notes: tuple[str, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Layout:
    """Conditions that say a level of every factor, as rows of a model."""

    shots: pd.DataFrame
    cells: Cells
    levels: dict[str, tuple[str, ...]]
    code: dict[str, np.ndarray]  # level of each condition
    missing: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def additive(self) -> Floats:
        """Intercept and one column for each level but the first, (C, p)."""
        parts = [np.ones((len(self.cells.conditions), 1))]
        parts += [np.eye(len(self.levels[name]))[code][:, 1:] for name, code in self.code.items()]
        return np.hstack(parts)


def counted_tests(frame: pd.DataFrame, question: Question) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the counted shots of conditions under test, and sentences on the others."""
    counted, notes = counted_shots(check_shots(frame, quantity=question.quantity), question.quantity)
    return counted[counted["role"] == "test"], notes


def lay_out(shots: pd.DataFrame, factors: Mapping[str, Mapping[str, str]], quantity: str) -> _Layout | None:
    """Lay the conditions out by their levels; None where none says a level of every factor or one level is all."""
    said = [c for c in shots["condition"].unique() if all(c in levels for levels in factors.values())]
    silent = [c for c in shots["condition"].unique() if c not in said]
    levels = {name: tuple(dict.fromkeys(of[c] for c in said)) for name, of in factors.items()}
    levels = {name: found for name, found in levels.items() if len(found) > 1}
    if not levels:
        return None
    kept = shots[shots["condition"].isin(said)]
    cells = reduce_to_cells(kept, quantity)
    code = {
        name: np.array([found.index(factors[name][c]) for c in cells.conditions]) for name, found in levels.items()
    }
    there = set(zip(*code.values(), strict=True))
    missing = tuple(
        " with ".join(levels[name][k] for name, k in zip(levels, places, strict=True))
        for places in product(*(range(len(found)) for found in levels.values()))
        if places not in there
    )
    notes = (f"{listed(silent)}: no level of every factor is stated, so left out of factors.",) if silent else ()
    return _Layout(shots=kept, cells=cells, levels=levels, code=code, missing=missing, notes=notes)


def compare_factors(
    frame: pd.DataFrame, design: Design, question: Question | None = None
) -> tuple[FactorEffect, ...]:
    """Compare the levels of each factor.

    Parameters
    ----------
    frame : DataFrame
        Table of shots.
    design : Design
        What the conditions are made of.
    question : Question
        Quantity, confidence, margin and what the shots of a session share; covariates are not adjusted for.

    Returns
    -------
    tuple of FactorEffect
        For each factor with two levels or more, for these shooters and in general; empty where there are none.
    """
    question = question or Question()
    shots, _ = counted_tests(frame, question)
    layout = lay_out(shots, design.factors, question.quantity) if design.factors and len(shots) else None
    if layout is None:
        return ()
    X = layout.additive if layout.missing else np.eye(len(layout.cells.conditions))
    confounded = layout.missing and np.linalg.matrix_rank(X) < X.shape[1]
    shared_sd = question.shared_sd
    fits = {
        scope: None if confounded else fit_effects(layout.cells, X, scope, shared_sd=shared_sd) for scope in Scope
    }
    tests = {scope: _interaction(layout, scope, shared_sd) for scope in Scope}
    found: list[FactorEffect] = []
    for name in layout.levels:
        reason = ""
        if confounded:
            reason = (
                f"{name} was never varied apart from the other factors, so its effect cannot be told from theirs."
            )
        both = _both_scopes(layout, name, fits, question, reason)
        found += [_effect(layout, name, scope, both[scope], fits[scope], tests[scope], reason) for scope in Scope]
    return tuple(found)


def level_contrasts(layout: _Layout, name: str) -> Floats:
    """Mean of each level of a factor as rows on the model's effects, (levels, p)."""
    code = layout.code[name]
    count = len(layout.levels[name])
    if layout.missing:
        X = layout.additive
        # Any fixed mix of the other factors will do: only differences between the rows are used.
        rows = np.tile(X[0], (count, 1))
        first = 1 + sum(
            len(layout.levels[other]) - 1 for other in list(layout.levels)[: list(layout.levels).index(name)]
        )
        rows[:, first : first + count - 1] = np.eye(count)[:, 1:]
        return rows
    others = np.array(list(zip(*layout.code.values(), strict=True)))
    rows = np.zeros((count, len(code)))
    combos, size = np.unique(others, axis=0, return_counts=True)
    share = {tuple(combo): 1 / n for combo, n in zip(combos, size, strict=True)}  # conditions alike in all factors
    for condition, level in enumerate(code):
        rows[level, condition] = share[tuple(others[condition])]
    return np.asarray(rows / rows.sum(axis=1, keepdims=True))


def _interaction(layout: _Layout, scope: Scope, shared_sd: float) -> OmnibusTest | None:
    """Test whether the factors add up, on all conditions' own means."""
    conditions = len(layout.cells.conditions)
    values, vectors = np.linalg.eigh(np.eye(conditions) - layout.additive @ np.linalg.pinv(layout.additive))
    contrasts = vectors[:, values > 0.5].T
    if not len(contrasts) or len(layout.levels) < 2:
        return None
    fit = fit_effects(layout.cells, np.eye(conditions), scope, shared_sd=shared_sd)
    return None if fit is None else fit.test(contrasts)


def contrast_estimates(
    fit: Effects, contrasts: Floats, pairs: tuple[np.ndarray, np.ndarray], k: int, shots: tuple[Floats, Floats]
) -> Estimates:
    """Contrasts of a fit as pairs to be judged; NaN where one cannot be estimated."""
    estimable = fit.estimable(contrasts)
    variance = np.diag(fit.cov(contrasts))
    return Estimates(
        a=pairs[0], b=pairs[1], difference=np.where(estimable, fit.estimate(contrasts), np.nan),
        se=np.where(estimable, np.sqrt(variance), np.nan), df=np.where(estimable, fit.df(contrasts), 0.0), k=k,
        method=fit.method, notes=("",) * len(contrasts), lasting_variance=np.zeros(len(contrasts)),
        shots_a=shots[0], shots_b=shots[1], df_grows=True, shooters=0,
    )  # fmt: skip


def _both_scopes(
    layout: _Layout, name: str, fits: Mapping[Scope, Effects | None], question: Question, reason: str
) -> dict[Scope, tuple[PairRow, ...]]:
    levels = layout.levels[name]
    a, b = np.triu_indices(len(levels), 1)
    means = level_contrasts(layout, name)
    of_level = np.bincount(layout.code[name][layout.cells.condition], layout.cells.n, len(levels)).astype(
        np.float64
    )
    label = f"{question.quantity} by {name}"
    return judged(fits, means[b] - means[a], (a, b), levels, (of_level[a], of_level[b]), question, label)


def judged(
    fits: Mapping[Scope, Effects | None],
    contrasts: Floats,
    pairs: tuple[np.ndarray, np.ndarray],
    names: tuple[str, ...],
    shots: tuple[Floats, Floats],
    question: Question,
    label: str,
) -> dict[Scope, tuple[PairRow, ...]]:
    """Judge contrasts in both scopes, never more sharply in general than for these shooters."""
    rows: dict[Scope, tuple[PairRow, ...]] = dict.fromkeys(Scope, ())
    these = general = None
    if (fit := fits[Scope.THESE]) is not None:
        these = contrast_estimates(fit, contrasts, pairs, len(names), shots)
        rows[Scope.THESE] = judge(these, names, Scope.THESE, question, label=label, outlook=True)
    if (fit := fits[Scope.GENERAL]) is not None:
        general = contrast_estimates(fit, contrasts, pairs, len(names), shots)
        if these is not None:
            general, _ = no_sharper(general, these, question.confidence)
        judged_general = judge(general, names, Scope.GENERAL, question, label=label, outlook=True)
        rows[Scope.GENERAL] = no_bolder(judged_general, rows[Scope.THESE]) if these is not None else judged_general
    return rows


def _effect(
    layout: _Layout,
    name: str,
    scope: Scope,
    rows: tuple[PairRow, ...],
    fit: Effects | None,
    interaction: OmnibusTest | None,
    reason: str,
) -> FactorEffect:
    means = level_contrasts(layout, name)
    notes = list(layout.notes)
    if reason:
        notes.append(reason)
    elif fit is None:
        one = scope is Scope.GENERAL and len(layout.cells.shooters) < 2
        notes.append(ONE_SHOOTER if one else "Too few shots for an error of the effects.")
    return FactorEffect(
        factor=name,
        levels=layout.levels[name],
        scope=scope,
        rows=rows,
        test=None if fit is None else fit.test(means[1:] - means[0]),
        interaction=interaction,
        estimand=ADDITIVE.format(missing=listed(layout.missing)) if layout.missing else MARGINAL,
        notes=tuple(notes),
        missing=layout.missing,
    )
