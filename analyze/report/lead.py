"""Which conditions differ, which are the same, which are undecided: all pairs in two or three sentences."""

from collections.abc import Sequence

from analyze.report.words import HALF_A_STEP, interval, length_in_sentence, rounds_to_zero
from analyze.statistics import Comparison, Comparisons, PairRow, Verdict

MOST_PHRASES = 6  # of one scope; a sentence with more can no longer be read aloud
MOST_PAIRS = 28  # eight conditions; of more, only how many ended how is said
NOT_COMPARED = "not compared"
THESE, GENERAL = "For these shooters", "For shooters in general"
BOTH = "For these shooters and for shooters in general"
Pair = tuple[str, str]


def lead_sentences(comparisons: Comparisons, units: str) -> tuple[str, ...]:
    """Say how all pairs ended, for these shooters and in general in one breath where they agree.

    Parameters
    ----------
    comparisons : Comparisons
        Of the readings.
    units : str
        ``inch`` or ``mm``.

    Returns
    -------
    tuple of str
        One to three sentences; where nothing is compared, why.
    """
    these, general = comparisons.these, comparisons.general
    if not these.rows:
        return these.notes
    beyond = {(row.a, row.b): row for row in general.rows}
    pairs = [(row, beyond.get((row.a, row.b))) for row in these.rows]
    if len(pairs) == 1:
        return _one_pair(*pairs[0], units)
    if all(_ending(other) == NOT_COMPARED for _, other in pairs):
        return _sentence(THESE, these.rows, units), f"{GENERAL} nothing can be said. {_reason(general)}".strip()
    apart = [other for row, other in pairs if other is not None and _ending(row) != _ending(other)]
    if not apart:
        return (_sentence(BOTH, these.rows, units),)
    if 2 * len(apart) <= len(pairs):
        excepted = _sentence(f"{GENERAL} the same holds, except that", apart, units, whole=these.rows)
        return _sentence(THESE, these.rows, units), excepted
    return _sentence(THESE, these.rows, units), _sentence(GENERAL, general.rows, units)


def _ending(row: PairRow | None) -> str:
    return NOT_COMPARED if row is None or row.lo is None or row.hi is None else str(row.verdict)


def _reason(scope: Comparison) -> str:
    """Why a scope has no interval: what the first pair says, as a rule the same for all."""
    return next((row.note for row in scope.rows if row.note), "")


def _one_pair(row: PairRow, general: PairRow | None, units: str) -> tuple[str, ...]:
    a, b = row.a, row.b
    if row.difference is None:
        return (f"{a} and {b} cannot be compared. {row.note}",)
    by = _sideways(row, units)
    if _ending(row) == NOT_COMPARED:
        return (f"{by}, with no interval. {row.note}",)
    own = _interval(row, units)
    if general is None or _ending(general) == NOT_COMPARED:
        why = general.note if general is not None else ""
        return f"{THESE}, {_ended(row, units)}: {by} ({own}).", f"{GENERAL} nothing can be said. {why}".strip()
    if _ending(general) == _ending(row):
        in_general = _interval(general, units)
        both = own if in_general == own else f"{own} for these shooters, {in_general} in general"
        return (f"{BOTH}, {_ended(row, units)}: {by} ({both}).",)
    return (
        f"{THESE}, {_ended(row, units)}: {by} ({own}).",
        f"{GENERAL}, {_ended(general, units)} ({_interval(general, units)}).",
    )


def _ended(row: PairRow, units: str) -> str:
    if row.verdict is Verdict.SAME and row.margin is not None:
        return f"{row.a} and {row.b} are the same within {length_in_sentence(row.margin, units)}"
    if row.verdict is Verdict.DIFFERS:
        return f"{row.a} and {row.b} differ"
    return f"{row.a} and {row.b} are undecided"


def _sideways(row: PairRow, units: str) -> str:
    difference = row.difference or 0.0
    if rounds_to_zero(difference, units):
        return f"{row.b} reads within {HALF_A_STEP[units]} of {row.a}"
    size = length_in_sentence(abs(difference), units)
    return f"{row.b} reads {size} to the {'left' if difference < 0 else 'right'} of {row.a}"


def _interval(row: PairRow, units: str) -> str:
    return interval(row.lo, row.hi, units)


def _sentence(opening: str, rows: Sequence[PairRow], units: str, *, whole: Sequence[PairRow] | None = None) -> str:
    """Put pairs of a scope into one sentence; `whole` is all there are where `rows` are some of them."""
    endings = {_ending(row) for row in rows}
    comma = "," if whole is None else ""
    if whole is None and endings == {str(Verdict.UNDECIDED)}:
        return f"{opening}{comma} all {len(rows):,} pairs of conditions are undecided."
    if len(rows) > MOST_PAIRS:
        return f"{opening}{comma} {_counts(rows)}."
    phrases = [
        *_differing([row for row in rows if _ending(row) == Verdict.DIFFERS], units, _names(whole or rows)),
        *_same([row for row in rows if _ending(row) == Verdict.SAME], units),
        *_listed_pairs([row for row in rows if _ending(row) == Verdict.UNDECIDED], "undecided"),
        *_listed_pairs([row for row in rows if _ending(row) == NOT_COMPARED], "without an interval"),
    ]
    if len(phrases) > MOST_PHRASES:
        return f"{opening}{comma} {_counts(rows)}."
    return f"{opening}{comma} {_joined(phrases)}."


