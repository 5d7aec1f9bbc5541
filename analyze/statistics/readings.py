"""Hand-read data: `readings.csv`, its columns, and inches as a tester writes them."""

import csv
import difflib
import io
import re
from fractions import Fraction
from pathlib import Path

import pandas as pd

from analyze.statistics.plausible import check_size, mixed_unit, pasted_rows
from analyze.statistics.shots_table import POOLED, ROLES
from calibrate.errors import SessionError
from calibrate.units import m_from_inch, mm_from_m

READING_COLUMNS = ("reading_mm", "reading_in")
OPTIONAL_COLUMNS = (
    "shot",
    "session",
    "reading_sd_mm",
    "launch_speed_m_s",
    "tip_offset_mm",
    "order",
    "role",
    "kept",
    "note",
)
_NUMBER_COLUMNS = ("reading_sd_mm", "launch_speed_m_s", "tip_offset_mm", "order")
_YES_NO = {"": True, "1": True, "true": True, "yes": True, "0": False, "false": False, "no": False}
_MISSING = ("", "nan", "na")  # how programs write that there is no number
_DECIMAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_INCH = re.compile(r"(?P<sign>[+-]?)\s*(?:(?P<whole>\d+)(?:\s*-\s*|\s+))?(?P<top>\d+)\s*/\s*(?P<bottom>\d+)")


def inch_from_text(text: str) -> float:
    """Inches from how a tester writes them: ``2.4375``, ``2-7/16``, ``2 7/16``, ``7/16``; also negative.

    Parameters
    ----------
    text : str
        One number. A sign in front holds for the whole of it: ``-2-7/16`` is -2.4375. Unit signs (``in``, ``"``)
        at the end and the typographic minus are accepted.

    Raises
    ------
    ValueError
        If it is none of these; the message says what can be written.

    Examples
    --------
    >>> inch_from_text("2-7/16"), inch_from_text("-7/16")
    (2.4375, -0.4375)
    """
    plain = text.strip().replace("\N{MINUS SIGN}", "-").removesuffix('"').removesuffix("in").strip()
    if _DECIMAL.fullmatch(plain):
        return float(plain)
    parts = _INCH.fullmatch(plain)
    if parts is None or int(parts["bottom"]) == 0:
        raise ValueError(f"{text.strip()!r} is not a length in inches; write 2.4375, 2-7/16 or 2 7/16")
    size = int(parts["whole"] or 0) + Fraction(int(parts["top"]), int(parts["bottom"]))
    return float(-size if parts["sign"] == "-" else size)


def _number(text: str) -> float:
    if not _DECIMAL.fullmatch(text.replace("\N{MINUS SIGN}", "-")):
        raise ValueError(f"{text!r} is not a number; write it with a decimal point, as 61.5")
    return float(text.replace("\N{MINUS SIGN}", "-"))


def _first_line(text: str) -> str:
    return next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")


_KNOWN_COLUMNS = frozenset({"condition", "shooter", *READING_COLUMNS, *OPTIONAL_COLUMNS})
_TAKEN_WORDS = frozenset(word for name in _KNOWN_COLUMNS for word in name.split("_")) - {"mm", "in", "m", "s"}


def _meant_otherwise(name: str) -> bool:
    """Whether an unknown column looks like a known one, misspelt, rather than like a column of the tester's own."""
    return (
        not name
        or not _TAKEN_WORDS.isdisjoint(name.split("_"))
        or bool(difflib.get_close_matches(name, _KNOWN_COLUMNS, n=1, cutoff=0.75))
    )


def own_columns(table: pd.DataFrame) -> tuple[str, ...]:
    """Return columns of the tester's own in a table from `read_readings`: factors (texts) and values (numbers)."""
    return tuple(str(name) for name in table.columns if name not in _KNOWN_COLUMNS)


