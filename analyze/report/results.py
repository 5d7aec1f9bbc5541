"""The sections of the page that hold results: answer, readings, pairs, squirt, swerve, cues, variation, rules."""

import math
from collections.abc import Mapping, Sequence

from analyze.cue.cue_table import CueRow, CueTable, Interval
from analyze.cue.difference_split import DifferenceSplit
from analyze.cue.monte_carlo import METHOD
from analyze.report.answer import counting_sentence, failed_sentence, lead, limits_of_the_data, pair_sentences
from analyze.report.blocks import Block, Bullets, Grid, Paragraph, Picture, Section, paragraphs
from analyze.report.evidence import Evidence
from analyze.report.factors import factor_sentences
from analyze.report.findings import Findings
from analyze.report.pairs_plot import MOST_PAIRS, clearest_pairs, pairs_figure
from analyze.report.plots import MM_PER_INCH, data_uri
from analyze.report.shuffled import shuffled_blocks
from analyze.report.strip_plot import MOST_GROUPS, Strip, strip_figure
from analyze.report.words import (
    GAP,
    NOTHING,
    interval,
    length,
    length_in_sentence,
    margin_words,
    number,
    once,
    p_value,
    percent,
    plain_quantity,
    span_of,
    spread,
    value_of,
)
from analyze.statistics import Comparison, Comparisons, PairRow, Verdict
from analyze.statistics.outliers import RULE_WORDS

MOST_FLAGS = 12
ORDER_WORDS = "place in the shooting order"
MOST_CUE_ROWS = 30
MOST_OFFSETS = 4  # tip offsets at which squirt is compared on the page
Styles = Mapping[str, tuple[str, str]]


def answer_section(evidence: Evidence, findings: Findings) -> Section:
    """Give the answer in sentences, and what these shots cannot tell."""
    units = evidence.config.session.units
    margin = evidence.config.analysis.margin_mm
    said = (counting_sentence(findings), *lead(findings, units), *factor_sentences(findings, units))
    blocks: list[Block] = [*paragraphs(said, "lead")]
    blocks += paragraphs([split_sentence(split, units) for split in findings.splits[:3]])
    confidence = f"{100 * evidence.config.analysis.confidence:g} %"
    blocks.append(
        Paragraph(
            text=(
                "Readings and differences are positive to the shooter's right. An interval in brackets covers the "
                f"truth of all pairs together with {confidence} confidence; {margin_words(margin, units)}."
            ),
            weight="small",
        )
    )
    blocks += paragraphs([failed_sentence(evidence)])
    limits = limits_of_the_data(evidence, findings)
    if limits:
        blocks += [Paragraph(text="What to bear in mind:"), Bullets(items=limits)]
    return Section(slug="answer", title="The answer", blocks=tuple(blocks))


def readings_section(evidence: Evidence, findings: Findings, styles: Styles) -> Section:
    """Every reading as a point, and the summary."""
    units = evidence.config.session.units
    rows = findings.summary.rows
    if not rows:
        return Section(slug="readings", title="Readings", blocks=paragraphs(findings.summary.notes))
    figure = strip_figure(findings.table, [reading_strip(evidence, findings)], styles)
    most = 3 * MOST_GROUPS
    shown = rows if len(rows) <= most else [row for row in rows if row.shooter == "all"][:most]
    grid = Grid(
        caption="Readings by condition and shooter",
        head=("condition", "shooter", "n", "mean", "interval of the mean", "sd", "median", "MAD"),
        rows=tuple(
            (
                row.condition,
                row.shooter,
                f"{row.n:,}",
                length(row.mean, units),
                interval(row.lo, row.hi, units),
                spread(row.sd, units),
                length(row.median, units),
                spread(row.mad, units),
            )
            for row in shown
        ),
        words=frozenset({0, 1}),
        dense=len(shown) > 12,
        marked=frozenset(k for k, row in enumerate(shown) if row.shooter == "all" and len(shown) == len(rows)),
    )
    remarks = [
        "The row “all” takes the shots of a condition as one group, whoever shot them; whether conditions differ "
        "is for the next section. MAD is the median distance from the median."
    ]
    if len(shown) < len(rows):
        remarks.append(f"{len(shown)} of {len(rows):,} rows are shown; all are in summary.csv.")
    picture = Picture(
        uri=data_uri(figure),
        caption="Every reading, by condition and shooter. Colour and marker both tell the condition; an arrow says "
        "that an interval goes on beyond the picture.",
        words="Strip plot of the readings of each condition and shooter, with means and intervals.",
    )
    return Section(slug="readings", title="Readings", blocks=(picture, grid, *paragraphs(remarks, "small")))


