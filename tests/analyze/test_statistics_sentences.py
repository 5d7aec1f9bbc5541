"""Every verdict has its sentence, with the numbers of its row."""

import numpy as np
import pandas as pd

from analyze.statistics import Question, compare, pair_sentence


def shots(**groups):
    rows = [
        (name, shooter, value) for name, by in groups.items() for shooter, values in by.items() for value in values
    ]
    return pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])


def test_each_way_to_end_is_said():
    wide, narrow = np.array([-6.0, 0.0, 6.0, 2.0, -2.0]), np.array([-0.1, 0.0, 0.1, 0.05, -0.05])
    table = shots(A={"S1": 10 + wide}, B={"S1": 12 + wide})
    row = compare(table, Question(margin=3.0)).these.rows[0]
    assert pair_sentence(row).startswith("A and B are undecided: B minus A is 2 mm (")
    assert (
        f"; {row.more_shots} more shots of each, in all over the shooters, would settle it in four cases of five "
        f"if the difference seen is the true one (in {100 * row.chance_if_margin:.0f} % of cases if it is 3 mm, in "
        f"{100 * row.chance_if_zero:.0f} % of cases if there is none)."
    ) in pair_sentence(row)
    sharp = shots(A={"S1": 10 + narrow}, B={"S1": 12 + narrow})
    assert pair_sentence(compare(sharp).these.rows[0]).startswith("A and B differ: B minus A is 2 mm (1.")
    same = compare(sharp, Question(margin=3.0)).these.rows[0]
    assert pair_sentence(same).startswith("A and B are the same within 3 mm: B minus A is 2 mm")
    inches = pair_sentence(same, show=lambda mm: f"{mm / 25.4:.3f} in")
    assert "within 0.118 in: B minus A is 0.079 in" in inches


def test_a_missing_interval_has_its_reason():
    apart = compare(shots(A={"S1": [1.0, 2.0]}, B={"S2": [2.0, 5.0]})).these.rows[0]
    assert pair_sentence(apart) == (
        "A and B cannot be compared. No shooter shot both in one session, so shooter and condition cannot be told "
        "apart."
    )
    single = compare(shots(A={"S1": [1.0]}, B={"S1": [2.5]})).these.rows[0]
    assert pair_sentence(single).startswith("B minus A is 1.5 mm, with no interval. Too few shots")


def test_angles_are_in_degrees_and_shooters_may_be_missing():
    rng = np.random.default_rng(3)
    table = shots(
        A={f"S{k}": rng.normal(0, 1, 4) + rng.normal(0, 30) for k in range(3)},
        B={f"S{k}": rng.normal(0, 1, 4) + rng.normal(0, 30) for k in range(3)},
    ).rename(columns={"reading_mm": "squirt_deg"})
    row = compare(table, Question(quantity="squirt_deg", margin=25.0)).general.rows[0]
    assert row.more_shots is None
    assert "°" in pair_sentence(row)
    assert f"{row.more_shooters} more shooters with as many shots each would in four cases" in pair_sentence(row)
