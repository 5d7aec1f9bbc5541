"""The section of the page about the hand: what each shooter did, and what seeing the cue brings."""

from analyze.cue.hand import METHOD, ContactSquirt, Habit, contact_squirts, habits
from analyze.report.blocks import Block, Grid, Paragraph, Section, paragraphs
from analyze.report.evidence import Evidence
from analyze.report.findings import Findings
from analyze.report.words import number
from calibrate.units import mm_from_m

_WORDS = {
    "aim_deg": ("aim, from the lane (°)", 2),
    "contact_mm": ("contact, beside the stated offset (mm)", 1),
    "slope_deg": ("slope of the cue (°)", 1),
    "speed_m_s": ("speed of the tip (m/s)", 2),
}


def hand_sections(evidence: Evidence, findings: Findings) -> tuple[Section, ...]:
    """Say what the hands did, in one section; none where no cue was seen."""
    table = findings.table
    session = evidence.sessions[0].session
    distance_mm = mm_from_m(session.scale.line_y_m - session.lane.spot_y_m)
    done = habits(table, distance_mm=distance_mm)
    squirts = contact_squirts(table, confidence=evidence.config.analysis.confidence)
    if not done and not squirts:
        return ()
    text = (
        "Seen in the picture before the strike: where the cue pointed and where it touched the ball. Scatter is "
        "from shot to shot within a condition, with what measuring adds taken out; it says who repeats a stroke "
        "well enough to judge small differences, and what to practise."
    )
    remarks = (
        f"Squirt at equal contact: {METHOD}. The radius of the tip's dome (lane.tip_radius_mm) moves all contacts "
        "of a condition together; it is not in these scatters.",
    )
    grids: list[Block] = [Paragraph(text=text)]
    grids += [_habit_grid(done)] if done else []
    grids += [_squirt_grid(squirts)] if squirts else []
    return (Section(slug="hand", title="The hand", blocks=(*grids, *paragraphs(remarks, "small"))),)


def _habit_grid(done: tuple[Habit, ...]) -> Grid:
    rows = []
    for one in done:
        words, decimals = _WORDS[one.what]
        rows.append(
            (
                one.shooter,
                words,
                str(one.shots),
                f"{number(one.bias, decimals)} ± {number(one.bias_half, decimals)}",
                f"{number(one.own_sd, decimals)} ({number(one.lo, decimals)} to {number(one.hi, decimals)})",
                number(one.measuring_sd, decimals),
                number(one.at_rail_mm, 1),
            )
        )
    head = (
        "shooter",
        "what",
        "shots",
        "mean",
        "own scatter (sd)",
        "measuring (sd)",
        "own scatter at the rail (mm)",
    )
    return Grid(caption="What each shooter did", head=head, rows=tuple(rows), words=frozenset({0, 1}))


def _squirt_grid(squirts: tuple[ContactSquirt, ...]) -> Grid:
    rows = tuple(
        (
            one.condition,
            str(one.shots),
            number(one.contact_mm, 1),
            number(one.lane_sd_deg, 2),
            number(one.cue_sd_deg, 2),
            number(one.equal_sd_deg, 2),
            f"{number(one.equal_deg, 2)} ({number(one.equal_lo_deg, 2)} to {number(one.equal_hi_deg, 2)})",
            f"{number(one.per_mm_deg, 3)} ({number(one.per_mm_lo_deg, 3)} to {number(one.per_mm_hi_deg, 3)})",
        )
        for one in squirts
    )
    equal_mm = abs(squirts[0].equal_mm)
    head = (
        "condition",
        "shots",
        "contact (mm)",
        "scatter from the lane (°)",
        "from the cue (°)",
        "at equal contact (°)",
        f"squirt at {equal_mm:.1f} mm (°)",
        "squirt per mm (°)",
    )
    return Grid(caption="Squirt with aim and contact taken out", head=head, rows=rows)