def _counts(rows: Sequence[PairRow]) -> str:
    endings = [_ending(row) for row in rows]
    words = {
        Verdict.DIFFERS: "differ",
        Verdict.SAME: "are the same within the margin",
        Verdict.UNDECIDED: "are undecided",
        NOT_COMPARED: "have no interval",
    }
    parts = [f"{endings.count(str(end)):,} {verb}" for end, verb in words.items() if str(end) in endings]
    clearest = max(rows, key=lambda row: abs(row.difference or 0.0) / (row.se or float("inf")))
    tail = f"; most clearly {clearest.a} and {clearest.b}" if _ending(clearest) == Verdict.DIFFERS else ""
    return f"of {len(rows):,} pairs of conditions {and_listed(parts)}{tail} (the table below has the pairs)"


def _differing(rows: Sequence[PairRow], units: str, order: Sequence[str]) -> list[str]:
    """Group pairs that differ around the conditions that differ most often: ``D differs from A, B and C``."""
    # (x, y) stands for: x reads to the right of y.
    size = {((r.b, r.a) if (r.difference or 0.0) > 0 else (r.a, r.b)): abs(r.difference or 0.0) for r in rows}
    phrases = []
    left = list(size)
    while left:
        names = list(dict.fromkeys(name for pair in left for name in pair))
        stars = [(name, side, [p for p in left if p[side] == name]) for name in names for side in (0, 1)]
        middle, side, star = max(stars, key=lambda one: len(one[2]))
        left = [pair for pair in left if pair not in star]
        others = and_listed([name for name in order if name in {pair[1 - side] for pair in star}])
        by = _sizes(min(size[pair] for pair in star), max(size[pair] for pair in star), units)
        phrases.append(f"{middle} differs from {others} ({by} to the {'right' if side == 0 else 'left'})")
    return phrases


def _sizes(least: float, most: float, units: str) -> str:
    """Say how large differences are, without a zero that goes to one side."""
    if rounds_to_zero(most, units):
        return f"less than {HALF_A_STEP[units]}"
    if rounds_to_zero(least, units):
        return f"up to {length_in_sentence(most, units)}"
    alike = length_in_sentence(least, units) == length_in_sentence(most, units)
    return length_in_sentence(most, units) if alike else interval(least, most, units)


def _names(rows: Sequence[PairRow]) -> list[str]:
    """Names in the order of the conditions, from all pairs."""
    return list(dict.fromkeys(name for row in rows for name in (row.a, row.b)))


def _same(rows: Sequence[PairRow], units: str) -> list[str]:
    """Group pairs that are the same into sets of which every two are: ``A, B and C are the same within 6 mm``."""
    margin = length_in_sentence(rows[0].margin, units) if rows and rows[0].margin is not None else "the margin"
    return [f"{and_listed(group)} are the same within {margin}" for group in _cliques([(r.a, r.b) for r in rows])]


def _cliques(pairs: Sequence[Pair]) -> list[list[str]]:
    """Cover pairs by sets of names of which every two are a pair, the largest first (greedily)."""
    joined = {frozenset(pair) for pair in pairs}
    names = list(dict.fromkeys(name for pair in pairs for name in pair))
    groups: list[list[str]] = []
    left = list(pairs)
    while left:
        group = list(left[0])
        for name in names:
            if name not in group and all(frozenset((name, other)) in joined for other in group):
                group.append(name)
        groups.append([name for name in names if name in group])
        left = [pair for pair in left if not (pair[0] in group and pair[1] in group)]
    return groups


def _listed_pairs(rows: Sequence[PairRow], ending: str) -> list[str]:
    """Group the other pairs: ``A against B and C, and B against D are undecided``."""
    if not rows:
        return []
    by_first: dict[str, list[str]] = {}
    for row in rows:
        by_first.setdefault(row.a, []).append(row.b)
    if len(rows) == 1:
        return [f"{rows[0].a} and {rows[0].b} are {ending}"]
    against = [f"{a} against {or_listed(others)}" for a, others in by_first.items()]
    return [f"{_joined(against, ',')} are {ending}" if len(against) > 1 else f"{against[0]} is {ending}"]


def and_listed(names: Sequence[str]) -> str:
    """Names for a sentence: ``A``, ``A and B``, ``A, B and C``."""
    return " and ".join([*([", ".join(names[:-1])] if len(names) > 1 else []), *names[-1:]])


def or_listed(names: Sequence[str]) -> str:
    """Names for a sentence: ``A``, ``A or B``, ``A, B or C``."""
    return " or ".join([*([", ".join(names[:-1])] if len(names) > 1 else []), *names[-1:]])


def _joined(phrases: Sequence[str], mark: str = ";") -> str:
    return f"{mark} ".join([*phrases[:-1], f"and {phrases[-1]}"]) if len(phrases) > 1 else phrases[0]
