"""What is made to be published: a paragraph to paste, and one picture of every reading with the answer above it."""

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator

from analyze.report.answer import counting_sentence, lead, missing_cells
from analyze.report.blocks import Paragraph, Section
from analyze.report.evidence import Evidence
from analyze.report.findings import Findings, tested_conditions
from analyze.report.plots import CONTROL_STYLE, INK, MM_PER_INCH, PALE, STYLE, save_figure
from analyze.report.strip_plot import inch_step, ruler
from analyze.report.words import GAP, interval, length_in_sentence, margin_words
from analyze.statistics.compare import ConditionMean
from calibrate.arrays import Floats
from calibrate.errors import SessionError

TEXT_NAME, PICTURE_STEM = "answer.txt", "answer"
MOST_CONDITIONS = 16  # in the picture and the paragraph; more no longer fit
MOST_POINTS = 300  # of a condition; more only make a bar of them
_WIDTH_INCH, _ROW_INCH, _LINE_LETTERS = 7.2, 0.5, 98


def answer_text(title: str, evidence: Evidence, findings: Findings) -> str:
    """Return the answer as a paragraph to paste: what was shot, how it ended, the means, and what intervals mean.

    Parameters
    ----------
    title : str
        Name of the test.
    evidence : Evidence
        The shots and the rules stated beforehand.
    findings : Findings
        What the statistics say.
    """
    units, analysis = evidence.config.session.units, evidence.config.analysis
    names = tested_conditions(findings.table)
    said = [f"{title}: {counting_sentence(findings)}", *lead(findings, units)]
    means = [mean for mean in findings.comparisons["reading_mm"].these.means if mean.condition in names]
    by_name = {mean.condition: mean for mean in means}
    shown = [by_name[name] for name in names if name in by_name][:MOST_CONDITIONS]
    if shown:
        more = f"; the first {len(shown)} of {len(means)} conditions" if len(shown) < len(means) else ""
        said.append(
            "Mean readings at the foot rail, to the shooter's right positive (interval of each mean alone"
            f"{more}): {', '.join(_mean_words(mean, units) for mean in shown)}."
        )
        if missing_cells(findings.table):
            said.append(
                "Not every shooter shot every condition, so these means are of different shooters; differences are "
                "over those who shot both."
            )
        said.append(
            f"Intervals of differences cover the truth of all pairs together with {100 * analysis.confidence:g} % "
            f"confidence; {margin_words(analysis.margin_mm, units)}."
        )
    return " ".join(said)


def _mean_words(mean: ConditionMean, units: str) -> str:
    own = f" ({interval(mean.lo, mean.hi, units)})" if mean.lo is not None else ""
    return f"{mean.condition} {length_in_sentence(mean.mean, units)}{own}"


