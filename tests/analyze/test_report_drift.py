"""Readings that creep while a session goes on: adjusted for where the order is known, else a warning."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analyze.report.build import build_report
from analyze.statistics import Question, compare

CREEP_MM = 0.8  # from shot to shot
UNTOLD = "order and condition cannot be told apart"


def readings(conditions, rng, *, creep=CREEP_MM):
    """One shooter's shots in the order given; B lies 5 mm to the right of A."""
    order = np.arange(1, len(conditions) + 1)
    base = 50.0 + 5.0 * (np.array(conditions) == "B")
    return pd.DataFrame(
        {
            "condition": conditions,
            "shooter": "S1",
            "order": order,
            "reading_mm": np.round(base + creep * order + rng.normal(0, 1.0, len(order)), 1),
        }
    )


def reported(tmp_path, shots):
    shots.to_csv(tmp_path / "readings.csv", index=False)
    report = build_report(tmp_path)[1]
    return " ".join(report.sentences), report.page.read_text(encoding="utf-8").replace("\xa0", " ")


def test_blocks_shot_while_readings_drift_are_said_in_the_lead(tmp_path):
    said, page = reported(tmp_path, readings(["A"] * 8 + ["B"] * 8, np.random.default_rng(1)))
    assert f"But conditions were shot in blocks while readings drifted: {UNTOLD}" in said
    assert UNTOLD in page.partition('<section id="readings">')[0]


@pytest.mark.parametrize("conditions", [["A"] * 8 + ["B"] * 8, ["A", "B"] * 8])
def test_without_a_drift_or_without_blocks_nothing_is_said(tmp_path, conditions):
    blocks = conditions[0] == conditions[1]
    said, _ = reported(tmp_path, readings(conditions, np.random.default_rng(2), creep=0.0 if blocks else CREEP_MM))
    assert UNTOLD not in said


def test_a_known_order_is_adjusted_for_as_a_linear_model_does(tmp_path):
    """Independent reference: ordinary least squares of condition and place in the order, by statsmodels."""
    shots = readings(list("AABABBABAABB"), np.random.default_rng(3))
    adjusted = compare(shots, Question(covariates=("order",))).adjusted_these.pair("A", "B")
    model = smf.ols("reading_mm ~ C(condition) + order", shots).fit()
    assert adjusted.difference == pytest.approx(model.params["C(condition)[T.B]"], rel=1e-9)
    raw = compare(shots, Question(covariates=())).these.pair("A", "B")
    assert abs(adjusted.difference - 5.0) < abs(raw.difference - 5.0)
    assert adjusted.se < raw.se
    _, page = reported(tmp_path, shots)
    assert "The same, adjusted to place in the shooting order 6.5" in page


def test_an_unknown_order_is_adjusted_for_by_nothing(tmp_path):
    shots = readings(list("AABABBABAABB"), np.random.default_rng(3)).drop(columns="order")
    _, page = reported(tmp_path, shots)
    assert "adjusted to" not in page.partition('<section id="variation">')[0]
    assert "The shooting order is not known, so drift cannot be told." in page
