"""The answer in sentences: what was compared, which conditions differ, and what these shots cannot tell."""

from collections import Counter

import pandas as pd

from analyze.report.evidence import Evidence
from analyze.report.factors import factor_sentences
from analyze.report.findings import Findings, tested_conditions
from analyze.report.lead import GENERAL, THESE, and_listed, lead_sentences
from analyze.report.words import GAP, MINUS, length_in_sentence, once
from analyze.statistics import Comparison, PairRow, Verdict, pair_sentence
from analyze.statistics.plausible import alike_names

MOST_SENTENCES = 6  # about pairs; of more, the numbers of each verdict are said, and the clearest pairs


def counting_sentence(findings: Findings) -> str:
    """Say how many shots count, of what and whose."""
    table = findings.table
    test = table[table["role"] == "test"]
    counted = test[test["kept"].astype(bool) & test["reading_mm"].notna()]
    if counted.empty:
        return "No shot of a condition under test counts, so there is nothing to say about the conditions."
    conditions, shooters = counted["condition"].nunique(), counted["shooter"].nunique()
    controls = table[(table["role"] == "control") & table["kept"].astype(bool) & table["reading_mm"].notna()]
    aside = int((test["reading_mm"].notna() & ~test["kept"].astype(bool)).sum())
    return " ".join(
        [
            f"{_count(len(counted), 'shot')} of {_count(conditions, 'condition')} by {_count(shooters, 'shooter')} "
            f"{'counts' if len(counted) == 1 else 'count'}.",
            *(
                [f"{_count(aside, 'shot')} with a reading {'is' if aside == 1 else 'are'} set aside."]
                if aside
                else []
            ),
            *([_control_words(table, len(controls))] if len(controls) else []),
        ]
    )


def _control_words(table: pd.DataFrame, n: int) -> str:
    # Only squirt is counted from them; hand-read numbers stay as they were read.
    if "squirt_deg" in table.columns:
        return f"{_count(n, 'control shot')} set each shooter's zero of squirt."
    return f"{_count(n, 'control shot')} {'is' if n == 1 else 'are'} shown, and not compared."


def failed_sentence(evidence: Evidence) -> str:
    """Say how many clips or shots gave no reading, and how many are doubtful, and count; empty where none."""
    if not evidence.measured:
        return ""
    status = Counter(str(one.shot.status) for part in evidence.sessions for one in part.stored)
    parts = []
    if status["failed"]:
        parts.append(f"{_count(status['failed'], 'shot')} could not be measured")
    if doubtful := status["doubtful"]:
        counting = sum(
            s.kept and str(s.shot.status) == "doubtful" for part in evidence.sessions for s in part.stored
        )
        one = doubtful == 1
        until = f" and {'counts' if one else 'count'} until set aside" if counting == doubtful else ""
        some = f", of which {counting} {'counts' if counting == 1 else 'count'} until set aside"
        parts.append(
            f"{_count(doubtful, 'shot')} {'is' if one else 'are'} doubtful{until or (some if counting else '')}"
        )
    return f"{' and '.join(parts)}; the table of shots says why." if parts else ""


def lead(findings: Findings, units: str) -> tuple[str, ...]:
    """Say in a few sentences, to be read aloud, how the pairs of conditions ended."""
    comparisons = findings.comparisons["reading_mm"]
    alike = alike_names(str(name) for name in findings.table["condition"].unique())
    doubts = [f"{' and '.join(names)} differ by upper and lower case only: are they two?" for names in alike]
    said = (*doubts, comparisons.caution, *lead_sentences(comparisons, units), _mixed_up(findings))
    return tuple(text for text in said if text)


def _mixed_up(findings: Findings) -> str:
    """Say so where conditions were shot in blocks and readings drifted; else empty."""
    mixed = [drift.session for drift in findings.drifts if drift.blocked and drift.shown]
    if not mixed or not findings.comparisons["reading_mm"].these.rows:
        return ""
    where = f" in {and_listed(mixed)}" if all(mixed) else ""
    cannot = "order and condition cannot be told apart."
    return f"But conditions were shot in blocks while readings drifted{where}: {cannot}"


