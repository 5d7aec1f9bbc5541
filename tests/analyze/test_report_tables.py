"""out/shots.csv and out/summary.csv: columns, units, and which control shots make whose zero."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from session_samples import made_up_session

from analyze.fit.cue_place import CuePlace
from analyze.report.build import build_report
from analyze.report.tables import _write
from analyze.session.decision_log import DecisionKind
from analyze.session.folder import Session, open_session
from analyze.session.shots import session_shots
from analyze.session.shots_frame import NO_NAME, SHOT_COLUMNS, counted_frame, shots_frame
from analyze.session.store import Store
from calibrate.errors import SessionError


@pytest.fixture
def session(tmp_path) -> Session:
    return made_up_session(tmp_path)


def frame_of(session: Session) -> pd.DataFrame:
    return shots_frame(session, session_shots(session)).set_index("clip")


def decide(session: Session, clip: str, kind: DecisionKind, value: str = "") -> None:
    with Store(session.store_path) as store:
        (stored,) = [one for one in store.shots(session.clips_folder) if one.clip == clip]
        store.decide(stored, kind, value)


def test_the_contract_s_columns_are_there_in_order():
    # The columns that the file is promised to have at least.
    promised = ["clip", "shot", "condition", "shooter", "status", "reason", "strike_s"]
    promised += ["launch_speed_m_s", "rail_speed_m_s", "reading_mm", "reading_sd_mm", "launch_deg", "launch_sd_deg"]
    promised += ["squirt_deg", "squirt_sd_deg", "squirt_offset_mm", "swerve_offset_mm", "swerve_offset_sd_mm"]
    promised += ["swerve_seen", "slide_end_mm", "frames", "residual_px", "kept", "note"]
    assert [name for name in SHOT_COLUMNS if name in promised] == promised


def test_every_shot_and_every_clip_without_one_has_its_row(session):
    shots = frame_of(session)
    assert list(shots["status"]) == ["measured"] * 3 + ["failed", "doubtful", "measured", "measured"]
    assert shots.loc["B/S1/1.mp4", "reason"] == "no-ball"
    assert shots.loc["B/S1/1.mp4", "detail"] == "nothing within 40 px"
    assert math.isnan(shots.loc["B/S1/1.mp4", "reading_mm"])


def test_lengths_are_in_mm_and_angles_in_degrees(session):
    row = frame_of(session).loc["A/S1/1.mp4"]
    assert row["launch_deg"] == pytest.approx(math.degrees(-0.018), rel=1e-12)
    assert row["reading_mm"] == pytest.approx(-1870 * math.tan(0.018) + 10, rel=1e-12)
    assert row["slide_end_mm"] == pytest.approx(1100, rel=1e-12)
    assert row["tip_offset_mm"] == pytest.approx(14.3, rel=1e-12)


def test_squirt_is_counted_from_the_shooter_s_own_controls(session):
    shots = frame_of(session)
    assert shots.loc["A/S1/1.mp4", "squirt_deg"] == pytest.approx(math.degrees(-0.018 - 0.002), rel=1e-12)
    # S2 has no control shots: counted from the lane.
    assert shots.loc["A/S2/1.mp4", "squirt_deg"] == pytest.approx(math.degrees(-0.010), rel=1e-12)


def test_a_control_shot_set_aside_does_not_count_for_the_zero(session):
    decide(session, "control/S1/2.mp4", DecisionKind.SET_ASIDE, "moved")
    shots = frame_of(session)
    assert shots.loc["A/S1/1.mp4", "squirt_deg"] == pytest.approx(math.degrees(-0.018 - 0.001), rel=1e-12)
    assert not shots.loc["control/S1/2.mp4", "kept"]
    assert shots.loc["control/S1/2.mp4", "set_aside"] == "moved"


def test_a_mended_label_counts_everywhere(session):
    decide(session, "A/S2/1.mp4", DecisionKind.RELABEL, "control/S2")
    decide(session, "A/S2/1.mp4", DecisionKind.NOTE, "was in the wrong folder")
    row = frame_of(session).loc["A/S2/1.mp4"]
    assert (row["condition"], row["shooter"], row["role"]) == ("control", "S2", "control")
    assert row["note"] == "was in the wrong folder"
    assert row["squirt_deg"] == pytest.approx(0.0, abs=1e-12)


def test_the_files_hold_what_the_tables_hold(session):
    _, report = build_report(session.folder)
    written = pd.read_csv(session.out_folder / "shots.csv")
    assert list(written.columns) == list(SHOT_COLUMNS)
    assert written["reading_mm"].to_numpy() == pytest.approx(
        report.shots["reading_mm"].to_numpy(), abs=0.0005, rel=0, nan_ok=True
    )
    assert set(written["kept"]) == {"yes", "no"}
    summary = pd.read_csv(session.out_folder / "summary.csv")
    assert ",".join(summary.columns) == "condition,shooter,n,mean_mm,sd_mm,se_mm,lo_mm,hi_mm,median_mm,mad_mm"
    assert list(zip(summary["condition"], summary["shooter"], summary["n"], strict=True)) == [
        ("control", "S1", 2),
        ("control", "all", 2),
        ("A", "S1", 2),
        ("A", "S2", 1),
        ("A", "all", 3),
        ("B", "S1", 1),
        ("B", "all", 1),
    ]
    assert report.needs_a_person


def test_shots_without_a_name_are_summarised_under_none(session):
    shots = counted_frame(shots_frame(session, session_shots(session)).assign(condition=""))
    assert set(shots["condition"]) == {NO_NAME}


def test_a_session_that_was_not_measured_is_said_to_be_so(tmp_path):
    (tmp_path / "session.toml").write_text("")
    with pytest.raises(SessionError, match="nothing has been measured yet"):
        build_report(tmp_path)


def test_a_folder_of_hand_read_numbers_is_enough(tmp_path):
    (tmp_path / "readings.csv").write_text("condition,shooter,reading_in\nA,S1,2-7/16\nA,S1,2.5\nB,S1,1 1/8\n")
    _, report = build_report(tmp_path)
    summary = pd.read_csv(tmp_path / "out/summary.csv").set_index(["condition", "shooter"])
    assert summary.loc[("A", "S1"), "mean_mm"] == pytest.approx(25.4 * (2.4375 + 2.5) / 2, abs=0.0005)
    assert {path.name for path in report.files} == {
        "report.html",
        "answer.txt",
        "answer.png",
        "answer.svg",
        "summary.csv",
        "comparisons.csv",
        "variance.csv",
        "keep_rules.csv",
        "ratios.csv",
        "readings.png",
    }
    assert not report.needs_a_person


def test_no_cell_is_run_as_a_formula(tmp_path):
    """OWASP, CSV Injection; numbers, written as text too, stay numbers."""
    notes = ["=cmd|' /C calc'!A0", "@x", "-2.5", "fine = fine"]
    table = pd.DataFrame({"note": notes, "reading_mm": [-1.5, 2, 3, 4]})
    _write(tmp_path / "out.csv", table)
    again = pd.read_csv(tmp_path / "out.csv")
    assert list(again["note"]) == ["'=cmd|' /C calc'!A0", "'@x", "-2.5", "fine = fine"]
    assert list(again["reading_mm"]) == [-1.5, 2, 3, 4]


@pytest.mark.parametrize(
    ("lane", "own", "radii_mm"),
    [
        ("", "", (8, 8)),
        ("tip_radius_mm = 10.0", "", (10, 10)),
        ("", "tip_radius_mm = 6.0", (8, 6)),
        ("tip_radius_mm = 10.0", "tip_radius_mm = 6.0", (10, 6)),
    ],
)
def test_each_condition_s_dome_says_where_its_axis_touches(session, lane, own, radii_mm):
    """Contact = axis R / (R + r), R 28.575 mm; stated radii count as good to a tenth, others to 2.5 mm."""
    cue = CuePlace(
        values=np.array([0.0, 0.07, 0.016, 0.0]),
        cov=np.diag([0.001, 0.02, 1e-6, 0.005]) ** 2,
        own_cov=np.diag([0.001, 0.02, 1e-6, 0.005]) ** 2,
        seen=np.array([1.0, 0.0, 1.0, 0.0]),
        frames=7,
    )
    text = f'[lane]\n{lane}\n[[condition]]\nname = "A"\n[[condition]]\nname = "B"\n{own}\n'
    (session.folder / "session.toml").write_text(text, encoding="utf-8")
    found = open_session(session.folder)
    # no stated offsets: nothing but the radius tells where the axis touches
    wanted = ("A/S1/1.mp4", "B/S1/2.mp4")
    shots = [replace(one, shot=replace(one.shot, cue=cue)) for one in session_shots(found) if one.clip in wanted]
    rows = shots_frame(found, shots).set_index("condition")
    for name, radius_mm, stated in zip("AB", radii_mm, (bool(lane), bool(lane or own)), strict=True):
        share = 28.575 / (28.575 + radius_mm)
        assert rows.loc[name, "tip_side_mm"] == pytest.approx(16 * share, abs=1e-9)
        doubt_mm = 16 * share**2 / 28.575 * (0.1 * radius_mm if stated else 2.5)
        assert rows.loc[name, "tip_side_sd_mm"] == pytest.approx(doubt_mm, rel=1e-3)
