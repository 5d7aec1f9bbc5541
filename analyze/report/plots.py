"""Pictures for the report: the lane from above, and every reading by condition and shooter."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from analyze.session.folder import Session
from analyze.statistics import Summary, SummaryRow
from calibrate.arrays import Floats
from calibrate.units import M_PER_INCH, M_PER_MM, mm_from_m, sixteenths

# Our own colours, told apart by lightness as well as hue, so that they survive grey print and colour blindness; the
# marker shape says the same once more.
INK = "#26231f"
PALE = "#b9b2a6"
CONTROL_STYLE = ("#7c766c", "o")
CONDITION_STYLES = (
    ("#14426b", "s"),
    ("#cf6a1f", "^"),
    ("#6fb9a6", "D"),
    ("#973b7b", "v"),
    ("#b39a2e", "P"),
    ("#5d8ec9", "X"),
    ("#8c3b24", "<"),
    ("#88b04b", ">"),
)
MOST_PANELS = 8  # of the lane, side by side; more would be too narrow to read
MOST_PATHS = 60  # in a panel; more only blacken it
MOST_GROUPS = 60  # of readings in one picture
MM_PER_INCH = M_PER_INCH / M_PER_MM
_STYLE = {
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "savefig.dpi": 160,
    "savefig.facecolor": "white",
}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LaneShot:
    """A shot as it is drawn on the lane.

    Attributes
    ----------
    condition : str
        Its condition.
    path_xy_m : (K, 2) float64
        Fitted path, table frame, in m.
    reading_m : float
        Reading, from the scale's zero.
    """

    condition: str
    path_xy_m: Floats
    reading_m: float


def condition_styles(names: Sequence[str], controls: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Colour and marker of each condition: the control shots grey, the others in their order.

    Parameters
    ----------
    names : sequence of str
        Conditions in the order of the session.
    controls : sequence of str
        Those whose shots are control shots.

    Returns
    -------
    dict
        (colour, marker) by name; colours repeat after eight conditions, markers then differ.
    """
    styles = dict.fromkeys(names, CONTROL_STYLE)
    for k, name in enumerate(name for name in names if name not in controls):
        turn, place = divmod(k, len(CONDITION_STYLES))
        marker = CONDITION_STYLES[(place + 3 * turn) % len(CONDITION_STYLES)][1]
        styles[name] = (CONDITION_STYLES[place][0], marker)
    return styles


