"""Recordings of the sample session thrown together as a phone names them, told apart by the shooting order."""

import shutil
from importlib.resources import as_file, files

import pandas as pd
from typer.testing import CliRunner

from analyze.cli import app


def test_recordings_are_labelled_by_their_place_and_a_missing_one_is_said(tmp_path):
    folder = tmp_path / "test"
    (folder / "clips").mkdir(parents=True)
    with as_file(files("sample_clips") / "session") as sample:
        shutil.copyfile(sample / "session.toml", folder / "session.toml")
        shutil.copyfile(sample / "clicks.csv", folder / "marks.csv")
        shutil.copyfile(sample / "clips/control/S2/0001.mp4", folder / "clips/IMG_9.mp4")
        shutil.copyfile(sample / "clips/B/S1/0001.mp4", folder / "clips/IMG_10.mp4")
    order = folder / "order.csv"
    order.write_text("order,shooter,condition,shot,tip_offset_mm\n1,S2,control,1,0\n2,S1,B,1,\n")

    result = CliRunner().invoke(app, ["measure", str(folder), "--by-order"])
    assert "The 2 shots were labelled by order.csv" in result.output, result.output
    shots = pd.read_csv(folder / "out/shots.csv").set_index("clip")
    truth = pd.read_csv(str(files("sample_clips") / "truth.csv")).set_index("clip")
    for clip, true in (("IMG_9.mp4", "control/S2/0001.mp4"), ("IMG_10.mp4", "B/S1/0001.mp4")):
        condition, shooter, _ = true.split("/")
        assert (shots.loc[clip, "condition"], shots.loc[clip, "shooter"]) == (condition, shooter)
        apart = abs(shots.loc[clip, "reading_mm"] - truth.loc[f"clips/{true}", "reading_mm"])
        assert apart < 4 * shots.loc[clip, "reading_sd_mm"]

    order.write_text(order.read_text() + "3,S1,A,1,\n")
    result = CliRunner().invoke(app, ["measure", str(folder), "--by-order"])
    assert result.exit_code == 1
    assert "2 shots were found" in result.output
    assert "it lists 3" in result.output
    assert pd.read_csv(folder / "out/shots.csv")["condition"].isna().all()
