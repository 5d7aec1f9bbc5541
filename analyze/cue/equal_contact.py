"""Squirt brought to one contact for all shots: contacts are measured, and their errors allowed for."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, special

from analyze.cue.cue_table import OFFSET, Ball, CueTable, cue_table
from analyze.cue.end_mass import squirt_rad, squirt_slope_rad
from analyze.cue.which_squirt import SquirtChoice, lane_squirt, take_squirt
from analyze.cue.york import york_line
from analyze.statistics.shots_table import check_shots, counted_shots
from calibrate.arrays import Floats
from calibrate.units import deg_from_rad, rad_from_deg

CONTACT, SQUIRT = "tip_side_mm", "squirt_deg"
OWN_SD, ALL_SD = "tip_side_own_sd_mm", "tip_side_sd_mm"
# Shots nearer to the middle of the ball than this tell little of its squirt for each mm.
LEAST_CONTACT_MM = 4.0
LEAST_SHOTS = 2
# How far contacts scatter from shot to shot (common practice, no source): counts as so many shots.
HAND_SD_MM, HAND_SHOTS = 1.2, 5
# The slope shot by shot is told where at least so much of the scatter of the contacts is the hand's.
LEAST_RELIABLE = 0.5
LEAST_FOR_SLOPE = 4
_AT = {"launch_speed_m_s": "a launch speed of {:.2f} m/s", "cue_slope_deg": "a slope of the cue of {:.1f}°"}
COVARIATES = tuple(_AT)
METHOD = (
    "each shot's contact, less that of the shooter's control shots, is drawn towards the mean of its condition and "
    "shooter by the share of the scatter that is measuring (regression calibration: Carroll, Ruppert, Stefanski "
    "and Crainiceanu 2006, chapter 4), and its squirt brought to one contact by the rigid impulse with the end "
    "mass of the condition"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactSquirt:
    """Squirt of one condition from the lane, from the cue, and for equal contact.

    Attributes
    ----------
    condition : str
        The condition.
    shots : int
        Shots in which the cue was seen and that were struck off the middle.
    contact_mm, contact_sd_mm : float
        Mean contact, to the right, and its standard uncertainty, the dome's included.
    lane_sd_deg, cue_sd_deg, equal_sd_deg : float
        Scatter of squirt from the lane, from the cue, and from the cue at equal contact.
    equal_deg, equal_lo_deg, equal_hi_deg : float
        Mean squirt at `equal_mm`, and its interval: scatter, controls and how well the contact is known.
    equal_mm : float
        The contact to which all conditions are brought: the mean of them all, to the side of this condition.
    per_mm_deg, per_mm_lo_deg, per_mm_hi_deg : float
        Squirt for each mm of contact, away from it positive, at equal contact; its interval.
    growth_deg : float
        What one further mm adds to it there, by the rigid impulse: less, as squirt levels off towards the edge.
    slope_deg, slope_lo_deg, slope_hi_deg : float or None
        How squirt grows with the contact from shot to shot, by `york_line`; None where too few shots or contacts
        too much alike tell it.
    """

    condition: str
    shots: int
    contact_mm: float
    contact_sd_mm: float
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
    growth_deg: float
    slope_deg: float | None
    slope_lo_deg: float | None
    slope_hi_deg: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualContact:
    """What the shots say at equal contact.

    Attributes
    ----------
    rows : tuple of ContactSquirt
        By condition.
    cues : CueTable
        End mass, pivot lengths and comparisons from the measured contacts, at `equal_mm` and equal speed (and
        slope, where it is seen).
    shots : DataFrame
        The test shots that count, with their squirt at equal contact in `squirt_deg`.
    notes : tuple of str
        What the intervals hold.
    """

    rows: tuple[ContactSquirt, ...]
    cues: CueTable
    shots: pd.DataFrame
    notes: tuple[str, ...]


def equal_contact(table: pd.DataFrame, *, ball: Ball, confidence: float) -> EqualContact | None:
    """Bring the squirt of all shots to one contact and say what follows.

    Parameters
    ----------
    table : DataFrame
        Shots with the columns of `out/shots.csv`.
    ball : Ball
        Radius and mass; its tip offset is not used.
    confidence : float
        Of the intervals.

    Returns
    -------
    EqualContact or None
        None where no condition has two shots, struck off the middle, in which the cue was seen.
    """
    if not {CONTACT, OWN_SD, "squirt_cue_deg"} <= set(table.columns):
        return None
    taken = take_squirt(table, SquirtChoice(of="cue", sentence=""))
    counted, _ = counted_shots(check_shots(taken, quantity=SQUIRT), SQUIRT)
    seen = counted[counted[CONTACT].notna() & counted[OWN_SD].notna()].copy()
    if seen.empty:
        return None
    control = seen["role"].astype(str) == "control"
    zeros = seen[control].groupby(["shooter", "session"])[CONTACT].mean()
    keys = pd.MultiIndex.from_frame(seen[["shooter", "session"]])
    seen["beside_mm"] = seen[CONTACT] - zeros.reindex(keys).fillna(0.0).to_numpy()
    off = seen["role"].astype(str).eq("test") & (seen["beside_mm"].abs() > LEAST_CONTACT_MM)
    sizes = seen[off].groupby("condition")[SQUIRT].transform("size")
    tests = seen[off][sizes >= LEAST_SHOTS].copy()
    if tests.empty:
        return None
    tests["best_mm"] = _best_contacts_mm(tests)
    controls = seen[control].copy()
    controls["best_mm"] = _best_contacts_mm(controls) if len(controls) else 0.0
    equal_mm = float(tests.groupby("condition")["beside_mm"].mean().abs().mean())
    offset_sds = {
        str(name): _contact_sd_mm(part, controls) for name, part in tests.groupby("condition", sort=False)
    }
    before = tests[SQUIRT].copy()
    curves = {}
    for name, part in tests.groupby("condition", sort=False):
        side = math.copysign(1.0, float(part["beside_mm"].mean()))
        n = _mass_ratio(part, side, ball.radius_mm)
        curves[str(name)] = n
        moved = _squirts_deg(part["best_mm"].to_numpy(), n, ball.radius_mm) - _squirts_deg(
            np.array([side * equal_mm]), n, ball.radius_mm
        )
        tests.loc[part.index, SQUIRT] = part[SQUIRT] - moved
        tests.loc[part.index, OFFSET] = side * equal_mm
    # a centre-ball shot that strikes a millimetre aside squirts too
    per_mm = float(np.mean([_squirts_deg(np.array([1.0]), n, ball.radius_mm)[0] for n in curves.values()]))
    controls[SQUIRT] = controls[SQUIRT] - per_mm * controls["best_mm"]
    cues = cue_table(
        pd.concat([tests, controls]),
        ball=Ball(
            radius_mm=ball.radius_mm,
            mass_g=ball.mass_g,
            offset_sd_mm=float(np.sqrt(np.mean(np.square(list(offset_sds.values()))))),
        ),
        confidence=confidence,
        covariates=tuple(name for name in COVARIATES if name in tests.columns and tests[name].notna().all()),
    )
    made = [
        _row(cues, part, before[part.index], offset_sds[str(name)], ball.radius_mm)
        for name, part in tests.groupby("condition", sort=False)
    ]
    rows = tuple(row for row in made if row is not None)
    return EqualContact(
        rows=rows,
        cues=cues,
        shots=tests,
        notes=_notes(cues, offset_sds, float(np.mean([row.growth_deg for row in rows] or [0.0]))),
    )


def squirt_growth(found: EqualContact | None) -> float | None:
    """Return what a mm of contact adds to squirt, the mean of the conditions in degrees, or None."""
    return None if found is None or not found.rows else float(np.mean([row.growth_deg for row in found.rows]))


def _best_contacts_mm(shots: pd.DataFrame) -> Floats:
    """Best guess of each contact: what was measured, drawn to the mean of its condition and shooter."""
    cells = shots.groupby(["condition", "shooter", "session"], sort=False)["beside_mm"]
    mean = cells.transform("mean")
    own2 = shots[OWN_SD] ** 2
    hand2 = max(0.0, _hand_variance(shots))
    best = mean + hand2 / (hand2 + own2).where(hand2 + own2 > 0, 1.0) * (shots["beside_mm"] - mean)
    return best.to_numpy(dtype=np.float64)


def _hand_variance(shots: pd.DataFrame) -> float:
    """Variance of contacts from shot to shot, measuring taken out, a usual hand counting as `HAND_SHOTS`."""
    cells = shots.groupby(["condition", "shooter", "session"], sort=False)["beside_mm"]
    df = int((cells.count() - 1).sum())
    seen2 = float(((shots["beside_mm"] - cells.transform("mean")) ** 2).sum())
    return (HAND_SHOTS * HAND_SD_MM**2 + seen2 - df * float((shots[OWN_SD] ** 2).mean())) / (HAND_SHOTS + df)


def _contact_sd_mm(part: pd.DataFrame, controls: pd.DataFrame) -> float:
    """Return the standard uncertainty of the mean contact: shared by all shots, and of single ones and controls."""
    own2 = float((part[OWN_SD] ** 2).mean())
    shared2 = max(0.0, float((part[ALL_SD] ** 2).mean()) - own2)
    of_controls2 = float((controls[OWN_SD] ** 2).mean()) / len(controls) if len(controls) else 0.0
    return math.sqrt(shared2 + own2 / len(part) + of_controls2)


def _squirts_deg(contact_mm: Floats, n: float | None, radius_mm: float) -> Floats:
    """Squirt of contacts by the rigid impulse, to the right positive; nought where no end mass is known."""
    if n is None:
        return np.zeros(len(contact_mm))
    ratios = np.clip(contact_mm / radius_mm, -0.95, 0.95)
    return np.array([-deg_from_rad(squirt_rad(float(ratio), n)) for ratio in ratios])


def _mass_ratio(part: pd.DataFrame, side: float, radius_mm: float) -> float | None:
    """Ball mass over end mass that gives the mean squirt of a condition; None where it does not point away."""
    away_deg = -side * float(part[SQUIRT].mean())
    contacts = part["best_mm"].to_numpy(dtype=np.float64)

    def excess(log_n: float) -> float:
        return -side * float(_squirts_deg(contacts, math.exp(log_n), radius_mm).mean()) - away_deg

    low, high = math.log(1e-3), math.log(1e5)
    if excess(high) >= 0 or excess(low) <= 0:
        return None
    return math.exp(float(optimize.brentq(excess, low, high)))


def _row(
    cues: CueTable,
    part: pd.DataFrame,
    before: pd.Series,
    contact_sd_mm: float,
    radius_mm: float,
) -> ContactSquirt | None:
    name = str(part["condition"].iloc[0])
    found = next((row for row in cues.rows if row.condition == name), None)
    if found is None or found.lo_deg is None or found.hi_deg is None:
        return None
    side, equal_mm = math.copysign(1.0, found.tip_offset_mm), abs(found.tip_offset_mm)
    per_mm = sorted(-side * end / equal_mm for end in (found.lo_deg, found.hi_deg))
    slope = _slope(part, before, cues.confidence)
    away_rad = rad_from_deg(-side * found.squirt_deg)
    growth = squirt_slope_rad(equal_mm / radius_mm, away_rad) / radius_mm if away_rad > 0 else 0.0
    return ContactSquirt(
        condition=name,
        shots=len(part),
        contact_mm=float(part[CONTACT].mean()),
        contact_sd_mm=contact_sd_mm,
        lane_sd_deg=_within_sd(part, lane_squirt(part)),
        cue_sd_deg=_within_sd(part, before),
        equal_sd_deg=_within_sd(part, part[SQUIRT]),
        equal_deg=found.squirt_deg,
        equal_lo_deg=found.lo_deg,
        equal_hi_deg=found.hi_deg,
        equal_mm=side * equal_mm,
        per_mm_deg=-side * found.squirt_deg / equal_mm,
        per_mm_lo_deg=per_mm[0],
        per_mm_hi_deg=per_mm[1],
        growth_deg=deg_from_rad(growth),
        slope_deg=None if slope is None else slope[0],
        slope_lo_deg=None if slope is None else slope[0] - slope[1],
        slope_hi_deg=None if slope is None else slope[0] + slope[1],
    )


def _within_sd(part: pd.DataFrame, values: pd.Series) -> float:
    """Scatter within shooter and session."""
    cells = values.groupby([part["shooter"], part["session"]], sort=False)
    df = int((cells.count() - 1).sum())
    return math.sqrt(float(((values - cells.transform("mean")) ** 2).sum()) / df) if df > 0 else math.nan


def _slope(part: pd.DataFrame, squirt_deg: pd.Series, confidence: float) -> tuple[float, float] | None:
    """How squirt grows with the contact from shot to shot, away from it, and half its interval."""
    keys = [part["shooter"], part["session"]]
    contact, squirt = part["beside_mm"], squirt_deg
    x = (contact - contact.groupby(keys, sort=False).transform("mean")).to_numpy(dtype=np.float64)
    y = -(squirt - squirt.groupby(keys, sort=False).transform("mean")).to_numpy(dtype=np.float64)
    cells = part.groupby(["shooter", "session"]).ngroups
    df = len(part) - cells - 1
    own = part[OWN_SD].to_numpy(dtype=np.float64)
    if len(part) < LEAST_FOR_SLOPE or df < 1 or np.mean(own**2) > (1 - LEAST_RELIABLE) * np.sum(x**2) / (df + 1):
        return None
    y_sd = part["squirt_cue_own_sd_deg"].to_numpy(dtype=np.float64)
    line = york_line(x, y, own, y_sd)
    if line is None:
        return None
    # scatter beyond what measuring states is that of tip and stroke
    scale = math.sqrt(max(1.0, line.chi2 / df))
    return line.slope, float(special.stdtrit(df, (1 + confidence) / 2)) * line.slope_sd * scale


def _notes(cues: CueTable, offset_sds: dict[str, float], growth_deg: float) -> tuple[str, ...]:
    sd_mm = math.sqrt(sum(sd**2 for sd in offset_sds.values()) / len(offset_sds))
    notes = [
        f"Squirt at equal contact: {METHOD}.",
        f"Contacts of a condition are known to ±{sd_mm:.1f} mm together (standard uncertainty; the dome of the "
        "tip, camera and controls): that is in the intervals of each condition. It is not in their comparison: "
        f"where tips are not alike, add {growth_deg * sd_mm * math.sqrt(2):.2f}° to the standard uncertainty "
        "of a difference.",
    ]
    for _, comparisons in cues.comparisons:
        adjusted = comparisons.adjusted_these
        if adjusted is not None:
            at = " and ".join(_AT[one.covariate].format(one.value) for one in adjusted.adjustments)
            notes.append(f"Equal speed: compared at {at}.")
    return tuple(notes)
