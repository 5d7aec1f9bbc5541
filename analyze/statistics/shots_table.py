"""Which columns a table of shots has, whatever its source, and which of its shots count.

One row is one shot:

==================== ======= ==========================================================================
column               needed  what it holds
==================== ======= ==========================================================================
``condition``        yes     what was tested: a cue, a shaft, a tip (text)
``shooter``          yes     who shot (text)
``reading_mm``       yes     reading at the foot rail, to the shooter's right positive
``session``          no      which session the shot is from (text); default one session
``shot``             no      its number, kept for messages
``reading_sd_mm``    no      standard uncertainty of the reading, the part that differs from shot to shot
``launch_speed_m_s`` no      speed of the ball right after the strike
``tip_offset_mm``    no      tip offset from the centre, to the right positive
``order``            no      place in the shooting order of the session, 1, 2, …
``note``             no      free text
``launch_deg`` ``squirt_deg`` ``squirt_offset_mm`` ``swerve_offset_mm`` and their
``…_sd_…``           no      as in `out/shots.csv`
``kept``             no      False where the shot is set aside; default True
``role``             no      ``test`` or ``control`` (centre-ball shots, the shooter's zero); default test
==================== ======= ==========================================================================

Other columns travel along untouched. An empty number is a missing one.
"""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from calibrate.errors import SessionError

TEXT_COLUMNS = ("condition", "shooter")
NUMBER_COLUMNS = (
    "reading_mm",
    "reading_sd_mm",
    "launch_speed_m_s",
    "tip_offset_mm",
    "order",
    "launch_deg",
    "launch_sd_deg",
    "squirt_deg",
    "squirt_sd_deg",
    "squirt_offset_mm",
    "squirt_offset_sd_mm",
    "swerve_offset_mm",
    "swerve_offset_sd_mm",
)
# By unit, what even a shot gone wrong cannot exceed: a hundred metres, a turn, the speed of sound.
MOST = {"mm": 1e5, "deg": 360.0, "m_s": 340.0}
ROLES = ("test", "control")
POOLED = "all"  # the shooter of a pooled row, so no shooter may be called so
MAX_NAMED = 5  # names listed in a sentence before it says "and n more"


def sd_column(quantity: str) -> str:
    """Name of the column with the standard uncertainty of `quantity`: ``reading_mm`` -> ``reading_sd_mm``."""
    stem, _, unit = quantity.rpartition("_")
    return f"{stem}_sd_{unit}"


def unit_of(quantity: str) -> str:
    """Return the unit in which the column `quantity` is given: ``reading_mm`` -> ``mm``.

    Examples
    --------
    >>> unit_of("reading_mm")
    'mm'
    """
    return quantity.rpartition("_")[2]


def listed(names: Iterable[str]) -> str:
    """Names for a sentence, the first few of many."""
    every = list(names)
    shown = ", ".join(every[:MAX_NAMED])
    return shown if len(every) <= MAX_NAMED else f"{shown} and {len(every) - MAX_NAMED} more"


def _numbers(frame: pd.DataFrame, column: str) -> pd.Series:
    numbers = pd.to_numeric(frame[column], errors="coerce")
    given = frame[column].notna()
    if not pd.api.types.is_numeric_dtype(frame[column]):  # reading texts of 100,000 shots takes its time
        given &= frame[column].astype(str).str.strip() != ""
    bad = given & ~np.isfinite(numbers.to_numpy(dtype=float))
    if bad.any():
        place = int(np.flatnonzero(bad.to_numpy())[0])
        raise SessionError(
            f"table of shots, row {place + 1}, {column}: '{frame[column].iloc[place]}' is not a number; "
            "write one, or leave it empty"
        )
    return numbers.astype(float)


def _refuse_impossible(numbers: pd.Series, column: str) -> None:
    """Refuse numbers that no table and no phone give: arithmetic on them says nothing and may never end."""
    most, unit = next(((most, unit) for unit, most in MOST.items() if column.endswith(f"_{unit}")), (None, ""))
    if most is None or not (numbers.abs() > most).any():
        return
    place = int(np.flatnonzero((numbers.abs() > most).to_numpy())[0])
    raise SessionError(
        f"table of shots, row {place + 1}, {column}: {numbers.iloc[place]:g} {unit} cannot be, more than {most:g}; "
        "correct it, or set the shot aside and leave it empty"
    )


