"""The shooting order: complete, blocked, balanced, reproducible; and its file."""

import re
from collections import Counter
from itertools import groupby, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyze.plan.order_sheet import write_order_sheet
from analyze.session.order import (
    OrderRow,
    OrderWish,
    order_text,
    read_order,
    read_remark,
    shooting_order,
    write_order,
)
from calibrate.errors import SessionError


def drawn(seed=1, **wish):
    return shooting_order(OrderWish(**wish), {"A": 14.3, "B": -14.3}, rng=np.random.default_rng(seed))


def places_of(rows, conditions):
    """Place of each condition in each round of as many shots as there are conditions."""
    tests = [row.condition for row in rows if row.condition in conditions]
    k = len(conditions)
    return [tests[first : first + k] for first in range(0, len(tests), k)]


WISHES = st.builds(
    OrderWish,
    shooters=st.sampled_from([("S1",), ("S1", "S2"), ("S1", "S2", "S3")]),
    conditions=st.sampled_from([("A", "B"), ("A", "B", "C"), ("A", "B", "C", "D")]),
    shots=st.integers(1, 17),
    once=st.sampled_from([(), ("B",), ("B", "A")]),
    turn=st.integers(1, 4),
    control=st.sampled_from(["", "control"]),
    controls=st.integers(0, 5),
)


@settings(max_examples=60, deadline=None)
@given(wish=WISHES, seed=st.integers(0, 99))
def test_every_order_is_complete_blocked_and_keeps_what_must_come_once(wish, seed):
    rows = shooting_order(wish, {}, rng=np.random.default_rng(seed))
    assert [row.order for row in rows] == list(range(1, len(rows) + 1))
    tests = Counter((row.shooter, row.condition) for row in rows if row.condition != "control")
    assert tests == {(s, c): wish.shots for s in wish.shooters for c in wish.conditions}
    for cell in tests:
        assert [row.shot for row in rows if (row.shooter, row.condition) == cell] == list(range(1, wish.shots + 1))
    stages = max(len(wish.once), 1)
    assert len([key for key, _ in groupby(rows, lambda row: row.shooter)]) <= stages * len(wish.shooters)
    for first, second in pairwise(wish.once):
        assert max(r.order for r in rows if r.condition == first) < min(
            r.order for r in rows if r.condition == second
        )
    if not wish.control or not wish.controls:
        assert "control" not in {row.condition for row in rows}


@pytest.mark.parametrize("conditions", [("A", "B"), ("A", "B", "C"), ("A", "B", "C", "D"), tuple("ABCDE")])
def test_each_condition_is_equally_often_in_each_place_and_after_each_other(conditions):
    """Over full Williams squares, whichever shooters they fall to: three shooters of 2k rounds each."""
    k = len(conditions)
    rows = drawn(shooters=("S1", "S2", "S3"), conditions=conditions, shots=2 * k)
    rounds = places_of(rows, conditions)
    assert len(rounds) == 6 * k
    for place in range(k):
        assert set(Counter(one[place] for one in rounds).values()) == {6}
    follows = Counter(pair for one in rounds for pair in pairwise(one))
    assert set(follows.values()) == {6}
    assert len(follows) == k * (k - 1)


@pytest.mark.parametrize(("k", "shots", "shooters"), [(2, 9, 2), (3, 5, 2), (4, 7, 3), (5, 6, 3)])
def test_where_no_square_is_full_places_are_at_most_one_apart(k, shots, shooters):
    conditions = tuple("ABCDE"[:k])
    for seed in range(20):
        rows = drawn(seed, shooters=tuple(f"S{n}" for n in range(shooters)), conditions=conditions, shots=shots)
        rounds = places_of(rows, conditions)
        for place in range(k):
            counts = [sum(one[place] == name for one in rounds) for name in conditions]
            assert max(counts) - min(counts) <= 1


def test_an_order_is_not_the_same_over_and_over():
    """Within one order rounds differ, and 20 seeds give 20 orders."""
    wish = {"shooters": ("S1", "S2"), "conditions": ("A", "B", "C"), "shots": 9}
    texts = {order_text(drawn(seed, **wish), "") for seed in range(20)}
    assert len(texts) == 20
    assert len({tuple(one) for one in places_of(drawn(**wish), ("A", "B", "C"))}) > 3


def test_the_shooter_who_begins_is_drawn_as_well():
    first = Counter(
        drawn(seed, shooters=("S1", "S2"), conditions=("A", "B"), shots=2)[0].shooter for seed in range(200)
    )
    assert 70 <= first["S1"] <= 130  # 99.99 % of binomial(200, 0.5)


def test_the_same_seed_gives_the_same_order():
    wish = {"shooters": ("S1", "S2"), "conditions": ("A", "B", "C"), "shots": 5, "control": "control"}
    assert drawn(7, **wish) == drawn(7, **wish)


def test_control_shots_open_and_close_each_block_and_lie_evenly_between():
    rows = drawn(shooters=("S1", "S2"), conditions=("A", "B"), shots=6, control="control", controls=4)
    for _, block in groupby(rows, lambda row: row.shooter):
        conditions = [row.condition for row in block]
        assert [place for place, name in enumerate(conditions) if name == "control"] == [0, 5, 10, 15]


