"""What the shots say of the cues: squirt per tip offset, end mass, pivot lengths, and what a difference is made of.

Squirt grows with the tip offset, and so do end mass and pivot length a little; conditions are held against each
other at equal offset only. Every derived number carries the formula that defines it (`analyze.cue.end_mass`).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd
from scipy import special

from analyze.cue.end_mass import (
    END_MASS_FORMULA,
    CueEnd,
    contact_offset_m,
    cue_end,
    mass_ratio,
    miscue_warning,
    squirt_rad,
)
from analyze.cue.mean_squirt import SQUIRT, ControlScatter, control_scatter, mean_squirt, offset_part_deg
from analyze.cue.monte_carlo import SquirtDraws
from analyze.statistics.compare import Comparisons, compare
from analyze.statistics.question import Question
from analyze.statistics.shots_table import check_shots, counted_shots, listed
from calibrate.errors import SessionError
from calibrate.units import m_from_mm, mm_from_m, rad_from_deg

OFFSET = "tip_offset_mm"
EQUAL_OFFSET_MM = 0.5  # tip offsets this close count as equal: about what a chalk mark can be set to; no source
G_PER_KG = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A derived value with its interval and the formula that defines it.

    Attributes
    ----------
    value : float
        In the unit that the name of the field says.
    lo, hi : float or None
        Interval by `analyze.cue.monte_carlo`; None where it does not exist or has no end.
    formula : str
        What defines the value.
    """

    value: float
    lo: float | None
    hi: float | None
    formula: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CueRow:
    """One condition at one tip offset.

    Attributes
    ----------
    condition : str
        Condition.
    tip_offset_mm : float
        Mean tip offset of these shots, to the right positive.
    n, shooters : int
        Shots and shooters.
    squirt_deg : float
        Mean squirt, shooters weighing alike, to the right positive.
    se_deg, lo_deg, hi_deg : float or None
        Standard uncertainty and t interval, for these shooters; None below two shots of one shooter.
    shots_se_deg : float or None
        Part of `se_deg` that the scatter of the shots gives.
    zero_se_deg, offset_se_deg : float
        Parts of the controls' zero, which all shots of a shooter share, and of the tip offset.
    end_mass_g : Interval or None
        Effective end mass; None where squirt does not point away from the tip's side.
    pivot_mm : tuple of (str, Interval)
        Pivot length by each definition of `analyze.cue.end_mass.PIVOT_FORMULAS`.
    deflection_mm : Interval or None
        Sideways shift at the standard distance, had the tip been set to the standard offset.
    notes : tuple of str
        Cautions and what does not exist.
    """

    condition: str
    tip_offset_mm: float
    n: int
    shooters: int
    squirt_deg: float
    se_deg: float | None
    shots_se_deg: float | None
    zero_se_deg: float
    offset_se_deg: float
    lo_deg: float | None
    hi_deg: float | None
    end_mass_g: Interval | None
    pivot_mm: tuple[tuple[str, Interval], ...]
    deflection_mm: Interval | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ball:
    """The ball, and how well the tip offset was set.

    Attributes
    ----------
    radius_mm, mass_g : float
        Of the ball.
    offset_sd_mm : float
        Standard uncertainty of the tip offset, common to all shots of a condition; the default is common practice,
        no source.
    tip_radius_mm : float or None
        Radius of the tip's dome, where tip offsets are those of the tip's axis; None where they are those of the
        point of contact.
    own_tip_radii_mm : mapping of str to float
        Of conditions whose tip has another.
    """

    radius_mm: float = 28.575
    mass_g: float = 165.0
    offset_sd_mm: float = 1.0
    tip_radius_mm: float | None = None
    own_tip_radii_mm: Mapping[str, float] = field(default_factory=dict)

    def contact_share(self, condition: str = "") -> float:
        """Offset of the point of contact over the tip offset as it was set: 1, or less where the axis was set."""
        if self.tip_radius_mm is None:
            return 1.0
        radius_mm = self.own_tip_radii_mm.get(condition, self.tip_radius_mm)
        return contact_offset_m(1.0, tip_radius_m=radius_mm, ball_radius_m=self.radius_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """Where deflection is restated, so that tests of different tables and offsets can be read side by side.

    Attributes
    ----------
    distance_mm : float
        From the cue ball's spot, along the lane.
    offset_ratio : float
        Tip offset over ball radius.
    """

    distance_mm: float = 1000.0
    offset_ratio: float = 0.5

    @property
    def formula(self) -> str:
        """What defines a restated deflection."""
        return (
            f"{self.distance_mm:g} mm * tan(squirt at {self.offset_ratio:g} R), from {END_MASS_FORMULA}; "
            "swerve left out"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CueTable:
    """All conditions at all their tip offsets.

    Attributes
    ----------
    rows : tuple of CueRow
        In the table's order of conditions, then by offset.
    confidence : float
        Of the intervals.
    standard : Standard
        Where deflections are restated.
    offset_sd_mm : float
        Standard uncertainty of tip offsets that the intervals hold.
    comparisons : tuple of (float, Comparisons)
        Squirt of the conditions compared at each tip offset (mm) that two or more of them share.
    notes : tuple of str
        What was left out, which conditions share no offset.
    """

    rows: tuple[CueRow, ...]
    confidence: float
    standard: Standard
    offset_sd_mm: float
    comparisons: tuple[tuple[float, Comparisons], ...]
    notes: tuple[str, ...]

    def frame(self) -> pd.DataFrame:
        """Return the rows flat: one column per number, its interval beside it."""
        flat = []
        for row in self.rows:
            cells: dict[str, object] = {
                "condition": row.condition,
                "tip_offset_mm": row.tip_offset_mm,
                "n": row.n,
                "squirt_deg": row.squirt_deg,
                "se_deg": row.se_deg,
                "shots_se_deg": row.shots_se_deg,
                "zero_se_deg": row.zero_se_deg,
                "offset_se_deg": row.offset_se_deg,
                "lo_deg": row.lo_deg,
                "hi_deg": row.hi_deg,
            }
            derived = [("end_mass", "g", row.end_mass_g), ("deflection", "mm", row.deflection_mm)]
            derived += [(f"pivot_to_{name.replace(' ', '_')}", "mm", length) for name, length in row.pivot_mm]
            for name, unit, found in derived:
                cells[f"{name}_{unit}"] = None if found is None else found.value
                cells[f"{name}_lo_{unit}"] = None if found is None else found.lo
                cells[f"{name}_hi_{unit}"] = None if found is None else found.hi
            flat.append(cells)
        return pd.DataFrame(flat)


def offset_groups(offsets_mm: pd.Series) -> pd.Series:
    """Give numbers to the groups of equal tip offsets: a new one begins where a step exceeds `EQUAL_OFFSET_MM`."""
    ordered = offsets_mm.sort_values(kind="stable")
    return (ordered.diff() > EQUAL_OFFSET_MM).cumsum().reindex(offsets_mm.index)


def restated_deflection_mm(
    squirt_deg: float, tip_offset_mm: float, *, ball_radius_mm: float, standard: Standard
) -> float | None:
    """Sideways shift that the same cue would give at the standard offset and distance.

    Parameters
    ----------
    squirt_deg : float
        Measured, to the right positive.
    tip_offset_mm : float
        Of the point of contact, at which it was measured.
    ball_radius_mm : float
        Of the ball.
    standard : Standard
        Where it is restated.

    Returns
    -------
    float or None
        To the right positive, the tip set to the same side as measured; None where squirt does not point away from
        the tip's side or is too large for any end mass.
    """
    side = math.copysign(1.0, tip_offset_mm)
    ratio, away = abs(tip_offset_mm) / ball_radius_mm, -rad_from_deg(squirt_deg) * side
    if not 0 < ratio < 1 or away <= 0:
        return None
    n = mass_ratio(ratio, away)
    if n <= 0:
        return None
    return -side * standard.distance_mm * math.tan(squirt_rad(standard.offset_ratio, n))


def _row(
    condition: str,
    shots: pd.DataFrame,
    controls: ControlScatter,
    ball: Ball,
    standard: Standard,
    confidence: float,
) -> CueRow:
    squirt = mean_squirt(shots, controls)
    offset_mm = float(shots[OFFSET].mean())
    contact_mm = offset_mm * ball.contact_share(condition)
    contact_sd_mm = ball.offset_sd_mm * ball.contact_share(condition)
    notes = [*squirt.notes]
    end = None
    if abs(contact_mm) < ball.radius_mm:
        end = cue_end(
            offset_m=m_from_mm(contact_mm),
            offset_sd_m=m_from_mm(contact_sd_mm),
            angle_rad=rad_from_deg(squirt.value_deg),
            angle_sd_rad=rad_from_deg(squirt.se_deg or 0.0),
            ball_radius_m=m_from_mm(ball.radius_mm),
            ball_mass_kg=ball.mass_g / G_PER_KG,
        )
        notes.append(miscue_warning(contact_mm / ball.radius_mm))
    else:
        notes.append(f"A tip offset of {offset_mm:.3g} mm lies beside the ball.")
    if end is None:
        notes.append("Squirt does not point away from the tip's side, so no end mass follows.")
    elif end.mass_ratio.value <= 0:
        notes.append("Squirt is too large for any end mass.")
        end = None
    if squirt.se_deg is None:
        notes.append("One shot of each shooter: no interval.")
    offset_se = offset_part_deg(squirt.value_deg, contact_mm, contact_sd_mm, ball.radius_mm)
    se = half = None
    if squirt.se_deg is not None:
        se = math.hypot(squirt.se_deg, offset_se)
        # The offset's part is stated, not estimated: it adds degrees of freedom without end.
        df = squirt.df * (se / squirt.se_deg) ** 4 if squirt.se_deg > 0 else math.inf
        half = float(special.stdtrit(df, (1 + confidence) / 2)) * se
    draws = None
    if squirt.se_deg is not None and end is not None:
        draws = SquirtDraws(
            squirt,
            contact_mm=contact_mm,
            contact_sd_mm=contact_sd_mm,
            radius_mm=ball.radius_mm,
            confidence=confidence,
        )
    return CueRow(
        condition=condition,
        tip_offset_mm=offset_mm,
        n=len(shots),
        shooters=shots["shooter"].nunique(),
        squirt_deg=squirt.value_deg,
        se_deg=se,
        shots_se_deg=squirt.shots_se_deg,
        zero_se_deg=squirt.zero_se_deg,
        offset_se_deg=offset_se,
        lo_deg=None if half is None else squirt.value_deg - half,
        hi_deg=None if half is None else squirt.value_deg + half,
        end_mass_g=None if end is None else _end_mass(end, ball, draws),
        pivot_mm=() if end is None else _pivots(end, draws),
        deflection_mm=None if end is None else _deflection(squirt.value_deg, contact_mm, ball, standard, draws),
        notes=tuple(note for note in notes if note),
    )


def _end_mass(end: CueEnd, ball: Ball, draws: SquirtDraws | None) -> Interval:
    lo, hi = (None, None) if draws is None else draws.end_mass(ball.mass_g)
    return Interval(value=end.end_mass_kg.value * G_PER_KG, lo=lo, hi=hi, formula=END_MASS_FORMULA)


def _pivots(end: CueEnd, draws: SquirtDraws | None) -> tuple[tuple[str, Interval], ...]:
    found = []
    for name, length in end.pivot_m.items():
        lo, hi = (None, None) if draws is None else draws.pivot_mm(name)
        found.append((name, Interval(value=mm_from_m(length.value), lo=lo, hi=hi, formula=length.formula)))
    return tuple(found)


def _deflection(
    squirt_deg: float, contact_mm: float, ball: Ball, standard: Standard, draws: SquirtDraws | None
) -> Interval | None:
    """Restate a mean squirt at the standard offset, to the side to which it went."""
    value = restated_deflection_mm(squirt_deg, contact_mm, ball_radius_mm=ball.radius_mm, standard=standard)
    if value is None:
        return None
    least, most = (
        (None, None) if draws is None else draws.deflection_mm(standard.offset_ratio, standard.distance_mm)
    )
    if contact_mm > 0:  # a ball struck on the right leaves to the left
        least, most = (None if most is None else -most), (None if least is None else -least)
    return Interval(value=value, lo=least, hi=most, formula=standard.formula)


def _own_domes(ball: Ball) -> str:
    """Name the conditions whose tip has a dome of its own."""
    return "".join(
        f" ({condition}: {radius_mm:g} mm, {ball.contact_share(condition):.3f})"
        for condition, radius_mm in ball.own_tip_radii_mm.items()
    )


def cue_table(
    frame: pd.DataFrame,
    *,
    ball: Ball | None = None,
    standard: Standard | None = None,
    confidence: float = 0.95,
    margin_deg: float | None = None,
    covariates: tuple[str, ...] = ("launch_speed_m_s",),
) -> CueTable:
    """Squirt, end mass, pivot lengths and restated deflection of every condition at every tip offset.

    Parameters
    ----------
    frame : DataFrame
        Table of shots with ``squirt_deg`` and ``tip_offset_mm``; control shots do not count.
    ball : Ball
        Default: 57.15 mm, 165 g.
    standard : Standard
        Where deflections are restated; default half a radius, 1 m.
    confidence : float
        Of the intervals.
    margin_deg : float, optional
        Largest difference of squirt that does not matter.
    covariates : tuple of str
        Columns at whose common value squirt is compared, beside as it is.

    Returns
    -------
    CueTable
        Shots without a tip offset, or struck at the centre, are left out and counted in the notes.
    """
    ball, standard = ball or Ball(), standard or Standard()
    if OFFSET not in frame.columns:
        raise SessionError(f"table of shots: no column {OFFSET}; squirt tells of the cue only with the tip offset")
    counted, notes = counted_shots(check_shots(frame, quantity=SQUIRT), SQUIRT)
    tested = counted[counted["role"] == "test"]
    controls = control_scatter(counted[counted["role"] == "control"])
    usable = tested[OFFSET].notna() & (tested[OFFSET].abs() > EQUAL_OFFSET_MM)
    said = [*notes, *([controls.note] if controls.note else [])]
    if not usable.all():
        said.append(f"{int((~usable).sum())} shots have no tip offset from the centre and are left out.")
    if ball.tip_radius_mm is not None:
        said.append(
            f"Tip offsets are those of the tip's axis: with a dome of {ball.tip_radius_mm:g} mm radius the tip "
            f"touches the ball at {ball.contact_share():.3f} of that{_own_domes(ball)}, and end mass, pivot "
            "lengths and deflection are counted from there."
        )
    shots = tested[usable]
    shots = shots.assign(offset_group=offset_groups(shots[OFFSET]))
    rows = [
        _row(str(condition), some, controls, ball, standard, confidence)
        for condition in shots["condition"].unique()
        for _, some in shots[shots["condition"] == condition].groupby("offset_group")
    ]
    comparisons = []
    compared: set[str] = set()
    for _, some in shots.groupby("offset_group"):
        if some["condition"].nunique() > 1:
            question = Question(quantity=SQUIRT, confidence=confidence, margin=margin_deg, covariates=covariates)
            comparisons.append((float(some[OFFSET].mean()), compare(some.drop(columns="offset_group"), question)))
            compared.update(str(name) for name in some["condition"])
    alone = [str(name) for name in shots["condition"].unique() if name not in compared]
    if alone and len(rows) > 1:
        said.append(f"No other condition was shot at the tip offset of {listed(alone)}: not compared.")
    return CueTable(
        rows=tuple(rows),
        confidence=confidence,
        standard=standard,
        offset_sd_mm=ball.offset_sd_mm,
        comparisons=tuple(comparisons),
        notes=tuple(said),
    )
