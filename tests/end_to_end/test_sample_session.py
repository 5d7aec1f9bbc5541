"""The sample session from the clips to the numbers, through the command line, against its exact truth."""

import csv
import re
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from analyze.cli import app
from analyze.session.demo import compare, compare_cue, read_truth
from calibrate.marks import read_marks
from sample_clips.make_session import CARDS, CELLS, session_setup


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    folder = tmp_path_factory.mktemp("demo") / "sample"
    return folder, run("demo", folder)


@pytest.fixture(scope="module")
def shots(demo: tuple[Path, Result]) -> pd.DataFrame:
    table = pd.read_csv(demo[0] / "out" / "shots.csv")
    truth = read_truth()
    keys = list(zip(table["clip"], table["shot"], strict=True))
    for name in ("reading_mm", "launch_deg", "swerve_offset_mm"):
        table[f"true_{name}"] = [truth[key][name] for key in keys]
    return table


def test_the_demo_ends_well_and_shows_measured_beside_true(demo):
    folder, result = demo
    assert result.exit_code == 0, result.output
    assert "measured beside true" in result.stdout
    for condition in ("A", "B", "control"):
        assert f"│ {condition} " in result.stdout
    assert "reading error" in result.stdout
    for name in ("lane.png", "readings.png", "shots.csv", "summary.csv"):
        assert str(folder / "out" / name) in result.stdout
        assert (folder / "out" / name).is_file()


def test_the_sample_is_large_enough():
    truth = read_truth()
    clips = {clip for clip, _ in truth}
    assert len(clips) >= 9
    assert len({clip.split("/")[0] for clip in clips}) >= 3
    assert len({clip.split("/")[1] for clip in clips}) >= 2


def test_every_shot_is_measured(shots):
    assert list(shots["status"]) == ["measured"] * len(read_truth())


def test_readings_are_right_to_a_millimetre(shots):
    error_mm = (shots["reading_mm"] - shots["true_reading_mm"]).abs()
    assert error_mm.median() <= 1.0
    assert error_mm.max() <= 2.5


def test_launch_angles_are_right_to_the_promised_fraction_of_a_degree(shots):
    assert (shots["launch_deg"] - shots["true_launch_deg"]).abs().max() <= 0.15


def test_the_cue_is_seen_and_squirt_from_it_is_nearer_to_the_truth(demo, shots):
    """Rendered hands aim badly on purpose; all but two of the intervals of direction and contact hold."""
    found = compare_cue(shots, read_truth())
    assert found is not None
    assert found.seen >= 8  # measured: 12 of 12, in 720p
    assert found.held >= 2 * found.seen - 2
    assert found.from_cue_deg < found.from_lane_deg
    assert "Cue seen in" in demo[1].stdout


def test_stated_uncertainties_are_neither_empty_words_nor_fig_leaves(shots):
    """Twelve shots of one calibration cannot test coverage (that is done elsewhere), but gross lies show.

    Root mean square of error over standard uncertainty: 0.61, 0.53 and 0.59 measured. It stays below 1 as
    sights and rail of a real table are where makers put them, and those of this one exactly where they should be;
    and as a table may be out of level, and the ball seen aside in a way that a path can follow.
    """
    for name, unit, least in (
        ("reading", "mm", 0.4),
        ("launch", "deg", 0.35),
        ("swerve_offset", "mm", 0.35),
    ):
        ratio = (shots[f"{name}_{unit}"] - shots[f"true_{name}_{unit}"]).abs() / shots[f"{name}_sd_{unit}"]
        assert ratio.max() < 3, name
        assert least < np.sqrt(np.mean(ratio**2)) < 1.3, name


def test_the_summary_is_that_of_the_shots(demo, shots):
    with (demo[0] / "out" / "summary.csv").open() as file:
        rows = {(row["condition"], row["shooter"]): row for row in csv.DictReader(file)}
    for (condition, shooter), group in shots.groupby(["condition", "shooter"]):
        row = rows[condition, shooter]
        assert int(row["n"]) == len(group)
        assert float(row["mean_mm"]) == pytest.approx(group["reading_mm"].mean(), abs=0.001, rel=0)
        assert float(row["sd_mm"]) == pytest.approx(group["reading_mm"].std(), abs=0.001, rel=0)


