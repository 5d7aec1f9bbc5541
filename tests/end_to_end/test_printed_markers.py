"""A shot on a table with printed pages: calibrated and measured without a click, against its exact truth."""

import shutil
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from analyze.cli import app
from analyze.session.demo import read_truth
from calibrate.marks import read_marks
from sample_clips.make_session import CARDS, CELLS, session_setup

CLIP = "A/S1/0001.mp4"
# The shot of that name of the sample session, rendered with `python -m sample_clips.make_session OUT --printed`.
RENDERED = Path(__file__).parents[1] / "references" / "printed_markers" / "A-S1-0001.mp4"


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("printed")
    (folder / "clips" / CLIP).parent.mkdir(parents=True)
    shutil.copyfile(str(files("sample_clips") / "session" / "session.toml"), folder / "session.toml")
    shutil.copyfile(RENDERED, folder / "clips" / CLIP)
    result = CliRunner().invoke(app, ["measure", str(folder)])
    assert result.exit_code == 0, result.output
    return folder, result.output


def test_the_reading_is_right_without_a_click(measured):
    shot = pd.read_csv(measured[0] / "out" / "shots.csv").iloc[0]
    true = read_truth()[CLIP, 1]
    assert shot["status"] == "measured"
    assert abs(shot["reading_mm"] - true["reading_mm"]) < 0.5  # measured: 0.25
    assert abs(shot["launch_deg"] - true["launch_deg"]) < 1.96 * shot["launch_sd_deg"]


def test_printed_places_are_found_where_they_were_laid(measured):
    """Ticks and sights to hundredths of a pixel; cards to where they were really laid, half a mm off."""
    found = {click.name: np.array([click.u_px, click.v_px]) for click in read_marks(measured[0] / "marks.csv")}
    setup = session_setup(CELLS[0], 1, printed=True)
    scene, lens = setup.scene, setup.lens
    true = {f"scale{n:+d}": lens.project(np.array(scene.tick(n))) for n in range(-9, 10, 2)}
    true |= {name: lens.project(np.array(place)) for name, place in scene.sights().items()}
    for sheet, ((ahead_mm, right_mm), _) in zip(scene.sheets[2:], CARDS.values(), strict=True):
        true[f"lane:{ahead_mm:g}:{right_mm:g}"] = lens.project(np.array([sheet.x_m, sheet.y_m, 0.0]))
    assert set(found) <= set(true)
    printed = [name for name in found if name.startswith(("scale", "lane"))]
    assert len(printed) == 14
    assert len(found) >= 24
    errors_px = {name: float(np.hypot(*(place - true[name]))) for name, place in found.items()}
    assert max(errors_px[name] for name in printed) < 0.15  # measured: 0.08
    assert np.median(list(errors_px.values())) < 0.08
    assert max(errors_px.values()) < 0.35


def test_what_to_expect_is_what_the_shot_has(measured):
    folder, output = measured
    shot = pd.read_csv(folder / "out" / "shots.csv").iloc[0]
    words = " ".join(output.split())
    expected_mm = float(words.split("one standard uncertainty: reading ±")[1].split(" mm")[0])
    assert expected_mm == pytest.approx(shot["reading_sd_mm"], rel=0.25)
    assert "what would help most" in words
