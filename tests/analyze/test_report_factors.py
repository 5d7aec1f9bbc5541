"""What conditions are made of and ratios, from readings.csv to the lead, the page and the tables."""

from pathlib import Path

import pandas as pd
import pytest

from analyze.report.build import build_report

SHOTS = Path(__file__).parents[1] / "references/statistics/factors/shots.csv"
CONFIG = """
[analysis]
margin_mm = 40
[[condition]]
name = "A"
factors = { taper = "long" }
values = { ferrule_mm = 8.0 }
[[condition]]
name = "a"
factors = { taper = "short" }
values = { ferrule_mm = 12.0 }
"""


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """Columns of the tester's own say the make; one combination is missing."""
    folder = tmp_path_factory.mktemp("factors")
    shots = pd.read_csv(SHOTS)
    shots[shots["data"] == "one missing"].drop(columns="data").to_csv(folder / "readings.csv", index=False)
    return build_report(folder)[1]


def test_the_lead_answers_for_each_factor(report):
    said = " ".join(report.sentences)
    assert "taper, the rest of the condition alike: for these shooters long and short differ" in said
    assert "missing: P with short" in said
    assert "shaft, the rest of the condition alike: for these shooters M and N, M and P differ; N and P are" in said
    assert "ferrule_mm was not varied apart from shaft" in said
    assert "ferrule_mm, from 8 to 25: for these shooters 0.38 mm of reading per mm" in said


def test_tables_and_page_hold_them(report):
    factors = pd.read_csv(report.page.parent / "factors.csv")
    taper = factors[(factors["name"] == "taper") & (factors["scope"] == "these")].iloc[0]
    assert (taper["difference_mm"], taper["se_mm"]) == pytest.approx((-6.944, 1.563), abs=5e-4)  # as in R
    assert set(factors["kind"]) == {"factor", "trend"}
    ratios = pd.read_csv(report.page.parent / "ratios.csv")
    assert len(ratios) == 2 * 10
    page = report.page.read_text(encoding="utf-8")
    assert "What the conditions are made of" in page
    assert "How many times as much" in page


def test_the_make_can_stand_in_session_toml_and_names_stay_as_they_are(tmp_path):
    (tmp_path / "session.toml").write_text(CONFIG, encoding="utf-8")
    rows = [f"{name},S{s},{60 + 2 * k + s}" for s in range(2) for name in "Aa" for k in range(4)]
    (tmp_path / "readings.csv").write_text(
        "condition,shooter,reading_mm\n" + "\n".join(rows) + "\n", encoding="utf-8"
    )
    report = build_report(tmp_path)[1]
    said = " ".join(report.sentences)
    assert "A and a differ by upper and lower case only: are they two?" in said
    assert "long and short are the same within" in said
    assert {one.value for one in report.findings.trends} == {"ferrule_mm"}
