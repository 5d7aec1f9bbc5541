"""Which squirt is compared: as stated, or the better known, and that it is the one that the report counts with."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from session_samples import made_up_session, made_up_shot, record_of

from analyze.cue.which_squirt import choose_squirt, lane_squirt, take_squirt
from analyze.fit.cue_place import CuePlace
from analyze.report.build import build_report
from analyze.session.store import Store

AIMS = {
    "control/S1/1.mp4": 0.1,
    "control/S1/2.mp4": -0.3,
    "A/S1/1.mp4": 0.4,
    "A/S1/2.mp4": -0.4,
    "B/S1/1.mp4": 0.5,
    "B/S1/2.mp4": -0.1,
}
OFF_CUE = {"control": 0.05, "A": -1.0, "B": -1.5}


def shots(*, aim_deg=(0.4, -0.4, 0.3, -0.3), lane_sd=0.03, cue_sd=0.1, seen=(1, 1, 1, 1)):
    """Four test shots, two of each condition, of one shooter."""
    cue = np.where(np.array(seen, bool), np.array(aim_deg), np.nan)
    return pd.DataFrame(
        {
            "condition": list("AABB"),
            "shooter": "S1",
            "role": "test",
            "kept": True,
            "squirt_deg": -1.0 + np.array(aim_deg),
            "squirt_sd_deg": lane_sd,
            "cue_deg": cue,
            "cue_sd_deg": 0.08,
            "squirt_cue_deg": np.where(np.isfinite(cue), -1.0, np.nan),
            "squirt_cue_sd_deg": np.where(np.isfinite(cue), cue_sd, np.nan),
        }
    )


def test_aim_that_scatters_speaks_for_the_cue():
    """Pooled variance (0.32 + 0.18)/2, less 0.08 squared: aim 0.4936; with 0.03 from the lane 0.4945, cue 0.1."""
    choice = choose_squirt(shots(), None)
    assert choice.of == "cue"
    assert choice.column == "squirt_cue_deg"
    assert "to 0.10° from the cue, seen in 4 of 4 test shots that count, to 0.49° from the lane" in choice.sentence
    assert "analysis.squirt is not set" in choice.sentence


def test_a_steady_aim_speaks_for_the_lane():
    choice = choose_squirt(shots(aim_deg=(0.31, 0.29, 0.3, 0.32)), None)
    assert choice.of == "lane"
    assert "from the lane, the better known" in choice.sentence


def test_conditions_that_lie_apart_are_no_scatter_of_the_aim():
    assert choose_squirt(shots(aim_deg=(2.0, 2.01, -2.0, -2.01)), None).of == "lane"


def test_a_condition_without_the_cue_is_not_dropped_unasked():
    choice = choose_squirt(shots(seen=(1, 1, 1, 0)), None)
    assert choice.of == "lane"
    assert "seen in 3 of 4 test shots that count, too few in some condition" in choice.sentence
    assert "seen in none" in choose_squirt(shots(seen=(0, 0, 0, 0)), None).sentence


def test_shots_that_do_not_count_and_controls_have_no_say():
    table = shots(seen=(1, 1, 1, 0)).assign(kept=[True, True, True, False])
    assert choose_squirt(table, None).of == "cue"
    assert choose_squirt(table.assign(kept=True, role=["test"] * 3 + ["control"]), None).of == "cue"


def test_what_is_stated_holds():
    assert choose_squirt(shots(), "lane").of == "lane"
    few = choose_squirt(shots(aim_deg=(0.3, 0.3, 0.3, 0.3), seen=(1, 0, 0, 0)), "cue")
    assert few.of == "cue"
    assert "seen in 1 of 4 test shots that count; the others are left out" in few.sentence


def test_the_two_squirts_are_not_mixed():
    table = shots(seen=(1, 1, 1, 0))
    taken = take_squirt(table, choose_squirt(table, "cue"))
    assert taken["squirt_deg"].isna().tolist() == [False, False, False, True]
    assert (taken["squirt_sd_deg"].iloc[:3] == 0.1).all()
    assert lane_squirt(taken).tolist() == table["squirt_deg"].tolist()
    assert take_squirt(table, choose_squirt(table, "lane")) is table
    again = take_squirt(taken, choose_squirt(table, "cue"))  # as at equal contact, whichever squirt is compared
    assert lane_squirt(again).tolist() == table["squirt_deg"].tolist()


def session_with_cues(folder, setting=""):
    """Make a session in which the aim scatters, and the ball leaves the cue by the same within a condition."""
    session = made_up_session(folder)
    with (folder / "session.toml").open("a", encoding="utf-8") as file:
        file.write(f"[analysis]\n{setting}\n")
    session.store_path.unlink()
    sds = np.array([math.radians(0.05), 0.02, 0.0005, 0.005])
    with Store(session.store_path) as store:
        for clip, aim_deg in AIMS.items():
            launch_deg = aim_deg + OFF_CUE[clip.split("/")[0]]
            shot = made_up_shot(session.clip_path(clip), launch_rad=math.radians(launch_deg), swerve_m=0.01)
            cue = CuePlace(
                values=np.array([math.radians(aim_deg), 0.07, 0.0, 0.0]),
                cov=np.diag(sds**2),
                own_cov=np.diag(sds**2),
                seen=np.array([1.0, 0.0, 1.0, 0.0]),
                frames=7,
            )
            store.save_clip(clip, record_of(clip), [replace(shot, cue=cue)])
    return build_report(folder)[1]


@pytest.mark.parametrize(
    ("setting", "of", "difference_deg"),
    [
        # means of launch: A -1.0, B -1.5 + 0.2, with the aim in them; off the cue: -1.0 and -1.5
        ("", "cue", -0.5),
        ("squirt = 'cue'", "cue", -0.5),
        ("squirt = 'lane'", "lane", -0.3),
    ],
)
def test_the_report_counts_with_the_squirt_that_it_names(tmp_path, setting, of, difference_deg):
    made = session_with_cues(tmp_path, setting)
    rows = pd.read_csv(tmp_path / "out/comparisons.csv")
    squirt = rows[rows["quantity"].str.startswith("squirt_deg")]
    assert squirt["difference_deg"].dropna().iloc[0] == pytest.approx(difference_deg, abs=1e-3)
    page = made.page.read_text(encoding="utf-8")
    assert f"Squirt is compared from the {of}" in page
    assert any(note.startswith("Squirt is compared from the cue") for note in made.notes) is (of == "cue")
    # the table of shots holds both, whatever is compared
    shots_csv = pd.read_csv(tmp_path / "out/shots.csv").set_index("clip")
    assert shots_csv.loc["A/S1/1.mp4", "squirt_deg"] == pytest.approx(-0.6 - (0.15 - 0.25) / 2, abs=1e-3)
    assert shots_csv.loc["A/S1/1.mp4", "squirt_cue_deg"] == pytest.approx(-1.05, abs=1e-3)


def test_a_cue_that_was_stated_and_never_seen_is_said(tmp_path):
    made_up_session(tmp_path)
    with (tmp_path / "session.toml").open("a", encoding="utf-8") as file:
        file.write('[analysis]\nsquirt = "cue"\n')
    _, made = build_report(tmp_path)
    assert any("seen in 0 of 4 test shots that count" in note and 'squirt = "lane"' in note for note in made.notes)
    assert "squirt_deg" not in made.findings.parts
