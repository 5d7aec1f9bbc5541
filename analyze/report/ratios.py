"""How many times as much, in the report: ratios of readings and of squirt."""

from analyze.report.blocks import Block, Bullets, Section, paragraphs
from analyze.report.findings import Findings
from analyze.report.words import once
from analyze.statistics import Scope

MOST_RATIOS = 12  # sentences; the others are in out/ratios.csv
HEADINGS = {
    ("reading_mm", Scope.THESE): "Readings, from the scale's zero, for these shooters:",
    ("reading_mm", Scope.GENERAL): "Readings, for shooters in general:",
    ("squirt_deg", Scope.THESE): "Squirt, from the controls' zero, for these shooters:",
    ("squirt_deg", Scope.GENERAL): "Squirt, for shooters in general:",
}


def ratios_section(findings: Findings) -> Section | None:
    """Say the ratios; None where there are none."""
    if not findings.ratios:
        return None
    blocks: list[Block] = []
    for (quantity, scope), heading in HEADINGS.items():
        words = [row.words for row in findings.ratios if (row.quantity, row.scope) == (quantity, scope)]
        if words:
            blocks += [*paragraphs([heading]), Bullets(items=once(words[:MOST_RATIOS]))]
    text = (
        "Intervals after Fieller, all pairs together; a ratio says something only where the zero does: of readings "
        "it is the scale's, and a line of aim that is off shifts it. Of several sessions the difference between "
        "their zeros is in the intervals. All ratios are in ratios.csv."
    )
    return Section(slug="ratios", title="How many times as much", blocks=(*blocks, *paragraphs([text], "small")))
