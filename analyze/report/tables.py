"""The tables in out/ as files: out/shots.csv, and tables of results with sensible decimals."""

from pathlib import Path

import pandas as pd

from analyze.session.shots_frame import SHOT_COLUMNS
from calibrate.errors import SessionError

# Of tables of results, by the ending of a column's name; numbers of other columns are written in full.
_DECIMALS = {"_mm": 3, "_mm2": 4, "_deg": 4, "_g": 2, "df": 2, "share": 4, "sd_shown": 4}
# Digits of probabilities, and the least that is told apart: nothing has a probability of zero.
_P_DIGITS, _LEAST_P = 4, 1e-10


def write_shots(path: Path, shots: pd.DataFrame) -> None:
    """Write `out/shots.csv`.

    Parameters
    ----------
    path : Path
        The file.
    shots : DataFrame
        From `shots_frame`.
    """
    table = shots.copy()
    if "session" in table.columns:
        table = table[["session", *SHOT_COLUMNS]]
    for name, decimals in SHOT_COLUMNS.items():
        if decimals is not None:
            table[name] = [_number(value, decimals) for value in table[name]]
    for name in ("kept", "swerve_seen"):
        table[name] = ["yes" if value else "no" for value in table[name]]
    _write(path, table)


def write_numbers(path: Path, frame: pd.DataFrame) -> None:
    """Write a table of results: `out/summary.csv`, `out/comparisons.csv` and their like.

    Parameters
    ----------
    path : Path
        The file.
    frame : DataFrame
        Its columns; the ending of a name says how many decimals its numbers get (`_DECIMALS`).
    """
    table = frame.copy()
    for name in table.columns:
        decimals = _decimals(str(name))
        if str(name) == "p" or str(name).startswith("p_"):
            table[name] = [_probability(value) for value in table[name]]
        elif decimals is not None:
            table[name] = [_number(value, decimals) for value in table[name]]
    _write(path, table)


def _decimals(column: str) -> int | None:
    return next((decimals for ending, decimals in _DECIMALS.items() if column.endswith(ending)), None)


def _number(value: float, decimals: int) -> str:
    return "" if pd.isna(value) else f"{value:.{decimals}f}"


def _probability(value: float) -> str:
    return "" if pd.isna(value) else f"{max(value, _LEAST_P):.{_P_DIGITS}g}"


def _without_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Put an apostrophe before texts that a spreadsheet would run as a formula: a note, a condition, a file name.

    OWASP, CSV Injection: cells that begin with = + - @, a tab or a line break. Numbers are left as they are.
    """
    made = table.copy()
    for name in made.columns:
        if made[name].dtype == object or pd.api.types.is_string_dtype(made[name].dtype):
            made[name] = [_harmless(cell) if isinstance(cell, str) else cell for cell in made[name]]
    return made


def _harmless(text: str) -> str:
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") and not _is_number(text) else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _write(path: Path, table: pd.DataFrame) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _without_formulas(table).to_csv(path, index=False, lineterminator="\n")
    except OSError as error:
        raise SessionError(
            f"{path}: cannot be written ({error.strerror}); is it open in another program?"
        ) from error
