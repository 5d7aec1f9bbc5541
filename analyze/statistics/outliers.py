"""Shots far from the others of their cell, by stated rules; flagged, never removed."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from scipy import special

from analyze.statistics.shots_table import check_shots, counted_shots
from calibrate.arrays import Floats

GRUBBS_LEVEL = 0.05
MODIFIED_Z_LIMIT = 3.5  # Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers, section 3.2
_NORMAL_QUARTILE = 0.6744897501960817
LEAST_SHOTS = 3

RULE_WORDS = (
    "Flagged is a shot that within its condition, shooter and session is the farthest from the mean by Grubbs' "
    "two-sided test at 5 %, or lies farther from the median than 3.5 times the scaled median absolute deviation. "
    "Three or more shots are needed. A flag is a reason to look at the clip; it sets nothing aside."
)


class OutlierRule(StrEnum):
    """Which rule flagged a shot."""

    GRUBBS = "grubbs"
    MEDIAN = "median"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlierFlag:
    """A shot to look at.

    Attributes
    ----------
    row : int
        Place in the table handed in, from 0.
    condition, shooter, session, shot : str
        Which shot it is.
    value : float
        Its value, in the unit of the quantity.
    rule : OutlierRule
        The rule that flagged it.
    statistic, limit : float
        What the rule computed, and what it may not exceed.
    """

    row: int
    condition: str
    shooter: str
    session: str
    shot: str
    value: float
    rule: OutlierRule
    statistic: float
    limit: float

    @property
    def sentence(self) -> str:
        """The flag in words."""
        what = (
            "sds from the mean (Grubbs)" if self.rule is OutlierRule.GRUBBS else "scaled deviations from the median"
        )
        return (
            f"{self.condition}, {self.shooter}, shot {self.shot}: {self.value:.4g} lies {self.statistic:.2f} "
            f"{what}, more than {self.limit:.2f}; look at it."
        )


def grubbs_critical(n: Floats, level: float = GRUBBS_LEVEL) -> Floats:
    """Two-sided critical value of Grubbs' test.

    Parameters
    ----------
    n : (N,) array
        Numbers of values, 3 or more.
    level : float
        Chance of flagging any of n normal values.

    Returns
    -------
    (N,) array
        Grubbs 1969, Technometrics 11, 1; NIST e-Handbook 1.3.5.17.1.

    Examples
    --------
    >>> import numpy as np
    >>> grubbs_critical(np.array([10]), level=0.05).round(3)  # 2.290 in Grubbs and Beck 1972
    array([2.29])
    """
    n = np.asarray(n, dtype=np.float64)
    t2 = special.stdtrit(n - 2, level / (2 * n)) ** 2
    return np.asarray((n - 1) / np.sqrt(n) * np.sqrt(t2 / (n - 2 + t2)))


def flag_outliers(frame: pd.DataFrame, *, quantity: str = "reading_mm") -> tuple[OutlierFlag, ...]:
    """Flag the shots that lie far from the others of their cell: see `RULE_WORDS`.

    Parameters
    ----------
    frame : DataFrame
        Table of shots; those set aside are neither flagged nor counted.
    quantity : str
        Column examined.

    Returns
    -------
    tuple of OutlierFlag
        In the table's order; a shot may be flagged by both rules.
    """
    shots, _ = counted_shots(check_shots(frame, quantity=quantity), quantity)
    if shots.empty:
        return ()
    values = shots[quantity]
    grouped = values.groupby([shots["condition"], shots["shooter"], shots["session"]], sort=False)
    n = grouped.transform("count").to_numpy(dtype=np.float64)
    enough = n >= LEAST_SHOTS
    distance = (values - grouped.transform("mean")).abs()
    sd = grouped.transform("std").to_numpy(dtype=np.float64)
    farthest = distance.groupby([shots["condition"], shots["shooter"], shots["session"]], sort=False).transform(
        "max"
    )
    off_median = (values - grouped.transform("median")).abs()
    mad = off_median.groupby([shots["condition"], shots["shooter"], shots["session"]], sort=False).transform(
        "median"
    )

    spread = enough & (sd > 0)
    grubbs = np.where(spread, distance / np.where(spread, sd, 1.0), 0.0)
    limit = grubbs_critical(np.maximum(n, LEAST_SHOTS))
    by_grubbs = (grubbs > limit) & (distance == farthest).to_numpy()
    # Half the shots alike: the median deviation is zero and would flag every other shot.
    known = enough & (mad > 0).to_numpy()
    modified = np.where(known, _NORMAL_QUARTILE * off_median / np.where(known, mad, 1.0), 0.0)
    by_median = modified > MODIFIED_Z_LIMIT

    flags: list[OutlierFlag] = []
    for place in (int(k) for k in np.flatnonzero(by_grubbs | by_median)):
        shot = shots.iloc[place]
        found = []
        if by_grubbs[place]:
            found.append((OutlierRule.GRUBBS, grubbs[place], limit[place]))
        if by_median[place]:
            found.append((OutlierRule.MEDIAN, modified[place], MODIFIED_Z_LIMIT))
        flags.extend(
            OutlierFlag(
                row=int(shots.index[place]),
                condition=str(shot["condition"]),
                shooter=str(shot["shooter"]),
                session=str(shot["session"]),
                shot=str(shot["shot"]),
                value=float(shot[quantity]),
                rule=rule,
                statistic=float(statistic),
                limit=float(most),
            )
            for rule, statistic, most in found
        )
    return tuple(flags)
