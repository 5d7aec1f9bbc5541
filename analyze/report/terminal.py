"""What the command line shows: tables of marks, shots and summaries, with units, as text for a terminal."""

import math
from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING

import pandas as pd
from rich.markup import escape
from rich.table import Table as TextTable

from analyze.fit.shot import Shot, Status
from analyze.session.decision_log import DecisionKind, Entry
from analyze.session.demo import AgainstTruth, Comparison, CueComparison
from analyze.session.folder import Label
from analyze.session.shots_frame import NO_NAME
from analyze.session.store import StoredShot
from calibrate.calibration import Calibration
from calibrate.place import JudgedPlace
from calibrate.solve import SHARP_SIGMA_PX
from calibrate.units import deg_from_rad, inch_from_m, m_from_mm, mm_from_m, sixteenths

if TYPE_CHECKING:  # measuring waits for no statistics
    from analyze.statistics import Summary

COVERAGE_FACTOR = 1.96  # of a 95 % interval of a normal quantity (GUM, table G.1)
MOST_SMEAR_MM = 25.0  # of a ball in one exposure before a shorter one would help: half a ball, chosen
_STATUS_STYLE = {"measured": "green", "doubtful": "yellow", "failed": "red"}


def length_text(value_mm: float | None, units: str, *, fine: bool = False) -> str:
    """Return a length in the tester's unit.

    Parameters
    ----------
    value_mm : float or None
        The length.
    units : str
        ``inch`` or ``mm``.
    fine : bool
        Without sixteenths, for uncertainties.
    """
    if value_mm is None or math.isnan(value_mm):
        return ""
    if units == "mm":
        return f"{value_mm:z.2f}"
    inch = inch_from_m(m_from_mm(value_mm))
    return f"{inch:z.3f}" if fine else f"{inch:z.3f} ({sixteenths(m_from_mm(value_mm)).removesuffix(' in')})"


def marks_table(calibration: Calibration) -> TextTable:
    """Return how each mark fits the calibration.

    Parameters
    ----------
    calibration : Calibration
        As solved.
    """
    table = TextTable(title="marks (all in pixels)", title_justify="left")
    for name in ("mark", "used", "snapped", "moved by", "left over u", "left over v", "uncertainty", "weight"):
        table.add_column(name, justify="left" if name in ("mark", "used", "snapped") else "right")
    for mark in calibration.residuals:
        moved = math.dist(mark.click_px, mark.used_px)
        table.add_row(
            mark.name,
            "yes" if mark.used else "NO",
            "yes" if mark.snapped else "found" if mark.sigma_px <= SHARP_SIGMA_PX else "no",
            f"{moved:.2f}" if mark.snapped else "",
            f"{mark.residual_px[0]:+.2f}",
            f"{mark.residual_px[1]:+.2f}",
            f"{mark.sigma_px:.2f}",
            f"{mark.influence:.2f}",
            style=None if mark.used else "bold red",
        )
    return table


def shots_table(shots: pd.DataFrame, units: str) -> TextTable:
    """Return the shots, one line each.

    Parameters
    ----------
    shots : DataFrame
        Columns of `out/shots.csv`.
    units : str
        ``inch`` or ``mm``.
    """
    table = TextTable(title=f"shots (lengths in {units}; ± are 95 % intervals)", title_justify="left")
    columns = ("clip", "shot", "condition", "shooter", "status", "reading", "±", "launch (deg)", "±", "speed (m/s)")
    for name in columns:
        left = name in ("clip", "condition", "shooter", "status")
        table.add_column(name, justify="left" if left else "right", overflow="fold")
    for row in shots.to_dict("records"):
        status = str(row["status"])
        text = f"[{_STATUS_STYLE[status]}]{status}[/]" + (f" {escape(row['reason'])}" if row["reason"] else "")
        table.add_row(
            escape(str(row["clip"])),
            str(row["shot"]),
            escape(str(row["condition"])),
            escape(str(row["shooter"])),
            text,
            length_text(row["reading_mm"], units),
            length_text(COVERAGE_FACTOR * row["reading_sd_mm"], units, fine=True),
            _decimals(row["launch_deg"], 3),
            _decimals(COVERAGE_FACTOR * row["launch_sd_deg"], 3),
            _decimals(row["launch_speed_m_s"], 2),
        )
    return table


