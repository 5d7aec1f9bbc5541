"""How the shots of each condition and shooter lie: number, mean, spread, interval, median."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analyze.statistics.keep_rules import CHOSEN_FROM
from analyze.statistics.shots_table import POOLED, check_shots, counted_shots, sd_column, unit_of

SUMMARY_NUMBERS = ("mean", "sd", "se", "lo", "hi", "median", "mad")
CHOSEN_NOTE = (
    "Means of shots that were chosen by their values have no interval of their own: the shots kept hide how far "
    "shots scatter, and their sd is not the shooter's. What such a mean is good for stands with the keep rules."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryRow:
    """The shots of one condition and shooter. Numbers are in the unit of the quantity.

    Attributes
    ----------
    condition : str
        Condition.
    shooter : str
        Shooter; ``all`` for all shots of the condition as one group, differences between shooters included.
    n : int
        Shots that count.
    mean : float
        Arithmetic mean.
    sd : float or None
        Sample standard deviation, n - 1 in the denominator; None below two shots.
    se : float or None
        Standard error of the mean, ``sd / sqrt(n)``; None where a rule chose the shots by their values, as they
        hide how far shots scatter.
    lo, hi : float or None
        t interval of the mean, n - 1 degrees of freedom; None where `se` is.
    median : float
        Median.
    mad : float
        Median absolute deviation from the median, not scaled (times 1.4826 it estimates a normal sd).
    note : str
        What does not exist and why; empty when all is there.
    """

    condition: str
    shooter: str
    n: int
    mean: float
    sd: float | None
    se: float | None
    lo: float | None
    hi: float | None
    median: float
    mad: float
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """All groups of a table of shots.

    Attributes
    ----------
    quantity : str
        Column that was summarised; its last part is the unit.
    confidence : float
        Of the intervals, such as 0.95.
    rows : tuple of SummaryRow
        Per condition (in the table's order) each shooter, then the pooled row.
    notes : tuple of str
        Sentences on what was left out or does not exist.
    """

    quantity: str
    confidence: float
    rows: tuple[SummaryRow, ...]
    notes: tuple[str, ...]

    def row(self, condition: str, shooter: str = POOLED) -> SummaryRow | None:
        """Return the row of a condition and shooter, None when no shot of it counts."""
        for row in self.rows:
            if row.condition == condition and row.shooter == shooter:
                return row
        return None

    def frame(self) -> pd.DataFrame:
        """Return the rows as `out/summary.csv` has them: ``condition,shooter,n,mean_mm,…`` (or ``_deg``)."""
        unit = unit_of(self.quantity)
        table = pd.DataFrame(
            [
                (row.condition, row.shooter, row.n, *(getattr(row, name) for name in SUMMARY_NUMBERS))
                for row in self.rows
            ],
            columns=["condition", "shooter", "n", *(f"{name}_{unit}" for name in SUMMARY_NUMBERS)],
        )
        numbers = [f"{name}_{unit}" for name in SUMMARY_NUMBERS]
        return table.astype(dict.fromkeys(numbers, float))


def _group_numbers(shots: pd.DataFrame, keys: list[str], quantity: str, confidence: float) -> pd.DataFrame:
    grouped = shots.groupby(keys, sort=False, observed=True)[quantity]
    numbers = pd.DataFrame(
        {"n": grouped.count(), "mean": grouped.mean(), "sd": grouped.std(), "median": grouped.median()}
    )
    deviation = (shots[quantity] - grouped.transform("median")).abs()
    numbers["mad"] = deviation.groupby([shots[key] for key in keys], sort=False, observed=True).median()
    n = numbers["n"].to_numpy(dtype=float)
    numbers["se"] = numbers["sd"] / np.sqrt(n)
    half = stats.t.ppf((1 + confidence) / 2, np.maximum(n - 1, 1)) * numbers["se"]
    numbers["lo"] = numbers["mean"] - half
    numbers["hi"] = numbers["mean"] + half
    if sd_column(quantity) in shots.columns:
        square = shots[sd_column(quantity)] ** 2
        mean_square = square.groupby([shots[key] for key in keys], sort=False, observed=True).mean()
        numbers["measuring_sd"] = np.sqrt(mean_square)
    else:
        numbers["measuring_sd"] = np.nan
    return numbers


def _chosen_groups(table: pd.DataFrame, shots: pd.DataFrame, quantity: str) -> frozenset[tuple[str, str]]:
    """Name the groups, pooled ones too, of which a rule chose some shots by their values and left others out."""
    if CHOSEN_FROM not in table.columns:
        return frozenset()
    candidates = table[table[CHOSEN_FROM].notna() & table[quantity].notna()]
    keys = ["condition", "shooter"]
    more = candidates.groupby(keys).size().sub(shots.groupby(keys).size(), fill_value=0)
    cells = {(str(condition), str(shooter)) for condition, shooter in more.index[more > 0].to_list()}
    return frozenset(cells | {(condition, POOLED) for condition, _ in cells})


def _note(n: int, sd: float, measuring_sd: float, unit: str) -> str:
    known = np.isfinite(measuring_sd)
    if n == 1:
        tail = f" (measuring alone leaves {measuring_sd:.3g} {unit})" if known else ""
        return f"One shot: its spread, standard error and interval do not exist{tail}."
    if sd == 0.0:
        tail = f", less than measuring alone would spread them ({measuring_sd:.3g} {unit})" if known else ""
        return f"All {n} values are equal: the interval has no width and says nothing of the true spread{tail}."
    return ""


def summarise(frame: pd.DataFrame, *, quantity: str = "reading_mm", confidence: float = 0.95) -> Summary:
    """Summarise the shots of every condition and shooter.

    Parameters
    ----------
    frame : DataFrame
        Table of shots; columns as in `analyze.statistics.shots_table`.
    quantity : str
        Column to summarise, named with its unit.
    confidence : float
        Of the t intervals.

    Returns
    -------
    Summary
        Control shots are summarised under their own condition's name.

    Raises
    ------
    SessionError
        If the table cannot be used.

    Notes
    -----
    The interval of a pooled row takes all shots of the condition as one group. It answers neither of the
    two questions of `analyze.statistics.compare` (these shooters, shooters in general) when shooters differ.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "reading_mm": [50, 52, 54, 60, 61, 65]})
    >>> [(row.condition, row.shooter, row.n, row.mean) for row in summarise(shots).rows][:2]
    [('A', 'S1', 3, 52.0), ('A', 'all', 3, 52.0)]
    """
    if not 0.5 <= confidence < 1:
        raise ValueError(f"confidence must lie in [0.5, 1), but got {confidence!r}")
    unit = unit_of(quantity)
    table = check_shots(frame, quantity=quantity)
    shots, notes = counted_shots(table, quantity)
    if shots.empty:
        return Summary(
            quantity=quantity,
            confidence=confidence,
            rows=(),
            notes=(*notes, f"No shot has a {quantity} to summarise."),
        )
    per_cell = _group_numbers(shots, ["condition", "shooter"], quantity, confidence)
    pooled = _group_numbers(shots, ["condition"], quantity, confidence)
    pooled.index = pd.MultiIndex.from_product([pooled.index, [POOLED]], names=["condition", "shooter"])
    place = {condition: k for k, condition in enumerate(pooled.index.get_level_values("condition"))}
    both = pd.concat([per_cell, pooled])
    both = both.iloc[np.argsort([place[c] for c in both.index.get_level_values("condition")], kind="stable")]

    chosen = _chosen_groups(table, shots, quantity)
    if chosen:
        notes = (*notes, CHOSEN_NOTE)
    rows = []
    for (condition, shooter), n, sd, values in zip(
        both.index,
        both["n"].to_numpy(dtype=int),
        both["sd"].to_numpy(dtype=float),
        both[[*SUMMARY_NUMBERS, "measuring_sd"]].to_numpy(dtype=float),
        strict=True,
    ):
        found = dict(zip(SUMMARY_NUMBERS, (float(x) for x in values), strict=False))
        spread = found if n > 1 else {**found, "sd": None}
        if n == 1 or (condition, shooter) in chosen:
            spread = {**spread, "se": None, "lo": None, "hi": None}
        rows.append(
            SummaryRow(
                condition=str(condition),
                shooter=str(shooter),
                n=int(n),
                mean=found["mean"],
                sd=spread["sd"],
                se=spread["se"],
                lo=spread["lo"],
                hi=spread["hi"],
                median=found["median"],
                mad=found["mad"],
                note=_note(int(n), float(sd), float(values[-1]), unit),
            )
        )
    return Summary(quantity=quantity, confidence=confidence, rows=tuple(rows), notes=notes)