def _with_own_columns(
    path: Path, table: pd.DataFrame, texts: list[tuple[str, ...]], header: list[str]
) -> pd.DataFrame:
    """Add the tester's own columns, which say what each condition is made of: numbers where all are numbers."""
    for place, name in enumerate(header):
        if name in _KNOWN_COLUMNS:
            continue
        column = pd.Series([row[place] for row in texts])
        several = column.groupby(table["condition"]).nunique()
        if (several > 1).any():
            raise SessionError(
                f"{path}: column '{name}' is not known and says different things of condition '{several.idxmax()}'"
                "; a column of your own must say what a condition is made of. Known are condition, shooter, "
                f"reading_mm or reading_in, {', '.join(OPTIONAL_COLUMNS)}"
            )
        numeric = column.map(lambda text: text == "" or bool(_DECIMAL.fullmatch(text)))
        if numeric.all() and (column != "").any():
            column = pd.to_numeric(column.where(column != ""), errors="coerce")
        table[name] = column
    return table


def _check_header(path: Path, header: list[str], line: int) -> str:
    for name in ("condition", "shooter"):
        if name not in header:
            raise SessionError(f"{path}, line {line}: no column '{name}'; the first line names the columns")
    given = [name for name in READING_COLUMNS if name in header]
    if len(given) != 1:
        found = "both are there" if given else "none is there"
        raise SessionError(f"{path}, line {line}: one column 'reading_mm' or 'reading_in' is needed, but {found}")
    for name in header:
        if header.count(name) > 1:
            raise SessionError(f"{path}, line {line}: column '{name}' is there twice; keep one")
        if name not in _KNOWN_COLUMNS and _meant_otherwise(name):
            raise SessionError(
                f"{path}, line {line}: unknown column '{name}'; known are condition, shooter, reading_mm or "
                f"reading_in, {', '.join(OPTIONAL_COLUMNS)}"
            )
    return given[0]


def _names_of(cells: dict[str, str]) -> dict[str, object]:
    for name in ("condition", "shooter"):
        if not cells[name]:
            raise ValueError(f"{name} is empty; write which one it was")
    if cells["shooter"] == POOLED:
        raise ValueError(f"no shooter may be called '{POOLED}', the name of the pooled row; choose another")
    given = ("condition", "shooter", "shot", "session", "note")
    return {name: cells[name] for name in given if name in cells}


def _numbers_of(cells: dict[str, str], reading_column: str) -> dict[str, object]:
    numbers: dict[str, object] = {}
    for name in (reading_column, *_NUMBER_COLUMNS):
        if name not in cells:
            continue
        read = inch_from_text if name == "reading_in" else _number
        try:
            numbers[name] = None if cells[name].lower() in _MISSING else read(cells[name])
        except ValueError as error:
            raise ValueError(f"{name}: {error}") from error
    if "reading_in" in numbers:
        inches = numbers.pop("reading_in")
        numbers["reading_mm"] = mm_from_m(m_from_inch(inches)) if isinstance(inches, float) else None
    if isinstance(sd := numbers.get("reading_sd_mm"), float) and sd < 0:
        raise ValueError(f"reading_sd_mm: {sd:g} is below zero; a standard uncertainty is zero or more")
    for name, value in numbers.items():
        if isinstance(value, float):
            check_size(name, value)
    return numbers


def _choices_of(cells: dict[str, str]) -> dict[str, object]:
    choices: dict[str, object] = {}
    if "kept" in cells:
        if cells["kept"].lower() not in _YES_NO:
            raise ValueError(f"kept: {cells['kept']!r} is neither yes nor no")
        choices["kept"] = _YES_NO[cells["kept"].lower()]
    if "role" in cells:
        if cells["role"] not in ("", *ROLES):
            raise ValueError(f"role: {cells['role']!r} is neither 'test' nor 'control'")
        choices["role"] = cells["role"] or "test"
    return choices


def _one_shot(cells: dict[str, str], reading_column: str) -> dict[str, object]:
    return {**_names_of(cells), **_numbers_of(cells, reading_column), **_choices_of(cells)}


