"""Every shot as a point, by condition and shooter, with mean and interval: readings, squirt, swerve."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator

from analyze.report.plots import CONTROL_STYLE, INK, MM_PER_INCH, PALE, STYLE
from analyze.statistics import Summary, SummaryRow
from calibrate.arrays import Floats
from calibrate.units import M_PER_INCH, sixteenths

MOST_GROUPS = 20  # in one picture; more no longer fit a page
MOST_POINTS = 150  # of a group; more only make a bar of them
ROW_INCH = 0.46
_POINTS_UP, _MEAN_DOWN = 0.14, 0.22  # in rows, from the middle of a row


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Strip:
    """One quantity to draw.

    Attributes
    ----------
    summary : Summary
        Its groups; the quantity is the summary's.
    label : str
        What the axis says.
    inches : bool
        Whether the axis is in inches, with mm on a second one.
    least_span : float
        Width that the axis has at least, in the quantity's unit, lest rounding fill it.
    """

    summary: Summary
    label: str
    inches: bool
    least_span: float


def strip_figure(shots: pd.DataFrame, strips: Sequence[Strip], styles: Mapping[str, tuple[str, str]]) -> Figure:
    """Draw quantities side by side, one row a condition and shooter.

    Parameters
    ----------
    shots : DataFrame
        Table of shots.
    strips : sequence of Strip
        What to draw, from left to right.
    styles : mapping
        Colour and marker by condition.
    """
    every = [row for row in strips[0].summary.rows if row.shooter != "all"]
    rows = every[:MOST_GROUPS]
    groups = {(str(key[0]), str(key[1])): own for key, own in shots.groupby(["condition", "shooter"], sort=False)}
    with mpl.rc_context(STYLE):
        figure = Figure(
            figsize=(5.4 if len(strips) == 1 else 7.2, 1.35 + ROW_INCH * max(len(rows), 2)), layout="constrained"
        )
        panels = figure.subplots(1, len(strips), sharey=True, squeeze=False)[0]
        cut = False
        for panel, strip in zip(panels, strips, strict=True):
            cut |= _draw_strip(panel, strip, rows, groups, styles)
        panels[0].set_yticks(range(len(rows)), [_group_name(row) for row in rows])
        panels[0].set_ylim(len(rows) - 0.45, -0.55)
        said = [
            f"each shot, and (hollow) mean with its {100 * strips[0].summary.confidence:g} % interval",
            *([f"the first {len(rows)} of {len(every)} groups"] if len(rows) < len(every) else []),
            *([f"{MOST_POINTS} shots of a larger group"] if cut else []),
        ]
        figure.suptitle("; ".join(said), fontsize=8.5, color=INK)
    return figure


def _draw_strip(
    axes: Axes,
    strip: Strip,
    rows: Sequence[SummaryRow],
    groups: Mapping[tuple[str, str], pd.DataFrame],
    styles: Mapping[str, tuple[str, str]],
) -> bool:
    """Draw one quantity; return whether some shots were left out of the drawing."""
    quantity, unit = strip.summary.quantity, MM_PER_INCH if strip.inches else 1.0
    means = {(row.condition, row.shooter): row for row in strip.summary.rows}
    shown = [groups[row.condition, row.shooter] for row in rows if (row.condition, row.shooter) in groups]
    drawn = pd.concat(shown)[quantity].dropna().to_numpy(dtype=np.float64) / unit if shown else np.zeros(0)
    limits = _limits(drawn, strip.least_span / unit)
    axes.set_xlim(limits)
    cut = aside_seen = False
    for place, row in enumerate(rows):
        colour, marker = styles.get(row.condition, CONTROL_STYLE)
        own = groups[row.condition, row.shooter]
        own = own[own[quantity].notna()]
        kept = own["kept"].to_numpy(dtype=bool)
        values = own[quantity].to_numpy(dtype=np.float64) / unit
        counted, aside = _thinned(values[kept]), _thinned(values[~kept])
        cut |= len(counted) < kept.sum()
        aside_seen |= len(aside) > 0
        if place % 2:
            axes.axhspan(place - 0.5, place + 0.5, color="#f6f3ee", lw=0, zorder=-2)
        up = place - _POINTS_UP - _side_by_side(counted)
        axes.plot(counted, up, marker, color=colour, ms=4.5, alpha=0.8, mew=0, ls="")
        axes.plot(aside, np.full(len(aside), place - _POINTS_UP), "x", color=INK, ms=4.5, mew=0.9, ls="")
        mean = means.get((row.condition, row.shooter))
        if mean is None:
            continue
        level = place + _MEAN_DOWN
        if mean.lo is not None and mean.hi is not None:
            _draw_interval(axes, level, (mean.lo / unit, mean.hi / unit), limits, colour)
        axes.plot(mean.mean / unit, level, marker, mfc="white", mec=colour, mew=1.4, ms=6.5, zorder=4)
    axes.axvline(0, color=PALE, lw=0.8, zorder=-1)
    axes.tick_params(axis="y", length=0)
    _value_axis(axes, strip)
    if aside_seen:
        axes.plot([], [], "x", color=INK, ms=4.5, ls="", label="set aside")
        axes.legend(frameon=False, fontsize=7.5, loc="best")
    return cut


def _thinned(values: Floats) -> Floats:
    """Take evenly from first to last, so that a drift over the session still shows."""
    if len(values) <= MOST_POINTS:
        return values
    evenly: Floats = values[np.linspace(0, len(values) - 1, MOST_POINTS).astype(int)]
    return evenly


def _limits(values: Floats, least: float) -> tuple[float, float]:
    """Limits of the axis, from the shots alone: intervals of two shots reach far off the table."""
    if not len(values):
        return -least, least
    low, high = float(values.min()), float(values.max())
    room = max(0.2 * (high - low), least / 2)
    return low - room, high + room


def _draw_interval(
    axes: Axes, level: float, ends: tuple[float, float], limits: tuple[float, float], colour: str
) -> None:
    """Draw an interval; an arrow at the border says that it goes on."""
    low, high = max(ends[0], limits[0]), min(ends[1], limits[1])
    axes.plot([low, high], [level] * 2, color=colour, lw=1.5)
    for end, drawn, arrow in ((ends[0], low, "<"), (ends[1], high, ">")):
        if end != drawn:
            axes.plot(drawn, level, arrow, color=colour, ms=5.5, mew=0, clip_on=False, zorder=5)


def _value_axis(axes: Axes, strip: Strip) -> None:
    """Label the axis; inches get a second one in mm, as results are published in both."""
    axes.set_xlabel(strip.label, fontsize=8.5)
    if not strip.inches:
        axes.xaxis.set_major_locator(MaxNLocator(6))
        return
    low, high = axes.get_xlim()
    axes.xaxis.set_major_formatter(FuncFormatter(ruler))
    axes.xaxis.set_major_locator(MultipleLocator(inch_step(high - low)))
    top = axes.secondary_xaxis("top", functions=(_mm_from_inch, _inch_from_mm))
    top.set_xlabel("mm", fontsize=8)


def inch_step(span_inch: float) -> float:
    """Return a step of a ruler that gives about eight ticks."""
    return next((step for step in (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1.0, 2.0) if span_inch / step <= 9), 5.0)


def ruler(inch: float, _: int | None) -> str:
    """Return a tick of an axis in inches as a ruler has it."""
    return sixteenths(inch * M_PER_INCH).removesuffix(" in").replace("-", "\N{MINUS SIGN}")


def _mm_from_inch(inch: npt.ArrayLike) -> Floats:
    return np.asarray(inch, dtype=np.float64) * MM_PER_INCH


def _inch_from_mm(mm: npt.ArrayLike) -> Floats:
    return np.asarray(mm, dtype=np.float64) / MM_PER_INCH


def _group_name(row: SummaryRow) -> str:
    return f"{row.condition} · {row.shooter}\n{row.n} {'shot' if row.n == 1 else 'shots'}"


def _side_by_side(values: Floats) -> Floats:
    """Shifts that keep points of nearly equal value from hiding each other; always the same ones."""
    if len(values) < 2:
        return np.zeros(len(values))
    shifts: Floats = np.asarray(0.1 * (values.argsort().argsort() % 3 - 1.0), dtype=np.float64)
    return shifts
