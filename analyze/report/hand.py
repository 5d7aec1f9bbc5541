"""The section of the page about the hand: what each shooter did, and what seeing the cue brings."""

from dataclasses import asdict, dataclass

import pandas as pd

from analyze.cue.cue_table import Ball, CueRow, Interval
from analyze.cue.equal_contact import ContactSquirt, EqualContact, equal_contact, squirt_growth
from analyze.cue.hand import Habit, habits
from analyze.cue.scatter_split import METHOD as SPLIT_METHOD
from analyze.cue.scatter_split import ScatterSplit, split_scatter
from analyze.report.blocks import Block, Grid, Paragraph, Section, paragraphs
from analyze.report.evidence import Evidence
from analyze.report.findings import Findings, struck_ball
from analyze.report.words import number
from calibrate.units import mm_from_m

_WORDS = {
    "aim_deg": ("aim, from the lane (°)", 2),
    "contact_mm": ("contact, beside the stated offset (mm)", 1),
    "slope_deg": ("slope of the cue (°)", 1),
    "speed_m_s": ("speed of the tip (m/s)", 2),
    "sideways_m_s": ("speed of the tip across the cue, to the right (m/s)", 3),
}
_SOURCES = {
    "aim": "aim: where the cue pointed",
    "contact": "contact: where the tip touched",
    "speed": "speed of the ball",
    "slope": "slope of the cue",
    "measuring": "measuring the reading",
    "rest": "rest: cloth, tip, and what is not seen",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """What the hands did, and what seeing the cue brings.

    Attributes
    ----------
    habits : tuple of Habit
        Of each shooter.
    split : ScatterSplit or None
        Where the scatter of the readings comes from.
    equal : EqualContact or None
        Squirt at equal contact.
    """

    habits: tuple[Habit, ...]
    split: ScatterSplit | None
    equal: EqualContact | None


def find_hand(evidence: Evidence, findings: Findings) -> Hand:
    """Look at what the cues did, whether or not a rule then chose among the shots by their values."""
    table = findings.unchosen
    session = evidence.sessions[0].session
    distance_mm = mm_from_m(session.scale.line_y_m - session.lane.spot_y_m)
    ball = struck_ball(evidence)
    equal = equal_contact(
        table,
        ball=Ball(radius_mm=ball.radius_mm, mass_g=ball.mass_g),
        confidence=evidence.config.analysis.confidence,
    )
    growth = squirt_growth(equal)
    return Hand(
        habits=habits(table, distance_mm=distance_mm, growth_deg=growth, ball=ball),
        split=split_scatter(table, distance_mm=distance_mm, growth_deg=growth),
        equal=equal,
    )


def hand_tables(hand: Hand) -> dict[str, pd.DataFrame]:
    """Return the same as files in `out/`, by name; those that hold something."""
    tables = {"hand.csv": pd.DataFrame([asdict(one) for one in hand.habits])}
    if hand.split is not None:
        tables["scatter.csv"] = pd.DataFrame([asdict(one) for one in hand.split.parts])
    if hand.equal is not None:
        rows = pd.DataFrame([asdict(one) for one in hand.equal.rows])
        ends = hand.equal.cues.frame()
        ends = ends[["condition", *(name for name in ends.columns if name.startswith(("end_mass", "pivot")))]]
        tables["equal_contact.csv"] = rows.merge(ends, on="condition") if len(rows) and len(ends) else rows
    return {name: table for name, table in tables.items() if len(table)}


def hand_sections(hand: Hand) -> tuple[Section, ...]:
    """Say what the hands did, in one section; none where no cue was seen."""
    if not hand.habits and hand.equal is None:
        return ()
    text = (
        "Seen in the picture before the strike: where the cue pointed and where it touched the ball. Scatter is "
        "from shot to shot within a condition, with what measuring adds taken out; it says who repeats a stroke "
        "well enough to judge small differences, and what to practise."
    )
    blocks: list[Block] = [Paragraph(text=text)]
    blocks += [_habit_grid(hand.habits)] if hand.habits else []
    blocks += _split_blocks(hand.split) if hand.split is not None else []
    blocks += _equal_blocks(hand.equal) if hand.equal is not None else []
    return (Section(slug="hand", title="The hand", blocks=tuple(blocks)),)


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


def _split_blocks(split: ScatterSplit) -> list[Block]:
    rows = tuple(
        (
            _SOURCES[part.source],
            "" if part.own_sd is None else f"{number(part.own_sd, 2)} {part.unit}",
            number(part.at_rail_mm, 1),
            f"{100 * part.share:.0f} %",
        )
        for part in split.parts
    )
    grid = Grid(
        caption=f"Where {number(split.reading_sd_mm, 1)} mm of scatter come from, {split.shots} shots",
        head=("source", "own scatter (sd)", "at the rail (mm)", "share of the variance"),
        rows=rows,
        words=frozenset({0}),
    )
    return [grid, *paragraphs((f"Method: {SPLIT_METHOD}.", *split.notes), "small")]


def _equal_blocks(equal: EqualContact) -> list[Block]:
    blocks: list[Block] = [_squirt_grid(equal.rows)] if equal.rows else []
    blocks += [_end_grid(equal)] if equal.cues.rows else []
    pairs = [
        (
            f"{row.b} less {row.a}",
            number(abs(at_mm), 1),
            number(row.difference, 3),
            "" if row.lo is None else f"{number(row.lo, 3)} to {number(row.hi, 3)}",
            words,
            str(row.verdict),
        )
        for at_mm, comparisons in equal.cues.comparisons
        for words, part in (
            ("equal contact", comparisons.these),
            ("equal contact and speed", comparisons.adjusted_these),
        )
        if part is not None
        for row in part.rows
    ]
    if pairs:
        head = ("pair", "contact (mm)", "difference of squirt (°)", "interval (°)", "at", "verdict")
        blocks.append(
            Grid(
                caption="Squirt compared at equal contact, for these shooters",
                head=head,
                rows=tuple(pairs),
                words=frozenset({0, 4, 5}),
            )
        )
    return [*blocks, *paragraphs(equal.notes, "small")]


def _squirt_grid(squirts: tuple[ContactSquirt, ...]) -> Grid:
    rows = tuple(
        (
            one.condition,
            str(one.shots),
            f"{number(one.contact_mm, 1)} ± {number(one.contact_sd_mm, 1)}",
            number(one.lane_sd_deg, 2),
            number(one.cue_sd_deg, 2),
            number(one.equal_sd_deg, 2),
            f"{number(one.equal_deg, 2)} ({number(one.equal_lo_deg, 2)} to {number(one.equal_hi_deg, 2)})",
            f"{number(one.per_mm_deg, 3)} ({number(one.per_mm_lo_deg, 3)} to {number(one.per_mm_hi_deg, 3)})",
            _slope(one),
        )
        for one in squirts
    )
    equal_mm = abs(squirts[0].equal_mm)
    head = (
        "condition",
        "shots",
        "contact and its sd (mm)",
        "scatter from the lane (°)",
        "from the cue (°)",
        "at equal contact (°)",
        f"squirt at {equal_mm:.1f} mm (°)",
        "squirt per mm (°)",
        "growth per mm, shot by shot (°)",
    )
    return Grid(caption="Squirt with aim and contact taken out", head=head, rows=rows)


def _slope(one: ContactSquirt) -> str:
    if one.slope_deg is None:
        return ""
    return f"{number(one.slope_deg, 3)} ({number(one.slope_lo_deg, 3)} to {number(one.slope_hi_deg, 3)})"


def _end_grid(equal: EqualContact) -> Grid:
    def shown(found: Interval | None, decimals: int) -> str:
        if found is None:
            return ""
        if found.lo is None and found.hi is None:
            return number(found.value, decimals)
        ends = " to ".join("…" if end is None else number(end, decimals) for end in (found.lo, found.hi))
        return f"{number(found.value, decimals)} ({ends})"

    def cells(row: CueRow) -> tuple[str, ...]:
        lengths = dict(row.pivot_mm)
        return (row.condition, shown(row.end_mass_g, 2), *(shown(lengths.get(name), 0) for name in names))

    names = ("ball centre", "tip contact")
    head = ("condition", "end mass (g)", *(f"pivot to {name} (mm)" for name in names))
    return Grid(
        caption="End mass and pivot length from the measured contact, intervals by Monte Carlo (JCGM 101)",
        head=head,
        rows=tuple(cells(row) for row in equal.cues.rows),
    )
