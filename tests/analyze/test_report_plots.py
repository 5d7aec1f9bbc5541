"""The plots: legible without colour, and honest about their scales."""

import itertools

import cv2
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from session_samples import made_up_session

from analyze.report.build import build_report
from analyze.report.plots import (
    CONDITION_STYLES,
    CONTROL_STYLE,
    MOST_PANELS,
    MOST_PATHS,
    LaneShot,
    condition_styles,
    draw_lane,
)


def lightness(colour: str) -> float:
    """CIE L* of an sRGB colour, by OpenCV."""
    pixel = np.array([[to_rgb(colour)]], dtype=np.float32)
    return float(cv2.cvtColor(pixel, cv2.COLOR_RGB2LAB)[0, 0, 0])


def test_the_first_conditions_differ_in_lightness_and_every_one_in_marker():
    first = [lightness(colour) for colour, _ in CONDITION_STYLES[:4]]
    assert min(abs(a - b) for a, b in itertools.combinations(first, 2)) > 10
    markers = [marker for _, marker in (*CONDITION_STYLES, CONTROL_STYLE)]
    assert len(set(markers)) == len(markers)


def test_twenty_conditions_still_have_a_look_of_their_own():
    names = [f"C{k}" for k in range(20)]
    styles = condition_styles(["control", *names], ["control"])
    assert styles["control"] == CONTROL_STYLE
    assert len({styles[name] for name in names}) == 20


@pytest.mark.parametrize("units", ["inch", "mm"])
def test_the_plots_are_pictures_with_something_on_them(tmp_path, units):
    session = made_up_session(tmp_path, units=units)
    build_report(tmp_path)
    for name in ("lane.png", "readings.png"):
        image = cv2.imread(str(session.out_folder / name))
        assert min(image.shape[:2]) > 500
        for colour, _ in CONDITION_STYLES[:2]:
            wanted = np.round(255 * np.array(to_rgb(colour))[::-1])
            assert (np.abs(image - wanted).max(axis=2) < 40).sum() > 50, f"{colour} is not in {name}"


def test_names_with_dollar_signs_are_plain_text(tmp_path):
    """Plotting reads what stands between two of them as a formula, and stops at one that is none."""
    session = made_up_session(tmp_path)
    config = tmp_path / "session.toml"
    config.write_text(config.read_text().replace('name = "A"', 'name = "$x^$"').replace('name = "B"', 'name = "$"'))
    rows = ("A/S1/1.mp4,$x^$,$S_1$", "A/S1/2.mp4,$x^$,$S_1$", "A/S2/1.mp4,$x^$,$", "B/S1/2.mp4,$,$")
    labels = "\n".join(("clip,condition,shooter", *rows))
    (tmp_path / "shots.csv").write_text(labels)
    build_report(tmp_path)
    assert "$x^$" in (session.out_folder / "report.html").read_text(encoding="utf-8")


def test_many_conditions_and_many_shots_are_cut_short_and_said_to_be(tmp_path, monkeypatch):
    titles = []
    monkeypatch.setattr("matplotlib.figure.Figure.suptitle", lambda self, text, **_: titles.append(text))
    monkeypatch.setattr("matplotlib.axes.Axes.set_title", lambda self, text, **_: titles.append(text))
    session = made_up_session(tmp_path)
    names = [f"C{k}" for k in range(MOST_PANELS + 3)]
    path_m = np.column_stack([np.full(5, 0.32), np.linspace(0.762, 2.51, 5)])
    shots = [
        LaneShot(condition=name, path_xy_m=path_m, reading_m=0.0)
        for name in names
        for _ in range(MOST_PATHS + 5 if name == "C0" else 1)
    ]
    draw_lane(tmp_path / "lane.png", session, shots, condition_styles(names, []))
    assert f"{MOST_PATHS} of {MOST_PATHS + 5} paths" in titles
    assert any(f"the first {MOST_PANELS} of {MOST_PANELS + 3} conditions" in title for title in titles)