def attention_lines(shots: pd.DataFrame) -> list[str]:
    """Return a line for each shot that failed or is doubtful and not decided, with its particulars.

    Parameters
    ----------
    shots : DataFrame
        Columns of `out/shots.csv`.
    """
    wanted = shots[(shots["status"] != str(Status.MEASURED)) & (shots["set_aside"] == "")]
    return [
        f"{row['clip']}, shot {row['shot']}: {row['status']}, {row['reason']}"
        + (f": {row['detail']}" if row["detail"] else "")
        for row in wanted.to_dict("records")
    ]


def decision_line(stored: StoredShot, label: Label) -> str:
    """Return how a shot stands: whose it is, whether it counts, and what was noted.

    Parameters
    ----------
    stored : StoredShot
        The shot.
    label : Label
        Its label.
    """
    whose = f"{label.condition or NO_NAME}, {label.shooter or NO_NAME}"
    if stored.kept:
        counts = "counts" + (", accepted" if stored.decision.kept else "")
    elif stored.decision.set_aside_reason:
        counts = f"set aside: {stored.decision.set_aside_reason}"
    else:
        counts = "does not count: it could not be measured"
    note = f"; note: {stored.decision.note}" if stored.decision.note else ""
    return f"{stored.clip}, shot {stored.shot.shot} ({whose}; {stored.shot.status}): {counts}{note}"


def entry_line(entry: Entry) -> str:
    """Return one entry of the log of decisions, with its time."""
    words = {
        DecisionKind.KEEP: "accepted",
        DecisionKind.SET_ASIDE: f"set aside: {entry.value}",
        DecisionKind.UNDECIDE: "taken back",
        DecisionKind.NOTE: f"note: {entry.value}" if entry.value else "note taken away",
        DecisionKind.RELABEL: f"label mended to {entry.value}" if entry.value else "label as filed",
    }
    return f"  {entry.made_utc}  {words[entry.kind]}"


def summary_table(summary: "Summary", units: str) -> TextTable:
    """Return mean, interval and spread of each condition and shooter.

    Parameters
    ----------
    summary : Summary
        Of `reading_mm`.
    units : str
        ``inch`` or ``mm``.
    """
    percent = f"{100 * summary.confidence:g} %"
    table = TextTable(title=f"readings at the foot rail ({units})", title_justify="left")
    for name in ("condition", "shooter", "shots", "mean", f"{percent} from", "to", "spread (sd)", "median"):
        table.add_column(name, justify="left" if name in ("condition", "shooter") else "right")
    for row in summary.rows:
        table.add_row(
            escape(row.condition),
            escape(row.shooter),
            str(row.n),
            length_text(row.mean, units),
            length_text(row.lo, units, fine=True),
            length_text(row.hi, units, fine=True),
            length_text(row.sd, units, fine=True),
            length_text(row.median, units, fine=True),
            style="dim" if row.shooter == "all" else None,
        )
    return table


def demo_table(comparison: Comparison, units: str) -> TextTable:
    """Return each condition of the sample session, measured beside true.

    Parameters
    ----------
    comparison : Comparison
        Of the sample session.
    units : str
        ``inch`` or ``mm``.
    """
    table = TextTable(
        title=f"measured beside true, means of the shots (lengths in {units}; ± is the 95 % interval of measuring)",
        title_justify="left",
    )
    table.add_column("condition")
    names = ("shots", "reading", "true", "squirt (deg)", "true", "swerve offset", "true")
    for name in names:
        table.add_column(name, justify="right")
    for row in comparison.conditions:
        table.add_row(
            escape(row.condition),
            str(row.shots),
            *_length_pair(row.reading_mm, units),
            f"{_decimals(row.squirt_deg.measured, 3)} ± {_decimals(COVERAGE_FACTOR * row.squirt_deg.sd, 3)}",
            _decimals(row.squirt_deg.truth, 3),
            *_length_pair(row.swerve_offset_mm, units),
        )
    return table


