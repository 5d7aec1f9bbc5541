"""What conditions are made of, in the report: sentences for the lead, a section, plots, out/factors.csv."""

import matplotlib as mpl
import pandas as pd
from matplotlib.figure import Figure

from analyze.report.blocks import Block, Bullets, Grid, Picture, Section, paragraphs
from analyze.report.evidence import Evidence
from analyze.report.findings import Findings
from analyze.report.plots import INK, MM_PER_INCH, STYLE, data_uri
from analyze.report.words import interval, length_in_sentence, number, once, p_value
from analyze.statistics import FactorEffect, PairRow, Scope, Trend, Verdict
from analyze.statistics.shots_table import listed

LEVEL = 0.05
VALUE_UNITS = frozenset({"mm", "cm", "in", "inch", "g", "kg", "oz", "deg", "s", "h"})
FACTOR_COLOURS = {Scope.THESE: "#14426b", Scope.GENERAL: "#cf6a1f"}
SCOPE_NAMES = {Scope.THESE: "for these shooters", Scope.GENERAL: "for shooters in general"}


def factor_sentences(findings: Findings, units: str) -> tuple[str, ...]:
    """Answer "does the taper matter, whatever the shaft?", a sentence for each factor and number.

    Parameters
    ----------
    findings : Findings
        What the statistics say.
    units : str
        ``inch`` or ``mm``.
    """
    said = []
    for name in dict.fromkeys(one.factor for one in findings.factors):
        both = {one.scope: one for one in findings.factors if one.factor == name}
        these, general = both[Scope.THESE], both[Scope.GENERAL]
        if not these.rows:
            said.append(f"{name}: {' '.join(these.notes)}")
            continue
        sentence = f"{name}, the rest of the condition alike: for these shooters {_levels(these, units)}"
        if not general.rows:
            sentence += f". {' '.join(general.notes)}"
        elif [row.verdict for row in general.rows] == [row.verdict for row in these.rows]:
            sentence += "; for shooters in general the same holds."
        else:
            sentence += f"; for shooters in general {_levels(general, units)}."
        said.append(sentence)
    interaction = next((one.interaction for one in findings.factors if one.scope is Scope.THESE), None)
    if interaction is not None and interaction.p < LEVEL:
        said.append(
            "The factors act on each other: what one does depends on the others, so look at the single conditions."
        )
    missing = next((one.missing for one in findings.factors if one.missing), ())
    if missing:
        said.append(
            f"Not all combinations were shot (missing: {listed(missing)}), so this takes the factors to add up."
        )
    for name in dict.fromkeys(one.value for one in findings.trends):
        said.append(_trend_words([one for one in findings.trends if one.value == name], units))
    return tuple(said)


def _levels(effect: FactorEffect, units: str) -> str:
    """Say how the levels ended: with numbers where there are two, else who differs from whom."""
    if len(effect.rows) == 1:
        return _pair(effect.rows[0], units)
    words = {
        Verdict.DIFFERS: "differ",
        Verdict.SAME: "are the same within the margin",
        Verdict.UNDECIDED: "are undecided",
    }
    parts = []
    for verdict in Verdict:
        pairs = [f"{row.a} and {row.b}" for row in effect.rows if row.verdict is verdict]
        if len(pairs) == len(effect.rows) and verdict is Verdict.UNDECIDED:
            return "all levels are undecided"
        if pairs:
            parts.append(f"{', '.join(pairs)} {words[verdict]}")
    return "; ".join(parts)


def _pair(row: PairRow, units: str) -> str:
    if row.difference is None or row.lo is None or row.hi is None:
        return f"{row.b} minus {row.a} cannot be told"
    numbers = f"{length_in_sentence(row.difference, units)}; {interval(row.lo, row.hi, units)}"
    if row.verdict is Verdict.SAME and row.margin is not None:
        return f"{row.a} and {row.b} are the same within {length_in_sentence(row.margin, units)} ({numbers})"
    word = "differ" if row.verdict is Verdict.DIFFERS else "are undecided"
    return f"{row.a} and {row.b} {word} ({row.b} minus {row.a} {numbers})"


def _trend_words(trends: list[Trend], units: str) -> str:
    """Say a trend in both scopes; what its number was not varied apart from comes with it."""
    verdicts = {
        Verdict.DIFFERS: "the reading changes with it",
        Verdict.SAME: "over the range shot it changes by less than the margin",
        Verdict.UNDECIDED: "whether the reading changes with it is undecided",
    }
    parts = [
        f"{SCOPE_NAMES[one.scope]} {_per_unit(one, units)}, {verdicts[one.row.verdict]}"
        for one in trends
        if one.slope is not None and one.row is not None and one.row.lo is not None
    ]
    first = trends[0]
    notes = list(dict.fromkeys(note for one in trends for note in one.notes))
    if not parts:
        return f"{first.value}: {' '.join(notes)}"
    if any(one.bend is not None and one.bend.p < LEVEL for one in trends):
        notes.append("A straight line does not fit.")
    said = f"{first.value}, from {first.low:g} to {first.high:g}: {'; '.join(parts)}."
    return " ".join([said, *notes])


def _per_unit(trend: Trend, units: str) -> str:
    size = MM_PER_INCH if units == "inch" else 1.0
    unit = "in" if units == "inch" else "mm"
    decimals = 4 if units == "inch" else 2
    value, low, high = (
        number(None if x is None else x / size, decimals) for x in (trend.slope, trend.lo, trend.hi)
    )
    return f"{value} {unit} of reading per {_unit_of_value(trend.value)} ({low} to {high})"


