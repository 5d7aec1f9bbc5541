"""How a quantity changes per unit of a number that conditions differ in: a ferrule's length, a shaft's diameter."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyze.statistics.cells import Cells, reduce_to_cells
from analyze.statistics.condition_effects import fit_effects
from analyze.statistics.factors import Design, counted_tests, judged, lay_out
from analyze.statistics.general import ONE_SHOOTER
from analyze.statistics.pairwise import OmnibusTest, PairRow
from analyze.statistics.question import Question, Scope
from analyze.statistics.shots_table import listed
from calibrate.arrays import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A straight line over one number, in one scope.

    Attributes
    ----------
    value : str
        Name of the number, ending in its unit.
    scope : Scope
        For whom.
    low, high : float
        Smallest and largest that were shot.
    slope, slope_se, lo, hi : float or None
        Change of the quantity per unit, standard error and interval; None where there is no answer.
    row : PairRow or None
        The change over the whole range shot, from `low` to `high`, judged against zero and the margin.
    bend : OmnibusTest or None
        That a straight line fits; None with two numbers only.
    others : tuple of str
        Factors and numbers held equal.
    notes : tuple of str
        What was left out or does not exist.
    """

    value: str
    scope: Scope
    low: float
    high: float
    slope: float | None
    slope_se: float | None
    lo: float | None
    hi: float | None
    row: PairRow | None
    bend: OmnibusTest | None
    others: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Line:
    """Conditions with a number, and what is held equal beside it."""

    cells: Cells
    X: Floats  # the number's own column is the last
    others: tuple[str, ...]
    notes: tuple[str, ...]


def compare_values(frame: pd.DataFrame, design: Design, question: Question | None = None) -> tuple[Trend, ...]:
    """Fit a trend over each number that conditions differ in.

    Parameters
    ----------
    frame : DataFrame
        Table of shots.
    design : Design
        Numbers of the conditions; factors and other numbers are held equal where the conditions allow it.
    question : Question
        Quantity, confidence, margin and what the shots of a session share; the margin is held against the change
        over the whole range.

    Returns
    -------
    tuple of Trend
        For each number that takes two values or more, for these shooters and in general.
    """
    question = question or Question()
    shots, _ = counted_tests(frame, question)
    found: list[Trend] = []
    for name, of in design.values.items():
        kept = shots[shots["condition"].isin(list(of))]
        numbers = {of[c] for c in kept["condition"].unique()}
        if len(numbers) < 2:
            continue
        silent = [c for c in shots["condition"].unique() if c not in of]
        line = _line(kept, design, name, question.quantity, silent)
        found += _trends(line, name, (min(numbers), max(numbers)), question)
    return tuple(found)


def _line(kept: pd.DataFrame, design: Design, name: str, quantity: str, silent: list[str]) -> _Line:
    """Model the conditions' means: as much held equal as leaves the number's own slope."""
    notes = [f"{listed(silent)}: no {name} is stated, so left out of its trend."] if silent else []
    others = {
        other: of
        for other, of in design.values.items()
        if other != name and all(c in of for c in kept["condition"].unique())
    }
    cells = reduce_to_cells(kept, quantity)
    own = np.array([design.values[name][c] for c in cells.conditions])
    X, held = np.ones((len(own), 1)), []
    layout = lay_out(kept, design.factors, quantity) if design.factors else None
    if layout is not None and layout.cells.conditions == cells.conditions:
        X, held = layout.additive, [*layout.levels]
    for other, of in others.items():
        column = np.array([of[c] for c in cells.conditions])
        if np.ptp(column) > 0:
            X, held = np.column_stack([X, column]), [*held, other]
    full = np.column_stack([X, own])
    if held and np.linalg.matrix_rank(_scaled(full)) < full.shape[1]:
        notes.append(f"{name} was not varied apart from {listed(held)}, so its trend holds what these do as well.")
        full, held = np.column_stack([np.ones(len(own)), own]), []
    return _Line(cells=cells, X=full, others=tuple(held), notes=tuple(notes))


def _scaled(X: Floats) -> Floats:
    return np.asarray(X / np.maximum(np.abs(X).max(axis=0), 1e-300))


def _trends(line: _Line, name: str, span: tuple[float, float], question: Question) -> list[Trend]:
    low, high = span
    width = high - low
    # In units of the range: the contrast is the change from the smallest number to the largest.
    X = line.X.copy()
    X[:, -1] = (X[:, -1] - low) / width
    contrast = np.zeros((1, X.shape[1]))
    contrast[0, -1] = 1.0
    fits = {scope: fit_effects(line.cells, X, scope, shared_sd=question.shared_sd) for scope in Scope}
    of_end = np.full(1, float(line.cells.n.sum()) / 2)
    ends = (f"{name} {low:g}", f"{name} {high:g}")
    pair = (np.array([0]), np.array([1]))
    rows = judged(fits, contrast, pair, ends, (of_end, of_end), question, f"{question.quantity} by {name}")
    return [
        _trend(line, name, span, scope, rows, bend=_bend(line.cells, X, scope, question.shared_sd))
        for scope in Scope
    ]


def _bend(cells: Cells, X: Floats, scope: Scope, shared_sd: float) -> OmnibusTest | None:
    """Test what a straight line leaves over of the conditions' means."""
    values, vectors = np.linalg.eigh(np.eye(len(X)) - X @ np.linalg.pinv(X))
    contrasts = vectors[:, values > 0.5].T
    fit = fit_effects(cells, np.eye(len(X)), scope, shared_sd=shared_sd) if len(contrasts) else None
    return None if fit is None else fit.test(contrasts)


def _trend(
    line: _Line,
    name: str,
    span: tuple[float, float],
    scope: Scope,
    rows: Mapping[Scope, tuple[PairRow, ...]],
    *,
    bend: OmnibusTest | None,
) -> Trend:
    row = rows[scope][0] if rows[scope] else None
    notes = list(line.notes)
    if row is None:
        one = scope is Scope.GENERAL and len(line.cells.shooters) < 2
        notes.append(ONE_SHOOTER if one else "Too few shots for an error of the trend.")

    def per_unit(number: float | None) -> float | None:
        return None if number is None else number / (span[1] - span[0])

    return Trend(
        value=name,
        scope=scope,
        low=span[0],
        high=span[1],
        slope=None if row is None else per_unit(row.difference),
        slope_se=None if row is None else per_unit(row.se),
        lo=None if row is None else per_unit(row.lo),
        hi=None if row is None else per_unit(row.hi),
        row=row,
        bend=bend,
        others=line.others,
        notes=tuple(notes),
    )
