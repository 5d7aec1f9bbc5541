"""The check by shuffled labels on the page: beside which verdicts, and what is said where it tells nothing."""

from dataclasses import replace

import numpy as np
import pandas as pd

from analyze.report.blocks import Grid
from analyze.report.shuffled import shuffled_blocks
from analyze.statistics import Question, Verdict, check_by_permutation, compare


def table(cells):
    rows = [(c, s, value) for (c, s), values in cells.items() for value in values]
    return pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])


def blocks(cells, **asked):
    shots = table(cells)
    question = Question(covariates=(), **asked)
    comparisons = compare(shots, question)
    return shuffled_blocks(check_by_permutation(shots, question), comparisons), comparisons


def test_every_verdict_that_can_be_checked_has_its_row():
    rng = np.random.default_rng(1)
    cells = {(c, f"S{s}"): rng.normal(50 + shift, 3, 4) for c, shift in (("A", 0), ("B", 9)) for s in range(6)}
    found, comparisons = blocks(cells)
    grid = next(block for block in found if isinstance(block, Grid))
    assert [row[1].replace("\xa0", " ") for row in grid.rows] == ["these", "in general"]
    assert [row[2] for row in grid.rows] == [str(comparisons.these.rows[0].verdict)] * 2
    assert [row[-1].replace("\xa0", " ") for row in grid.rows] == ["10,000 (drawn)", "64 (all)"]


def test_too_few_shots_or_shooters_are_said_and_fill_no_table():
    cells = {(c, "S1"): [base, base + 1.0, base + 2.5] for c, base in (("A", 0.0), ("B", 40.0))}
    found, _ = blocks(cells)
    assert [block.text for block in found][0] == (
        "For these shooters shuffling cannot check 1 pair: so few shots give p = 0.1 at the least."
    )
    three = {
        (c, f"S{s}"): [base, base + 1.0, base + 2.5] for c, base in (("A", 0.0), ("B", 40.0)) for s in range(3)
    }
    found, _ = blocks(three)
    assert any(
        "In general shuffling cannot check 1 pair: so few shooters give p = 0.25" in b.text for b in found[1:]
    )


def test_a_verdict_that_shuffling_does_not_bear_out_is_named():
    cells = {
        ("A", "S1"): [50.0, 50.1, 49.9, 50.0], ("B", "S1"): [50.4, 50.5, 50.3, 50.4],
        ("A", "S2"): [60.0, 60.1, 59.9, 60.0], ("B", "S2"): [60.4, 60.5, 60.3, 60.4],
    }  # fmt: skip
    found, comparisons = blocks(cells)
    assert comparisons.these.rows[0].verdict is Verdict.DIFFERS
    assert not any("look at how these shots scatter" in getattr(block, "text", "") for block in found)
    checks = [check for check in check_by_permutation(table(cells)) if check.p is not None]
    doubted = [replace(check, p=0.3) for check in checks]
    said = [getattr(block, "text", "") for block in shuffled_blocks(doubted, comparisons)]
    assert any(
        "A and B are called different, but shuffling shows a difference as large in 0.300" in t for t in said
    )
