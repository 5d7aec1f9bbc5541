"""The sections of the page that say how sure and whence: budget, shots, methods, set-up, provenance, cautions."""

import platform
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from math import hypot

import cv2
import numpy as np
import pandas as pd

from analyze.cue.squirt import COMMON_SOURCES
from analyze.fit.budget import SOURCES
from analyze.report.blocks import Block, Bullets, Grid, Paragraph, Section, paragraphs
from analyze.report.evidence import Evidence, SessionEvidence
from analyze.report.findings import Findings
from analyze.report.words import GAP, NOTHING, angle, length, number, percent
from analyze.session.camera_place import place_name
from analyze.session.places import known_places
from analyze.session.store import Store, StoredShot
from analyze.statistics.outliers import RULE_WORDS
from calibrate.calibration import Calibration
from calibrate.units import deg_from_rad, mm_from_m

MOST_SHOTS = 1500  # rows of the table of shots; beyond it only those to look at
MOST_CLIPS = 300
LIBRARIES = ("railread", "numpy", "scipy", "pandas", "av", "matplotlib")
_BUDGET_QUANTITIES = ("reading_m", "launch_rad", "swerve_offset_m")


def budget_section(evidence: Evidence) -> Section:
    """Which input has which share in the uncertainty of a measured shot."""
    title = "Uncertainty of measuring"
    stored = [one for part in evidence.sessions for one in part.stored if one.kept and one.shot.budget]
    if not stored:
        text = (
            "These readings were taken by hand and say nothing of their uncertainty; what hand and eye add is part "
            "of the scatter of the shots."
            if not evidence.measured
            else "No measured shot counts, so there is no budget."
        )
        return Section(slug="budget", title=title, blocks=paragraphs([text]))
    rows = []
    for source, words in SOURCES.items():
        reading, launch, swerve = (_mean_share(stored, source, quantity) for quantity in _BUDGET_QUANTITIES)
        if not (reading or launch or swerve):
            continue
        rows.append(
            (
                words,
                "session" if source in COMMON_SOURCES else "shot",
                _mm(reading),
                percent(_square_share(stored, source, "reading_m")),
                angle(deg_from_rad(launch), 3),
                _mm(swerve),
            )
        )
    totals = [
        float(np.sqrt(sum(_mean_share(stored, source, quantity) ** 2 for source in SOURCES)))
        for quantity in _BUDGET_QUANTITIES
    ]
    rows.append(("all together", "", _mm(totals[0]), "", angle(deg_from_rad(totals[1]), 3), _mm(totals[2])))
    grid = Grid(
        caption=f"Standard uncertainties by source, root mean square over {len(stored)} shots",
        head=("source", "shared by", "reading (mm)", "share of its variance", "launch", "swerve offset (mm)"),
        rows=tuple(rows),
        words=frozenset({0, 1}),
        marked=frozenset({len(rows) - 1}),
    )
    text = (
        "What is shared by the session is the same for all its shots: it cancels between conditions of one "
        "session, and more shots do not make it smaller. Correlated sources are divided in the order of the table: "
        "each gets what knowing it would remove once those above it are known."
    )
    return Section(slug="budget", title=title, blocks=(grid, *paragraphs([text], "small")))


def _shares(stored: Sequence[StoredShot], source: str, quantity: str) -> list[float]:
    return [
        hypot(*(s.sd for s in one.shot.budget if (s.source, s.quantity) == (source, quantity))) for one in stored
    ]


def _mean_share(stored: Sequence[StoredShot], source: str, quantity: str) -> float:
    return float(np.sqrt(np.mean(np.square(_shares(stored, source, quantity)))))


def _square_share(stored: Sequence[StoredShot], source: str, quantity: str) -> float | None:
    total = sum(_mean_share(stored, other, quantity) ** 2 for other in SOURCES)
    return _mean_share(stored, source, quantity) ** 2 / total if total > 0 else None


def _mm(value_m: float) -> str:
    return number(mm_from_m(value_m), 2)