def reading_strip(evidence: Evidence, findings: Findings) -> Strip:
    """Describe the strip plot of the readings, in the tester's unit."""
    inches = evidence.config.session.units == "inch"
    return Strip(
        summary=findings.summary,
        label=f"reading ({'inch' if inches else 'mm'}), to the shooter's right positive",
        inches=inches,
        least_span=0.2 * MM_PER_INCH,
    )


def pairs_section(evidence: Evidence, findings: Findings) -> Section:
    """Pairs of conditions: picture, table, adjusted results, both scopes in words."""
    units = evidence.config.session.units
    comparisons = findings.comparisons["reading_mm"]
    if not comparisons.these.rows:
        return Section(slug="pairs", title="Do they differ?", blocks=paragraphs(comparisons.these.notes))
    pairs = clearest_pairs(comparisons)
    total = len(comparisons.these.rows)
    blocks: list[Block] = [
        Picture(
            uri=data_uri(pairs_figure(comparisons, pairs, inches=units == "inch")),
            caption="Differences between conditions with simultaneous intervals"
            + ("; shaded, the margin stated beforehand." if comparisons.question.margin is not None else "."),
            words="Differences of pairs of conditions with intervals, for these shooters and for shooters in "
            "general.",
        ),
        _pairs_grid("Pairs of conditions, as shot", comparisons.these, comparisons.general, pairs, units),
    ]
    if comparisons.adjusted_these is not None:
        adjustment = ", ".join(
            f"{ORDER_WORDS if a.covariate == 'order' else plain_quantity(a.covariate)} {a.value:.3g}"
            for a in comparisons.adjusted_these.adjustments
        )
        blocks.append(
            _pairs_grid(
                f"The same, adjusted to {adjustment}",
                comparisons.adjusted_these,
                comparisons.adjusted_general,
                pairs,
                units,
            )
        )
    blocks += shuffled_blocks(findings.shuffled, comparisons)
    for heading, sentences in pair_sentences(findings, units):
        blocks += [Paragraph(text=heading), Bullets(items=sentences)]
    remarks = [f"{comparisons.these.words} {_methods_of(comparisons.these)}"]
    remarks.append(f"{comparisons.general.words} {_methods_of(comparisons.general)}")
    if len(pairs) < total:
        remarks.append(
            f"Shown are the {MOST_PAIRS} pairs, of {total:,}, whose difference is largest for its uncertainty; all "
            "are in comparisons.csv."
        )
    return Section(slug="pairs", title="Do they differ?", blocks=(*blocks, *paragraphs(remarks, "small")))


def _methods_of(scope: Comparison) -> str:
    methods = once(row.method for row in scope.rows)
    return f"Method: {'; '.join(methods)}." if methods else ""


def _pairs_grid(
    caption: str, these: Comparison, general: Comparison | None, pairs: Sequence[PairRow], units: str
) -> Grid:
    scopes = [
        ({(row.a, row.b): row for row in scope.rows}, words)
        for scope, words in ((these, "these"), (general, f"in{GAP}general"))
        if scope is not None
    ]
    rows: list[tuple[str, ...]] = []
    marked = set()
    for pair in pairs:
        for by_pair, words in scopes:
            row = by_pair.get((pair.a, pair.b))
            if row is not None:
                if row.verdict is not Verdict.UNDECIDED:
                    marked.add(len(rows))
                rows.append(_pair_cells(row, words, units))
    return Grid(
        caption=caption,
        head=("b − a", "shooters", "verdict", "difference", "interval", "p (adjusted)", "more shots of each"),
        rows=tuple(rows),
        words=frozenset({0, 1, 2}),
        dense=len(rows) > 12,
        marked=frozenset(marked),
    )


