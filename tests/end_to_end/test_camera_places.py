"""A phone that was moved in mid-session: every place calibrated, every clip measured from the one that it shows.

The clips are those of the second renderer: from behind the foot rail, from behind the shooter, and one from a place
that nobody calibrated.
"""

import shutil
from pathlib import Path

import av  # noqa: TID251 - the tests encode their own pictures
import numpy as np
import pandas as pd
import pytest
from second_renderer import SIZE_PX, Eye, Film, Played, film, play
from second_set_up import LANE, SCALE, SHARP_PX, TABLE
from typer.testing import CliRunner, Result

from analyze.cli import app
from calibrate.marks import mark_point_m

EYES = {
    "foot": Eye((0.42, 3.9, 1.5), (0.34, 1.85, 0.0), 950.0),
    "head": Eye((0.15, -0.9, 1.6), (0.31, 1.45, 0.0), 850.0),
    "beside": Eye((1.9, 3.2, 1.7), (0.34, 1.7, 0.0), 950.0),
}
SHOTS = {
    "foot": {"speed_m_s": 4.5, "launch_rad": 0.021, "side_slip": -0.03},
    "head": {"speed_m_s": 4.8, "launch_rad": -0.012},
}
CLIPS = {"foot": "A/S1/1.mp4", "head": "A/S1/2.mp4"}
STRANGE, SMALL = "A/S1/3.mp4", "A/S1/4.mp4"
MARKS = (
    *("scale-4", "scale-2", "scale+0", "scale+2", "scale+4", "foot-1", "foot-2", "foot-3"),
    *("lane:300", "lane:600", "lane:900", "lane:1200", "left-5", "left-6", "left-7", "right-6", "right-7"),
    *("bed:200:1500", "bed:500:900", "bed:635:1200", "bed:900:1800"),
)
CONFIG = '[session]\nunits = "mm"\n[camera]\nreadout_ms = 8\n[[condition]]\nname = "A"\n'


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def write_marks(path: Path, eye: Eye, rng: np.random.Generator) -> Path:
    places = {name: eye.see(mark_point_m(name, TABLE, LANE, SCALE)) + rng.normal(0, SHARP_PX, 2) for name in MARKS}
    seen = {name: uv for name, uv in places.items() if (uv > 0).all() and (uv < np.array(SIZE_PX) - 1).all()}
    rows = [f"{name},{u:.3f},{v:.3f},{SHARP_PX}" for name, (u, v) in seen.items()]
    path.write_text("\n".join(["mark,u_px,v_px,sigma_px", *rows]))
    return path


