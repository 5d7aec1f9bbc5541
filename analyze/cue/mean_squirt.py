"""Mean squirt of a condition and how sure it is: scatter of its shots, the controls' zero, the tip offset."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from analyze.cue.end_mass import squirt_slope_rad
from analyze.cue.squirt import AIM_SD_RAD
from analyze.statistics.shots_table import listed
from calibrate.arrays import Floats
from calibrate.units import deg_from_rad, rad_from_deg

SQUIRT = "squirt_deg"
COMMON_SD = "squirt_common_sd_deg"  # of shots whose controls were recorded from another camera place


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlScatter:
    """How far the control shots scatter, and how many set the zero of each shooter at each place of each session.

    Attributes
    ----------
    sd_deg : float
        Of one control shot about its shooter's zero, pooled over shooters; `AIM_SD_RAD` where none shot two.
    df : float
        Degrees of freedom of `sd_deg`; infinite where it was assumed.
    shots : dict of (str, str, str) to int
        Control shots by shooter, session and camera place.
    """

    sd_deg: float
    df: float
    shots: dict[tuple[str, str, str], int]

    def behind(self, shooter: str, session: str, place: str) -> int:
        """Count the control shots that a zero rests on: those from the place, else those from elsewhere."""
        here = self.shots.get((shooter, session, place), 0)
        return here or sum(n for (who, when, _), n in self.shots.items() if (who, when) == (shooter, session))

    @property
    def note(self) -> str:
        """Say so where there are no controls, or where their scatter was assumed; else empty."""
        if not self.shots:
            return "There are no control shots here: intervals leave out how well the zero of squirt is known."
        if math.isfinite(self.df):
            return ""
        return (
            f"One control shot a shooter shows no scatter: {self.sd_deg:g}° was taken (common practice, no source)."
        )


def _cells(shots: pd.DataFrame) -> list[pd.Series]:
    """Shooter, session and camera place of each shot: those who share a zero."""
    place = shots["place"].fillna("") if "place" in shots.columns else pd.Series("", index=shots.index)
    return [shots["shooter"], shots["session"], place.rename("place")]


def control_scatter(controls: pd.DataFrame) -> ControlScatter:
    """Return how far control shots scatter about their shooters' zeros.

    Parameters
    ----------
    controls : DataFrame
        Counted control shots with ``squirt_deg``, ``shooter``, ``session`` and, where it is known, ``place``.
    """
    groups = controls[SQUIRT].groupby(_cells(controls), sort=False)
    shots = {(str(who), str(when), str(where)): len(values) for (who, when, where), values in groups}
    df = len(controls) - len(shots)
    if df < 1:
        return ControlScatter(sd_deg=deg_from_rad(AIM_SD_RAD), df=math.inf, shots=shots)
    squares = float(((controls[SQUIRT] - groups.transform("mean")) ** 2).sum())
    return ControlScatter(sd_deg=math.sqrt(squares / df), df=float(df), shots=shots)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquirt:
    """Mean squirt of one condition at one tip offset.

    Attributes
    ----------
    value_deg : float
        Mean, shooters weighing alike.
    shots_se_deg : float or None
        What the scatter of the shots gives; None below two shots of one shooter.
    zero_se_deg : float
        What the controls give, whose mean is taken off all shots of a shooter, and where they were recorded from
        another camera place, both calibrations; more shots do not make it smaller.
    df : float
        Degrees of freedom of the two together (Welch-Satterthwaite).
    notes : tuple of str
        Whose zero is not known.
    """

    value_deg: float
    shots_se_deg: float | None
    zero_se_deg: float
    df: float
    notes: tuple[str, ...]

    @property
    def se_deg(self) -> float | None:
        """Standard uncertainty of the mean, the tip offset taken as set; None where it does not exist."""
        return None if self.shots_se_deg is None else math.hypot(self.shots_se_deg, self.zero_se_deg)

    def draws_deg(self, uniform: Floats) -> Floats:
        """Draw values that the mean may have: scaled and shifted t (JCGM 101:2008, 6.4.9).

        Parameters
        ----------
        uniform : (N,) array
            Evenly spread over (0, 1).
        """
        return np.asarray(self.value_deg + (self.se_deg or 0.0) * special.stdtrit(self.df, uniform))


def mean_squirt(shots: pd.DataFrame, controls: ControlScatter) -> MeanSquirt:
    """Average the squirt of shots of one condition at one tip offset, shooters weighing alike.

    Parameters
    ----------
    shots : DataFrame
        With ``squirt_deg``, ``shooter`` and ``session``; ``place`` and `COMMON_SD` where they are known.
    controls : ControlScatter
        What the zeros rest on.

    Notes
    -----
    Every shot of a shooter has the same zero taken off, so its error is that of the mean as well. Shots and
    controls each have one variance for all shooters; degrees of freedom by Welch 1947 and Satterthwaite 1946.
    """
    cells = shots[SQUIRT].groupby(_cells(shots), sort=False)
    by_shooter = shots.groupby("shooter", sort=False)[SQUIRT]
    mean, count = by_shooter.mean(), by_shooter.count()
    of_shooter = {str(shooter): int(n) for shooter, n in count.items()}
    weight = 1 / len(mean)
    zero_part, unknown = 0.0, []
    for (shooter, session, place), values in cells:
        n = controls.behind(str(shooter), str(session), str(place))
        if not n:
            unknown.append(str(shooter))
            continue
        # Of several sessions or places of a shooter each has its own zero, which counts by its share of his shots.
        zero_part += (weight * len(values) / of_shooter[str(shooter)]) ** 2 / n
    scatter2 = controls.sd_deg**2 * zero_part
    # Taken as one error of all these shots: calibrations of several places would average a little.
    elsewhere = shots[COMMON_SD].fillna(0.0) if COMMON_SD in shots.columns else pd.Series(0.0, index=shots.index)
    common2 = float(elsewhere.groupby(shots["shooter"], sort=False).mean().mean()) ** 2
    df_shots = len(shots) - cells.ngroups
    shots2 = None
    if df_shots >= 1:
        variance = float(((shots[SQUIRT] - cells.transform("mean")) ** 2).sum()) / df_shots
        shots2 = variance * weight**2 * float((1 / count).sum())
    notes = []
    if unknown and controls.shots:
        notes.append(
            f"No control shots of {listed(dict.fromkeys(unknown))} here: the interval leaves out the uncertainty "
            "of that zero."
        )
    return MeanSquirt(
        value_deg=float(mean.mean()),
        shots_se_deg=None if shots2 is None else math.sqrt(shots2),
        zero_se_deg=math.sqrt(scatter2 + common2),
        df=_welch_df(shots2 or 0.0, df_shots, scatter2, controls.df, stated=common2),
        notes=tuple(notes),
    )


def _welch_df(first: float, first_df: float, second: float, second_df: float, *, stated: float) -> float:
    spread = (first**2 / first_df if first_df >= 1 else 0.0) + second**2 / second_df
    return (first + second + stated) ** 2 / spread if spread > 0 else math.inf


def offset_part_deg(value_deg: float, offset_mm: float, offset_sd_mm: float, radius_mm: float) -> float:
    """Return what the uncertainty of the tip offset adds to that of a squirt, as a standard uncertainty.

    Parameters
    ----------
    value_deg : float
        Squirt.
    offset_mm, offset_sd_mm : float
        Of the point of contact.
    radius_mm : float
        Of the ball.
    """
    ratio = abs(offset_mm) / radius_mm
    if not 0 < ratio < 1:
        return 0.0
    slope = squirt_slope_rad(ratio, abs(rad_from_deg(value_deg)))
    return abs(deg_from_rad(slope)) * offset_sd_mm / radius_mm