def _pair_cells(row: PairRow, scope: str, units: str) -> tuple[str, ...]:
    quantity = row.quantity.split(" at ")[0]
    if row.more_shots is not None:
        more = f"{row.more_shots:,}"
    else:
        few = row.more_shooters
        more = NOTHING if few is None else f"{few:,} more shooter{'' if few == 1 else 's'}"
    return (
        f"{row.b}{GAP}−{GAP}{row.a}",
        scope,
        str(row.verdict) if row.lo is not None else "no interval",
        value_of(row.difference, quantity, units),
        span_of(row.lo, row.hi, quantity, units),
        p_value(row.p_adjusted),
        more,
    )


def parts_section(evidence: Evidence, findings: Findings, styles: Styles, lanes: Sequence[Picture]) -> Section:
    """Squirt and swerve apart, and the lane from above."""
    title = "Squirt and swerve"
    if not findings.parts:
        text = "These readings were taken by hand: they hold squirt, swerve and aim together, not apart."
        return Section(slug="parts", title=title, blocks=paragraphs([text]))
    units = evidence.config.session.units
    strips = [
        Strip(
            summary=summary,
            label="squirt (°)" if quantity == "squirt_deg" else "swerve offset at the scale (mm)",
            inches=False,
            least_span=0.2 if quantity == "squirt_deg" else 5.0,
        )
        for quantity, summary in findings.parts.items()
        if summary.rows
    ]
    blocks: list[Block] = [*paragraphs([evidence.squirt.sentence] if evidence.squirt.sentence else [])]
    if strips:
        blocks.append(
            Picture(
                uri=data_uri(strip_figure(findings.table, strips, styles)),
                caption=f"Squirt, the {evidence.squirt.definition}, and swerve, what the path bends by on its way "
                "to the scale. Right is positive.",
                words="Strip plots of squirt and swerve of each condition and shooter, with means and intervals.",
            )
        )
    for caption, comparisons in _part_comparisons(findings):
        if comparisons.these.rows:
            pairs = clearest_pairs(comparisons)
            blocks.append(_pairs_grid(caption, comparisons.these, comparisons.general, pairs, units))
    if findings.splits:
        blocks.append(_split_grid(findings, units))
    blocks += lanes
    return Section(slug="parts", title=title, blocks=tuple(blocks))


def _part_comparisons(findings: Findings) -> list[tuple[str, Comparisons]]:
    """Squirt at each equal tip offset where offsets are known, and swerve."""
    found = []
    if findings.squirt_at:
        found = [
            (f"Squirt compared at a tip offset of {number(offset, 1)} mm", comparisons)
            for offset, comparisons in findings.squirt_at[:MOST_OFFSETS]
        ]
    elif "squirt_deg" in findings.comparisons:
        found = [("Squirt compared", findings.comparisons["squirt_deg"])]
    if "swerve_offset_mm" in findings.comparisons:
        found.append(("Swerve offset compared", findings.comparisons["swerve_offset_mm"]))
    return found


def split_sentence(split: DifferenceSplit, units: str) -> str:
    """Say what a difference is made of, with intervals; empty where no part is told from zero."""
    net, *parts = split.parts
    if not any(part.lo_mm is not None and part.hi_mm is not None and part.lo_mm * part.hi_mm > 0 for part in parts):
        return ""
    made_of = ", ".join(
        f"{length_in_sentence(part.difference_mm, units)} {part.part}"
        + (f" ({interval(part.lo_mm, part.hi_mm, units)})" if part.lo_mm is not None else "")
        for part in parts
    )
    whole = length_in_sentence(net.difference_mm, units)
    return f"Of the {whole} between {split.b} and {split.a} at the rail: {made_of}."


def _split_grid(findings: Findings, units: str) -> Grid:
    rows: list[tuple[str, ...]] = []
    marked = set()
    for split in findings.splits:
        marked.add(len(rows))
        rows.extend(
            (
                f"{split.b} − {split.a}",
                part.part,
                length(part.difference_mm, units),
                interval(part.lo_mm, part.hi_mm, units),
            )
            for part in split.parts
        )
    return Grid(
        caption="What the difference at the rail is made of (the parts add up to the net)",
        head=("b − a", "part", "difference", "interval of this part alone"),
        rows=tuple(rows),
        words=frozenset({0, 1}),
        marked=frozenset(marked),
    )


