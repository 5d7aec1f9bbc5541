"""What the hand did: bias and repeatability of each shooter."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analyze.cue.cue_table import Ball
from calibrate.arrays import Floats
from calibrate.units import rad_from_deg

LEAST_SHOTS = 2  # with the cue seen: one shows no scatter
HABITS = ("aim_deg", "contact_mm", "slope_deg", "speed_m_s", "sideways_m_s")


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """One thing that a shooter does, over the shots in which the cue was seen.

    Attributes
    ----------
    shooter, what : str
        Who, and which of `HABITS`: aim from the lane, contact beside where it was meant to be, slope, speed of the
        tip along the cue and across it.
    shots : int
        How many.
    bias, bias_half : float
        Mean, and half its 95 % interval (Student's t).
    sd : float
        Scatter from shot to shot as measured.
    measuring_sd : float
        What measuring adds to that scatter, root mean square.
    own_sd, lo, hi : float
        The shooter's own scatter, measuring taken out, and its 95 % interval.
    at_rail_mm : float or None
        What that scatter does to the reading; None for slope and speed.
    """

    shooter: str
    what: str
    shots: int
    bias: float
    bias_half: float
    sd: float
    measuring_sd: float
    own_sd: float
    lo: float
    hi: float
    at_rail_mm: float | None


def habits(
    shots: pd.DataFrame, *, distance_mm: float, growth_deg: float | None, ball: Ball | None = None
) -> tuple[Habit, ...]:
    """Say what each shooter does, shot by shot.

    Parameters
    ----------
    shots : DataFrame
        Rows that count, columns of `out/shots.csv`.
    distance_mm : float
        From the spot to the scale.
    growth_deg : float or None
        What a mm of contact adds to squirt, away from it, where it is known.
    ball : Ball, optional
        Says where a tip touches whose axis was set to the stated offset; default: offsets are those of the contact.

    Returns
    -------
    tuple of Habit
        By shooter, in the order of `HABITS`; what was seen in fewer than two shots is left out.

    Notes
    -----
    Variances subtract: own = observed less measuring. The interval is that of the observed variance (chi-square)
    with the same subtracted.
    """
    if "cue_deg" not in shots.columns:
        return ()
    shares = shots["condition"].astype(str).map((ball or Ball()).contact_share)
    # conditions have offsets of their own, and what they do to a habit is no scatter of the hand
    columns = {
        "aim_deg": (shots["cue_deg"], shots["cue_own_sd_deg"]),
        "contact_mm": (shots["tip_side_mm"] - shares * shots["tip_offset_mm"], shots["tip_side_own_sd_mm"]),
        "slope_deg": (shots["cue_slope_deg"], shots["cue_slope_sd_deg"]),
        "speed_m_s": (shots["cue_speed_m_s"], shots["cue_speed_sd_m_s"]),
        "sideways_m_s": (shots["cue_sideways_m_s"], shots["cue_sideways_sd_m_s"]),
    }
    degree_mm = distance_mm * math.tan(rad_from_deg(1.0))
    rail = {"aim_deg": degree_mm, "contact_mm": None if growth_deg is None else growth_deg * degree_mm}
    found = []
    for shooter in dict.fromkeys(shots["shooter"].astype(str)):
        here = shots["shooter"].astype(str) == shooter
        for what in HABITS:
            value, sd = columns[what]
            seen = here & value.notna() & sd.notna()
            if seen.sum() >= LEAST_SHOTS:
                groups = shots.loc[seen, "condition"].astype(str).to_numpy()
                found.append(
                    _habit(shooter, what, value[seen].to_numpy(), sd[seen].to_numpy(), groups, rail.get(what))
                )
    return tuple(one for one in found if one is not None)


def _habit(
    shooter: str, what: str, values: Floats, sds: Floats, groups: np.ndarray, rail_mm: float | None
) -> Habit | None:
    names = list(dict.fromkeys(groups))
    df = len(values) - len(names)
    if df < 1:
        return None
    within = np.concatenate([values[groups == name] - values[groups == name].mean() for name in names])
    variance = float(np.sum(within**2)) / df
    measuring = float(np.mean(sds**2))
    low, high = (variance * df / float(stats.chi2.ppf(p, df)) for p in (0.975, 0.025))
    own, lo, hi = (math.sqrt(max(0.0, v - measuring)) for v in (variance, low, high))
    return Habit(
        shooter=shooter,
        what=what,
        shots=len(values),
        bias=float(values.mean()),
        bias_half=float(stats.t.ppf(0.975, df)) * math.sqrt(variance / len(values)),
        sd=math.sqrt(variance),
        measuring_sd=math.sqrt(measuring),
        own_sd=own,
        lo=lo,
        hi=hi,
        at_rail_mm=None if rail_mm is None else own * rail_mm,
    )
