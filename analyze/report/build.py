"""Make everything in out/ again: tables, plots and page, from the database alone or from hand-read numbers."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analyze.report.answer import answer_sentences
from analyze.report.blocks import Picture
from analyze.report.evidence import (
    READINGS_NAME,
    Evidence,
    SessionEvidence,
    evidence_of,
    gather,
    measured_evidence,
)
from analyze.report.factors import factors_frame
from analyze.report.findings import Findings, find
from analyze.report.hand import find_hand, hand_tables
from analyze.report.page import page_sections, page_text, write_page
from analyze.report.plots import LaneShot, condition_styles, data_uri, lane_figure, save_figure
from analyze.report.publish import write_publishable
from analyze.report.results import reading_strip
from analyze.report.strip_plot import strip_figure
from analyze.report.tables import write_numbers, write_shots
from analyze.report.words import once
from analyze.session.folder import Session
from analyze.session.shots_frame import NO_NAME
from analyze.session.store import StoredShot
from analyze.statistics import Summary, comparisons_frame, ratios_frame

PAGE_NAME = "report.html"
MOST_LANES = 4  # sessions whose lane is drawn on the page
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
    findings : Findings
        All that the statistics say.
    sentences : tuple of str
        The answer.
    page : Path
        The page.
    files : tuple of Path
        What was written, the page first.
    notes : tuple of str
        What the reader should know, one sentence each.
    needs_a_person : bool
        Whether some shot failed or is doubtful and nobody has decided about it.
    """

    shots: pd.DataFrame
    summary: Summary
    findings: Findings
    sentences: tuple[str, ...]
    page: Path
    files: tuple[Path, ...]
    notes: tuple[str, ...] = ()
    needs_a_person: bool = False


def build_report(folder: Path) -> tuple[Session, Report]:
    """Make tables, plots and page of a session, or of a folder that holds only readings.csv.

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    Session
        Its settings; the defaults where there is only readings.csv.
    Report
        What was made, in its out/.

    Raises
    ------
    SessionError
        If there is nothing to report.
    """
    evidence = gather([folder])
    session = evidence.sessions[0].session
    return session, _report(evidence, session.out_folder)


def build_joint_report(folders: Sequence[Path], out: Path) -> tuple[Session, Report]:
    """Make one report of several sessions, the session a random effect.

    Parameters
    ----------
    folders : sequence of Path
        Their folders; the settings of the first hold.
    out : Path
        Where the report goes.

    Returns
    -------
    Session
        The first.
    Report
        What was made.
    """
    evidence = gather(folders)
    return evidence.sessions[0].session, _report(evidence, out)


def report_shots(session: Session, stored: Sequence[StoredShot]) -> Report:
    """Make tables, plots and page of measured shots.

    Parameters
    ----------
    session : Session
        The session.
    stored : sequence of StoredShot
        Its shots.
    """
    return _report(evidence_of([measured_evidence(session, stored)]), session.out_folder)


def _report(evidence: Evidence, out: Path) -> Report:
    findings = find(evidence)
    written = _write_tables(evidence, findings, out)
    styles = _styles(findings)
    readings = out / "readings.png"
    save_figure(strip_figure(findings.table, [reading_strip(evidence, findings)], styles), readings)
    lanes, lane_files = _lanes(evidence, styles, out)
    title = evidence.config.session.name if len(evidence.sessions) == 1 else ""
    title = title or " and ".join(one.name or one.session.folder.resolve().name for one in evidence.sessions[:4])
    published = write_publishable(title, evidence, findings, styles, out)
    page = out / PAGE_NAME
    write_page(page, page_text(title, page_sections(title, evidence, findings, styles, lanes)))
    return Report(
        shots=evidence.shots,
        summary=findings.summary,
        findings=findings,
        sentences=answer_sentences(findings, evidence.config.session.units),
        page=page,
        files=(page, *published, *written, *lane_files, readings),
        notes=once((*evidence.notes, *findings.notes, *findings.summary.notes, *_rule_notes(evidence, findings))),
        needs_a_person=evidence.needs_a_person,
    )


