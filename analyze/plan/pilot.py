"""How much shots are expected to scatter: from a pilot, or assumed."""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analyze.cue.cue_table import Ball
from analyze.cue.equal_contact import equal_contact
from analyze.plan.power import Spreads
from analyze.session.config import CONFIG_NAME
from analyze.session.folder import Session, open_session
from analyze.session.shots import session_shots
from analyze.session.shots_frame import counted_frame, shots_frame
from analyze.statistics import read_readings, variance_components
from analyze.statistics.mixed import SHOT
from analyze.statistics.variance import INTERACTION, MEASURING
from calibrate.errors import SessionError
from calibrate.units import mm_from_m, rad_from_deg

READINGS_NAME = "readings.csv"
# Assumed where nothing is known, as round numbers of the size that testers speak of. Common practice, no source: a
# pilot of ten shots is worth more.
ASSUMED = Spreads(
    shot_sd_mm=10.0, interaction_sd_mm=5.0, source="assumed; common practice, no source: a pilot would be better"
)
# Of the interval that the cautious spread is the upper end of: one pilot in ten leaves a larger one out.
PILOT_CONFIDENCE = 0.80
# Shots of a condition with the cue seen, below which their scatter tells nothing.
LEAST_SEEN = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class CueGain:
    """What seeing the cue did to the scatter of squirt in a pilot.

    Attributes
    ----------
    shots : int
        In which the cue was seen.
    lane_sd_mm, seen_sd_mm : float
        Scatter of squirt at the rail, from shot to shot with one condition: from the lane, and from the cue at
        equal contact.
    """

    shots: int
    lane_sd_mm: float
    seen_sd_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Spreads to plan with.

    Attributes
    ----------
    spreads : Spreads
        The best guess.
    cautious : Spreads or None
        As large as the pilot leaves room for; None without a pilot, or where it cannot tell.
    notes : tuple of str
        What the pilot could not tell, one sentence each.
    cue : CueGain or None
        What seeing the cue did in the pilot; None where it was seen in too few shots.
    """

    spreads: Spreads
    cautious: Spreads | None = None
    notes: tuple[str, ...] = ()
    cue: CueGain | None = None


def pilot_spreads(folder: Path) -> Expected:
    """Take the spreads from shots that were measured or read by hand before.

    Parameters
    ----------
    folder : Path
        A measured session, or a folder with a readings.csv.

    Returns
    -------
    Expected
        Spreads of the readings. What it cannot tell is as in `ASSUMED`, and said.

    Raises
    ------
    SessionError
        If it holds no shots, or too few for a spread.

    Notes
    -----
    That a plan should rest on an upper limit of a small pilot's spread, not on the spread itself: Browne 1995,
    Stat. Med. 14, 1933 (from memory).
    """
    frame = _pilot_frame(folder)
    components = variance_components(frame, confidence=PILOT_CONFIDENCE)
    shot, measuring = components.row(SHOT), components.row(MEASURING)
    between = components.row(INTERACTION)
    if shot is None or shot.variance is None:
        raise SessionError(f"{folder}: too few shots for a spread; two of one shooter with one condition at least")
    measured = 0.0 if measuring is None or measuring.variance is None else measuring.variance
    within = shot.variance + measured
    if within <= 0:
        raise SessionError(f"{folder}: all shots of each shooter and condition read the same, so nothing scatters")
    shots = int(frame["reading_mm"].notna().sum())
    notes = []
    interaction = ASSUMED.interaction_sd_mm
    source = f"from {shots} shots in {folder.name or folder}"
    if between is None or between.sd is None:
        notes.append(
            "The pilot cannot tell how a condition's effect varies from shooter to shooter (that takes two "
            f"shooters with two conditions each); {interaction:g} mm was assumed (common practice, no source)."
        )
    else:
        interaction = between.sd
        if interaction == 0:
            notes.append(
                "In the pilot the effect of a condition did not visibly vary from shooter to shooter: taken as "
                "zero, which is too good for shooters in general if the pilot was small."
            )
    cautious = None
    if shot.hi is not None:
        cautious = Spreads(
            shot_sd_mm=float(np.sqrt(shot.hi**2 + measured)), interaction_sd_mm=interaction, source=source
        )
    return Expected(
        spreads=Spreads(shot_sd_mm=float(np.sqrt(within)), interaction_sd_mm=interaction, source=source),
        cautious=cautious,
        notes=tuple(notes),
        cue=cue_gain(open_session(folder), frame) if (folder / CONFIG_NAME).is_file() else None,
    )


def cue_gain(session: Session, frame: pd.DataFrame) -> CueGain | None:
    """Compare the scatter of squirt from the lane with that at equal contact, over the conditions of a pilot.

    Parameters
    ----------
    session : Session
        Gives ball and lengths.
    frame : DataFrame
        Its shots, columns of `out/shots.csv`.
    """
    ball = Ball(radius_mm=mm_from_m(session.ball.radius_m), mass_g=1000 * session.ball.mass_kg)
    found = equal_contact(frame, ball=ball, confidence=PILOT_CONFIDENCE)
    rows = () if found is None else [row for row in found.rows if row.shots >= LEAST_SEEN]
    if not rows:
        return None
    degree_mm = mm_from_m(session.scale.line_y_m - session.lane.spot_y_m) * math.tan(rad_from_deg(1.0))
    weights = np.array([row.shots - 1 for row in rows])
    lane, seen = (
        degree_mm * math.sqrt(float(np.average([getattr(row, name) ** 2 for row in rows], weights=weights)))
        for name in ("lane_sd_deg", "equal_sd_deg")
    )
    return CueGain(shots=sum(row.shots for row in rows), lane_sd_mm=lane, seen_sd_mm=seen) if seen > 0 else None


def _pilot_frame(folder: Path) -> pd.DataFrame:
    if (folder / "session.toml").exists():
        session = open_session(folder)
        frame = counted_frame(shots_frame(session, session_shots(session)))
        if not frame.empty:
            return frame
    if (folder / READINGS_NAME).is_file():
        return read_readings(folder / READINGS_NAME)
    raise SessionError(f"{folder}: no pilot: neither a measured session nor a {READINGS_NAME} is in it")