def _unit_of_value(name: str) -> str:
    """Return the unit that a number's name ends in: ``ferrule_mm`` -> ``mm``; else the words for none."""
    stem, _, unit = name.rpartition("_")
    return unit if stem and unit in VALUE_UNITS else "unit"


def factors_section(evidence: Evidence, findings: Findings) -> Section | None:
    """Show main effects, interaction and trends; None where no condition says what it is made of."""
    if not findings.factors and not findings.trends:
        return None
    units = evidence.config.session.units
    blocks: list[Block] = [*paragraphs(factor_sentences(findings, units))]
    for name in dict.fromkeys(one.factor for one in findings.factors):
        effects = [one for one in findings.factors if one.factor == name and one.rows]
        if effects:
            blocks.append(
                Picture(
                    uri=data_uri(effects_figure(effects, inches=units == "inch")),
                    caption=f"Differences between levels of {name}, whatever the rest; intervals hold together.",
                    words=f"Differences between levels of {name} with intervals, for both scopes.",
                )
            )
    rows = tuple(
        (
            one.factor,
            str(one.scope),
            *(("", "", "") if one.test is None else (number(one.test.f, 2), _df(one.test), p_value(one.test.p))),
            "" if one.interaction is None else p_value(one.interaction.p),
        )
        for one in findings.factors
    )
    if rows:
        head = ("factor", "shooters", "F", "df", "p: no level differs", "p: factors add up")
        blocks.append(Grid(caption="Tests of the factors", head=head, rows=rows, words=frozenset({0, 1})))
    notes = [*(one.estimand for one in findings.factors), *(n for one in findings.factors for n in one.notes)]
    notes += [note for one in findings.trends for note in one.notes]
    notes += [
        f"Trend of {one.value}: held equal were {', '.join(one.others)}." for one in findings.trends if one.others
    ]
    if notes:
        blocks.append(Bullets(items=once(notes)))
    return Section(slug="factors", title="What the conditions are made of", blocks=tuple(blocks))


def _df(test: object) -> str:
    return f"{getattr(test, 'df_conditions', 0):g}, {getattr(test, 'df_error', 0):.1f}"


def effects_figure(effects: list[FactorEffect], *, inches: bool) -> Figure:
    """Draw the differences between the levels of one factor, a row a pair, both scopes."""
    unit = MM_PER_INCH if inches else 1.0
    pairs = [(row.a, row.b) for row in effects[0].rows]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(5.4, 1.2 + 0.5 * len(pairs)), layout="constrained")
        axes = figure.subplots()
        axes.axvline(0, color=INK, lw=0.8, zorder=-1)
        margin = effects[0].rows[0].margin
        if margin is not None:
            axes.axvspan(-margin / unit, margin / unit, color="#e9e4da", lw=0, zorder=-2)
        for k, effect in enumerate(effects):
            colour = FACTOR_COLOURS[effect.scope]
            for place, row in enumerate(effect.rows):
                if row.difference is None or row.lo is None or row.hi is None:
                    continue
                level = place + (0.15 if k else -0.15)
                axes.plot([row.lo / unit, row.hi / unit], [level] * 2, color=colour, lw=1.6, ls="--" if k else "-")
                axes.plot(row.difference / unit, level, "D" if k else "s", mec=colour, mfc="white" if k else colour)
            axes.plot([], [], "D--" if k else "s-", color=colour, label=SCOPE_NAMES[effect.scope])
        axes.set_yticks(range(len(pairs)), [f"{b} minus {a}" for a, b in pairs])
        axes.set_ylim(len(pairs) - 0.5, -0.5)
        axes.set_xlabel(f"difference of readings ({'inch' if inches else 'mm'}), to the shooter's right positive")
        axes.legend(frameon=False, fontsize=8, ncols=2, loc="lower left", bbox_to_anchor=(0, 1.0))
    return figure


def factors_frame(findings: Findings) -> pd.DataFrame:
    """Rows of `out/factors.csv`: pairs of levels, and trends over numbers."""
    rows: list[tuple[str, str, str, str, PairRow, Trend | None, float | None]] = [
        ("factor", one.factor, row.a, row.b, row, None, None if one.interaction is None else one.interaction.p)
        for one in findings.factors
        for row in one.rows
    ]
    rows += [
        ("trend", one.value, f"{one.low:g}", f"{one.high:g}", one.row, one, None)
        for one in findings.trends
        if one.row is not None
    ]
    table = [
        (
            kind, name, a, b, str(row.scope), row.difference, row.se, row.df, row.lo, row.hi, row.p_adjusted,
            row.margin, str(row.verdict),
            *((None,) * 3 if trend is None else (trend.slope, trend.lo, trend.hi)), interaction, row.method,
        )
        for kind, name, a, b, row, trend, interaction in rows
    ]  # fmt: skip
    columns = ["kind", "name", "a", "b", "scope", "difference_mm", "se_mm", "df", "lo_mm", "hi_mm", "p_adjusted"]
    columns += [
        "margin_mm",
        "verdict",
        "per_unit_mm",
        "per_unit_lo_mm",
        "per_unit_hi_mm",
        "p_interaction",
        "method",
    ]
    return pd.DataFrame(table, columns=columns)