def _write_tables(evidence: Evidence, findings: Findings, out: Path) -> tuple[Path, ...]:
    files = []
    if evidence.measured:
        files.append(out / "shots.csv")
        measured = [one.shots.assign(session=one.name) for one in evidence.sessions if not one.by_hand]
        if len(evidence.sessions) == 1:
            measured = [one.drop(columns="session") for one in measured]
        write_shots(files[0], pd.concat(measured, ignore_index=True))
    tables = {
        "summary.csv": findings.summary.frame(),
        "comparisons.csv": _comparisons(findings),
        "variance.csv": findings.components.frame(),
        # What any rule leaves out stays in the tables; here one sees what it would have changed.
        "keep_rules.csv": findings.keep_rules.frame().rename(columns=_RULE_COLUMNS),
    }
    if findings.cue is not None and findings.cue.rows:
        tables["cues.csv"] = findings.cue.frame()
    if findings.factors or findings.trends:
        tables["factors.csv"] = factors_frame(findings)
    if findings.ratios:
        tables["ratios.csv"] = ratios_frame(findings.ratios)
    tables |= hand_tables(find_hand(evidence, findings))
    for name, frame in tables.items():
        write_numbers(out / name, frame)
        files.append(out / name)
    return tuple(files)


def _comparisons(findings: Findings) -> pd.DataFrame:
    """All pairs; squirt at each tip offset that conditions share, named where there are several."""
    frames = [comparisons_frame(*findings.comparisons.values())]
    for offset_mm, comparisons in findings.squirt_at:
        frame = comparisons_frame(comparisons)
        if len(findings.squirt_at) > 1:
            frame["quantity"] += f" at tip_offset_mm {offset_mm:.3g}"
        frames.append(frame)
    frame = pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]
    shuffled = {(one.a, one.b, "reading_mm", str(one.scope)): one.p for one in findings.shuffled}
    keys = zip(frame["a"], frame["b"], frame["quantity"], frame["scope"], strict=True)
    return frame.assign(p_shuffled=pd.Series([shuffled.get(key) for key in keys], dtype=float))


def _lanes(
    evidence: Evidence, styles: dict[str, tuple[str, str]], out: Path
) -> tuple[tuple[Picture, ...], tuple[Path, ...]]:
    """Draw the lane of each measured session, for the page and as files."""
    measured = [one for one in evidence.sessions if not one.by_hand]
    pictures, files = [], []
    for k, one in enumerate(measured[:MOST_LANES]):
        figure = lane_figure(one.session, _lane_shots(one), styles)
        file = out / ("lane.png" if len(measured) == 1 else f"lane-{k + 1}.png")
        save_figure(figure, file)
        files.append(file)
        pictures.append(
            Picture(
                uri=data_uri(figure),
                caption=(f"Session {one.name}. " if one.name else "")
                + "The fitted paths from above, shooter at the bottom. The sideways scale is enlarged, as the "
                "picture says; dotted, straight on from the cushion to the scale.",
                words="Fitted paths of the ball along the lane, seen from above, one panel for each condition.",
            )
        )
    return tuple(pictures), tuple(files)


def _lane_shots(one: SessionEvidence) -> list[LaneShot]:
    return [
        LaneShot(
            condition=label.condition or NO_NAME,
            path_xy_m=stored.shot.path_xy_m,
            reading_m=stored.shot.reading_m,
        )
        for stored, label in zip(one.stored, one.labels, strict=True)
        if stored.kept and stored.shot.reading_m is not None
    ]


def _rule_notes(evidence: Evidence, findings: Findings) -> tuple[str, ...]:
    """Say what the rule does where it is one that chooses shots by their values."""
    return findings.keep_rules.sentences if evidence.config.analysis.keep == "closest" else ()


def _styles(findings: Findings) -> dict[str, tuple[str, str]]:
    """Colour and marker of each condition, in the order of the table."""
    table = findings.table
    order = [str(name) for name in table["condition"].unique()]
    controls = {str(name) for name in table.loc[table["role"] == "control", "condition"].unique()}
    return condition_styles(order, sorted(controls))


__all__ = [
    "PAGE_NAME",
    "READINGS_NAME",
    "Report",
    "build_joint_report",
    "build_report",
    "report_shots",
]
