"""Differences between pairs of conditions, in both scopes, beside the margin."""

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from analyze.report.plots import INK, MM_PER_INCH, STYLE
from analyze.report.strip_plot import inch_step, ruler
from analyze.statistics import Comparisons, PairRow

MOST_PAIRS = 24  # in one picture, and in the tables of the page
THESE_COLOUR, GENERAL_COLOUR = "#14426b", "#cf6a1f"
_SHIFT = 0.17  # of a scope from the middle of its pair's row
_WIDEST = 4.0  # axis at most so many times what the differences span, margin included


def clearest_pairs(comparisons: Comparisons, most: int = MOST_PAIRS) -> list[PairRow]:
    """Pairs for pictures and tables: all of a few; of many, those with the largest difference for its uncertainty.

    Pairs with the reference, where there is one, come before all others.

    Parameters
    ----------
    comparisons : Comparisons
        Of one quantity; pairs are taken from scope `these`.
    most : int
        How many at most.
    """
    rows = comparisons.these.rows
    if len(rows) <= most:
        return list(rows)
    size = np.array(
        [abs(row.difference) / row.se if row.difference is not None and row.se else 0.0 for row in rows]
    )
    reference = comparisons.question.reference
    beside = np.array([reference is not None and reference not in (row.a, row.b) for row in rows])
    return [rows[k] for k in np.lexsort((-size, beside))[:most]]


def pairs_figure(comparisons: Comparisons, pairs: Sequence[PairRow], *, inches: bool) -> Figure:
    """Draw the differences of pairs: filled for these shooters, hollow for shooters in general.

    Parameters
    ----------
    comparisons : Comparisons
        Where the pairs are from; gives the second scope and the margin.
    pairs : sequence of PairRow
        Those to draw, at least one.
    inches : bool
        Whether the axis is in inches.
    """
    unit = MM_PER_INCH if inches else 1.0
    general = {(row.a, row.b): row for row in comparisons.general.rows}
    drawn = [(row, general.get((row.a, row.b))) for row in pairs]
    margin = comparisons.question.margin
    half = _half_width(drawn, margin) / unit
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(5.4, 1.45 + 0.42 * max(len(drawn), 2)), layout="constrained")
        axes = figure.subplots()
        axes.set_xlim(-half, half)
        if margin is not None:
            axes.axvspan(-margin / unit, margin / unit, color="#e9e4da", lw=0, zorder=-2)
        axes.axvline(0, color=INK, lw=0.8, zorder=-1)
        for place, (these, in_general) in enumerate(drawn):
            _draw_pair(axes, these, place - _SHIFT, unit, half, filled=True)
            if in_general is not None:
                _draw_pair(axes, in_general, place + _SHIFT, unit, half, filled=False)
        axes.set_yticks(range(len(drawn)), [f"{row.b} minus {row.a}" for row, _ in drawn])
        axes.set_ylim(len(drawn) - 0.4, -0.6)
        axes.tick_params(axis="y", length=0)
        _difference_axis(axes, inches=inches)
        _key(axes, margin is not None, any(row is not None and row.se for _, row in drawn))
    return figure


def _half_width(drawn: Sequence[tuple[PairRow, PairRow | None]], margin: float | None) -> float:
    """Half the axis: all intervals, unless a few shots make them far wider than what they are about."""
    rows = [row for pair in drawn for row in pair if row is not None]
    core = max((abs(row.difference) for row in rows if row.difference is not None), default=0.0)
    core = max(core, margin or 0.0) or 1.0
    ends = max((abs(end) for row in rows for end in (row.lo, row.hi) if end is not None), default=core)
    return 1.1 * max(min(ends, _WIDEST * core), core)


def _draw_pair(axes: Axes, row: PairRow, level: float, unit: float, half: float, *, filled: bool) -> None:
    if row.difference is None:
        return
    colour = THESE_COLOUR if filled else GENERAL_COLOUR
    if row.lo is not None and row.hi is not None:
        low, high = max(row.lo / unit, -half), min(row.hi / unit, half)
        axes.plot([low, high], [level] * 2, color=colour, lw=1.6, ls="-" if filled else (0, (4, 2)))
        for end, place, arrow in ((row.lo / unit, low, "<"), (row.hi / unit, high, ">")):
            if end != place:
                axes.plot(place, level, arrow, color=colour, ms=6, mew=0, clip_on=False)
    axes.plot(
        row.difference / unit,
        level,
        "s" if filled else "D",
        mfc=colour if filled else "white",
        mec=colour,
        mew=1.4,
        ms=6,
        zorder=4,
    )


def _difference_axis(axes: Axes, *, inches: bool) -> None:
    unit = "inch" if inches else "mm"
    axes.set_xlabel(f"difference of readings ({unit}),\nto the shooter's right positive", fontsize=8.5)
    if inches:
        low, high = axes.get_xlim()
        axes.xaxis.set_major_locator(MultipleLocator(inch_step(high - low)))
        axes.xaxis.set_major_formatter(FuncFormatter(ruler))


def _key(axes: Axes, has_margin: bool, has_general: bool) -> None:  # noqa: FBT001 - two flags of one caller
    axes.plot([], [], "s-", color=THESE_COLOUR, ms=6, label="for these shooters")
    if has_general:
        axes.plot(
            [], [], "D", color=GENERAL_COLOUR, mfc="white", ls=(0, (4, 2)), ms=6, label="for shooters in general"
        )
    if has_margin:
        axes.fill_between([], [], [], color="#e9e4da", label="within the margin")
    axes.legend(frameon=False, fontsize=8, ncols=2, loc="lower left", bbox_to_anchor=(0, 1.0), borderaxespad=0.2)
