"""The shooting order on paper: pages with a box to tick for every shot and a line for a note."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from analyze.fonts import show_every_name
from analyze.session.order import OrderRow
from calibrate.errors import SessionError
from calibrate.sheets import PAPERS_MM

_MARGIN_MM = 14.0
_TOP_MM = 34.0  # from the top of the page to the first line
_LINE_MM = 6.0
_BOX_MM = 4.0
_COLUMNS = 2
_GAP_MM = 8.0
# Where the cells of a line start, in mm from the left of its column.
_PLACES_MM = {"box": 0.0, "order": 12.0, "shooter": 15.0, "condition": 32.0, "tip": 62.0, "note": 65.0}
_LONGEST_NAME = {"shooter": 9, "condition": 15}
_PT_PER_MM = 72 / 25.4


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A line of the sheet: a shot, or words between shots."""

    row: OrderRow | None
    words: str = ""


def write_order_sheet(path: Path, rows: Sequence[OrderRow], *, title: str, remark: str, paper: str = "A4") -> None:
    """Write the shooting order as a PDF to print.

    Parameters
    ----------
    path : Path
        Of the PDF.
    rows : sequence of OrderRow
        The order.
    title : str
        Name of the session.
    remark : str
        Small print: the seed, say.
    paper : str
        `A4` or `Letter`, upright.

    Raises
    ------
    SessionError
        If it cannot be written.
    """
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}, but got {paper!r}")
    height_mm, width_mm = PAPERS_MM[paper][0], PAPERS_MM[paper][1]
    columns = _columns(_lines(rows), int((height_mm - _TOP_MM - _MARGIN_MM) // _LINE_MM))
    pages = [columns[first : first + _COLUMNS] for first in range(0, len(columns), _COLUMNS)]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with mpl.rc_context({"pdf.fonttype": 42, "text.parse_math": False}), PdfPages(path) as file:
            for number, page in enumerate(pages, start=1):
                figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4))
                axes = figure.add_axes((0, 0, 1, 1))
                axes.set(xlim=(0, width_mm), ylim=(0, height_mm))
                axes.axis("off")
                _draw_head(axes, (width_mm, height_mm), title, f"{remark}    page {number} of {len(pages)}")
                column_mm = (width_mm - 2 * _MARGIN_MM - (_COLUMNS - 1) * _GAP_MM) / _COLUMNS
                for place, lines in enumerate(page):
                    left_mm = _MARGIN_MM + place * (column_mm + _GAP_MM)
                    _draw_column(axes, left_mm, height_mm - _TOP_MM, column_mm, lines)
                show_every_name(figure)
                file.savefig(figure)
    except OSError as error:
        raise SessionError(f"{path}: cannot be written ({error.strerror}); is it open elsewhere?") from error


def _lines(rows: Sequence[OrderRow]) -> list[_Line]:
    """Shots, a heading where the shooter changes, a word where a condition is over before another begins."""
    lines: list[_Line] = []
    changes = _changes(rows)
    for place, row in enumerate(rows):
        if place in changes:
            lines.append(_Line(row=None, words=changes[place]))
        if not place or place in changes or row.shooter != rows[place - 1].shooter:
            lines.append(_Line(row=None, words=f"{row.shooter} shoots"))
        lines.append(_Line(row=row))
    return lines


def _changes(rows: Sequence[OrderRow]) -> dict[int, str]:
    """Words by the place before which a condition is finished for good and another can begin."""
    places: dict[str, list[int]] = {}
    for place, row in enumerate(rows):
        places.setdefault(row.condition, []).append(place)
    # Of a single shot nobody can say that its condition was kept together.
    kept = {name: where for name, where in places.items() if len(where) > 1}
    found: dict[int, str] = {}
    for new, where in kept.items():
        before = [name for name, those in kept.items() if those[-1] < where[0]]
        if not before:
            continue
        ended = max(before, key=lambda name: kept[name][-1])
        # Between the two there may be shots of others: best where the shooter changes, or where the control shots
        # that end a block meet those that begin the next.
        window = range(kept[ended][-1] + 1, where[0] + 1)
        best = [p for p in window if rows[p].shooter != rows[p - 1].shooter]
        best += [p for p in window if rows[p].condition == rows[p - 1].condition]
        found[(best or [where[0]])[0]] = f"{ended} is over: now change to {new}"
    return found