def cue_section(evidence: Evidence, findings: Findings) -> Section:
    """Say what the shots tell of the cues, each number with its formula."""
    title = "The cues"
    cue = findings.cue
    if cue is None or not cue.rows:
        notes = () if cue is None else once(cue.notes)
        text = "End mass and pivot length need squirt and tip offset, measured from clips; there are none here."
        return Section(slug="cues", title=title, blocks=paragraphs([text, *notes]))
    shown = cue.rows[:MOST_CUE_ROWS]
    said = [*cue.notes, *(f"{row.condition}: {note}" for row in shown for note in row.notes)]
    remarks = [
        "End mass and pivot length are names for a squirt angle, not things to be weighed: another reasonable "
        "rigid model gives end masses 28 to 30 % higher from the same angles, and three usual definitions of the "
        "pivot length lie 25 mm apart. Compare them only under one formula and at equal tip offset.",
        "Intervals hold the scatter of the shots, how well the control shots know each shooter's zero, and a tip "
        f"set right to {number(cue.offset_sd_mm, 1)} mm (standard deviation; lane.tip_offset_sd_mm). Those of end "
        f"mass, pivot lengths and deflection are by {METHOD}.",
        *([f"{len(shown)} of {len(cue.rows)} rows are shown."] if len(shown) < len(cue.rows) else []),
    ]
    tail: list[Block] = [Bullets(items=once(said))] if said else []
    return Section(
        slug="cues",
        title=title,
        blocks=(
            _cue_grid(cue, shown),
            _formula_grid(evidence.squirt.definition, shown),
            *paragraphs(remarks, "small"),
            *tail,
        ),
    )


def _cue_grid(cue: CueTable, rows: Sequence[CueRow]) -> Grid:
    pivots = [name for name, _ in next((row.pivot_mm for row in rows if row.pivot_mm), ())]
    standard = cue.standard
    return Grid(
        caption=f"Squirt at the tip offset shot, and what follows from it ({100 * cue.confidence:g} % intervals)",
        head=(
            "condition",
            "tip offset (mm)",
            "n",
            "squirt",
            "end mass (g)",
            *(f"pivot to {name} (mm)" for name in pivots),
            f"deflection at {standard.distance_mm:g} mm, {standard.offset_ratio:g} R (mm)",
        ),
        rows=tuple(
            (
                row.condition,
                number(row.tip_offset_mm, 1),
                str(row.n),
                _with_span(row.squirt_deg, row.lo_deg, row.hi_deg, 2, "°"),
                _interval_cell(row.end_mass_g, 1),
                *(_interval_cell(dict(row.pivot_mm).get(name), 0) for name in pivots),
                _interval_cell(row.deflection_mm, 1),
            )
            for row in rows
        ),
        dense=True,
    )


def _formula_grid(squirt: str, rows: Sequence[CueRow]) -> Grid:
    formulas: dict[str, str] = {"squirt": squirt}
    for row in rows:
        if row.end_mass_g is not None:
            formulas["end mass m_e"] = row.end_mass_g.formula
        formulas.update({f"pivot to {name}": found.formula for name, found in row.pivot_mm})
        if row.deflection_mm is not None:
            formulas["deflection"] = row.deflection_mm.formula
    return Grid(
        caption="Their formulas (m ball mass, R ball radius, b offset of the point of contact)",
        head=("number", "formula"),
        rows=tuple(formulas.items()),
        words=frozenset({0, 1}),
        dense=True,
    )


def _interval_cell(found: Interval | None, decimals: int) -> str:
    return NOTHING if found is None else _with_span(found.value, found.lo, found.hi, decimals, "")


def _with_span(value: float, low: float | None, high: float | None, decimals: int, sign: str) -> str:
    text = f"{number(value, decimals)}{sign}"
    if low is None and high is None:
        return text
    ends = [f"{number(end, decimals)}{sign}" if end is not None else "∞" for end in (low, high)]
    return f"{text} ({ends[0]} to {ends[1]})".replace(" ", GAP).replace(f"{GAP}(", " (")


