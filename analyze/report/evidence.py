"""What a report is made from: shots of one session or several, measured or read by hand, ready for statistics."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analyze.cue.mean_squirt import COMMON_SD, SQUIRT
from analyze.cue.squirt import COMMON_SOURCES, own_launch_sd_rad
from analyze.cue.squirt_cue import own_squirt_cue_sd_rad
from analyze.cue.which_squirt import SquirtChoice, choose_squirt, take_squirt
from analyze.fit.shot import Shot
from analyze.report.measured_again import ShotKey, keys_before, readings_again, shot_key
from analyze.session.config import SessionConfig
from analyze.session.folder import Label, Session, open_session
from analyze.session.name_order import shots_in_order
from analyze.session.shots import label_of, read_shots
from analyze.session.shots_frame import counted_frame, shots_frame
from analyze.session.store import StoredShot
from analyze.statistics import check_shots, read_readings
from analyze.statistics.readings import reading_unit
from calibrate.errors import SessionError
from calibrate.units import deg_from_rad, mm_from_m

READINGS_NAME = "readings.csv"
CONFIG_NAME = "session.toml"
QUANTITIES = ("reading_mm", "squirt_deg", "swerve_offset_mm")
# The quantity of a shot's budget behind each; squirt is counted from control shots, mostly of one camera place.
_BUDGET_OF = {"reading_mm": "reading_m", "swerve_offset_mm": "swerve_offset_m"}


@dataclass(frozen=True, eq=False, kw_only=True)
class SessionEvidence:
    """The shots of one session.

    Attributes
    ----------
    name : str
        What the session is called in tables; empty where it is the only one.
    session : Session
        Its folder and settings.
    stored : tuple of StoredShot
        Its measured shots; empty for readings taken by hand.
    labels : tuple of Label
        Theirs.
    shots : DataFrame
        Columns of `out/shots.csv`; of readings taken by hand, those that there are.
    notes : tuple of str
        What was left out, one sentence each.
    """

    name: str
    session: Session
    stored: tuple[StoredShot, ...]
    labels: tuple[Label, ...]
    shots: pd.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def by_hand(self) -> bool:
        """Whether its readings were taken by eye."""
        return not self.stored


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence:
    """All that a report is made from.

    Attributes
    ----------
    sessions : tuple of SessionEvidence
        At least one.
    table : DataFrame
        Table of shots for `analyze.statistics`, with the standard uncertainties that differ from shot to shot.
    shared_sd : dict of str to float
        By quantity: what all shots of a session share, root mean square, in the quantity's unit.
    again : DataFrame
        Readings of shots that several sessions hold; see `measured_again.readings_again`.
    notes : tuple of str
        What the reader should know, one sentence each.
    squirt : SquirtChoice
        Which squirt `squirt_deg` of the table is, and why.
    """

    sessions: tuple[SessionEvidence, ...]
    table: pd.DataFrame
    shared_sd: dict[str, float]
    again: pd.DataFrame
    notes: tuple[str, ...]
    squirt: SquirtChoice

    @property
    def config(self) -> SessionConfig:
        """Settings that hold for the report: those of the first session."""
        return self.sessions[0].session.config

    @property
    def measured(self) -> bool:
        """Whether some shots were measured from clips."""
        return any(not one.by_hand for one in self.sessions)

    @property
    def needs_a_person(self) -> bool:
        """Whether some shot failed or is doubtful and nobody has decided about it."""
        return any(stored.needs_a_person for one in self.sessions for stored in one.stored)

    @property
    def shots(self) -> pd.DataFrame:
        """All shots as `out/shots.csv` shows them."""
        if len(self.sessions) == 1:
            return self.sessions[0].shots
        return pd.concat([one.shots.assign(session=one.name) for one in self.sessions], ignore_index=True)


def gather(folders: Sequence[Path]) -> Evidence:
    """Collect the shots of session folders, or of folders that hold only readings.csv.

    Parameters
    ----------
    folders : sequence of Path
        At least one.

    Raises
    ------
    SessionError
        If one of them has nothing to report, or is named twice.
    """
    for k, folder in enumerate(folders):
        if any(folder.resolve() == other.resolve() for other in folders[:k]):
            raise SessionError(f"{folder}: is named twice; name each session once")
    names = [""] if len(folders) == 1 else _session_names(folders)
    return evidence_of([_session_evidence(folder, name) for folder, name in zip(folders, names, strict=True)])


def measured_evidence(
    session: Session, stored: Sequence[StoredShot], *, name: str = "", notes: Sequence[str] = ()
) -> SessionEvidence:
    """Return measured shots of one session with their labels and their rows of `out/shots.csv`."""
    shots = shots_frame(session, stored)
    labels = tuple(label_of(session, one) for one in stored)
    return SessionEvidence(
        name=name, session=session, stored=tuple(stored), labels=labels, shots=shots, notes=tuple(notes)
    )


def evidence_of(sessions: Sequence[SessionEvidence]) -> Evidence:
    """Put sessions together: one table for the statistics, and what the settings of the sessions disagree in."""
    held = [one.stored for one in sessions]
    tables = [_statistics_table(one, keys_before(held, k)) for k, one in enumerate(sessions)]
    columns = dict.fromkeys(name for table in tables for name in table.columns)
    full = [table.reindex(columns=list(columns)) for table in tables]
    table = full[0] if len(full) == 1 else pd.concat(full, ignore_index=True)
    listed = dict.fromkeys(name for one in sessions for name in one.session.config.condition_names)
    table = shots_in_order(table, tuple(listed)).reset_index(drop=True)
    squirt = _squirt_choice(sessions)
    table = take_squirt(table, squirt)
    return Evidence(
        sessions=tuple(sessions),
        table=table,
        shared_sd={q: _shared_squirt_sd(table) if q == SQUIRT else _shared_sd(sessions, q) for q in QUANTITIES},
        again=readings_again([(one.name, one.stored) for one in sessions]),
        notes=(
            *_several_note(sessions),
            *_disagreements(sessions),
            *_twice(sessions),
            *(f"{one.name}: {note}" if one.name else note for one in sessions for note in one.notes),
            *_unknown_conditions(sessions),
            *([squirt.sentence] if squirt.of == "cue" and squirt.sentence else []),
        ),
        squirt=squirt,
    )


def _squirt_choice(sessions: Sequence[SessionEvidence]) -> SquirtChoice:
    """Choose one squirt for all sessions, by the settings of the first; numbers read by hand have no say."""
    measured = [one.shots.assign(session=one.name) for one in sessions if not one.by_hand]
    if not measured:
        return SquirtChoice(of="lane", sentence="")
    return choose_squirt(pd.concat(measured, ignore_index=True), sessions[0].session.config.analysis.squirt)


def _session_names(folders: Sequence[Path]) -> list[str]:
    names = [folder.resolve().name for folder in folders]
    return names if len(set(names)) == len(names) else [str(folder) for folder in folders]


def _session_evidence(folder: Path, name: str) -> SessionEvidence:
    readings = folder / READINGS_NAME
    if readings.is_file() and not (folder / CONFIG_NAME).exists():
        shots = _hand_read_shots(folder, SessionConfig())
        # Nobody stated how lengths are to be shown: as they were written.
        config = SessionConfig.model_validate({"session": {"units": reading_unit(readings)}})
        return SessionEvidence(name=name, session=Session(folder, config), stored=(), labels=(), shots=shots)
    session = open_session(folder)
    found = read_shots(session)
    if found.shots:
        return measured_evidence(session, found.shots, name=name, notes=found.notes)
    if readings.is_file():
        shots = _hand_read_shots(folder, session.config)
        return SessionEvidence(name=name, session=session, stored=(), labels=(), shots=shots)
    raise SessionError(f"{folder}: nothing has been measured yet; `railread measure {folder}` does that")


def _hand_read_shots(folder: Path, config: SessionConfig) -> pd.DataFrame:
    shots = check_shots(read_readings(folder / READINGS_NAME))
    roles = {condition.name: condition.role for condition in config.condition}
    # A condition that session.toml calls a control is one here too, where the file itself does not say.
    shots["role"] = [
        "control" if roles.get(condition) == "control" else role
        for condition, role in zip(shots["condition"], shots["role"], strict=True)
    ]
    return shots


def _statistics_table(one: SessionEvidence, elsewhere: frozenset[ShotKey]) -> pd.DataFrame:
    """Shots with a reading that do not count elsewhere, with their own sds only."""
    shots = one.shots
    if not one.by_hand:
        own = pd.DataFrame([_own_sds(stored.shot) for stored in one.stored], index=shots.index)
        here = [shot_key(stored) not in elsewhere for stored in one.stored]
        shots = counted_frame(shots.assign(**{name: own[name] for name in own.columns})[here])
    if one.name:
        inner = shots["session"].astype(str) if "session" in shots.columns else ""
        shots = shots.assign(session=one.name + (" " + inner if one.by_hand else "")).assign(
            session=lambda table: table["session"].str.strip()
        )
    return shots.reset_index(drop=True)


def _own_sds(shot: Shot) -> dict[str, float]:
    """Give the standard uncertainties of a shot without what all shots of the session share."""
    if shot.reading_m is None:
        return dict.fromkeys(
            ("reading_sd_mm", "squirt_sd_deg", "squirt_cue_sd_deg", "swerve_offset_sd_mm"), math.nan
        )
    from_cue = own_squirt_cue_sd_rad(shot)
    return {
        "reading_sd_mm": mm_from_m(_part(shot, "reading_m", shared=False) or shot.reading_sd_m or 0.0),
        "squirt_sd_deg": deg_from_rad(own_launch_sd_rad(shot)),
        "squirt_cue_sd_deg": math.nan if from_cue is None else deg_from_rad(from_cue),
        "swerve_offset_sd_mm": mm_from_m(
            _part(shot, "swerve_offset_m", shared=False) or shot.swerve_offset_sd_m or 0.0
        ),
    }


def _part(shot: Shot, quantity: str, *, shared: bool) -> float:
    return math.sqrt(
        sum(s.sd**2 for s in shot.budget if s.quantity == quantity and (s.source in COMMON_SOURCES) is shared)
    )


def _shared_sd(sessions: Sequence[SessionEvidence], quantity: str) -> float:
    """Root mean square of what the calibration gives to each shot."""
    shots = [s.shot for one in sessions for s in one.stored if s.kept and s.shot.reading_m is not None]
    if not shots:
        return 0.0
    shares = [_part(shot, _BUDGET_OF[quantity], shared=True) for shot in shots]
    return mm_from_m(float(np.sqrt(np.mean(np.square(shares)))))


def _shared_squirt_sd(table: pd.DataFrame) -> float:
    """Root mean square of what calibrations give to squirt, in degrees: 0 unless controls are from elsewhere."""
    if COMMON_SD not in table.columns or not table["kept"].any():
        return 0.0
    return float(np.sqrt((table.loc[table["kept"].astype(bool), COMMON_SD].fillna(0.0) ** 2).mean()))


def _disagreements(sessions: Sequence[SessionEvidence]) -> tuple[str, ...]:
    """Say where sessions were planned by different rules: those of the first hold."""
    first = sessions[0].session.config.analysis
    notes = []
    for one in sessions[1:]:
        other = one.session.config.analysis
        differing = [key for key in type(first).model_fields if getattr(first, key) != getattr(other, key)]
        if differing:
            notes.append(
                f"Session {one.name} states other rules ({', '.join(f'analysis.{key}' for key in differing)}); "
                f"those of {sessions[0].name} are used for all."
            )
    return tuple(notes)


def _twice(sessions: Sequence[SessionEvidence]) -> tuple[str, ...]:
    """Say that the same recording is in several sessions, where it is."""
    seen: dict[str, str] = {}
    twice = []
    for one in sessions:
        for stored in one.stored:
            if seen.setdefault(stored.clip_sha256, one.name) != one.name:
                twice.append(f"{stored.clip} of {one.name}")
    if not twice:
        return ()
    return (
        f"{len(twice)} shots are from recordings that an earlier session holds as well (the first: {twice[0]}): "
        "each counts once, as the first session measured it in which it was measured and not set aside; what "
        "measuring them again changed is said under the variation.",
    )


def _unknown_conditions(sessions: Sequence[SessionEvidence]) -> tuple[str, ...]:
    """Say which shots do not count as session.toml does not know their condition."""
    problems = [(one.clip, one.problem) for session in sessions for one in session.stored if one.problem]
    if not problems:
        return ()
    clip, problem = problems[0]
    return (f"{len(problems)} shots do not count (the first in {clip}): {problem}",)


def _several_note(sessions: Sequence[SessionEvidence]) -> tuple[str, ...]:
    if len(sessions) == 1:
        return ()
    return (
        f"{len(sessions)} sessions are compared together, the session as a random effect: what all shots of a "
        "session share, its calibration above all, does not average out with more shots.",
    )
