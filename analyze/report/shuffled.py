"""The check by shuffled labels, in the page's details: a table, and words where it and a verdict disagree."""

from collections.abc import Sequence

from analyze.report.blocks import Block, Grid, paragraphs
from analyze.report.words import GAP, once, p_value
from analyze.statistics import Comparisons, PairRow, PermutationCheck, Scope, Verdict
from analyze.statistics.sentences import plain

HOW = (
    "If two conditions were alike, chance alone would say which of a shooter's shots belong to which. So their "
    "labels are shuffled among the shots of each shooter or, for shooters in general, swapped for all shots of a "
    "shooter at once; p is the share of arrangements with a difference at least as large. That assumes nothing of "
    "how shots scatter. Alone: of this pair; else allowing for the number of pairs (Holm). Least: the smallest "
    "that so few shots, or shooters, can give. Verdicts are those of the intervals; this only stands beside them."
)


def shuffled_blocks(checks: Sequence[PermutationCheck], comparisons: Comparisons) -> tuple[Block, ...]:
    """Give the table of the checks and what it means; nothing where nothing was checked.

    Parameters
    ----------
    checks : sequence of PermutationCheck
        Of the pairs that the page shows.
    comparisons : Comparisons
        Their verdicts.
    """
    beside = {
        (row.scope, row.a, row.b): row for part in (comparisons.these, comparisons.general) for row in part.rows
    }
    paired = [(check, row) for check in checks if (row := beside.get((check.scope, check.a, check.b))) is not None]
    level = 1 - comparisons.question.confidence
    told = [(check, row) for check, row in paired if check.least is not None and check.least <= level]
    silent = [check for check, _ in paired if check.least is not None and check.least > level]
    pairs = dict.fromkeys((check.a, check.b) for check, _ in told)
    rows = [_cells(check, row) for pair in pairs for check, row in told if (check.a, check.b) == pair]
    remarks = (*_too_few(silent), *once(check.note for check, _ in paired))
    if not rows:
        return paragraphs(remarks, "small")
    grid = Grid(
        caption="The same, checked by shuffling labels within shooters",
        head=("b − a", "shooters", "verdict", "p (adjusted)", "p shuffled", "alone", "least", "arrangements"),
        rows=tuple(rows),
        words=frozenset({0, 1, 2}),
        dense=len(rows) > 12,
    )
    said = (HOW, *remarks, *(_disagreement(check, row, level) for check, row in told))
    return (grid, *paragraphs(said, "small"))


def _too_few(checks: Sequence[PermutationCheck]) -> tuple[str, ...]:
    """Say of which pairs shuffling can tell nothing, since even the largest difference would not look rare."""
    said = []
    for scope, whom, what in (
        (Scope.THESE, "For these shooters", "shots"),
        (Scope.GENERAL, "In general", "shooters"),
    ):
        least = [check.least for check in checks if check.scope is scope and check.least is not None]
        if least:
            count = f"{len(least)} pair{'' if len(least) == 1 else 's'}"
            said.append(
                f"{whom} shuffling cannot check {count}: so few {what} give p = {plain(min(least), 2)} at "
                "the least."
            )
    return tuple(said)


def _cells(check: PermutationCheck, row: PairRow) -> tuple[str, ...]:
    return (
        f"{check.b}{GAP}−{GAP}{check.a}",
        "these" if check.scope is Scope.THESE else f"in{GAP}general",
        str(row.verdict) if row.lo is not None else f"no{GAP}interval",
        p_value(row.p_adjusted),
        p_value(check.p_adjusted),
        p_value(check.p),
        p_value(check.least),
        f"{check.arrangements:,}{GAP}{'(all)' if check.exact else '(drawn)'}",
    )


def _disagreement(check: PermutationCheck, row: PairRow, level: float) -> str:
    """Say so where a pair is called different and shuffling, which could tell, does not show it; else empty."""
    told = check.p is not None and check.least is not None and check.least <= level
    if row.verdict is not Verdict.DIFFERS or not told or (check.p or 0.0) <= level:
        return ""
    scope = "For these shooters" if check.scope is Scope.THESE else "In general"
    return (
        f"{scope} {check.a} and {check.b} are called different, but shuffling shows a difference as large in "
        f"{p_value(check.p)} of arrangements: look at how these shots scatter before relying on it."
    )