def test_a_condition_that_stays_is_spread_over_all_stages_and_within_each():
    rows = drawn(shooters=("S1", "S2"), conditions=("A", "B", "C"), shots=8, once=("C", "B"))
    cut = max(row.order for row in rows if row.condition == "C")
    before = Counter(row.condition for row in rows if row.order <= cut)
    assert before["C"] == 16
    assert before["B"] == 0
    assert before["A"] >= 8 - 1  # the last of stage 1 may come after the last C
    gaps = [len(list(run)) for key, run in groupby(row.condition for row in rows) if key != "A"]
    assert max(gaps) <= 6


def test_turns_keep_the_cue_in_hand():
    rows = drawn(shooters=("S1",), conditions=("A", "B"), shots=7, turn=3)
    runs = [len(list(run)) for _, run in groupby(row.condition for row in rows)]
    assert max(runs) <= 6  # two turns of one condition can meet at the border of rounds
    assert Counter(row.condition for row in rows) == {"A": 7, "B": 7}
    assert len(runs) <= 6


@pytest.mark.parametrize(
    ("wish", "message"),
    [
        ({"once": ("X",)}, '"X" shall be shot in one go, but is none of the conditions: A, B'),
        ({"shooters": ("S1", "S1")}, 'shooter "S1" is named twice'),
        ({"once": ("B", "B")}, 'once "B" is named twice'),
        ({"shooters": ()}, "needs a shooter"),
        ({"turn": 0}, "must be 1 or more"),
    ],
)
def test_what_cannot_be_ordered_is_said(wish, message):
    with pytest.raises(SessionError, match=message):
        OrderWish(**({"shooters": ("S1",), "conditions": ("A", "B"), "shots": 2} | wish))


def test_an_order_reads_back_as_written(tmp_path):
    rows = drawn(shooters=("S1", "Shooter, two"), conditions=("A", "B", "C"), shots=3, control="control")
    assert write_order(tmp_path / "order.csv", rows, "seed 1") is None
    assert read_order(tmp_path / "order.csv") == rows
    assert (
        (tmp_path / "order.csv")
        .read_text()
        .startswith("# seed 1\norder,shooter,condition,shot,tip_offset_mm,kept,note\n")
    )


def test_an_older_order_is_kept_under_another_name_and_the_same_one_left_alone(tmp_path):
    path = tmp_path / "order.csv"
    first, second = (
        drawn(seed, shooters=("S1",), conditions=("A", "B"), shots=4, control="control") for seed in (1, 2)
    )
    write_order(path, first, "seed 1")
    assert write_order(path, first, "seed 1") is None
    assert write_order(path, second, "seed 2") == tmp_path / "order-1.csv"
    assert write_order(path, first, "seed 1") == tmp_path / "order-2.csv"
    assert [read_order(tmp_path / f"order{n}.csv") for n in ("", "-1", "-2")] == [first, first, second]


def test_an_order_that_went_through_a_spreadsheet_is_read(tmp_path):
    (tmp_path / "order.csv").write_text(
        '\ufeff"# seed 1";;;;\norder;shooter;condition;shot;tip_offset_mm\n2;S1;B;1;14,3\n1;S1;A;1;\n;;;;\n'
    )
    first, second = read_order(tmp_path / "order.csv")
    assert first == OrderRow(order=1, shooter="S1", condition="A", shot=1, tip_offset_mm=None)
    assert second.tip_offset_mm == pytest.approx(14.3, rel=1e-12)
    assert read_remark(tmp_path / "order.csv") == "seed 1"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("# only a remark\n", "is empty"),
        ("order,shooter\n1,S1\n", "column condition is missing"),
        ("order,shooter,condition\n", "holds no shot"),
        ("order,shooter,condition\n1,S1,A\n1,S1,B\n", "order 1 stands there twice"),
        ("order,shooter,condition\nx,S1,A\n", "line 2: order = x"),
        ("order,shooter,condition\n1,,A\n", "line 2: shooter is empty"),
        ("order,shooter,condition\n1\n", "line 2: shooter is empty"),
        ("order,shooter,condition,tip_offset_mm\n1,S1,A,far\n", "tip_offset_mm = far"),
        ("order,shooter,condition,tip_offset_mm\n1,S1,A,90\n", "between -40 and 40"),
    ],
)
def test_a_bad_order_is_one_clear_line(tmp_path, text, message):
    (tmp_path / "order.csv").write_text(text)
    with pytest.raises(SessionError, match=message):
        read_order(tmp_path / "order.csv")


def test_the_printed_order_has_as_many_pages_as_it_needs_at_a4_size(tmp_path):
    rows = drawn(shooters=("S1", "S2"), conditions=("A", "B", "C"), shots=20, once=("B", "C"), control="control")
    write_order_sheet(tmp_path / "order.pdf", rows, title="a $test", remark="seed 1")
    data = (tmp_path / "order.pdf").read_bytes()
    assert data.count(b"/Type /Page ") == 2  # 136 shots and 6 headings, 82 lines a page
    # A4 upright, ISO 216: 210 x 297 mm at 72 points an inch.
    boxes = [[float(number) for number in box.split()] for box in re.findall(rb"/MediaBox \[([^]]*)\]", data)]
    assert boxes == [pytest.approx([0, 0, 595.276, 841.890], abs=0.001)] * 2


def test_names_with_dollar_signs_and_great_length_are_printed_as_they_are(tmp_path):
    rows = [OrderRow(order=1, shooter="$x^$" * 9, condition="$B_$", shot=1, tip_offset_mm=-1.5)]
    write_order_sheet(tmp_path / "order.pdf", rows, title="$a^$", remark="$")
    assert (tmp_path / "order.pdf").read_bytes().startswith(b"%PDF")