def test_the_demo_leaves_an_ordinary_session(demo):
    folder, _ = demo
    before = (folder / "out" / "shots.csv").read_bytes()
    result = run("measure", folder)
    assert result.exit_code == 0
    assert f"0 clips measured now, {len(read_truth())} unchanged" in result.stdout
    assert (folder / "out" / "shots.csv").read_bytes() == before


def test_printed_places_are_found_where_they_were_laid(demo):
    """Without a click: ticks and sights to hundredths of a pixel, cards where they really lie, half a mm off."""
    found = {click.name: np.array([click.u_px, click.v_px]) for click in read_marks(demo[0] / "marks.csv")}
    setup = session_setup(CELLS[0], 1)
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
    assert max(errors_px[name] for name in printed) < 0.08  # measured: 0.03
    assert np.median(list(errors_px.values())) < 0.08  # measured: 0.05
    assert max(errors_px.values()) < 0.35


def test_what_is_expected_beforehand_is_what_shots_turn_out_to_have(demo, shots):
    """The reading's expected uncertainty, said before any shot, against the mean of those stated of the shots."""
    words = " ".join(demo[1].stdout.split())
    expected_mm = float(words.split("one standard uncertainty: reading ±")[1].split(" mm")[0])
    assert expected_mm == pytest.approx(np.sqrt(np.mean(shots["reading_sd_mm"] ** 2)), rel=0.25)
    assert "what would help most" in words
    # What measuring scatters from shot to shot, against the scatter of the errors of twelve (two standard errors of
    # that are 43 %): seen are 0.12 mm and 0.018 degrees, expected 0.11 and 0.018.
    expected = re.search(r"scatters from shot to shot by ±([\d.]+) mm and ±([\d.]+) degrees", words)
    assert expected is not None
    for name, value in zip(("reading_mm", "launch_deg"), expected.groups(), strict=True):
        seen = np.std(shots[name] - shots[f"true_{name}"], ddof=1)
        assert float(value) == pytest.approx(seen, rel=0.45), name


def test_measuring_again_gives_the_same_numbers(demo, shots, tmp_path):
    """Alone, a shot has its own camera, not that refined by its whole session: so twice alone."""
    folder, _ = demo
    clip = shots["clip"][0]
    again = tmp_path / "again"
    (again / "clips" / clip).parent.mkdir(parents=True)
    for name in ("session.toml", "marks.csv", f"clips/{clip}"):
        (again / name).write_bytes((folder / name).read_bytes())
    assert run("measure", again).exit_code == 0
    once = pd.read_csv(again / "out" / "shots.csv").iloc[0]
    assert run("measure", again, "--again").exit_code == 0
    twice = pd.read_csv(again / "out" / "shots.csv").iloc[0]
    assert twice["reading_mm"] == pytest.approx(once["reading_mm"], abs=0.0015, rel=0)
    # what the session adds is within what either claims to know
    assert abs(once["reading_mm"] - shots["reading_mm"][0]) < once["reading_sd_mm"]


def test_drawn_clips_show_the_shot(demo, shots):
    folder, _ = demo
    clip = shots["clip"][0]
    result = run("draw", folder, "--clip", clip)
    assert result.exit_code == 0, result.output
    (picture,) = (folder / "out" / "drawn").glob("*.png")
    image = cv2.imread(str(picture))
    assert image.shape[:2] == (720, 1280)
    assert ((image[:, :, 2].astype(int) - image[:, :, 0]) > 100).sum() > 200  # the path, in a colour of its own
    (drawn,) = (folder / "out" / "drawn").glob("*.mp4")
    assert drawn.stat().st_size > 10_000


def test_the_comparison_counts_what_was_missed(shots):
    comparison = compare(shots.iloc[1:], read_truth())
    assert comparison.missed == 1
    assert len(comparison.reading_error_mm) == len(shots) - 1
