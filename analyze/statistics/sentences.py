"""A compared pair in words."""

from collections.abc import Callable

import numpy as np

from analyze.statistics.pairwise import PairRow, Verdict
from analyze.statistics.shots_table import unit_of


def plain(value: float, digits: int, *, signed: bool = False) -> str:
    """Return a number rounded to significant digits and written without an exponent.

    Parameters
    ----------
    value : float
        The number.
    digits : int
        Significant digits.
    signed : bool
        Whether a positive one gets its sign.

    Examples
    --------
    >>> plain(143.2, 2), plain(-0.01234, 3), plain(6.0, 2, signed=True)
    ('140', '-0.0123', '+6')
    """
    return np.format_float_positional(
        value, precision=digits, unique=False, fractional=False, trim="-", sign=signed
    )


def _number(value: float, unit: str) -> str:
    return f"{plain(value, 3)} {'°' if unit == 'deg' else unit}"


def pair_sentence(row: PairRow, *, show: Callable[[float], str] | None = None) -> str:
    """Say how a pair of conditions ended.

    Parameters
    ----------
    row : PairRow
        From `compare`.
    show : callable, optional
        Writes a value of the quantity with its unit (as inches, say); default: three digits in its own unit.

    Returns
    -------
    str
        One or two sentences; what does not exist is said with its reason.
    """
    unit = unit_of(row.quantity.split(" at ")[0])

    def shown(value: float) -> str:
        return show(value) if show is not None else _number(value, unit)

    if row.difference is None:
        return f"{row.a} and {row.b} cannot be compared. {row.note}"
    if row.lo is None or row.hi is None:
        return f"{row.b} minus {row.a} is {shown(row.difference)}, with no interval. {row.note}"
    interval = f"{row.b} minus {row.a} is {shown(row.difference)} ({shown(row.lo)} to {shown(row.hi)})"
    if row.verdict is Verdict.SAME and row.margin is not None:
        return f"{row.a} and {row.b} are the same within {shown(row.margin)}: {interval}."
    if row.verdict is Verdict.DIFFERS:
        return f"{row.a} and {row.b} differ: {interval}."
    if row.more_shots is not None:
        shots = "shot" if row.more_shots == 1 else "shots"
        advice = f"{row.more_shots} more {shots} of each would settle it in four cases of five"
    elif row.more_shooters is not None:
        shooters = "shooter" if row.more_shooters == 1 else "shooters"
        advice = f"more shots by the same shooters would not settle it, {row.more_shooters} more {shooters} would"
    else:
        advice = "no number of shots that one could make would settle it"
    return f"{row.a} and {row.b} are undecided: {interval}; {advice}."
