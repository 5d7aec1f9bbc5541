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
    return f"{row.a} and {row.b} are undecided: {interval}; {settling_words(row, show=show)}."


def settling_words(row: PairRow, *, show: Callable[[float], str] | None = None) -> str:
    """Say what would settle an undecided pair, what that assumes, and how likely it is if the truth is otherwise.

    Parameters
    ----------
    row : PairRow
        From `compare`, undecided.
    show : callable, optional
        As in `pair_sentence`.
    """
    if row.more_shots is not None:
        shots = "shot" if row.more_shots == 1 else "shots"
        what = f"{row.more_shots} more {shots} of each, in all over the shooters, would settle it"
    elif row.more_shooters is not None:
        shooters = "shooter" if row.more_shooters == 1 else "shooters"
        what = (
            f"more shots by the same shooters would not settle it, {row.more_shooters} more {shooters} with as "
            "many shots each would"
        )
    else:
        return "no number of shots that one could make would settle it if the difference seen is the true one"
    unit = unit_of(row.quantity.split(" at ")[0])
    otherwise = []
    if row.chance_if_margin is not None and row.margin is not None:
        margin = show(row.margin) if show is not None else _number(row.margin, unit)
        otherwise.append(f"in {_percent(row.chance_if_margin)} if it is {margin}")
    if row.chance_if_zero is not None:
        otherwise.append(f"in {_percent(row.chance_if_zero)} if there is none")
    tail = f" ({', '.join(otherwise)})" if otherwise else ""
    return f"{what} in four cases of five if the difference seen is the true one{tail}"


def _percent(chance: float) -> str:
    return f"{100 * chance:.0f} % of cases"