def demo_sentence(comparison: Comparison) -> str:
    """Return how far single shots were from their truth.

    Parameters
    ----------
    comparison : Comparison
        Of the sample session.
    """
    if not comparison.reading_error_mm:
        return "No shot of the sample session was measured."
    reading = sorted(abs(error) for error in comparison.reading_error_mm)
    launch = max(abs(error) for error in comparison.launch_error_deg)
    missed = f" {comparison.missed} shots were not measured." if comparison.missed else ""
    return (
        f"{len(reading)} shots measured; reading error {median(reading):.2f} mm at the median and "
        f"{reading[-1]:.2f} mm at most, launch error {launch:.3f} deg at most.{missed}"
    )


def demo_cue_sentence(found: CueComparison | None) -> str:
    """Return what seeing the cue brings in the sample session.

    Parameters
    ----------
    found : CueComparison or None
        Of the sample session; None where no cue was seen.
    """
    if found is None:
        return "The cue was not seen well enough in the sample session."
    return (
        f"Cue seen in {found.seen} of {found.shots} shots: direction errs by {found.direction_deg:.2f} deg, "
        f"contact by {found.contact_mm:.1f} mm (root mean square), {found.held} of {2 * found.seen} intervals "
        f"hold. The squirt of a single shot errs by {found.from_lane_deg:.2f} deg counted from the lane, where "
        f"the shooter's aim is in it, and by {found.from_cue_deg:.2f} deg counted from the cue."
    )


def _length_pair(pair: AgainstTruth, units: str) -> tuple[str, str]:
    """Return a measured length with its interval, and the true one."""
    measured = length_text(pair.measured, units, fine=True)
    half = length_text(COVERAGE_FACTOR * pair.sd, units, fine=True)
    return f"{measured} ± {half}", length_text(pair.truth, units, fine=True)


def _decimals(value: float, places: int) -> str:
    return "" if math.isnan(value) else f"{value:z.{places}f}"


def place_lines(place: JudgedPlace) -> list[str]:
    """Return what is said about a camera place.

    Parameters
    ----------
    place : JudgedPlace
        As judged.
    """
    lines = [*place.sentences, f"In the picture: {', '.join(place.visible)}."]
    lines += [f"Would help: {sentence}" for sentence in place.advice]
    return lines if place.advice else [*lines, "Nothing about this place asks to be changed."]


def trial_lines(shots: Sequence[Shot], units: str) -> list[str]:
    """Return what trial shots say about a camera place; empty where there were none.

    Parameters
    ----------
    shots : sequence of Shot
        Measured with the camera that is judged.
    units : str
        ``inch`` or ``mm``.
    """
    lines = []
    for shot in shots:
        if shot.reading_sd_m is None or shot.launch_sd_rad is None:
            why = shot.reason.sentence if shot.reason else ""
            lines.append(f"Shot {shot.shot} in this recording could not be measured: {why} {shot.detail}".rstrip())
            continue
        half_mm = COVERAGE_FACTOR * mm_from_m(shot.reading_sd_m)
        half_deg = COVERAGE_FACTOR * deg_from_rad(shot.launch_sd_rad)
        known = f"{length_text(half_mm, units, fine=True)} {'in' if units == 'inch' else 'mm'}"
        lines.append(
            f"Shot {shot.shot} in this recording: reading known to ±{known}, "
            f"launch direction to ±{half_deg:.2f} degrees (95 %), from {shot.frames} frames."
        )
        exposure_s = shot.sightings.exposure_s if shot.sightings is not None else 0.0
        smear_mm = mm_from_m(exposure_s * (shot.launch_speed_m_s or 0.0))
        if smear_mm > MOST_SMEAR_MM:
            lines.append(
                f"Would help: a shorter exposure. The ball is smeared over {smear_mm:.0f} mm in a frame, at about "
                f"1/{1 / exposure_s:.0f} s; more light, or a set shutter speed, makes it sharper."
            )
    return lines