def answer_sentences(findings: Findings, units: str) -> tuple[str, ...]:
    """Return the answer as one list of sentences, for a terminal: not every one knows typographic signs."""
    said = (counting_sentence(findings), *lead(findings, units), *factor_sentences(findings, units))
    return tuple(text.replace(MINUS, "-").replace(GAP, " ") for text in said)


def pair_sentences(findings: Findings, units: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Say how each pair ended, one sentence a pair, by scope.

    Parameters
    ----------
    findings : Findings
        What the statistics say.
    units : str
        ``inch`` or ``mm``.

    Returns
    -------
    tuple of (str, tuple of str)
        For whom it holds, and the sentences; of many pairs, those of the clearest.
    """
    comparisons = findings.comparisons["reading_mm"]
    return (
        (f"{THESE}:", _scope_sentences(comparisons.these, units)),
        (f"{GENERAL}:", _scope_sentences(comparisons.general, units)),
    )


def _scope_sentences(scope: Comparison, units: str) -> tuple[str, ...]:
    def show(value: float) -> str:
        return length_in_sentence(value, units)

    rows = scope.rows
    if len(rows) <= MOST_SENTENCES:
        return once(pair_sentence(row, show=show) for row in rows)
    return (_verdict_counts(rows), *once(pair_sentence(row, show=show) for row in _clearest(rows)))


def _clearest(rows: tuple[PairRow, ...]) -> list[PairRow]:
    decided = [row for row in rows if row.difference is not None and row.se]
    decided.sort(key=lambda row: -abs(row.difference or 0.0) / (row.se or 1.0))
    return decided[: MOST_SENTENCES // 2]


def _verdict_counts(rows: tuple[PairRow, ...]) -> str:
    counts = Counter(row.verdict for row in rows)
    margin = rows[0].margin is not None
    parts = [f"{counts[Verdict.DIFFERS]:,} differ"]
    if margin:
        parts.append(f"{counts[Verdict.SAME]:,} are the same within the margin")
    parts.append(f"{counts[Verdict.UNDECIDED]:,} are undecided")
    return f"Of {len(rows):,} pairs, {', '.join(parts)}; all are in comparisons.csv. The clearest:"


def limits_of_the_data(evidence: Evidence, findings: Findings) -> tuple[str, ...]:
    """Sentences on what was left out and what these shots cannot tell."""
    comparisons = findings.comparisons["reading_mm"]
    notes = [*evidence.notes, *findings.notes, *findings.summary.notes, *comparisons.notes]
    for part in comparisons.parts:
        notes.extend(part.notes)
    notes.extend(drift.sentence for drift in findings.drifts if drift.blocked and not drift.shown)
    lonely = [row for row in findings.summary.rows if row.note and row.shooter != "all"]
    notes.extend(f"{row.condition}, {row.shooter}: {row.note}" for row in lonely[:MOST_SENTENCES])
    if len(lonely) > MOST_SENTENCES:
        notes.append(f"The same holds for {len(lonely) - MOST_SENTENCES} more groups of shots.")
    if len(tested_conditions(findings.table)) > 1 and comparisons.question.margin is None:
        notes.append(
            "No margin was stated (analysis.margin_mm), so no pair can be called the same, only different or "
            "undecided."
        )
    notes.extend(missing_cells(findings.table))
    return once(notes)


def missing_cells(table: pd.DataFrame) -> tuple[str, ...]:
    """Say which conditions some shooters did not shoot."""
    counted = table[table["kept"].astype(bool) & table["reading_mm"].notna() & (table["role"] == "test")]
    cells = counted.groupby(["condition", "shooter"], sort=False).size().unstack(fill_value=0)
    missing = [(str(c), str(s)) for c in cells.index for s in cells.columns if cells.loc[c, s] == 0]
    if not missing:
        return ()
    named = ", ".join(f"{c} by {s}" for c, s in missing[:MOST_SENTENCES])
    more = f" and {len(missing) - MOST_SENTENCES} more" if len(missing) > MOST_SENTENCES else ""
    return (f"There are no counted shots of {named}{more}: these are compared through the cells that are there.",)


def _count(n: int, noun: str) -> str:
    return f"{n:,} {noun}{'' if n == 1 else 's'}"