def _texts(frame: pd.DataFrame, column: str) -> pd.Series:
    texts = frame[column].astype("object").where(frame[column].notna(), "").astype(str).str.strip()
    if (texts == "").any():
        place = int(np.flatnonzero((texts == "").to_numpy())[0])
        raise SessionError(f"table of shots, row {place + 1}: {column} is empty; write which one it was")
    return texts


def _with_defaults(frame: pd.DataFrame) -> pd.DataFrame:
    shots = frame
    if "session" not in shots.columns:
        shots["session"] = ""
    shots["session"] = shots["session"].astype("object").where(shots["session"].notna(), "").astype(str)
    if "shot" not in shots.columns:
        shots["shot"] = np.arange(1, len(shots) + 1)
    shots["kept"] = True if "kept" not in shots.columns else shots["kept"].fillna(value=True).astype(bool)
    if "role" not in shots.columns:
        shots["role"] = "test"
    shots["role"] = shots["role"].fillna("test").replace("", "test")
    return shots


def _check_values(shots: pd.DataFrame) -> None:
    for name in shots.columns:
        if "_sd_" in str(name) and (shots[name] < 0).any():
            raise SessionError(f"table of shots: {name} is below zero; a standard uncertainty is zero or more")
    if (shots["shooter"] == POOLED).any():
        raise SessionError(f"table of shots: no shooter may be called '{POOLED}', the name of the pooled row")
    wrong = ~shots["role"].isin(ROLES)
    if wrong.any():
        raise SessionError(
            f"table of shots: role {shots.loc[wrong, 'role'].iloc[0]!r} is neither 'test' nor 'control'"
        )


def check_shots(frame: pd.DataFrame, *, quantity: str = "reading_mm") -> pd.DataFrame:
    """Return a checked copy of a table of shots, with every default column filled in.

    Parameters
    ----------
    frame : DataFrame
        One row per shot; columns as in this module's head.
    quantity : str
        The column that will be analysed; it must be there, `reading_mm` need not be when another is analysed.

    Returns
    -------
    DataFrame
        A copy with `session`, `shot`, `kept` and `role` always there, names as text and numbers as float64.

    Raises
    ------
    SessionError
        If a needed column is missing or a value is impossible; one line that says which and where.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "reading_mm": [50, 52, 54, 60, 61, 65]})
    >>> check_shots(shots)["kept"].tolist()
    [True, True, True, True, True, True]
    """
    missing = [name for name in (*TEXT_COLUMNS, quantity) if name not in frame.columns]
    if missing:
        raise SessionError(
            f"table of shots: no column {listed(missing)}; it has {listed(map(str, frame.columns)) or 'none'}"
        )
    shots = frame.reset_index(drop=True)
    columns: dict[str, pd.Series] = {name: _texts(shots, name) for name in TEXT_COLUMNS}
    for name in dict.fromkeys((*NUMBER_COLUMNS, quantity, sd_column(quantity))):
        if name in shots.columns:
            columns[name] = _numbers(shots, name)
            _refuse_impossible(columns[name], name)
    shots = _with_defaults(shots.assign(**columns))
    _check_values(shots)
    return shots


def counted_shots(table: pd.DataFrame, quantity: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Shots of a checked table that count for `quantity`, and sentences on those that do not.

    Parameters
    ----------
    table : DataFrame
        From `check_shots`.
    quantity : str
        Column analysed.

    Returns
    -------
    shots : DataFrame
        Rows that are kept and have a value, in their order.
    notes : tuple of str
        How many were left out, and why.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "reading_mm": [50, 52, 54, 60, 61, 65]})
    >>> aside = check_shots(shots.assign(kept=[False] + [True] * 5))
    >>> counted, notes = counted_shots(aside, "reading_mm")
    >>> len(counted)
    5
    """
    kept = table["kept"].to_numpy(dtype=bool)
    has_value = table[quantity].notna().to_numpy()
    notes = []
    aside = int(np.count_nonzero(~kept))
    if aside:
        notes.append(f"{aside} of {len(table)} shots are set aside and not counted.")
    empty = int(np.count_nonzero(kept & ~has_value))
    if empty:
        notes.append(f"{empty} of {len(table)} shots have no {quantity} and are not counted.")
    return table[kept & has_value], tuple(notes)
