"""Make everything in out/ again: tables and plots, from the database alone or from hand-read numbers."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analyze.report.plots import LaneShot, condition_styles, draw_lane, draw_readings
from analyze.report.tables import NO_NAME, counted_frame, label_of, shots_frame, write_shots, write_summary
from analyze.session.config import SessionConfig
from analyze.session.folder import Session, open_session
from analyze.session.store import Store, StoredShot
from analyze.statistics import (
    KeepRule,
    KeepRules,
    Summary,
    apply_keep_rule,
    check_shots,
    compare_keep_rules,
    read_readings,
    summarise,
)
from calibrate.errors import SessionError

READINGS_NAME = "readings.csv"
_RULE_COLUMNS = {name: f"{name}_mm" for name in ("mean", "sd", "naive_se", "honest_se")}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Report:
    """What a report is made of.

    Attributes
    ----------
    shots : DataFrame
        Columns of `out/shots.csv`; of a folder of hand-read numbers, those that it has.
    summary : Summary
        Of the readings, by condition and shooter.
    files : tuple of Path
        What was written.
    notes : tuple of str
        What the reader should know, one sentence each.
    needs_a_person : bool
        Whether some shot failed or is doubtful and nobody has decided about it.
    """

    shots: pd.DataFrame
    summary: Summary
    files: tuple[Path, ...]
    notes: tuple[str, ...] = ()
    needs_a_person: bool = False


def build_report(folder: Path) -> tuple[Session, Report]:
    """Make the tables and plots of a session, or of a folder that holds only readings.csv.

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    Session
        Its settings; the defaults where there is only readings.csv.
    Report
        What was made.

    Raises
    ------
    SessionError
        If there is nothing to report.
    """
    if (folder / READINGS_NAME).is_file() and not (folder / "session.toml").exists():
        session = Session(folder, SessionConfig())
        return session, _report_readings(session)
    session = open_session(folder)
    stored = stored_shots(session)
    if not stored and (folder / READINGS_NAME).is_file():
        return session, _report_readings(session)
    if not stored:
        raise SessionError(f"{folder}: nothing has been measured yet; `railread measure {folder}` does that")
    return session, report_shots(session, stored)


def stored_shots(session: Session) -> tuple[StoredShot, ...]:
    """Return all shots in the session's database; none where there is no database yet."""
    if not session.store_path.exists():
        return ()
    with Store(session.store_path) as store:
        return store.shots(session.clips_folder)


def report_shots(session: Session, stored: Sequence[StoredShot]) -> Report:
    """Make tables and plots of measured shots.

    Parameters
    ----------
    session : Session
        The session.
    stored : sequence of StoredShot
        Its shots.
    """
    shots = shots_frame(session, stored)
    out = session.out_folder
    write_shots(out / "shots.csv", shots)
    counted = _in_order(session, counted_frame(shots))
    counted, rules = _keep_rules(session, counted)
    summary = summarise(counted, confidence=session.config.analysis.confidence)
    write_summary(out / "summary.csv", summary.frame())
    styles = _styles(session, counted)
    lane_shots = [
        LaneShot(
            condition=label_of(session, one).condition or NO_NAME,
            path_xy_m=one.shot.path_xy_m,
            reading_m=one.shot.reading_m,
        )
        for one in stored
        if one.kept and one.shot.reading_m is not None
    ]
    draw_lane(out / "lane.png", session, lane_shots, styles)
    draw_readings(out / "readings.png", session, counted, summary, styles)
    names = ("shots.csv", "summary.csv", "keep_rules.csv", "lane.png", "readings.png")
    return Report(
        shots=shots,
        summary=summary,
        files=tuple(out / name for name in names),
        notes=(*summary.notes, *_rule_notes(session, rules)),
        needs_a_person=any(one.needs_a_person for one in stored),
    )


def _report_readings(session: Session) -> Report:
    shots = check_shots(read_readings(session.folder / READINGS_NAME))
    out = session.out_folder
    shots, rules = _keep_rules(session, shots)
    summary = summarise(shots, confidence=session.config.analysis.confidence)
    write_summary(out / "summary.csv", summary.frame())
    draw_readings(out / "readings.png", session, shots, summary, _styles(session, shots))
    return Report(
        shots=shots,
        summary=summary,
        files=tuple(out / name for name in ("summary.csv", "keep_rules.csv", "readings.png")),
        notes=(*summary.notes, *_rule_notes(session, rules)),
    )


def _rule_notes(session: Session, rules: KeepRules) -> tuple[str, ...]:
    """Say what the rule does where it is one that chooses shots by their values."""
    return rules.sentences if session.config.analysis.keep == "closest" else ()


def _keep_rules(session: Session, counted: pd.DataFrame) -> tuple[pd.DataFrame, KeepRules]:
    """Apply the rule that the settings state, and show what every rule would have given."""
    analysis = session.config.analysis
    kept = apply_keep_rule(counted, KeepRule(analysis.keep), closest_k=analysis.closest_k)
    rules = compare_keep_rules(counted, closest_k=analysis.closest_k)
    # What any rule leaves out stays in the tables; here one sees what it would have changed.
    write_summary(session.out_folder / "keep_rules.csv", rules.frame().rename(columns=_RULE_COLUMNS))
    return kept, rules


def _in_order(session: Session, shots: pd.DataFrame) -> pd.DataFrame:
    """Sort shots by condition as session.toml has them, those that it does not list after them."""
    places = {name: k for k, name in enumerate(session.config.condition_names)}
    return shots.sort_values("condition", kind="stable", key=lambda names: names.map(places).fillna(len(places)))


def _styles(session: Session, shots: pd.DataFrame) -> dict[str, tuple[str, str]]:
    """Colour and marker of each condition, in the order of the table."""
    order = [str(name) for name in shots["condition"].unique()]
    controls = {str(name) for name in shots.loc[shots["role"] == "control", "condition"].unique()}
    return condition_styles(order, sorted(controls))