def answer_figure(
    title: str, evidence: Evidence, findings: Findings, styles: Mapping[str, tuple[str, str]]
) -> Figure | None:
    """Draw every reading that counts by condition, the means with intervals, and the answer above them.

    Parameters
    ----------
    title : str
        Name of the test.
    evidence : Evidence
        Gives the units.
    findings : Findings
        The shots and what the statistics say of them.
    styles : mapping
        Colour and marker by condition.

    Returns
    -------
    Figure or None
        None where no shot counts.
    """
    units = evidence.config.session.units
    every = tested_conditions(findings.table)
    names = every[:MOST_CONDITIONS]
    if not names:
        return None
    table = findings.table
    counted = table[table["kept"].astype(bool) & table["reading_mm"].notna()]
    means = {mean.condition: mean for mean in findings.comparisons["reading_mm"].these.means}
    unit = MM_PER_INCH if units == "inch" else 1.0
    lines = [
        line for text in lead(findings, units) for line in textwrap.wrap(text.replace(GAP, " "), _LINE_LETTERS)
    ]
    head_inch = 0.55 + 0.19 * len(lines)
    height = head_inch + 0.75 + _ROW_INCH * max(len(names), 2)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(_WIDTH_INCH, height))
        axes = figure.add_axes((0.2, 0.62 / height, 0.77, 1 - (0.72 + head_inch) / height))
        for place, name in enumerate(names):
            colour, marker = styles.get(name, CONTROL_STYLE)
            values = counted.loc[counted["condition"] == name, "reading_mm"].to_numpy(dtype=np.float64) / unit
            shown = values[np.linspace(0, len(values) - 1, min(len(values), MOST_POINTS)).astype(int)]
            # A fixed ripple keeps points of equal value apart, and is the same each time.
            ripple = 0.09 * (shown.argsort().argsort() % 3 - 1.0)
            axes.plot(shown, place - 0.13 + ripple, marker, color=colour, ms=4.5, alpha=0.55, mew=0, ls="")
            mean = means.get(name)
            at = float(values.mean()) if mean is None else mean.mean / unit
            if mean is not None and mean.lo is not None and mean.hi is not None:
                axes.plot([mean.lo / unit, mean.hi / unit], [place + 0.24] * 2, color=colour, lw=2.2)
            axes.plot(at, place + 0.24, marker, mfc="white", mec=colour, mew=1.6, ms=7.5, zorder=4)
        axes.set_yticks(
            range(len(names)), [_label(name, int((counted["condition"] == name).sum())) for name in names]
        )
        axes.set_ylim(len(names) - 0.45, -0.55)
        axes.tick_params(axis="y", length=0)
        axes.axvline(0, color=PALE, lw=0.8, zorder=-1)
        low, high = _span(counted.loc[counted["condition"].isin(names), "reading_mm"].to_numpy(), means.values())
        low, high = low / unit, high / unit
        room = max(0.05 * (high - low), 2.5 / unit)
        axes.set_xlim(low - room, high + room)
        _mark_cut(axes, [means.get(name) for name in names], unit)
        if units == "inch":
            axes.xaxis.set_major_locator(MultipleLocator(inch_step(high - low + 2 * room)))
            axes.xaxis.set_major_formatter(FuncFormatter(ruler))
        else:
            axes.xaxis.set_major_locator(MaxNLocator(7))
        axes.set_xlabel(f"reading at the foot rail ({units}), to the shooter's right positive", fontsize=9)
        figure.text(0.02, 1 - 0.1 / height, textwrap.shorten(title, 70), va="top", fontsize=12, fontweight="bold")
        figure.text(0.02, 1 - 0.38 / height, "\n".join(lines), va="top", fontsize=9, linespacing=1.35)
        figure.text(
            0.02,
            0.06 / height,
            "Filled: every shot that counts. Hollow: mean, shooters weighing alike, with its "
            f"{100 * evidence.config.analysis.confidence:g} % interval.",
            fontsize=7.5,
            color=INK,
        )
    return figure


def _span(readings: Floats, means: Iterable[ConditionMean]) -> tuple[float, float]:
    """Return what the axis shows: all readings, and intervals as far as they do not dwarf them."""
    low, high = float(readings.min()), float(readings.max())
    reach = high - low
    ends = [end for mean in means for end in (mean.lo, mean.hi) if end is not None]
    return max(min([low, *ends]), low - reach), min(max([high, *ends]), high + reach)


def _mark_cut(axes: Axes, means: Sequence[ConditionMean | None], unit: float) -> None:
    """Point on where an interval goes beyond the axis."""
    low, high = axes.get_xlim()
    for place, mean in enumerate(means):
        if mean is None or mean.lo is None or mean.hi is None:
            continue
        for beyond, edge, arrow in ((mean.lo / unit < low, low, "<"), (mean.hi / unit > high, high, ">")):
            if beyond:
                axes.plot(edge, place + 0.24, arrow, color=INK, ms=6, mew=0, clip_on=False)


def _label(name: str, shots: int) -> str:
    lines = [*textwrap.wrap(name, 18)[:2], f"{shots} shot{'' if shots == 1 else 's'}"]
    return "\n".join(lines)


def write_publishable(
    title: str, evidence: Evidence, findings: Findings, styles: Mapping[str, tuple[str, str]], out: Path
) -> tuple[Path, ...]:
    """Write the paragraph (UTF-8) and the picture (PNG and SVG) into `out`; return the files."""
    path = out / TEXT_NAME
    text = answer_text(title, evidence, findings).replace(GAP, " ")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        raise SessionError(
            f"{path}: cannot be written ({error.strerror}); is it open in another program?"
        ) from error
    figure = answer_figure(title, evidence, findings, styles)
    if figure is None:
        return (path,)
    pictures = tuple(out / f"{PICTURE_STEM}{ending}" for ending in (".png", ".svg"))
    for picture in pictures:
        save_figure(figure, picture)
    return (path, *pictures)


def publish_section(title: str, evidence: Evidence, findings: Findings) -> Section:
    """Give the paragraph to paste, and say where the picture is."""
    where = (
        f"The same text is in out/{TEXT_NAME}; a picture made to be published is out/{PICTURE_STEM}.png and .svg."
    )
    return Section(
        slug="publish",
        title="To publish",
        blocks=(
            Paragraph(text=answer_text(title, evidence, findings), weight="quote"),
            Paragraph(text=where, weight="small"),
        ),
    )