def variation_section(evidence: Evidence, findings: Findings) -> Section:
    """Where the variation comes from, drift, shots to look at."""
    units = evidence.config.session.units
    blocks: list[Block] = []
    if findings.components.rows:
        blocks.append(
            Grid(
                caption="What makes one reading differ from another",
                head=("source", "sd", "interval of the sd", "share of the variance"),
                rows=tuple(
                    (
                        row.source,
                        spread(row.sd, units),
                        f"{spread(row.lo, units)} to {spread(row.hi, units)}" if row.lo is not None else NOTHING,
                        percent(row.share),
                    )
                    for row in findings.components.rows
                ),
            )
        )
    sentences = [
        findings.fitness.sentence if findings.fitness is not None else "",
        f"Method: {findings.components.method}." if findings.components.method else "",
        *findings.components.notes,
        *(drift.sentence for drift in findings.drifts),
        *_again_words(evidence, findings),
    ]
    blocks.append(Bullets(items=once(sentences)))
    blocks.append(Paragraph(text=_flag_words(findings)))
    if findings.flags:
        blocks.append(Bullets(items=once(flag.sentence for flag in findings.flags[:MOST_FLAGS])))
    return Section(slug="variation", title="Where the variation comes from", blocks=tuple(blocks))


def _again_words(evidence: Evidence, findings: Findings) -> tuple[str, ...]:
    """Say what measuring the same recordings again, with other marks, changed."""
    gauge, units = findings.gauge, evidence.config.session.units
    if gauge is None:
        return ()
    clips, sets = evidence.again["clip"].nunique(), evidence.again["session"].nunique()
    marks = spread(math.sqrt(gauge.variances.operator), units)
    # one measuring a set of clicks: repeating and interaction cannot be told apart
    rest = spread(math.sqrt(gauge.variances.repeatability + gauge.variances.interaction), units)
    return (
        f"{clips} shots were measured {sets} times, each time with other clicks: the marks move all readings "
        f"together by {marks} (standard deviation), and each for itself by {rest}.",
    )


def _flag_words(findings: Findings) -> str:
    shots = len({flag.row for flag in findings.flags})
    if not shots:
        return f"No shot lies out of line with the others of its condition and shooter. {RULE_WORDS}"
    first = (
        f", the first {MOST_FLAGS} of {len(findings.flags)} flags here" if len(findings.flags) > MOST_FLAGS else ""
    )
    return f"{shots} {'shot lies' if shots == 1 else 'shots lie'} out of line{first}. {RULE_WORDS}"


def keep_rules_section(evidence: Evidence, findings: Findings) -> Section:
    """Show what each keep rule would have given."""
    units = evidence.config.session.units
    rules = findings.keep_rules
    rows = rules.rows[: 3 * 16]
    texts = [
        f"The rule of this test, stated in its settings, is “{evidence.config.analysis.keep}”. Beside it, what the "
        "others would have given. “closest” keeps of each condition and shooter the "
        f"{rules.closest_k} shots that lie closest together, the common practice (no source)."
    ]
    blocks: list[Block] = [*paragraphs(texts)]
    if rows:
        blocks.append(
            Grid(
                caption="Keep rules side by side",
                head=(
                    "condition",
                    "shooter",
                    "rule",
                    "kept",
                    "mean",
                    "sd",
                    "standard error it seems to have",
                    "standard error it has",
                ),
                rows=tuple(
                    (
                        row.condition,
                        row.shooter,
                        str(row.rule),
                        f"{row.n:,}{GAP}of{GAP}{row.of:,}",
                        length(row.mean, units),
                        spread(row.sd, units),
                        spread(row.naive_se, units),
                        spread(row.honest_se, units),
                    )
                    for row in rows
                ),
                words=frozenset({0, 1, 2}),
                dense=True,
                marked=frozenset(k for k, row in enumerate(rows) if str(row.rule) == evidence.config.analysis.keep),
            )
        )
    remarks = list(once(rules.sentences[:6]))
    if len(rows) < len(rules.rows):
        remarks.append(f"{len(rows)} of {len(rules.rows):,} rows are shown; all are in keep_rules.csv.")
    return Section(slug="rules", title="Which shots count", blocks=(*blocks, *paragraphs(remarks, "small")))