def _refuse_repeats(
    path: Path, shots: list[dict[str, object]], texts: list[tuple[str, ...]], lines: list[int]
) -> None:
    """Refuse a shot that is there twice: by its number, its place in the order, or pasted with its neighbours."""
    for number, owner in (("shot", ("condition", "shooter", "session")), ("order", ("shooter", "session"))):
        seen: dict[tuple[object, ...], int] = {}
        for shot, line in zip(shots, lines, strict=True):
            if shot.get(number) in (None, ""):
                continue
            key = (shot[number], *(shot.get(name) for name in owner))
            if key in seen:
                value = shot[number]
                shown = f"{value:g}" if isinstance(value, float) else value
                raise SessionError(
                    f"{path}, line {line}: {number} {shown} is already in line {seen[key]}; take one out, or "
                    "number it anew"
                )
            seen[key] = line
    if (again := pasted_rows(texts)) is not None:
        raise SessionError(
            f"{path}, line {lines[again[1]]}: the rows from here on stand from line {lines[again[0]]} on already, "
            "word for word; take one of the two out, or number the shots in a column 'shot'"
        )


def _refuse_mixed_units(path: Path, shots: list[dict[str, object]], lines: list[int], *, inches: bool) -> None:
    cells: dict[tuple[object, object], list[int]] = {}
    for k, shot in enumerate(shots):
        if isinstance(shot["reading_mm"], float) and shot.get("kept", True):
            cells.setdefault((shot["condition"], shot["shooter"]), []).append(k)
    for places in cells.values():
        values = [value for k in places if isinstance(value := shots[k]["reading_mm"], float)]
        if (found := mixed_unit(values, inches=inches)) is not None:
            raise SessionError(f"{path}, line {lines[places[found[0]]]}: {found[1]}")


def reading_unit(path: Path) -> str:
    """Return the unit in which the readings of a `readings.csv` are written: ``mm`` or ``inch``.

    Parameters
    ----------
    path : Path
        A file that `read_readings` takes.
    """
    header = _first_line(path.read_text(encoding="utf-8-sig"))
    return "inch" if "reading_in" in re.split(r"\s*[,;]\s*", header.strip()) else "mm"


def read_readings(path: Path) -> pd.DataFrame:
    """Read a `readings.csv` of readings taken by hand.

    Parameters
    ----------
    path : Path
        First line: the columns ``condition,shooter`` and ``reading_mm`` or ``reading_in``, optionally
        `OPTIONAL_COLUMNS`, and columns of the tester's own that say what a condition is made of. Comma or semicolon
        between cells; lines that are empty or begin with ``#`` do not count.

    Returns
    -------
    DataFrame
        A table of shots (`analyze.statistics.shots_table`), readings in mm; an empty one (or ``nan``) is missing.

    Raises
    ------
    SessionError
        In one line: file, line number, what is wrong, what to write.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SessionError(f"{path}: cannot be read as UTF-8 text ({error})") from error
    delimiter = ";" if ";" in _first_line(text) else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    header: list[str] = []
    reading_column = ""
    shots = []
    lines = []
    texts = []
    for row in reader:
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if not header:
            header, reading_column = cells, _check_header(path, cells, reader.line_num)
            continue
        if len(cells) != len(header):
            raise SessionError(
                f"{path}, line {reader.line_num}: {len(cells)} cells, but the header names {len(header)} columns"
            )
        try:
            shots.append(_one_shot(dict(zip(header, cells, strict=True)), reading_column))
        except ValueError as error:
            raise SessionError(f"{path}, line {reader.line_num}: {error}") from error
        lines.append(reader.line_num)
        texts.append(tuple(cells))
    if not header:
        raise SessionError(f"{path}: is empty; its first line is condition,shooter,reading_mm")
    if not shots:
        raise SessionError(f"{path}: names its columns but holds no shot; write one line per shot")
    _refuse_repeats(path, shots, texts, lines)
    _refuse_mixed_units(path, shots, lines, inches=reading_column == "reading_in")
    table = _with_own_columns(path, pd.DataFrame(shots), texts, header)
    return table.astype({name: float for name in ("reading_mm", *_NUMBER_COLUMNS) if name in table.columns})
