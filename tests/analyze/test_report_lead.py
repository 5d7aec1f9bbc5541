"""The lead: every pair in two or three sentences, those of both scopes in one breath where they agree."""

from itertools import combinations

import pytest

from analyze.report.lead import lead_sentences
from analyze.statistics import Comparison, Comparisons, PairRow, Question, Scope, Verdict

GAP = "\N{NO-BREAK SPACE}"


def row(a, b, scope, difference, verdict, *, note=""):
    """Make a row; without a verdict it has no interval."""
    half = None if verdict is None else 4.0
    return PairRow(
        a=a, b=b, quantity="reading_mm", scope=scope, difference=difference, se=half, df=half,
        lo=None if half is None else difference - half, hi=None if half is None else difference + half,
        p_adjusted=half, same_lo=half, same_hi=half, p_same=half, method="", margin=6.0,
        verdict=verdict or Verdict.UNDECIDED, more_shots=None, more_shooters=None, note=note,
    )  # fmt: skip


def said(means, verdicts, general=None, *, note=""):
    """Sentences about conditions of given means; verdicts by pair, those not named undecided."""
    scopes = {}
    for scope, ended in ((Scope.THESE, verdicts), (Scope.GENERAL, verdicts if general is None else general)):
        rows = tuple(
            row(a, b, scope, means[b] - means[a], ended.get(a + b, Verdict.UNDECIDED), note=note)
            for a, b in combinations(means, 2)
        )
        scopes[scope] = Comparison(
            scope=scope, words="", rows=rows, means=(), omnibus=None, spreads=None, adjustments=(), notes=()
        )
    every = Comparisons(
        question=Question(margin=6.0), these=scopes[Scope.THESE], general=scopes[Scope.GENERAL],
        adjusted_these=None, adjusted_general=None, notes=(),
    )  # fmt: skip
    return tuple(text.replace(GAP, " ") for text in lead_sentences(every, "mm"))


D, S, U = Verdict.DIFFERS, Verdict.SAME, Verdict.UNDECIDED
FOUR = {"A": 0.0, "B": 1.0, "C": 2.0, "D": 20.0}
ENDED = {"AD": D, "BD": D, "CD": D, "AB": S, "AC": S, "BC": S}


def test_four_conditions_take_one_sentence_where_both_scopes_agree():
    assert said(FOUR, ENDED) == (
        "For these shooters and for shooters in general, D differs from A, B and C (18.0 to 20.0 mm to the right); "
        "and A, B and C are the same within 6.0 mm.",
    )


def test_what_holds_for_these_shooters_only_is_excepted():
    assert said(FOUR, ENDED, {**ENDED, "AC": U})[1] == (
        "For shooters in general the same holds, except that A and C are undecided."
    )


def test_same_within_the_margin_is_said_of_sets_of_which_every_two_are():
    chain = {"AB": S, "BC": S, "AC": U, "AD": D, "BD": D, "CD": D}
    (sentence,) = said(FOUR, chain)
    assert (
        "A and B are the same within 6.0 mm; B and C are the same within 6.0 mm; and A and C are undecided"
        in sentence
    )


def test_sides_are_told_apart():
    (sentence,) = said({"A": 0.0, "B": -9.0, "C": 9.0}, {"AB": D, "AC": D, "BC": D})
    assert (
        "B differs from A and C (9.0 to 18.0 mm to the left); and C differs from A (9.0 mm to the right)"
        in sentence
    )


def test_conditions_keep_their_order():
    """A and B are alike: the pairs that differ come up as A, C, D, B."""
    (sentence,) = said(
        {"A": 0.0, "B": 1.0, "C": 9.0, "D": 18.0}, {"AB": S, **dict.fromkeys(("AC", "AD", "BC", "BD", "CD"), D)}
    )
    assert "D differs from A, B and C (9.0 to 18.0 mm to the right); C differs from A and B" in sentence


@pytest.mark.parametrize("difference", [0.0, 0.02, -0.02])
@pytest.mark.parametrize("verdict", [S, U])
def test_a_zero_has_no_direction(difference, verdict):
    (sentence,) = said({"A": 0.0, "B": difference}, {"AB": verdict})
    assert "B reads within 0.05 mm of A" in sentence
    assert "to the" not in sentence


def test_small_differences_that_are_sure_are_said_as_small():
    (sentence,) = said({"A": 0.0, "B": 0.02, "C": 3.0}, dict.fromkeys(("AB", "AC", "BC"), D))
    assert "A differs from B and C (up to 3.0 mm to the left)" in sentence
    assert "less than 0.05 mm to the right" in said({"A": 0.0, "B": 0.02, "C": 9.0}, {"AB": D})[0]


def test_nothing_decided_is_one_short_sentence():
    assert said(FOUR, {}) == (
        "For these shooters and for shooters in general, all 6 pairs of conditions are undecided.",
    )


def test_one_pair_is_said_with_its_numbers():
    two = {"A": 0.0, "B": -9.0}
    assert said(two, {"AB": D}) == (
        "For these shooters and for shooters in general, A and B differ: B reads 9.0 mm to the left of A "
        "(\N{MINUS SIGN}13.0 to \N{MINUS SIGN}5.0 mm).",
    )
    assert said(two, {"AB": D}, {"AB": U})[1].startswith("For shooters in general, A and B are undecided (")
    assert said(two, {"AB": D}, {"AB": None}, note="One shooter tells nothing.")[1] == (
        "For shooters in general nothing can be said. One shooter tells nothing."
    )


@pytest.mark.parametrize("count", [9, 40])
def test_of_many_conditions_only_the_numbers_are_said(count):
    means = {chr(0x100 + k): 10.0 * k for k in range(count)}
    ended = {a + b: D if (ord(a) + ord(b)) % 3 else U for a, b in combinations(means, 2)}
    (sentence,) = said(means, ended)
    pairs = count * (count - 1) // 2
    assert f"of {pairs} pairs of conditions" in sentence
    assert len(sentence) < 300
