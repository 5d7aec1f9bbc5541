"""Marks: places of the table that a tester clicks, their names, and the file of clicks.

::

    foot-1..3  head-1..3     sights on the short rails, from the shooter's left
    left-1..7  right-1..7    sights on the long rails, from the head
    scale+2    scale-4       where a tick of the rail scale meets its reading line, in the scale's unit
    lane:300   lane:300:-14  marker on the cloth, mm ahead of the spot, and mm to the right of the lane
    bed:635:762              any point of the cloth, x and y of the table frame in mm
"""

import csv
import difflib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np

from calibrate.arrays import Floats
from calibrate.errors import MarksError
from calibrate.scale import RailScale
from calibrate.table import LONG_RAIL_SIGHTS, SHORT_RAIL_SIGHTS, Lane, Table, sight_places_m
from calibrate.units import m_from_mm

COLUMNS = ("mark", "u_px", "v_px")
GRAMMAR = "foot-1 to 3, head-1 to 3, left-1 to 7, right-1 to 7, scale+2, scale-4, lane:300, lane:300:-14.3, bed:X:Y"

_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_SIGHT = re.compile(r"(foot|head|left|right)-([1-9])")
_TICK = re.compile(rf"scale([+-](?:{_NUMBER}))")
_LANE = re.compile(rf"lane:([+-]?(?:{_NUMBER}))(?::([+-]?(?:{_NUMBER})))?")
_BED = re.compile(rf"bed:([+-]?(?:{_NUMBER})):([+-]?(?:{_NUMBER}))")

_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
MOST_SIGMA_PX = 100.0  # worse is no click on this mark


class MarkKind(StrEnum):
    """What a mark looks like in the picture, and on which plane it lies."""

    SIGHT = "sight"
    TICK = "tick"
    RING = "ring"


@dataclass(frozen=True, slots=True)
class Click:
    """A mark as a hand clicked it.

    Attributes
    ----------
    name : str
        Name of the mark.
    u_px, v_px : float
        Where, in px; (0, 0) is the centre of the top-left pixel.
    sigma_px : float or None
        Standard uncertainty of the click, each coordinate; None where the file does not say.
    """

    name: str
    u_px: float
    v_px: float
    sigma_px: float | None = None


def mark_kind(name: str) -> MarkKind:
    """Return what kind of mark `name` is; raise `MarksError` if it is none.

    Examples
    --------
    >>> mark_kind("foot-1").name, mark_kind("scale-4").name, mark_kind("lane:300").name
    ('SIGHT', 'TICK', 'RING')
    """
    sight = _SIGHT.fullmatch(name)
    if sight and int(sight[2]) <= _sights_on(sight[1]):
        return MarkKind.SIGHT
    if _TICK.fullmatch(name):
        return MarkKind.TICK
    if _LANE.fullmatch(name) or _BED.fullmatch(name):
        return MarkKind.RING
    raise MarksError(f"unknown mark {name!r}{_suggestion(name)}; marks are {GRAMMAR}")


def tick_number(name: str) -> float:
    """Return the number of the scale's tick that `name` is, in the scale's unit.

    Examples
    --------
    >>> tick_number("scale-4")
    -4.0
    """
    tick = _TICK.fullmatch(name)
    if not tick:
        raise MarksError(f"{name!r} is no tick of the scale; ticks are named scale+2, scale-4, scale+0")
    return float(tick[1])


def mark_point_m(name: str, table: Table, lane: Lane, scale: RailScale) -> Floats:
    """Where a mark lies.

    Parameters
    ----------
    name : str
        Name of the mark.
    table : Table
        Gives sights and the height of the rail top, on which sights and scale lie.
    lane : Lane
        Gives the markers named from it.
    scale : RailScale
        Gives the ticks, as it lies.

    Returns
    -------
    (3,) array
        Table frame, in m.

    Raises
    ------
    MarksError
        If the name is none, or the table has no such place.
    """
    kind = mark_kind(name)
    if kind is MarkKind.SIGHT:
        sights = sight_places_m(table)
        if name not in sights:
            raise MarksError(
                f"{name}: a {table.name} table has no sights; use markers on the cloth (lane:300, bed:X:Y)"
            )
        return np.array([*sights[name], table.rail_top_m])
    if kind is MarkKind.TICK:
        return np.array([*scale.tick_xy_m(tick_number(name)), table.rail_top_m])
    if on_lane := _LANE.fullmatch(name):
        x_m = lane.x_aim_m + m_from_mm(float(on_lane[2] or 0))
        y_m = lane.spot_y_m + m_from_mm(float(on_lane[1]))
    else:
        on_bed = _BED.fullmatch(name)
        assert on_bed is not None  # mark_kind knows no third form
        x_m, y_m = (m_from_mm(float(on_bed[axis])) for axis in (1, 2))
    if not (0 <= x_m <= table.width_m and 0 <= y_m <= table.length_m):
        raise MarksError(
            f"{name}: this place lies off the cloth, at {1000 * x_m:.0f}, {1000 * y_m:.0f} mm on a {table.name} "
            f"table of {1000 * table.width_m:.0f} x {1000 * table.length_m:.0f} mm; check its name and session.toml"
        )
    return np.array([x_m, y_m, 0.0])


