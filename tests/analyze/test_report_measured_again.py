"""Recordings in several sessions: they count once, and tell what other clicks change."""

from types import SimpleNamespace

import pytest

from analyze.report.measured_again import keys_before, readings_again
from analyze.statistics import gauge_study


def stored(sha, reading_mm, shot=1, *, kept=True):
    """What the report reads of a stored shot."""
    reading_m = None if reading_mm is None else reading_mm / 1000
    return SimpleNamespace(clip_sha256=sha, kept=kept, shot=SimpleNamespace(shot=shot, reading_m=reading_m))


FIRST = [stored("a", 10.0), stored("b", -20.0), stored("c", 5.0), stored("d", 7.0)]
AGAIN = [stored("c", 5.6), stored("a", 10.4), stored("b", -19.5), stored("e", 1.0)]


def test_shots_of_both_sessions_are_paired_by_their_recording():
    table = readings_again([("one", FIRST), ("two", AGAIN)])
    assert sorted(table["clip"].unique()) == ["a 1", "b 1", "c 1"]
    assert table.groupby("clip")["reading_mm"].apply(list)["b 1"] == pytest.approx([-20.0, -19.5])


def test_study_gives_the_shift_that_all_shots_share():
    """Differences 0.4, 0.5, 0.6: variance between the sets of marks (0.5^2 - 0.01 / 3) / 2 by the mean squares.

    Two-way layout without repeats, both random (Montgomery, Design and Analysis of Experiments; from memory):
    MS of marks 3 * 0.5^2 / 2, MS of the rest 0.01 / 2, component (MS - MS rest) / 3.
    """
    study = gauge_study(readings_again([("one", FIRST), ("two", AGAIN)]), operator="session")
    assert study.variances.operator == pytest.approx((3 * 0.25 / 2 - 0.01 / 2) / 3, rel=1e-9)
    assert study.variances.repeatability + study.variances.interaction == pytest.approx(0.01 / 2, rel=1e-9)


def test_shots_without_a_reading_or_alone_are_left_out():
    table = readings_again([("one", [*FIRST, stored("f", None)]), ("two", [stored("f", 3.0), stored("a", 10.1)])])
    assert table.empty
    assert readings_again([("one", FIRST)]).empty


def test_a_shot_counts_in_the_first_session_that_holds_it():
    assert keys_before([FIRST, AGAIN], 0) == frozenset()
    assert ("a", 1) in keys_before([FIRST, AGAIN], 1)
    assert ("e", 1) not in keys_before([FIRST, AGAIN], 1)


def test_a_shot_that_does_not_count_in_the_first_session_may_in_the_next():
    first = [stored("a", None, kept=False), stored("b", 3.0, kept=False), stored("c", 5.0)]
    assert keys_before([first, AGAIN, AGAIN], 1) == {("c", 1)}
    assert keys_before([first, AGAIN, AGAIN], 2) == {("c", 1), ("a", 1), ("b", 1), ("e", 1)}
