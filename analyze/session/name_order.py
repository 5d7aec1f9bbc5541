"""In which order conditions and shooters are shown, on the terminal, the page, in plots and tables alike."""

import re
from collections.abc import Iterable, Sequence

import pandas as pd


def natural_key(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Return what to sort a name by: numbers in it by their value, letters whatever their case.

    Parameters
    ----------
    name : str
        A condition or a shooter. Names that differ in case only keep a fixed order ("A" before "a").
    """
    pieces = re.split(r"(\d+)", name.casefold())
    # Numbers before words, as in "2" before "A"; the name itself breaks ties.
    return tuple((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in pieces if p), name


def in_order(names: Iterable[str], listed: Sequence[str] = ()) -> tuple[str, ...]:
    """Return names without repeats: those of the settings in their order, the others after them in natural order.

    Parameters
    ----------
    names : iterable of str
        Names.
    listed : sequence of str
        Order stated in session.toml; empty where it states none.
    """
    places = {name: k for k, name in enumerate(listed)}
    return tuple(sorted(set(names), key=lambda name: (places.get(name, len(places)), natural_key(name))))


def shots_in_order(shots: pd.DataFrame, conditions: Sequence[str]) -> pd.DataFrame:
    """Return a table of shots sorted by condition, then shooter; shots of one pair keep their order.

    Parameters
    ----------
    shots : DataFrame
        With columns ``condition`` and ``shooter``.
    conditions : sequence of str
        Order stated in session.toml.
    """
    keys = pd.DataFrame(
        {
            "condition": _places(shots["condition"], conditions),
            "shooter": _places(shots["shooter"], ()),
        },
        index=shots.index,
    )
    return shots.loc[keys.sort_values(["condition", "shooter"], kind="stable").index]


def _places(names: pd.Series, listed: Sequence[str]) -> pd.Series:
    texts = names.astype(str)
    places = {name: k for k, name in enumerate(in_order(texts.unique(), listed))}
    return texts.map(places)