def same_mark(name: str) -> tuple[object, ...]:
    """Return a key that is equal for two spellings of one mark, as `scale+2` and `scale+2.0`.

    Examples
    --------
    >>> same_mark("scale+2") == same_mark("scale+2.0")
    True
    """
    for pattern in (_TICK, _LANE, _BED):
        if match := pattern.fullmatch(name):
            return (pattern.pattern, *(float(group or 0) for group in match.groups()))
    return (name,)


def read_marks(path: Path) -> tuple[Click, ...]:
    """Read a file of clicks.

    Parameters
    ----------
    path : Path
        CSV with columns mark, u_px, v_px and, optionally, sigma_px.

    Raises
    ------
    MarksError
        If the file or one of its lines cannot be used; the message says which line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise MarksError(
            f"{path}: cannot be read ({_why(error)}); it must be a CSV file of clicked marks"
        ) from error
    lines = text.splitlines()
    # Spreadsheets of many languages write ; between cells and , before decimals.
    delimiter = ";" if lines and ";" in lines[0] else ","
    reader = csv.DictReader(lines, skipinitialspace=True, delimiter=delimiter)
    columns = [name.strip() for name in reader.fieldnames or ()]
    reader.fieldnames = columns
    missing = [name for name in COLUMNS if name not in columns]
    if missing:
        raise MarksError(
            f"{path}, line 1: column {missing[0]} is missing; the first line must be mark,u_px,v_px "
            "(sigma_px may follow)"
        )
    clicks: dict[tuple[object, ...], tuple[int, Click]] = {}
    for row in reader:
        line = reader.line_num
        click = _click(
            path, line, {key: _cell(value, delimiter) for key, value in row.items() if isinstance(key, str)}
        )
        earlier = clicks.get(same_mark(click.name))
        if earlier:
            raise MarksError(
                f"{path}, line {line}: {click.name} was already clicked in line {earlier[0]}; keep one of them"
            )
        clicks[same_mark(click.name)] = (line, click)
    if not clicks:
        raise MarksError(f"{path}: holds no marks; click the scale and a few sights first")
    return tuple(click for _, click in clicks.values())


def write_marks(path: Path, clicks: Iterable[Click]) -> None:
    """Write clicks as a file that `read_marks` reads."""
    clicks = tuple(clicks)
    with_sigma = any(click.sigma_px is not None for click in clicks)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([*COLUMNS, "sigma_px"] if with_sigma else COLUMNS)
        for click in clicks:
            row = [click.name, f"{click.u_px:.3f}", f"{click.v_px:.3f}"]
            if with_sigma:
                row.append("" if click.sigma_px is None else f"{click.sigma_px:g}")
            writer.writerow(row)


def _cell(value: str | None, delimiter: str) -> str:
    text = (value or "").strip()
    return text.replace(",", ".") if delimiter == ";" and _DECIMAL_COMMA.fullmatch(text) else text


def _click(path: Path, line: int, row: dict[str, str]) -> Click:
    where = f"{path}, line {line}"
    try:
        mark_kind(row["mark"])
    except MarksError as error:
        raise MarksError(f"{where}: {error}") from None
    values = {}
    for column in ("u_px", "v_px", "sigma_px"):
        text = row.get(column, "")
        if not text and column == "sigma_px":
            continue
        try:
            values[column] = float(text)
        except ValueError:
            hint = "; write a decimal point" if _DECIMAL_COMMA.fullmatch(text) else ""
            raise MarksError(
                f"{where}: {column} of {row['mark']} is {text!r}, which is not a number{hint}"
            ) from None
        if not math.isfinite(values[column]):
            raise MarksError(f"{where}: {column} of {row['mark']} is {text!r}, which is not a finite number")
    sigma_px = values.get("sigma_px")
    if sigma_px is not None and not 0 < sigma_px <= MOST_SIGMA_PX:
        raise MarksError(
            f"{where}: sigma_px of {row['mark']} must be above 0 and at most {MOST_SIGMA_PX:g}, but is {sigma_px:g}"
        )
    return Click(row["mark"], values["u_px"], values["v_px"], sigma_px)


def _sights_on(rail: str) -> int:
    return SHORT_RAIL_SIGHTS if rail in ("foot", "head") else LONG_RAIL_SIGHTS


def _suggestion(name: str) -> str:
    """Say which mark was probably meant, if any is near."""
    if number := re.fullmatch(rf"scale\s*[:_ ]?\s*([+-]?)\s*({_NUMBER})", name.lower()):
        return f" (did you mean 'scale{number[1] or '+'}{number[2]}'?)"
    sights = [f"{rail}-{n}" for rail in ("foot", "head", "left", "right") for n in range(1, _sights_on(rail) + 1)]
    near = difflib.get_close_matches(name.lower(), [*sights, "lane:300", "bed:635:762", "scale+0"], n=1, cutoff=0.6)
    return f" (did you mean {near[0]!r}?)" if near else ""


def _why(error: OSError | UnicodeDecodeError) -> str:
    return error.strerror or "not readable" if isinstance(error, OSError) else "not text in UTF-8"