def _columns(lines: Sequence[_Line], most: int) -> list[list[_Line]]:
    """Cut the lines into columns; no heading stays behind at the foot of one."""
    columns: list[list[_Line]] = [[]]
    for place, line in enumerate(lines):
        room = most - len(columns[-1])
        follows = 1
        while lines[place + follows - 1].row is None:
            follows += 1
        if room < follows:
            columns.append([])
        columns[-1].append(line)
    return columns


def _draw_head(axes: Axes, size_mm: tuple[float, float], title: str, remark: str) -> None:
    top_mm = size_mm[1] - _MARGIN_MM
    axes.text(
        _MARGIN_MM, top_mm, f"Shooting order: {title}", va="top", fontsize=14, fontweight="bold", parse_math=False
    )
    axes.text(
        _MARGIN_MM,
        top_mm - 7.5,
        "Shoot from top to bottom, left column first. Tick each shot; write down beside it what went wrong. Leave "
        "nothing out,\nrepeat nothing that merely missed: all shots count. One that must be repeated (a miscue) "
        "gets a line of its own in order.csv.",
        va="top",
        fontsize=7.5,
    )
    axes.text(_MARGIN_MM, _MARGIN_MM - 5, remark, va="bottom", fontsize=6.5, color="0.35", parse_math=False)


def _draw_column(axes: Axes, left_mm: float, top_mm: float, width_mm: float, lines: Sequence[_Line]) -> None:
    for place, name in (("shooter", "shooter"), ("condition", "condition"), ("note", "note")):
        axes.text(left_mm + _PLACES_MM[place], top_mm + 1.5, name, va="bottom", fontsize=7, color="0.35")
    axes.text(left_mm + _PLACES_MM["order"], top_mm + 1.5, "no.", ha="right", va="bottom", fontsize=7, color="0.35")
    axes.text(
        left_mm + _PLACES_MM["tip"], top_mm + 1.5, "tip mm", ha="right", va="bottom", fontsize=7, color="0.35"
    )
    for number, line in enumerate(lines):
        middle_mm = top_mm - (number + 0.5) * _LINE_MM
        bottom_mm = middle_mm - _LINE_MM / 2
        if line.row is None:
            axes.add_patch(Rectangle((left_mm, bottom_mm + 0.4), width_mm, _LINE_MM - 0.8, color="0.88", lw=0))
            axes.text(
                left_mm + 2, middle_mm, line.words, va="center", fontsize=9, fontweight="bold", parse_math=False
            )
            continue
        _draw_shot(axes, left_mm, middle_mm, line.row)
        axes.plot([left_mm + _PLACES_MM["note"], left_mm + width_mm], [bottom_mm + 0.8] * 2, color="0.6", lw=0.5)


def _draw_shot(axes: Axes, left_mm: float, middle_mm: float, row: OrderRow) -> None:
    axes.add_patch(Rectangle((left_mm, middle_mm - _BOX_MM / 2), _BOX_MM, _BOX_MM, fill=False, lw=0.3 * _PT_PER_MM))
    axes.text(left_mm + _PLACES_MM["order"], middle_mm, f"{row.order}", ha="right", va="center", fontsize=9)
    for name in ("shooter", "condition"):
        text = str(getattr(row, name))
        if len(text) > _LONGEST_NAME[name]:
            text = text[: _LONGEST_NAME[name] - 1] + "…"
        weight = "bold" if name == "condition" else "normal"
        axes.text(
            left_mm + _PLACES_MM[name],
            middle_mm,
            text,
            va="center",
            fontsize=9,
            fontweight=weight,
            parse_math=False,
        )
    if row.tip_offset_mm is not None:
        tip = f"{row.tip_offset_mm:+g}".replace("-", "\N{MINUS SIGN}") if row.tip_offset_mm else "0"
        axes.text(left_mm + _PLACES_MM["tip"], middle_mm, tip, ha="right", va="center", fontsize=9)