def shots_section(evidence: Evidence, findings: Findings) -> Section:
    """Every shot, with the reason where it does not count."""
    shots, units = evidence.shots, evidence.config.session.units
    by_rule = _set_aside_by_rule(findings)
    texts = []
    if len(shots) > MOST_SHOTS:
        flagged = {flag.row for flag in findings.flags}
        rows = findings.table[~findings.table["kept"].astype(bool) | findings.table.index.isin(list(flagged))]
        file = "readings.csv" if not evidence.measured else "shots.csv"
        texts.append(
            f"{len(shots):,} shots are too many for a page: shown are those set aside or flagged, at most "
            f"{MOST_SHOTS // 5} of {len(rows):,}. Every shot is in {file}."
        )
        shots = rows.head(MOST_SHOTS // 5)
    many = len(evidence.sessions) > 1
    if not evidence.measured:
        grid = _hand_grid(shots, units, by_rule, many=many)
    else:
        grid = _measured_grid(shots, units, by_rule, squirt=evidence.squirt.column, many=many)
    counts = ~shots["kept"].astype(bool) if len(shots) else pd.Series(dtype=bool)
    texts.append(
        "A shot that does not count stays in the table, with the reason."
        if bool(counts.any()) or by_rule
        else "Every shot counts; none is set aside."
    )
    return Section(slug="shots", title="Every shot", blocks=(*paragraphs(texts), grid))


def _set_aside_by_rule(findings: Findings) -> frozenset[tuple[str, ...]]:
    """Shots that only the keep rule leaves out, by what names them."""
    table = findings.table
    aside = table[~table["kept"].astype(bool)]
    return frozenset(_key({str(k): v for k, v in row.items()}) for row in aside.to_dict("records"))


def _key(row: dict[str, object]) -> tuple[str, ...]:
    return tuple(
        str(row.get(name, "")) for name in ("session", "clip", "shot", "condition", "shooter", "reading_mm")
    )


def _why(row: dict[str, object], by_rule: frozenset[tuple[str, ...]]) -> str:
    """Return why a shot does not count, or what to look at; empty where all is well."""
    said = [
        str(row[name])
        for name in ("reason", "set_aside", "detail", "note")
        if str(row.get(name) or "") not in ("", "nan")
    ]
    if row.get("kept") and _key(row) in by_rule:
        said.insert(0, "left out by the keep rule")
    elif not row.get("kept") and not said:
        said.append("set aside")
    return "; ".join(said)


def _counts(row: dict[str, object], by_rule: frozenset[tuple[str, ...]]) -> str:
    reading = row.get("reading_mm")
    has = isinstance(reading, float) and np.isfinite(reading)
    return "yes" if has and row.get("kept") and _key(row) not in by_rule else "no"


def _hand_grid(shots: pd.DataFrame, units: str, by_rule: frozenset[tuple[str, ...]], *, many: bool) -> Grid:
    rows = []
    for row in shots.to_dict("records"):
        cells = {str(name): value for name, value in row.items()}
        rows.append(
            (
                *([str(cells.get("session", ""))] if many else []),
                str(cells["shot"]),
                str(cells["condition"]),
                str(cells["shooter"]),
                length(_float(cells.get("reading_mm")), units),
                _counts(cells, by_rule),
                _why(cells, by_rule) or ("" if _float(cells.get("reading_mm")) is not None else "no reading"),
            )
        )
    head = (*(["session"] if many else []), "shot", "condition", "shooter", "reading", "counts", "why not, or note")
    return _shots_grid(head, rows)


def _measured_grid(
    shots: pd.DataFrame, units: str, by_rule: frozenset[tuple[str, ...]], *, squirt: str, many: bool
) -> Grid:
    rows = []
    for row in shots.to_dict("records"):
        cells = {str(name): value for name, value in row.items()}
        rows.append(
            (
                *([str(cells.get("session", ""))] if many else []),
                f"{cells.get('clip') or NOTHING}, {cells['shot']}",
                f"{cells['condition']} · {cells['shooter']}",
                _with_sd(cells, "reading_mm", "reading_sd_mm", units),
                number(_float(cells.get("launch_speed_m_s")), 2),
                number(_float(cells.get(squirt)), 2),
                number(_float(cells.get("swerve_offset_mm")), 1),
                str(cells.get("status") or "by hand"),
                _counts(cells, by_rule),
                _why(cells, by_rule),
            )
        )
    head = (
        *(["session"] if many else []),
        "clip, shot",
        "condition · shooter",
        "reading" if units == "inch" else "reading ± its sd (mm)",
        "speed (m/s)",
        "squirt (°)",
        "swerve (mm)",
        "status",
        "counts",
        "why not, or note",
    )
    return _shots_grid(head, rows)


def _shots_grid(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> Grid:
    numbers = ("reading", "reading ± its sd (mm)", "speed (m/s)", "squirt (°)", "swerve (mm)")
    place = head.index("counts")
    return Grid(
        caption="Shots",
        head=head,
        rows=tuple(rows),
        words=frozenset(k for k, name in enumerate(head) if name not in numbers),
        dense=True,
        marked=frozenset(k for k, row in enumerate(rows) if row[place] == "no"),
    )


def _with_sd(cells: dict[str, object], name: str, sd_name: str, units: str) -> str:
    value, sd = _float(cells.get(name)), _float(cells.get(sd_name))
    if value is None:
        return NOTHING
    if units == "inch":
        return length(value, units)
    return f"{number(value, 2)}{GAP}±{GAP}{number(sd, 2)}" if sd is not None else number(value, 2)


def _float(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and np.isfinite(value) else None


def methods_section(evidence: Evidence, findings: Findings) -> Section:
    """Methods as a paragraph that can be published."""
    texts = []
    if evidence.measured:
        texts.append(_measuring_methods(evidence))
    else:
        texts.append("Readings were taken by eye from a scale on the foot rail, one a shot.")
    texts.append(_statistics_methods(evidence, findings))
    return Section(slug="methods", title="Methods", blocks=paragraphs(texts))


def _measuring_methods(evidence: Evidence) -> str:
    session = evidence.sessions[0].session
    ball, table, lane = session.ball, session.table, session.lane
    return (
        f"Shots were made on a table with a playing surface of {mm_from_m(table.width_m):.0f} by "
        f"{mm_from_m(table.length_m):.0f} mm, with a ball of {mm_from_m(ball.diameter_m):.2f} mm and "
        f"{1000 * ball.mass_kg:.0f} g, from a spot {mm_from_m(lane.spot_y_m):.0f} mm from the head-rail nose along "
        "a line parallel to the long rails, and recorded by one camera at rest. The camera (pinhole with radial "
        "distortion) and the place of the rail scale were solved from marks of known place, each found in the "
        "picture to a fraction of a pixel, with their joint covariance. In each frame the ball was located by "
        "fitting its predicted image; its path was then fitted as that of a sphere that slides with constant "
        "friction and goes over into rolling, which gives speed and direction after the strike, the bend of the "
        "path (swerve) and the point where the path, straight on from the cushion contact, crosses the scale (the "
        "reading). Standard uncertainties follow JCGM 100:2008 (GUM), with the calibration's share. Squirt is the "
        f"{evidence.squirt.definition}, centre-ball shots of the same session. {evidence.squirt.sentence}"
    )


def _statistics_methods(evidence: Evidence, findings: Findings) -> str:
    analysis = evidence.config.analysis
    comparisons = findings.comparisons["reading_mm"]
    methods = {str(part.scope): [*dict.fromkeys(row.method for row in part.rows)] for part in comparisons.parts[:2]}
    these, general = "; ".join(methods.get("these", [])), "; ".join(methods.get("general", []))
    margin = analysis.margin_mm
    sentences = [
        f"Of the shots, those counted that the rule “{analysis.keep}”, stated in the settings, keeps"
        + (f" (k = {analysis.closest_k})." if analysis.keep == "closest" else "."),
        f"Intervals have {100 * analysis.confidence:g} % confidence; those of pairs hold together.",
        f"For these shooters, conditions were compared with the shooter as a block ({these})." if these else "",
        f"For shooters in general, shooter and shooter by condition are random ({general})." if general else "",
        (
            "Two conditions are called the same when two one-sided tests place their difference within "
            f"±{margin:g} mm, a margin stated in the settings."
            if margin is not None
            else "No margin of equivalence was stated."
        ),
        f"The variation was split by: {findings.components.method}." if findings.components.method else "",
        f"Outliers: {RULE_WORDS}",
    ]
    if len(evidence.sessions) > 1:
        sentences.append(
            f"{len(evidence.sessions)} sessions were combined with the session as a random effect, which is at "
            f"least as large as the calibration's common uncertainty ({evidence.shared_sd['reading_mm']:.2f} mm)."
        )
    return " ".join(text for text in sentences if text)


def provenance_section(evidence: Evidence) -> Section:
    """Give set-up, calibration residuals, versions and hashes."""
    blocks: list[Block] = []
    for one in evidence.sessions:
        blocks += _session_blocks(one)
    blocks.append(
        Grid(
            caption="Versions that made this report",
            head=("what", "version"),
            rows=(
                ("Python", platform.python_version()),
                *((name, _version(name)) for name in LIBRARIES),
                ("OpenCV", cv2.__version__),
            ),
            words=frozenset({0, 1}),
            dense=True,
        )
    )
    return Section(slug="provenance", title="Set-up and provenance", blocks=tuple(blocks))


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed as a package"


def _session_blocks(one: SessionEvidence) -> list[Block]:
    session = one.session
    title = session.config.session.name or one.name or session.folder.resolve().name
    if one.by_hand:
        return [Paragraph(text=f"{title}: readings taken by hand, from readings.csv.")]
    units = session.config.session.units
    tip = "tip's axis" if session.config.lane.tip_offset_of == "axis" else "point of contact"
    rows = [
        ("playing surface", f"{length(mm_from_m(session.table.width_m), units)} by "
         f"{length(mm_from_m(session.table.length_m), units)}"),
        ("ball", f"{mm_from_m(session.ball.diameter_m):.2f} mm, {1000 * session.ball.mass_kg:.0f} g"),
        ("spot, from the head-rail nose", length(mm_from_m(session.lane.spot_y_m), units)),
        ("line of aim, from the left long-rail nose", length(mm_from_m(session.lane.x_aim_m), units)),
        ("reading line, from the head-rail nose", length(mm_from_m(session.scale.line_y_m), units)),
        *((f"condition {c.name}", f"{c.role}, tip offset {number(c.tip_offset_mm, 1)} mm of the {tip}")
          for c in session.config.condition),
    ]  # fmt: skip
    blocks: list[Block] = [
        Grid(
            caption=f"{title}: set-up",
            head=("what", "value"),
            rows=tuple(rows),
            words=frozenset({0, 1}),
            dense=True,
        )
    ]
    with Store(session.store_path) as store:
        records = store.clip_records()
        places = known_places(session, store)
    for name, place in places.items():
        calibration = None if place is None else place.calibration
        blocks += _calibration_blocks(calibration, place_name(name) if len(places) > 1 else "")
    clips = tuple((clip, f"{record.size_bytes:,}", record.sha256) for clip, record in records.items())
    blocks.append(
        Grid(
            caption="Clips, and SHA-256 of each as measured"
            + (f" (the first {MOST_CLIPS} of {len(clips):,})" if len(clips) > MOST_CLIPS else ""),
            head=("clip", "bytes", "SHA-256"),
            rows=clips[:MOST_CLIPS],
            words=frozenset({0, 2}),
            dense=True,
        )
    )
    return blocks


def _calibration_blocks(calibration: Calibration | None, place: str = "") -> list[Block]:
    if calibration is None:
        return [
            Paragraph(
                text="The calibration is not shown: marks or settings are no longer those that the shots were "
                "measured with. Measuring again brings them together."
            )
        ]
    rows = tuple(
        (
            mark.name,
            "yes" if mark.used else "no",
            "yes" if mark.snapped else "no",
            number(mark.residual_px[0], 2),
            number(mark.residual_px[1], 2),
            number(mark.sigma_px, 2),
            mark.note,
        )
        for mark in calibration.residuals
    )
    return [
        Grid(
            caption=f"Calibration{place and f' of camera place {place}'}: marks and what is left over of each, in "
            f"pixels (root mean square {calibration.residual_px:.2f})",
            head=("mark", "used", "snapped", "left over u", "left over v", "its uncertainty", "note"),
            rows=rows,
            words=frozenset({0, 1, 2, 6}),
            dense=True,
            marked=frozenset(k for k, mark in enumerate(calibration.residuals) if not mark.used),
        )
    ]


def cautions_section() -> Section:
    """Say what can hurt people or cues."""
    return Section(
        slug="cautions",
        title="Cautions",
        blocks=(
            Bullets(
                items=(
                    "Fast balls leave tables: shoot no harder than the test needs, and let nobody stand behind the "
                    "foot rail.",
                    "A phone clamped over a table can fall on people and cloth: secure it with a second hold, and "
                    "keep heads and hands away from under it.",
                    "Shaving or replacing tips, ferrules and shafts cannot be undone, and makes dust that nobody "
                    "should breathe: leave it to those who know how, and test before as well as after.",
                    "The rules of the house and the advice of qualified people come before anything said here.",
                    "This report is about the shots that were made, on this table, by these people; it is no "
                    "statement about a make of cue.",
                )
            ),
        ),
    )
