"""Where the scatter of the readings comes from: aim, contact, speed, slope, measuring, and the rest."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from calibrate.arrays import Floats
from calibrate.units import rad_from_deg

LEAST_DF = 4  # with three the 95 % interval of a standard deviation spans a factor of 6.6 (chi-square)
METHOD = (
    "variances within condition and shooter, with what measuring adds taken out; aim and contact act on the "
    "reading by geometry and by how squirt grows with the contact, speed and slope by what they show in these shots"
)
_CELL = ("condition", "shooter", "session")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterPart:
    """One source of scatter.

    Attributes
    ----------
    source : str
        `aim`, `contact`, `speed`, `slope`, `measuring` or `rest`.
    own_sd : float or None
        Its own scatter, in `unit`; None for measuring and rest.
    unit : str
        Of `own_sd`; empty without one.
    at_rail_mm : float
        What it does to the reading, one standard deviation.
    share : float
        Of the variance of the reading.
    """

    source: str
    own_sd: float | None
    unit: str
    at_rail_mm: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterSplit:
    """Where the scatter of the readings comes from.

    Attributes
    ----------
    shots, df : int
        Test shots in which the cue was seen, and degrees of freedom within condition and shooter.
    reading_sd_mm : float
        Scatter of the reading.
    parts : tuple of ScatterPart
        Their variances add up to that of the reading, unless `notes` says otherwise.
    notes : tuple of str
        What does not add up.
    """

    shots: int
    df: int
    reading_sd_mm: float
    parts: tuple[ScatterPart, ...]
    notes: tuple[str, ...]


def split_scatter(table: pd.DataFrame, *, distance_mm: float, growth_deg: float | None) -> ScatterSplit | None:
    """Split the scatter of the readings.

    Parameters
    ----------
    table, distance_mm, growth_deg
        The shots, mm and degrees a mm of `analyze.cue.hand.habits`.

    Returns
    -------
    ScatterSplit or None
        None below `LEAST_DF` degrees of freedom, or where all readings are the same.
    """
    needed = ("reading_mm", "cue_deg", "tip_side_mm", "launch_speed_m_s")
    if growth_deg is None or any(name not in table.columns for name in needed):
        return None
    shots = table[table[list(needed)].notna().all(axis=1) & (table["role"].astype(str) == "test")]
    cells = shots.groupby([shots[name] for name in _CELL if name in shots.columns], sort=False)
    df = len(shots) - cells.ngroups
    if df < LEAST_DF:
        return None

    def about_mean(name: str) -> Floats:
        return (shots[name] - cells[name].transform("mean")).to_numpy(dtype=np.float64)

    degree_mm = distance_mm * math.tan(rad_from_deg(1.0))
    reading = about_mean("reading_mm")
    total = float(reading @ reading) / df
    if total <= 0:
        return None
    # ball to the left of where it was aimed for a contact to the right
    effects = {"aim": ("cue_deg", "cue_own_sd_deg", "°", degree_mm)}
    effects["contact"] = ("tip_side_mm", "tip_side_own_sd_mm", "mm", -growth_deg * degree_mm)
    left = reading - sum(effect * about_mean(name) for name, _, _, effect in effects.values())
    by_hand = [("speed", "launch_speed_m_s", "launch_speed_sd_m_s", "m/s")]
    if shots["cue_slope_deg"].notna().all():
        by_hand.append(("slope", "cue_slope_deg", "cue_slope_sd_deg", "°"))
    design = np.stack([about_mean(name) for _, name, _, _ in by_hand], axis=1)
    found, *_ = np.linalg.lstsq(design, left, rcond=None)
    for (source, name, sd, unit), effect in zip(by_hand, found, strict=True):
        effects[source] = (name, sd, unit, float(effect))

    parts: list[tuple[str, float | None, str, float]] = []
    for source, (name, sd, unit, effect) in effects.items():
        values = about_mean(name)
        own2 = max(0.0, float(values @ values) / df - float((shots[sd] ** 2).mean()))
        parts.append((source, math.sqrt(own2), unit, own2 * effect**2))
    parts.append(("measuring", None, "", float((shots["reading_sd_mm"] ** 2).mean())))
    known = sum(variance for *_, variance in parts)
    parts.append(("rest", None, "", max(0.0, total - known)))
    notes: tuple[str, ...] = ()
    if known > total:
        notes = (
            f"The sources add up to {math.sqrt(known):.1f} mm, the reading scatters by {math.sqrt(total):.1f} mm: "
            "they offset each other in these shots (aim against contact, say), or the shots are few.",
        )
    found_parts = tuple(
        ScatterPart(source=source, own_sd=own, unit=unit, at_rail_mm=math.sqrt(part), share=part / total)
        for source, own, unit, part in parts
    )
    return ScatterSplit(shots=len(shots), df=df, reading_sd_mm=math.sqrt(total), parts=found_parts, notes=notes)
