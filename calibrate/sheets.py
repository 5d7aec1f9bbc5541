"""Sheets to print at true size: rail scale, cards with coded markers, rings, an aiming card, the set-up drawn."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from calibrate.aiming_card import draw_aiming_card
from calibrate.printed import (
    LONG_PIECES,
    NUMBER_MM,
    SCALE_END_MM,
    SCALE_FAR_MM,
    SCALE_NEAR_MM,
    SHORT_PIECES,
    Piece,
    cloth_cards,
    rail_cards,
    scale_pieces,
    scale_step,
    scale_strip,
)
from calibrate.scale import RailScale
from calibrate.setup_drawing import draw_setup
from calibrate.table import Ball, Lane, Table
from calibrate.units import mm_from_m, shown_length

# ISO 216 A4 and ANSI/ASME Y14.1 Letter, landscape, mm.
PAPERS_MM = {"A4": (297.0, 210.0), "Letter": (279.4, 215.9)}
CHECK_BAR_MM = 100.0
_MARGIN_MM = 12.0  # what common office printers leave blank at most
_RING_OUTER_MM, _RING_INNER_MM = 18.0, 9.0

_Draw = Callable[[Axes], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetChoice:
    """How sheets are to be printed.

    Attributes
    ----------
    paper : str
        `A4` or `Letter`.
    long : bool
        A rail scale on two pages, for a camera far from the foot rail.
    units : str
        ``inch`` or ``mm``: how lengths are shown.
    tip_radius_m : float
        Of the tip's dome, for the aiming card.
    """

    paper: str = "A4"
    long: bool = False
    units: str = "inch"
    tip_radius_m: float = 0.01

    def __post_init__(self) -> None:
        """Check the paper."""
        if self.paper not in PAPERS_MM:
            raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}, but got {self.paper!r}")


def write_sheets(
    path: Path, choice: SheetChoice, *, table: Table, lane: Lane, scale: RailScale, ball: Ball
) -> None:
    """Write a PDF of all that a session has to print, each page true to size.

    Parameters
    ----------
    path : Path
        Of the PDF.
    choice : SheetChoice
        Paper and units.
    table, lane, scale, ball
        The set-up as session.toml gives it.
    """
    units = choice.units
    size_mm = PAPERS_MM[choice.paper]
    pages: list[_Draw] = [
        partial(draw_setup, size_mm=size_mm, table=table, lane=lane, scale=scale, units=units),
        *_scale_pages(scale, table, size_mm, long=choice.long, units=units),
        *(partial(_cards_page, size_mm=size_mm, cards=cards, table=table, lane=lane, scale=scale, units=units)
          for cards in _by_page(cloth_cards(table, lane, scale), rail_cards(table))),
        partial(_draw_rings, size_mm=size_mm),
        partial(draw_aiming_card, size_mm=size_mm, ball=ball, tip_radius_m=choice.tip_radius_m, units=units),
    ]  # fmt: skip
    # Type 3 fonts are drawn as pictures by some printers' drivers; 42 embeds the font itself.
    with mpl.rc_context({"pdf.fonttype": 42}), PdfPages(path) as pdf:
        for draw in pages:
            figure, axes = _page(size_mm)
            draw(axes)
            pdf.savefig(figure)


def draw_piece(axes: Axes, piece: Piece, at_mm: tuple[float, float]) -> None:
    """Draw the ink of a piece, its reference point at a place of the page in mm.

    White runs of a marker lie on its black square, so that no hairline shows between its rows.
    """
    for boxes, colour in ((piece.boxes_mm, "black"), (piece.holes_mm, "white")):
        for left, near, right, far in boxes:
            axes.add_patch(
                Rectangle((at_mm[0] + left, at_mm[1] + near), right - left, far - near, color=colour, lw=0)
            )


def _page(size_mm: tuple[float, float]) -> tuple[Figure, Axes]:
    """Return a page whose axes are in mm from its lower left corner."""
    figure = Figure(figsize=(size_mm[0] / 25.4, size_mm[1] / 25.4))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, size_mm[0]), ylim=(0, size_mm[1]))
    axes.axis("off")
    return figure, axes


def _scale_pages(
    scale: RailScale, table: Table, size_mm: tuple[float, float], *, long: bool, units: str
) -> list[_Draw]:
    """Pages of the rail scale: one, or a left and a right half that meet in the zero tick."""
    step_mm = scale_step(scale) * mm_from_m(scale.unit_m)
    pieces = scale_pieces(scale)
    count = LONG_PIECES if long else SHORT_PIECES
    middle = len(pieces) // 2
    strip = scale_strip(pieces[middle - count // 2 : middle + count // 2], step_mm)
    end_mm = count / 2 * step_mm + SCALE_END_MM
    halves = ((-end_mm, end_mm),) if not long else ((-end_mm, 0.0), (0.0, end_mm))
    draw = partial(_draw_scale, size_mm=size_mm, strip=strip, scale=scale, table=table, units=units)
    return [partial(draw, from_mm=low, to_mm=high) for low, high in halves]


def _draw_scale(
    axes: Axes,
    *,
    size_mm: tuple[float, float],
    strip: Piece,
    scale: RailScale,
    table: Table,
    units: str,
    from_mm: float,
    to_mm: float,
) -> None:
    """Draw the part of the strip between two places along it."""
    line_mm = size_mm[1] - 60.0
    zero_mm = size_mm[0] / 2 - (from_mm + to_mm) / 2
    clip = Rectangle((zero_mm + from_mm, 0), to_mm - from_mm, size_mm[1], transform=axes.transData)
    first = len(axes.patches)
    draw_piece(axes, strip, (zero_mm, line_mm))
    for patch in axes.patches[first:]:
        patch.set_clip_path(clip)
    step = scale_step(scale)
    step_mm = step * mm_from_m(scale.unit_m)
    number_mm = line_mm + (NUMBER_MM[0] + NUMBER_MM[1]) / 2
    for n in range(-LONG_PIECES // 2, LONG_PIECES // 2 + 1):
        if from_mm - 0.1 <= n * step_mm <= to_mm + 0.1:
            text = "0" if n == 0 else f"{n * step:+g}"
            axes.text(zero_mm + n * step_mm, number_mm, text, ha="center", va="center", fontsize=13)
    axes.add_patch(
        Rectangle(
            (zero_mm + from_mm, line_mm + SCALE_NEAR_MM),
            to_mm - from_mm,
            SCALE_FAR_MM - SCALE_NEAR_MM,
            fill=False,
            lw=0.3,
            ls=(0, (4, 4)),
        )
    )
    unit = {0.0254: "inches", 0.01: "cm", 0.001: "mm"}.get(round(scale.unit_m, 6), "units")
    half = "" if from_mm < 0 < to_mm else (", left half" if to_mm <= 0 else ", right half")
    axes.text(_MARGIN_MM, size_mm[1] - 12, f"Rail scale in {unit}{half}", fontsize=15, weight="bold", va="top")
    setback = shown_length(scale.line_y_m - table.length_m, units)
    lines = [
        "Print at 100 %, never “fit to page”. Cut along the dashed line; leave the white border round the markers.",
        "Lay it flat on the foot rail: zero on the line of aim, plus to the shooter’s right, the long line",
        f"{setback} behind the cushion nose, markers on the shooter’s side of it. Tape the ends.",
    ]
    if half:
        lines.append(
            "Two pages: cut both through the middle of the zero tick and tape them so that it is one tick."
        )
    axes.text(_MARGIN_MM, line_mm + SCALE_NEAR_MM - 8, "\n".join(lines), va="top", fontsize=10, linespacing=1.5)
    _check_bar(axes, (_MARGIN_MM, 22.0))


def _check_bar(axes: Axes, at_mm: tuple[float, float]) -> None:
    axes.add_patch(Rectangle(at_mm, CHECK_BAR_MM, 3, color="black", lw=0))
    axes.text(
        at_mm[0],
        at_mm[1] - 2,
        "This bar is 100 mm long. Measure it with a steel ruler; if it is not, print again, or write its\n"
        "length into session.toml: scale.printed_100_mm. All lengths of the print are then corrected.",
        va="top",
        fontsize=9,
    )


def _by_page(cloth: Sequence[Piece], rails: Sequence[Piece]) -> list[tuple[Piece, ...]]:
    pages = [tuple(cloth[k : k + 2]) for k in range(0, len(cloth), 2)]
    return [*pages, tuple(rails)] if rails else pages


def _cards_page(
    axes: Axes,
    *,
    size_mm: tuple[float, float],
    cards: tuple[Piece, ...],
    table: Table,
    lane: Lane,
    scale: RailScale,
    units: str,
) -> None:
    on_rail = cards[0].on_rail
    title = "Cards for the long rails" if on_rail else "Cards for the cloth"
    axes.text(_MARGIN_MM, size_mm[1] - 12, title, fontsize=15, weight="bold", va="top")
    words = (
        "Lay each flat on the rail top, its cross lines over the middle of the sight that it names."
        if on_rail
        else "Lay each flat on the cloth beside the lane, the arrow towards the foot rail, its cross lines on\n"
        "the place that it names: measured from the spot along the lane, and from the lane."
    )
    axes.text(_MARGIN_MM, size_mm[1] - 22, words, fontsize=10, va="top", linespacing=1.5)
    for k, card in enumerate(cards):
        x_mm = size_mm[0] * (k + 0.5) / len(cards)
        _draw_card(axes, card, (x_mm, size_mm[1] / 2 - 5), _place_words(card, lane, units))
    _check_bar(axes, (_MARGIN_MM, 22.0))


def _place_words(card: Piece, lane: Lane, units: str) -> str:
    if card.on_rail:
        rail, number = card.mark.split("-")
        return f"{rail} rail, sight {number} from the head"
    _, ahead, aside = card.mark.split(":")
    side = "right" if float(aside) > 0 else "left"
    return (
        f"{shown_length(float(ahead) / 1000, units)} ahead of the spot,\n"
        f"{shown_length(abs(float(aside)) / 1000, units)} to the {side} of the lane"
    )


def _draw_card(axes: Axes, card: Piece, at_mm: tuple[float, float], words: str) -> None:
    left, near, right, far = card.paper_mm
    draw_piece(axes, card, at_mm)
    axes.add_patch(
        Rectangle((at_mm[0] + left, at_mm[1] + near), right - left, far - near, fill=False, lw=0.3, ls=(0, (4, 4)))
    )
    side = card.marker_mm[2] / 2
    quiet = card.marker_mm[2] / 14
    # Short cross lines at the borders: over the middle of the marker they would be ink.
    for dx, dy, ex, ey in (
        (0, far, 0, side + quiet),
        (0, near, 0, -side - quiet),
        (left, 0, -side - quiet, 0),
        (right, 0, side + quiet, 0),
    ):
        axes.plot([at_mm[0] + dx, at_mm[0] + ex], [at_mm[1] + dy, at_mm[1] + ey], "k", lw=0.5)
    top = at_mm[1] + far
    axes.annotate("", (at_mm[0], top + 16), (at_mm[0], top + 3), arrowprops={"arrowstyle": "->"})
    axes.text(at_mm[0] + 3, top + 9, "to the foot rail", fontsize=7, va="center")
    axes.text(at_mm[0], at_mm[1] + near - 3, f"{card.mark}\n{words}", ha="center", va="top", fontsize=9)


def _draw_rings(axes: Axes, *, size_mm: tuple[float, float]) -> None:
    axes.text(
        _MARGIN_MM,
        size_mm[1] - _MARGIN_MM,
        "Ring markers for the cloth, to be clicked by hand. Print on sticky paper, cut out, put the dot on the\n"
        "measured place on the lane.",
        va="top",
        fontsize=10,
    )
    for row in range(4):
        for column in range(6):
            centre = (40 + column * 42.0, size_mm[1] - 50 - row * 38.0)
            axes.add_patch(Circle(centre, _RING_OUTER_MM / 2, color="black", lw=0))
            axes.add_patch(Circle(centre, _RING_INNER_MM / 2, color="white", lw=0))
            axes.add_patch(Circle(centre, 1.0, color="black", lw=0))
