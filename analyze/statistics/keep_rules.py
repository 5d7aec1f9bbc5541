"""Which shots are kept: rules stated beforehand, what each would give, and what choosing the closest ones hides."""

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import special, stats

from analyze.statistics.cells import Cells, reduce_to_cells
from analyze.statistics.shots_table import check_shots
from calibrate.arrays import Floats, Ints

CHOSEN_FROM = (
    "chosen_from"  # column: of how many shots of the cell a rule chose by their values; empty where none did
)
MOST_CHOSEN_FROM = 20
# Points of a scrambled Sobol sequence through which the selection's shrinkage is integrated; against 400,000 plain
# random samples the ratios agree to 0.002 (tests).
_POINTS_LOG2 = 16
_SEED = 20240611


class KeepRule(StrEnum):
    """Which shots count.

    `all`: every shot with a value that nobody set aside. `drop_failed`: of these, not the ones whose `status` is
    ``failed``. `closest`: of the latter, in each cell (condition, shooter, session) the k whose values span the
    least, the common practice of testers.
    """

    ALL = "all"
    DROP_FAILED = "drop_failed"
    CLOSEST = "closest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """What keeping the k closest of n normal shots does to their spread and their mean.

    Attributes
    ----------
    k, n : int
        Shots kept, shots made.
    sd_ratio : float
        Mean sd of the kept over the true sd of a shot.
    sd_ratio_unselected : float
        The same for k shots that nobody chose (below 1 for few shots).
    rms_sd_ratio : float
        Root of the mean variance of the kept over the true sd; 1 when nobody chooses.
    mean_sd_ratio : float
        True sd of the mean of the kept over the true sd of a shot.
    naive_se_ratio : float
        What sd / sqrt(k) of the kept claims it to be (root mean square).
    all_mean_sd_ratio : float
        What the mean of all n would have: 1 / sqrt(n).
    """

    k: int
    n: int
    sd_ratio: float
    sd_ratio_unselected: float
    rms_sd_ratio: float
    mean_sd_ratio: float
    naive_se_ratio: float
    all_mean_sd_ratio: float


def _closest_start(ordered: Floats, k: int) -> Ints:
    """Place in each sorted row where the k values with the smallest range begin; the lowest of equal ones."""
    return np.asarray(np.argmin(ordered[:, k - 1 :] - ordered[:, : ordered.shape[1] - k + 1], axis=1))


@lru_cache(maxsize=64)
def selection_effect(k: int, n: int) -> Selection:
    """Compute what choosing the k closest of n normal shots does.

    Parameters
    ----------
    k, n : int
        2 <= k <= n <= 20.

    Returns
    -------
    Selection
        Ratios by integration over a fixed quasi-random sequence, so always the same.

    Examples
    --------
    >>> round(selection_effect(3, 7).rms_sd_ratio, 2)  # of the true spread
    0.22
    """
    if not 2 <= k <= n <= MOST_CHOSEN_FROM:
        raise ValueError(f"k and n must obey 2 <= k <= n <= 20, but got {k!r} and {n!r}")
    uniform = stats.qmc.Sobol(n, rng=np.random.default_rng(_SEED)).random_base2(_POINTS_LOG2)
    ordered = np.sort(special.ndtri(np.clip(uniform, 1e-12, 1 - 1e-12)), axis=1)
    start = _closest_start(ordered, k)
    kept = np.take_along_axis(ordered, start[:, None] + np.arange(k), axis=1)
    variance = kept.var(axis=1, ddof=1)
    c4 = np.sqrt(2 / (k - 1)) * np.exp(special.gammaln(k / 2) - special.gammaln((k - 1) / 2))
    return Selection(
        k=k,
        n=n,
        sd_ratio=float(np.sqrt(variance).mean()),
        sd_ratio_unselected=float(c4),
        rms_sd_ratio=float(np.sqrt(variance.mean())),
        mean_sd_ratio=float(kept.mean(axis=1).std()),
        naive_se_ratio=float(np.sqrt(variance.mean() / k)),
        all_mean_sd_ratio=float(1 / np.sqrt(n)),
    )


def apply_keep_rule(
    frame: pd.DataFrame, rule: KeepRule, *, closest_k: int = 3, quantity: str = "reading_mm"
) -> pd.DataFrame:
    """Set aside what a keep rule does not keep.

    Parameters
    ----------
    frame : DataFrame
        Table of shots.
    rule : KeepRule
        The rule stated beforehand.
    closest_k : int
        Shots kept per cell by `closest`.
    quantity : str
        Column whose closeness counts.

    Returns
    -------
    DataFrame
        A checked copy in which `kept` is False for those shots; nothing is removed. A shot set aside before stays
        so. Control shots follow the same rule. `closest` adds the column ``chosen_from``, from how many shots of
        its cell a shot was chosen or not, by which `compare` knows that it must allow for the choosing.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "reading_mm": [50, 52, 54, 60, 61, 65]})
    >>> apply_keep_rule(shots, KeepRule.CLOSEST, closest_k=2)["kept"].tolist()
    [True, True, False, True, True, False]
    """
    if closest_k < 1:
        raise ValueError(f"closest_k must be 1 or more, but got {closest_k!r}")
    shots = check_shots(frame, quantity=quantity)
    kept = shots["kept"].to_numpy(dtype=bool).copy()
    if rule is not KeepRule.ALL and "status" in shots.columns:
        kept &= (shots["status"].fillna("") != "failed").to_numpy()
    if rule is KeepRule.CLOSEST:
        candidates = shots[kept & shots[quantity].notna().to_numpy()]
        chosen = np.zeros(len(shots), dtype=bool)
        chosen_from = np.full(len(shots), np.nan)
        cells = candidates.groupby(["condition", "shooter", "session"], sort=False)[quantity]
        for _, values in cells:
            by_value = values.sort_values(kind="stable")
            k = min(closest_k, len(by_value))
            first = int(_closest_start(by_value.to_numpy(dtype=np.float64)[None, :], k)[0])
            chosen[by_value.index[first : first + k]] = True
            chosen_from[by_value.index] = len(by_value)
        kept &= chosen
        shots[CHOSEN_FROM] = chosen_from
    return shots.assign(kept=kept)


def chosen_cells(cells: Cells, candidates: pd.DataFrame, quantity: str) -> Cells | None:
    """Give cells whose shots were chosen by their values the error that they have.

    Parameters
    ----------
    cells : Cells
        Of the kept shots, unweighted.
    candidates : DataFrame
        All shots that the rule chose from.
    quantity : str
        Column analysed.

    Returns
    -------
    Cells or None
        The scatter is that of all candidates, and a mean weighs as the rule, simulated with normal shots, makes it
        scatter. None where the rule is outside of what `selection_effect` covers.
    """
    every = reduce_to_cells(candidates, quantity)
    place = {key: j for j, key in enumerate(every.keys)}
    where = np.array([place[key] for key in cells.keys], dtype=np.int64)
    n_from = every.n[where]
    weight = cells.n.astype(np.float64)
    for j in np.flatnonzero(n_from > cells.n):
        k, n = int(cells.n[j]), int(n_from[j])
        if k < 2 or n > MOST_CHOSEN_FROM:
            return None
        weight[j] = 1 / selection_effect(k, n).mean_sd_ratio ** 2
    return replace(cells, within_ss=every.within_ss[where], spread_n=n_from, weight=weight)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepRuleRow:
    """One cell under one rule; numbers in the unit of the quantity.

    Attributes
    ----------
    rule : KeepRule
        The rule.
    condition, shooter : str
        The cell, over all its sessions.
    n, of : int
        Shots kept, and shots that have a value.
    mean : float or None
        Mean of the kept; None when none is.
    sd : float or None
        Their sd; None below two.
    naive_se : float or None
        sd / sqrt(n), which is honest for `all` only.
    honest_se : float or None
        Standard error of the mean that allows for the choosing: sd of ALL shots times the true ratio for the
        closest k of n (normal shots); equals `naive_se` where nobody chose.
    sd_shown : float or None
        Share of the true spread that the kept shots show: their expected sd over that of as many unchosen ones.
    """

    rule: KeepRule
    condition: str
    shooter: str
    n: int
    of: int
    mean: float | None
    sd: float | None
    naive_se: float | None
    honest_se: float | None
    sd_shown: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepRules:
    """All rules side by side.

    Attributes
    ----------
    quantity : str
        Column.
    closest_k : int
        k of `closest`.
    rows : tuple of KeepRuleRow
        Per cell, each rule.
    sentences : tuple of str
        What choosing does, in words and numbers.
    """

    quantity: str
    closest_k: int
    rows: tuple[KeepRuleRow, ...]
    sentences: tuple[str, ...]

    def frame(self) -> pd.DataFrame:
        """Return the rows as a table; the numbers are in the unit of the quantity."""
        names = list(KeepRuleRow.__dataclass_fields__)
        return pd.DataFrame([[getattr(row, name) for name in names] for row in self.rows], columns=names)


def _row(rule: KeepRule, cell: tuple[str, str], values: Floats, every: Floats, closest_k: int) -> KeepRuleRow:
    n, of = len(values), len(every)
    sd = float(values.std(ddof=1)) if n > 1 else None
    naive = None if sd is None else sd / np.sqrt(n)
    honest, shown = naive, None
    if rule is KeepRule.CLOSEST and sd is not None and 2 <= n < of <= 20:
        effect = selection_effect(n, of)
        honest = float(every.std(ddof=1)) * effect.mean_sd_ratio
        shown = effect.sd_ratio / effect.sd_ratio_unselected
    return KeepRuleRow(
        rule=rule,
        condition=cell[0],
        shooter=cell[1],
        n=n,
        of=of,
        mean=float(values.mean()) if n else None,
        sd=sd,
        naive_se=None if naive is None else float(naive),
        honest_se=None if honest is None else float(honest),
        sd_shown=shown,
    )


def compare_keep_rules(frame: pd.DataFrame, *, closest_k: int = 3, quantity: str = "reading_mm") -> KeepRules:
    """Show what every keep rule would have given.

    Parameters
    ----------
    frame : DataFrame
        Table of shots.
    closest_k : int
        Shots kept per cell by `closest`.
    quantity : str
        Column.

    Returns
    -------
    KeepRules
        Every cell under every rule.
    """
    tables = {rule: apply_keep_rule(frame, rule, closest_k=closest_k, quantity=quantity) for rule in KeepRule}
    counted = {rule: table[table["kept"] & table[quantity].notna()] for rule, table in tables.items()}
    every = counted[KeepRule.DROP_FAILED].groupby(["condition", "shooter"], sort=False)[quantity]
    before = {cell: values.to_numpy(dtype=np.float64) for cell, values in every}
    per_rule = {
        rule: {
            cell: values.to_numpy(dtype=np.float64)
            for cell, values in shots.groupby(["condition", "shooter"], sort=False)[quantity]
        }
        for rule, shots in counted.items()
    }
    rows = []
    sizes = set()
    for cell, everything in per_rule[KeepRule.ALL].items():
        for rule in KeepRule:
            values = per_rule[rule].get(cell, np.zeros(0))
            compared = before.get(cell, values) if rule is KeepRule.CLOSEST else everything
            rows.append(_row(rule, (str(cell[0]), str(cell[1])), values, compared, closest_k))
        sizes.add(len(before.get(cell, ())))
    return KeepRules(
        quantity=quantity,
        closest_k=closest_k,
        rows=tuple(rows),
        sentences=tuple(selection_sentence(closest_k, n) for n in sorted(sizes) if 2 <= closest_k < n <= 20),
    )


def selection_sentence(k: int, n: int) -> str:
    """Say what keeping the k closest of n does."""
    effect = selection_effect(k, n)
    shown = effect.sd_ratio / effect.sd_ratio_unselected
    worse = effect.mean_sd_ratio / effect.all_mean_sd_ratio
    return (
        f"Keeping the {k} closest of {n} shots shows {shown:.0%} of the true spread, and their mean scatters "
        f"{worse:.2f} times as much as the mean of all {n} would; judged by the kept shots alone it looks "
        f"{effect.mean_sd_ratio / effect.naive_se_ratio:.1f} times as precise as it is."
    )
