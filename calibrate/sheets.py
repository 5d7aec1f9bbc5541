"""Sheets to print at true size: the rail scale with a length to check, ring markers, and where they all go."""

from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from calibrate.scale import RailScale
from calibrate.table import Lane, Table
from calibrate.units import mm_from_m

# ISO 216 A4 and ANSI/ASME Y14.1 Letter, landscape, mm.
PAPERS_MM = {"A4": (297.0, 210.0), "Letter": (279.4, 215.9)}
_MARGIN_MM = 12.0  # what common office printers leave blank at most
_PT_PER_MM = 72 / 25.4
_TICK_MM = 1.2  # wide enough to be seen from behind the shooter, at 0.4 px/mm
_NUMBER_TICK_MM, _HALF_TICK_MM = 14.0, 7.0
_STRIP_MM = 32.0
_RING_OUTER_MM, _RING_INNER_MM = 18.0, 9.0


def write_sheets(path: Path, *, table: Table, lane: Lane, scale: RailScale, paper: str = "A4") -> None:
    """Write a PDF of three pages: rail scale, ring markers, set-up.

    Parameters
    ----------
    path : Path
        Of the PDF.
    table, lane, scale
        The set-up as session.toml gives it.
    paper : str
        `A4` or `Letter`.

    Raises
    ------
    ValueError
        If the paper is none of those.
    """
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}, but got {paper!r}")
    # Type 3 fonts are drawn as pictures by some printers' drivers; 42 embeds the font itself.
    with mpl.rc_context({"pdf.fonttype": 42}), PdfPages(path) as pages:
        for draw in (_draw_scale, _draw_rings, _draw_setup):
            figure, axes = _page(PAPERS_MM[paper])
            draw(axes, PAPERS_MM[paper], table, lane, scale)
            pages.savefig(figure)


def scale_reach(scale: RailScale, paper: str = "A4") -> int:
    """Return the largest number on each side of the zero that fits the paper."""
    half_mm = PAPERS_MM[paper][0] / 2 - _MARGIN_MM - 4
    return int(half_mm // mm_from_m(scale.unit_m))


def _page(size_mm: tuple[float, float]) -> tuple[Figure, Axes]:
    """Return a page whose axes are in mm from its lower left corner."""
    figure = Figure(figsize=(size_mm[0] / 25.4, size_mm[1] / 25.4))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, size_mm[0]), ylim=(0, size_mm[1]))
    axes.axis("off")
    return figure, axes


def _draw_scale(axes: Axes, size_mm: tuple[float, float], table: Table, lane: Lane, scale: RailScale) -> None:
    unit_mm, middle_mm = mm_from_m(scale.unit_m), size_mm[0] / 2
    paper = next(name for name, size in PAPERS_MM.items() if size == size_mm)
    line_mm = size_mm[1] - 60.0
    reach = scale_reach(scale, paper)
    # Numbers a tester can tell apart: every unit in inches, every tenth mm.
    step = 1 if unit_mm >= 8 else 10
    half = step / 2
    axes.add_patch(
        Rectangle((_MARGIN_MM, line_mm - 8), size_mm[0] - 2 * _MARGIN_MM, _STRIP_MM, fill=False, lw=0.4, ls="--")
    )
    axes.plot([_MARGIN_MM + 2, size_mm[0] - _MARGIN_MM - 2], [line_mm, line_mm], "k", lw=0.3 * _PT_PER_MM)
    numbers = [n * half for n in range(-int(reach / half), int(reach / half) + 1)]
    for number in numbers:
        whole = abs(number / step - round(number / step)) < 1e-9
        length_mm = _NUMBER_TICK_MM if whole else _HALF_TICK_MM
        x_mm = middle_mm + number * unit_mm
        axes.add_patch(Rectangle((x_mm - _TICK_MM / 2, line_mm), _TICK_MM, length_mm, color="black", lw=0))
        if whole:
            text = "0" if number == 0 else f"{number:+g}"
            axes.text(x_mm, line_mm + length_mm + 1.5, text, ha="center", va="bottom", fontsize=12)
    text = (
        "Print at 100 % (no fitting to the page). Check: the bar below must be 100 mm long.\n"
        "Cut out along the dashed line. Lay it on the foot rail, the long line on the line of sights, zero at\n"
        f"the aimed sight, plus to the shooter's right: {mm_from_m(scale.line_y_m - table.length_m):.1f} mm "
        "behind the cushion nose, ticks pointing away from the shooter. Tape it flat."
    )
    axes.text(_MARGIN_MM, line_mm - 16, text, va="top", fontsize=10)
    axes.add_patch(Rectangle((_MARGIN_MM, line_mm - 60), 100, 3, color="black", lw=0))


def _draw_rings(axes: Axes, size_mm: tuple[float, float], table: Table, lane: Lane, scale: RailScale) -> None:
    axes.text(
        _MARGIN_MM,
        size_mm[1] - _MARGIN_MM,
        "Ring markers for the cloth. Print on sticky paper, cut out, put the dot on the measured place.",
        va="top",
        fontsize=10,
    )
    for row in range(4):
        for column in range(6):
            centre = (40 + column * 42.0, size_mm[1] - 50 - row * 38.0)
            axes.add_patch(Circle(centre, _RING_OUTER_MM / 2, color="black", lw=0))
            axes.add_patch(Circle(centre, _RING_INNER_MM / 2, color="white", lw=0))
            axes.add_patch(Circle(centre, 1.0, color="black", lw=0))


def _draw_setup(axes: Axes, size_mm: tuple[float, float], table: Table, lane: Lane, scale: RailScale) -> None:
    ahead_m = [0.3 * n for n in range(1, 9) if lane.spot_y_m + 0.3 * n < table.length_m - 0.15]
    lines = [
        f"Set-up for a {table.name} table, {mm_from_m(table.width_m):.0f} x {mm_from_m(table.length_m):.0f} mm "
        "from nose to nose",
        "",
        f"Line of aim: {mm_from_m(lane.x_aim_m):.1f} mm from the left cushion nose (as the shooter sees it).",
        f"Cue-ball spot: {mm_from_m(lane.spot_y_m):.1f} mm from the head-rail nose, on that line.",
        f"Scale: zero on that line, its long line {mm_from_m(scale.line_y_m - table.length_m):.1f} mm behind the "
        "foot-rail nose.",
        "Markers on the line of aim, measured from the spot towards the foot rail:",
        *(f"      lane:{mm_from_m(a):.0f}     {mm_from_m(a):.0f} mm" for a in ahead_m),
        "",
        "Camera: fixed, behind the foot rail or behind the shooter, as high as can be, so that spot, lane, scale",
        "and at least two sights of each long rail are in the picture. Do not touch it until the last shot.",
    ]
    axes.text(_MARGIN_MM, size_mm[1] - _MARGIN_MM, "\n".join(lines), va="top", fontsize=11, linespacing=1.5)
