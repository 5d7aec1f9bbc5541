"""What the hand did: bias and repeatability of each shooter, and squirt with aim and contact taken out of it."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analyze.cue.which_squirt import lane_squirt
from calibrate.arrays import Floats
from calibrate.units import rad_from_deg

# Shots nearer to the middle of the ball than this have too little squirt to be divided by their contact.
LEAST_CONTACT_MM = 4.0
LEAST_SHOTS = 2
HABITS = ("aim_deg", "contact_mm", "slope_deg", "speed_m_s")
METHOD = (
    "squirt of each shot over its own contact; an error of the contact bends that ratio by the square of its "
    "share, which is taken out; intervals by Student's t over shots"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Habit:
    """One thing that a shooter does, over the shots in which the cue was seen.

    Attributes
    ----------
    shooter, what : str
        Who, and which of `HABITS`: aim from the lane, contact beside where it was meant to be, slope, speed of the
        tip.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactSquirt:
    """Squirt of one condition from the lane, from the cue, and for equal contact.

    Attributes
    ----------
    condition : str
        The condition.
    shots : int
        Shots in which the cue was seen and that were struck off the middle.
    contact_mm : float
        Mean contact, to the right.
    lane_sd_deg, cue_sd_deg, equal_sd_deg : float
        Scatter of squirt from the lane, from the cue, and from the cue at equal contact.
    equal_deg, equal_lo_deg, equal_hi_deg : float
        Mean squirt at `equal_mm`, and its interval.
    equal_mm : float
        The contact to which all conditions are brought: the mean of them all, to the side of this condition.
    per_mm_deg, per_mm_lo_deg, per_mm_hi_deg : float
        Squirt for each mm of contact, away from it positive, and its interval.
    """

    condition: str
    shots: int
    contact_mm: float
    lane_sd_deg: float
    cue_sd_deg: float
    equal_sd_deg: float
    equal_deg: float
    equal_lo_deg: float
    equal_hi_deg: float
    equal_mm: float
    per_mm_deg: float
    per_mm_lo_deg: float
    per_mm_hi_deg: float


def habits(shots: pd.DataFrame, *, distance_mm: float) -> tuple[Habit, ...]:
    """Say what each shooter does, shot by shot.

    Parameters
    ----------
    shots : DataFrame
        Rows that count, columns of `out/shots.csv`.
    distance_mm : float
        From the spot to the scale.

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
    # conditions have offsets of their own, and what they do to a habit is no scatter of the hand
    per_mm_deg = _squirt_per_mm(shots)
    columns = {
        "aim_deg": (shots["cue_deg"], shots["cue_own_sd_deg"]),
        "contact_mm": (shots["tip_side_mm"] - shots["tip_offset_mm"], shots["tip_side_own_sd_mm"]),
        "slope_deg": (shots["cue_slope_deg"], shots["cue_slope_sd_deg"]),
        "speed_m_s": (shots["cue_speed_m_s"], shots["cue_speed_sd_m_s"]),
    }
    degree_mm = distance_mm * math.tan(rad_from_deg(1.0))
    rail = {"aim_deg": degree_mm, "contact_mm": None if per_mm_deg is None else per_mm_deg * degree_mm}
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


def contact_squirts(shots: pd.DataFrame, *, confidence: float) -> tuple[ContactSquirt, ...]:
    """Squirt of each condition with aim and contact taken out.

    Parameters
    ----------
    shots : DataFrame
        Rows that count, columns of `out/shots.csv`.
    confidence : float
        Of the intervals.

    Returns
    -------
    tuple of ContactSquirt
        Conditions with at least two shots off the middle in which the cue was seen.

    Notes
    -----
    Squirt grows in proportion to the contact, within 1 % over 2 mm (rigid impulse; see `end_mass.squirt_rad`), so
    each shot's squirt is divided by its own contact (`METHOD`). What a wrong radius of the tip's dome does is the
    same for all and not in these intervals.
    """
    if "squirt_cue_deg" not in shots.columns:
        return ()
    off = _off_middle(shots)
    if off.empty:
        return ()
    equal_mm = float(off["tip_side_mm"].abs().mean())
    rows = []
    for condition in dict.fromkeys(off["condition"].astype(str)):
        part = off[off["condition"].astype(str) == condition]
        if len(part) < LEAST_SHOTS:
            continue
        per_mm = _per_mm(part)
        side = math.copysign(1.0, float(part["tip_side_mm"].mean()))
        mean, n = float(per_mm.mean()), len(per_mm)
        half = float(stats.t.ppf(0.5 + confidence / 2, n - 1) * per_mm.std(ddof=1) / math.sqrt(n))
        scale = -side * equal_mm
        ends = sorted((scale * (mean - half), scale * (mean + half)))
        rows.append(
            ContactSquirt(
                condition=condition,
                shots=n,
                contact_mm=float(part["tip_side_mm"].mean()),
                lane_sd_deg=float(lane_squirt(part).std(ddof=1)),
                cue_sd_deg=float(part["squirt_cue_deg"].std(ddof=1)),
                equal_sd_deg=abs(scale) * float(per_mm.std(ddof=1)),
                equal_deg=scale * mean,
                equal_lo_deg=ends[0],
                equal_hi_deg=ends[1],
                equal_mm=side * equal_mm,
                per_mm_deg=mean,
                per_mm_lo_deg=mean - half,
                per_mm_hi_deg=mean + half,
            )
        )
    return tuple(rows)


def _off_middle(shots: pd.DataFrame) -> pd.DataFrame:
    """Test shots with squirt and contact seen, struck well off the middle."""
    seen = shots["squirt_cue_deg"].notna() & (shots["tip_side_mm"].abs() > LEAST_CONTACT_MM)
    return shots[seen & (shots["role"].astype(str) != "control")]


def _per_mm(part: pd.DataFrame) -> Floats:
    """Squirt for each mm of contact, away from it positive, of each shot.

    A contact of relative error e makes the mean of 1/contact larger by 1 + e^2: the errors-in-variables attenuation
    of a ratio, taken out.
    """
    side, side_sd = part["tip_side_mm"].to_numpy(dtype=float), part["tip_side_sd_mm"].to_numpy(dtype=float)
    ratio = -part["squirt_cue_deg"].to_numpy(dtype=float) / side
    return np.asarray(ratio / (1 + (side_sd / side) ** 2), dtype=np.float64)


def _squirt_per_mm(shots: pd.DataFrame) -> float | None:
    off = _off_middle(shots)
    return None if off.empty else abs(float(_per_mm(off).mean()))
