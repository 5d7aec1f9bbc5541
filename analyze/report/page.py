"""out/report.html: one file that holds everything, text and pictures, and prints as well."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from analyze.report.background import (
    budget_section,
    cautions_section,
    methods_section,
    provenance_section,
    shots_section,
)
from analyze.report.blocks import Picture, Section
from analyze.report.evidence import Evidence
from analyze.report.factors import factors_section
from analyze.report.findings import Findings
from analyze.report.hand import find_hand, hand_sections
from analyze.report.publish import publish_section
from analyze.report.ratios import ratios_section
from analyze.report.results import (
    answer_section,
    cue_section,
    keep_rules_section,
    pairs_section,
    parts_section,
    readings_section,
    variation_section,
)
from calibrate.errors import SessionError

TEMPLATE_FOLDER = Path(__file__).parent


def page_sections(
    title: str,
    evidence: Evidence,
    findings: Findings,
    styles: Mapping[str, tuple[str, str]],
    lanes: Sequence[Picture],
) -> tuple[Section, ...]:
    """Put the page together.

    Parameters
    ----------
    title : str
        Name of the test.
    evidence : Evidence
        The shots.
    findings : Findings
        What the statistics say of them.
    styles : mapping
        Colour and marker by condition.
    lanes : sequence of Picture
        The lane from above, of each session that was measured.
    """
    optional = (factors_section(evidence, findings), ratios_section(findings))
    return (
        answer_section(evidence, findings),
        readings_section(evidence, findings, styles),
        pairs_section(evidence, findings),
        *(section for section in optional if section is not None),
        parts_section(evidence, findings, styles, lanes),
        cue_section(evidence, findings),
        *hand_sections(find_hand(evidence, findings)),
        variation_section(evidence, findings),
        budget_section(evidence),
        keep_rules_section(evidence, findings),
        shots_section(evidence, findings),
        publish_section(title, evidence, findings),
        methods_section(evidence, findings),
        provenance_section(evidence),
        cautions_section(),
    )


def page_text(title: str, sections: Sequence[Section], *, made: datetime | None = None) -> str:
    """Return the page as HTML.

    Parameters
    ----------
    title : str
        Its heading.
    sections : sequence of Section
        What is on it.
    made : datetime, optional
        When; now unless given.
    """
    environment = Environment(
        loader=FileSystemLoader(TEMPLATE_FOLDER), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    css = (TEMPLATE_FOLDER / "page.css").read_text(encoding="utf-8")
    when = (made or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC")
    return environment.get_template("page.html.j2").render(title=title, sections=sections, css=css, made=when)


def write_page(path: Path, text: str) -> None:
    """Write the page."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise SessionError(
            f"{path}: cannot be written ({error.strerror}); is it open in another program?"
        ) from error