def draw_lane(
    path: Path, session: Session, shots: Sequence[LaneShot], styles: Mapping[str, tuple[str, str]]
) -> None:
    """Draw the fitted paths from above, one panel a condition, sideways scale enlarged.

    Parameters
    ----------
    path : Path
        The PNG to write.
    session : Session
        Gives lane, table, scale and units.
    shots : sequence of LaneShot
        Those to draw.
    styles : mapping
        Colour and marker by condition.
    """
    there = {shot.condition for shot in shots}
    every = [name for name in styles if name in there] or [""]
    names = every[:MOST_PANELS]
    shots = [shot for shot in shots if shot.condition in names]
    along_top_m = session.scale.line_y_m - session.lane.spot_y_m + 0.06
    half_mm = _half_width_mm(session, shots)
    with mpl.rc_context(_STYLE):
        width_inch = max(3.6, 1.0 + 2.0 * len(names))
        figure = Figure(figsize=(width_inch, 7.2), layout="constrained")
        panels = figure.subplots(1, len(names), sharey=True, squeeze=False)[0]
        for panel, name in zip(panels, names, strict=True):
            own = [shot for shot in shots if shot.condition == name]
            # Evenly taken from first to last, so that a drift over the session still shows.
            shown = [own[len(own) * k // MOST_PATHS] for k in range(MOST_PATHS)] if len(own) > MOST_PATHS else own
            _draw_lane_panel(panel, session, shown, name, styles)
            if len(shown) < len(own):
                panel.set_title(f"{len(shown)} of {len(own)} paths", loc="right", fontsize=7)
            panel.set_xlim(-half_mm, half_mm)
            panel.set_ylim(-0.06, along_top_m)
            _length_axis(panel, session, half_mm)
        panels[0].set_ylabel("along the lane from the spot (m)")
        unit = session.config.session.units
        figure.supxlabel(f"sideways from the lane ({unit}), to the shooter's right positive", fontsize=9)
        figure.draw_without_rendering()
        box = panels[0].get_window_extent()
        enlarged = (box.width / (2 * half_mm)) / (box.height / (1000 * (along_top_m + 0.06)))
        first = f"; the first {len(names)} of {len(every)} conditions" if len(names) < len(every) else ""
        figure.suptitle(
            f"The lane from above, shooter at the bottom{first}\nsideways scale enlarged {enlarged:.1f} times",
            fontsize=10,
        )
        figure.savefig(path)


def draw_readings(
    path: Path,
    session: Session,
    shots: pd.DataFrame,
    summary: Summary,
    styles: Mapping[str, tuple[str, str]],
) -> None:
    """Draw every reading as a point, with mean and interval of each condition and shooter.

    Parameters
    ----------
    path : Path
        The PNG to write.
    session : Session
        Gives the units.
    shots : DataFrame
        Columns of `out/shots.csv`.
    summary : Summary
        Of `reading_mm`.
    styles : mapping
        Colour and marker by condition.
    """
    unit_mm = MM_PER_INCH if session.config.session.units == "inch" else 1.0
    every = [row for row in summary.rows if row.shooter != "all"]
    rows = every[:MOST_GROUPS]
    groups = {key: own for key, own in shots.groupby(["condition", "shooter"], sort=False)}
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(max(5.8, 1.6 + 0.95 * len(rows)), 4.8), layout="constrained")
        axes = figure.subplots()
        limits = _reading_limits(
            shots["reading_mm"].dropna().to_numpy(dtype=np.float64) / unit_mm, 0.1 * MM_PER_INCH / unit_mm
        )
        axes.set_ylim(limits)
        for place, row in enumerate(rows):
            colour, marker = styles.get(row.condition, CONTROL_STYLE)
            own = groups[row.condition, row.shooter]
            counted = own[own["kept"].astype(bool) & own["reading_mm"].notna()]["reading_mm"].to_numpy() / unit_mm
            aside = own[~own["kept"].astype(bool) & own["reading_mm"].notna()]["reading_mm"].to_numpy() / unit_mm
            spread = _side_by_side(counted)
            axes.plot(place - 0.12 + spread, counted, marker, color=colour, ms=5.5, alpha=0.85, mew=0)
            axes.plot([place - 0.12] * len(aside), aside, "x", color=PALE, ms=6)
            mean = row.mean / unit_mm
            axes.plot(place + 0.24, mean, marker, mfc="white", mec=colour, mew=1.6, ms=8, zorder=4)
            if row.lo is not None and row.hi is not None:
                _draw_interval(axes, place + 0.24, (row.lo / unit_mm, row.hi / unit_mm), limits, colour)
        axes.axhline(0, color=PALE, lw=0.8, zorder=0)
        axes.set_xticks(range(len(rows)), [_group_name(row) for row in rows])
        axes.set_xlim(-0.6, len(rows) - 0.4 if rows else 0.6)
        _reading_axis(axes, session)
        axes.set_title(
            "Readings at the foot rail: each shot, and (hollow) mean with its "
            f"{100 * summary.confidence:g} % interval"
            + (f"; the first {len(rows)} of {len(every)} groups" if len(rows) < len(every) else ""),
            fontsize=10,
        )
        if (~shots["kept"].astype(bool) & shots["reading_mm"].notna()).any():
            axes.plot([], [], "x", color=PALE, ms=6, label="set aside")
            axes.legend(frameon=False, fontsize=8)
        figure.savefig(path)


def _draw_lane_panel(
    axes: Axes, session: Session, shots: Sequence[LaneShot], name: str, styles: Mapping[str, tuple[str, str]]
) -> None:
    colour, marker = styles.get(name, CONTROL_STYLE)
    lane, table, scale = session.lane, session.table, session.scale
    nose_m = table.length_m - lane.spot_y_m
    line_m = scale.line_y_m - lane.spot_y_m
    axes.axhspan(nose_m, line_m + 0.06, color="#e9e4da", lw=0, zorder=0)
    axes.axhline(line_m, color=INK, lw=0.9, zorder=1)
    axes.axvline(0, color=PALE, lw=0.9, ls=(0, (6, 3)), zorder=1)
    axes.plot(0, 0, "o", mfc="none", mec=INK, ms=6, mew=0.9)
    for shot in shots:
        x_mm = mm_from_m(1.0) * (shot.path_xy_m[:, 0] - lane.x_aim_m)
        y_m = shot.path_xy_m[:, 1] - lane.spot_y_m
        axes.plot(x_mm, y_m, color=colour, lw=1.0, alpha=0.8)
        if len(x_mm) < 2:
            continue
        # Straight on from the cushion. Not the reading itself, whose zero may lie a little beside the lane.
        crossing_mm = x_mm[-1] + (line_m - y_m[-1]) * (x_mm[-1] - x_mm[-2]) / (y_m[-1] - y_m[-2])
        axes.plot([x_mm[-1], crossing_mm], [y_m[-1], line_m], color=colour, lw=0.8, ls=":", alpha=0.8)
        axes.plot(crossing_mm, line_m, marker, color=colour, ms=4, mew=0, alpha=0.8, zorder=3)
    axes.set_title(name, fontsize=10, color=colour, fontweight="bold")


def _half_width_mm(session: Session, shots: Sequence[LaneShot]) -> float:
    """Half the width to draw: all that was measured, with some room, in whole steps of the axis."""
    widest = 20.0
    for shot in shots:
        widest = max(widest, abs(mm_from_m(shot.reading_m)))
        if len(shot.path_xy_m):
            widest = max(widest, 1000 * float(abs(shot.path_xy_m[:, 0] - session.lane.x_aim_m).max()))
    step = MM_PER_INCH if session.config.session.units == "inch" else 20.0
    return math.ceil(1.15 * widest / step) * step


def _length_axis(axes: Axes, session: Session, half_mm: float) -> None:
    """Ticks of a sideways axis that is drawn in mm, labelled in the tester's unit."""
    inch = session.config.session.units == "inch"
    unit_mm, steps = (MM_PER_INCH, (0.125, 0.25, 0.5, 1, 2, 5)) if inch else (1.0, (5, 10, 20, 50, 100))
    # None at the very border, where it would run into that of the next panel.
    reach = 0.85 * half_mm / unit_mm
    step = next((step for step in steps if reach / step < 3), steps[-1])
    numbers = [step * k for k in range(-math.floor(reach / step), math.floor(reach / step) + 1)]
    axes.set_xticks(
        [number * unit_mm for number in numbers], [f"{number:+g}" if number else "0" for number in numbers]
    )


def _reading_limits(readings: Floats, least: float) -> tuple[float, float]:
    """Limits of the axis of readings, from the readings alone: intervals of two shots reach far off the table."""
    if not len(readings):
        return -least, least
    low, high = float(readings.min()), float(readings.max())
    room = max(0.3 * (high - low), least)
    return low - room, high + room


def _draw_interval(
    axes: Axes, place: float, ends: tuple[float, float], limits: tuple[float, float], colour: str
) -> None:
    """Draw an interval; an arrow at the border says that it goes on."""
    low, high = max(ends[0], limits[0]), min(ends[1], limits[1])
    axes.plot([place] * 2, [low, high], color=colour, lw=1.6)
    for end, drawn, arrow in ((ends[0], low, "v"), (ends[1], high, "^")):
        if end != drawn:
            axes.plot(place, drawn, arrow, color=colour, ms=7, mew=0, clip_on=False, zorder=5)


def _reading_axis(axes: Axes, session: Session) -> None:
    """Label the axis of readings; inches get a second axis in mm, as results are published in both."""
    if session.config.session.units == "mm":
        axes.set_ylabel("reading (mm), to the shooter's right positive")
        return
    axes.set_ylabel("reading (inch), to the shooter's right positive")
    axes.yaxis.set_major_formatter(
        FuncFormatter(lambda y_inch, _: sixteenths(y_inch * M_PER_INCH).removesuffix(" in"))
    )
    low, high = axes.get_ylim()
    axes.yaxis.set_major_locator(MultipleLocator(_inch_step(high - low)))
    right = axes.secondary_yaxis("right", functions=(_mm_from_inch, _inch_from_mm))
    right.set_ylabel("reading (mm)")


def _mm_from_inch(inch: npt.ArrayLike) -> Floats:
    return np.asarray(inch, dtype=np.float64) * MM_PER_INCH


def _inch_from_mm(mm: npt.ArrayLike) -> Floats:
    return np.asarray(mm, dtype=np.float64) / MM_PER_INCH


def _inch_step(span_inch: float) -> float:
    """Return a step of a ruler that gives about eight ticks."""
    return next((step for step in (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1.0, 2.0) if span_inch / step <= 9), 5.0)


def _group_name(row: SummaryRow) -> str:
    return f"{row.condition}\n{row.shooter}\n{row.n} {'shot' if row.n == 1 else 'shots'}"


def _side_by_side(values: Floats) -> Floats:
    """Sideways shifts that keep points of nearly equal value from hiding each other; always the same ones."""
    if len(values) < 2:
        return np.zeros(len(values))
    shifts: Floats = np.asarray(0.07 * (values.argsort().argsort() % 3 - 1.0), dtype=np.float64)
    return shifts
