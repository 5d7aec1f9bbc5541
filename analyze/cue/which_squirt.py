"""Which squirt is compared, the one from the lane or the one from the cue: as stated, or the better known."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analyze.cue.mean_squirt import COMMON_SD, SQUIRT

FromWhat = Literal["lane", "cue"]
# Shots without the cue drop out of a comparison of squirt from the cue: most must have it, in every condition.
LEAST_SEEN = 2 / 3
KEY = "analysis.squirt"
_CUE_COLUMNS = {
    SQUIRT: "squirt_cue_deg",
    "squirt_sd_deg": "squirt_cue_sd_deg",
    COMMON_SD: "squirt_cue_common_sd_deg",
}
_LANE_COLUMNS = {
    SQUIRT: "squirt_lane_deg",
    "squirt_sd_deg": "squirt_lane_sd_deg",
    COMMON_SD: "squirt_lane_common_sd_deg",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SquirtChoice:
    """Which squirt is compared, and why.

    Attributes
    ----------
    of : "lane" or "cue"
        Which.
    sentence : str
        Says so and why; empty where no squirt was measured.
    """

    of: FromWhat
    sentence: str

    @property
    def column(self) -> str:
        """Its column of `out/shots.csv`."""
        return SQUIRT if self.of == "lane" else _CUE_COLUMNS[SQUIRT]

    @property
    def sd_column(self) -> str:
        """The column of its standard uncertainty."""
        return "squirt_sd_deg" if self.of == "lane" else _CUE_COLUMNS["squirt_sd_deg"]

    @property
    def definition(self) -> str:
        """What it is."""
        if self.of == "lane":
            return "launch direction less the mean launch of the shooter's control shots"
        return (
            "launch direction less the direction of the cue, less the mean of the same over the shooter's "
            "control shots"
        )


def choose_squirt(shots: pd.DataFrame, stated: FromWhat | None) -> SquirtChoice:
    """Choose which squirt is compared.

    Parameters
    ----------
    shots : DataFrame
        Columns of `out/shots.csv`.
    stated : "lane", "cue" or None
        What the settings say; None where they say nothing.

    Returns
    -------
    SquirtChoice
        As stated; else the one whose uncertainty is the smaller, root mean square over the kept test shots that
        have both, where in each condition `LEAST_SEEN` of them have the cue seen.

    Notes
    -----
    Squirt from the lane takes the cue for parallel to the shooter's usual aim. How far the aim of single shots
    scatters about it is no error of measuring and not in `squirt_sd_deg`, but it is one of that squirt: the
    scatter of the cue's direction within condition and shooter, measuring taken out, is added here. Neither it nor
    the uncertainties depend on how far the conditions lie apart, so that looking at them first favours no verdict.
    """
    if SQUIRT not in shots.columns:
        return SquirtChoice(of="lane", sentence="")
    tests = shots[shots["kept"].astype(bool) & (shots["role"].astype(str) == "test") & shots[SQUIRT].notna()]
    if tests.empty:
        return SquirtChoice(of=stated or "lane", sentence="")
    empty = pd.Series(np.nan, index=tests.index)
    seen = tests.get("squirt_cue_deg", empty).notna()
    count = f"{int(seen.sum())} of {len(tests)} test shots that count"
    if stated == "cue":
        missing = "" if seen.all() else "; the others are left out of it"
        return SquirtChoice(
            of="cue",
            sentence=f"Squirt is compared from the cue, as the settings state ({KEY}): its line was seen in "
            f"{count}{missing}."
            + ("" if seen.any() else f' To compare squirt from the lane instead, set {KEY} = "lane".'),
        )
    if stated == "lane":
        return SquirtChoice(of="lane", sentence=f"Squirt is compared from the lane, as the settings state ({KEY}).")
    shares = seen.groupby(
        [*(tests[name] for name in _groups(tests, "session")), tests["condition"].astype(str)]
    ).mean()
    if float(shares.min()) < LEAST_SEEN:
        few = "in none" if not seen.any() else f"in {count}, too few in some condition"
        return SquirtChoice(
            of="lane",
            sentence=f"Squirt is compared from the lane: the cue was seen {few} (two thirds of the "
            "shots of each condition are wanted).",
        )
    return _better_known(tests[seen], count)


def _better_known(tests: pd.DataFrame, count: str) -> SquirtChoice:
    aim = _aim_scatter_deg(tests)
    lane = math.hypot(_rms(tests["squirt_sd_deg"]), aim)
    cue = _rms(tests["squirt_cue_sd_deg"])
    of: FromWhat = "cue" if cue < lane else "lane"
    return SquirtChoice(
        of=of,
        sentence=f"Squirt is compared from the {of}, the better known for one shot: to {cue:.2f}° from the cue, "
        f"seen in {count}, to {lane:.2f}° from the lane, the {aim:.2f}° in it by which the aim scatters (standard "
        f"uncertainties; {KEY} is not set).",
    )


def take_squirt(table: pd.DataFrame, choice: SquirtChoice) -> pd.DataFrame:
    """Put the chosen squirt where the statistics look for it.

    Parameters
    ----------
    table : DataFrame
        Table of shots.
    choice : SquirtChoice
        From `choose_squirt`.

    Returns
    -------
    DataFrame
        For the cue, `squirt_deg` and its uncertainty hold the squirt from the cue, and those from the lane are in
        `squirt_lane_deg` and `squirt_lane_sd_deg`; empty where the cue was not seen, as the two are never mixed. A
        table of which it was taken before is returned as it is.
    """
    if choice.of == "lane" or SQUIRT not in table.columns or _LANE_COLUMNS[SQUIRT] in table.columns:
        return table
    lane = {_LANE_COLUMNS[name]: table[name] for name in _LANE_COLUMNS if name in table.columns}
    cue = {name: table[other] if other in table.columns else np.nan for name, other in _CUE_COLUMNS.items()}
    return table.assign(**lane, **cue)


def lane_squirt(table: pd.DataFrame) -> pd.Series:
    """Squirt from the lane, whichever squirt the table is to compare."""
    return table[_LANE_COLUMNS[SQUIRT] if _LANE_COLUMNS[SQUIRT] in table.columns else SQUIRT]


def _aim_scatter_deg(tests: pd.DataFrame) -> float:
    """Scatter of the cue's direction within session, condition and shooter, measuring taken out; 0 if unknown."""
    cells = tests.groupby(_groups(tests, "session", "condition", "shooter"), sort=False)["cue_deg"]
    df = int((cells.count() - 1).clip(lower=0).sum())
    if df < 1:
        return 0.0
    variance = float(((tests["cue_deg"] - cells.transform("mean")) ** 2).sum()) / df
    return math.sqrt(max(0.0, variance - _rms(tests["cue_sd_deg"]) ** 2))


def _groups(tests: pd.DataFrame, *names: str) -> list[str]:
    return [name for name in names if name in tests.columns]


def _rms(values: pd.Series) -> float:
    return math.sqrt(float((values**2).mean()))
