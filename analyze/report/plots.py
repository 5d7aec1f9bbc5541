"""How pictures of the report look, and the lane from above."""

import base64
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analyze.fonts import show_every_name
from analyze.session.folder import Session
from calibrate.arrays import Floats
from calibrate.errors import SessionError
from calibrate.units import M_PER_INCH, M_PER_MM, mm_from_m

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
MM_PER_INCH = M_PER_INCH / M_PER_MM
STYLE = {
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
    # The same shots give the same file, byte for byte.
    "svg.hashsalt": "railread",
    # Names are shown as they are: a "$" in one does not begin a formula.
    "text.parse_math": False,
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


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure as PNG, or as SVG where the path says so; the same figure gives the same file."""
    metadata = {"Date": None} if path.suffix == ".svg" else None
    with mpl.rc_context(STYLE):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            show_every_name(figure)
            figure.savefig(path, metadata=metadata)
        except OSError as error:
            raise SessionError(
                f"{path}: cannot be written ({error.strerror}); is it open in another program?"
            ) from error


def data_uri(figure: Figure) -> str:
    """Return a figure as SVG inside a data URI, for a page that is one file."""
    buffer = io.BytesIO()
    with mpl.rc_context(STYLE):
        show_every_name(figure)
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def draw_lane(
    path: Path, session: Session, shots: Sequence[LaneShot], styles: Mapping[str, tuple[str, str]]
) -> None:
    """Write `lane_figure` to a PNG."""
    save_figure(lane_figure(session, shots, styles), path)


def lane_figure(session: Session, shots: Sequence[LaneShot], styles: Mapping[str, tuple[str, str]]) -> Figure:
    """Draw the fitted paths from above, one panel a condition, sideways scale enlarged.

    Parameters
    ----------
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
    with mpl.rc_context(STYLE):
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
        show_every_name(figure)
        figure.draw_without_rendering()
        box = panels[0].get_window_extent()
        enlarged = (box.width / (2 * half_mm)) / (box.height / (1000 * (along_top_m + 0.06)))
        first = f"; the first {len(names)} of {len(every)} conditions" if len(names) < len(every) else ""
        figure.suptitle(
            f"The lane from above, shooter at the bottom{first}\nsideways scale enlarged {enlarged:.1f} times",
            fontsize=10,
        )
    return figure


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