def write_still(path: Path, grey: np.ndarray) -> None:
    """Write a second of a picture in which nothing happens."""
    height, width = grey.shape
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        planes = np.concatenate([grey, np.full((height // 2, width), 128, np.uint8)])
        for _ in range(60):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(planes, format="yuv420p")))
        container.mux(stream.encode())


@pytest.fixture(scope="module")
def truth(tmp_path_factory) -> tuple[Path, dict[str, Played]]:
    """A session of four clips and two camera places, calibrated by the command line and measured."""
    folder = tmp_path_factory.mktemp("places") / "moved"
    (folder / "clips/A/S1").mkdir(parents=True)
    (folder / "session.toml").write_text(CONFIG)
    played = {}
    for name, shot in SHOTS.items():
        played[name] = play(line_y_m=SCALE.line_y_m, zero_m=SCALE.zero_m, **shot)
        clip = folder / "clips" / CLIPS[name]
        film(clip, EYES[name], played[name], seed=7, rest_s=0.5, after_s=0.2, wood=0.5)
    strange = Film(EYES["beside"], 7, wood=0.5)
    write_still(folder / "clips" / STRANGE, strange.developed(strange.still))
    write_still(folder / "clips" / SMALL, np.tile(np.arange(100, 220, dtype=np.uint8), (160, 1)))
    rng = np.random.default_rng(20240611)
    for name, option in {"foot": (), "head": ("--place", "head")}.items():
        marks = write_marks(folder / f"{name}.csv", EYES[name], rng)
        clip = folder / "clips" / CLIPS[name]
        done = run("calibrate", folder, *option, "--frame", clip, "--marks", marks)
        assert done.exit_code == 0, done.output
    done = run("measure", folder, "--jobs", "1")
    assert done.exit_code == 1, done.output
    assert "Shots were recorded from 2 camera places: 1 from first, 1 from head." in done.output
    return folder, played


def shots_of(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "out/shots.csv", keep_default_na=False, na_values={"reading_mm": [""]}).set_index(
        "clip"
    )


def test_each_clip_is_measured_from_the_place_that_it_shows(truth):
    folder, played = truth
    assert (folder / "marks.csv").read_text() == (folder / "foot.csv").read_text()
    assert (folder / "places/head/marks.csv").read_text() == (folder / "head.csv").read_text()
    shots = shots_of(folder)
    assert shots.place[list(CLIPS.values())].tolist() == ["first", "head"]
    for name, clip in CLIPS.items():
        shot = shots.loc[clip]
        assert (shot.status, shot.camera) == ("measured", "marks")
        off_mm, sd_mm = float(shot.reading_mm) - 1000 * played[name].reading_m, float(shot.reading_sd_mm)
        # Over six seeds of grain: 0.09 to 0.32 mm off of 0.33 stated, and 0.15 to 0.61 of 0.55. The grain is
        # another one on every kind of processor, as their powers differ in the last digit.
        assert abs(off_mm) < min(1.0, 2 * sd_mm)
        assert sd_mm < 0.7


def test_a_clip_of_no_place_is_refused_and_says_what_was_looked_for(truth):
    shot = shots_of(truth[0]).loc[STRANGE]
    assert (shot.status, shot.reason, shot.place) == ("failed", "no-place", "")
    assert "first: " in shot.detail
    assert "head: " in shot.detail


def test_a_clip_of_another_picture_size_names_the_sizes(truth):
    shot = shots_of(truth[0]).loc[SMALL]
    assert (shot.status, shot.reason) == ("failed", "picture-size")
    assert shot.detail == "120 x 160 px, where pictures are 360 x 640 at first, 360 x 640 at head"


def test_nothing_is_measured_again_and_settings_are_changed_without_clicking_anew(truth, tmp_path):
    """The picture that was clicked in is known by its marks; without the database nobody knows it."""
    folder = tmp_path / "again"
    shutil.copytree(truth[0], folder)
    for clip in (CLIPS["foot"], CLIPS["head"], STRANGE):
        (folder / "clips" / clip).unlink()
    same = run("measure", folder, "--keep-gone")
    assert "0 clips measured now, 1 unchanged" in same.output
    (folder / "session.toml").write_text(CONFIG + "[ball]\nmass_g = 170\n")
    other = run("measure", folder, "--keep-gone")
    assert "Camera place first:" in other.output
    assert "Camera place head:" in other.output
    assert "1 clips measured now" in other.output
    (folder / "railread.sqlite").unlink()
    lost = run("measure", folder)
    assert lost.exit_code == 2
    assert "in which recording these marks lie is not known; `railread calibrate" in lost.stderr


def test_a_place_calibrated_over_another_is_pointed_out(truth, tmp_path):
    """Without --place the marks of the first place would be gone, and its clips with them."""
    folder = tmp_path / "over"
    shutil.copytree(truth[0], folder)
    clips = {name: folder / "clips" / clip for name, clip in CLIPS.items()}
    same = run("calibrate", folder, "--frame", clips["foot"], "--marks", folder / "foot.csv")
    assert same.exit_code == 0
    assert "another camera place" not in same.output
    over = run("calibrate", folder, "--frame", clips["head"], "--marks", folder / "head.csv")
    assert over.exit_code == 0
    assert "Note: This picture shows another camera place than the one that was calibrated before." in over.output


def test_the_report_shows_the_calibration_of_each_place(truth):
    folder = truth[0]
    done = run("report", folder)
    assert "Shots were recorded from 2 camera places" in done.output
    page = (folder / "out/report.html").read_text(encoding="utf-8")
    assert "Calibration of camera place first" in page
    assert "Calibration of camera place head" in page
