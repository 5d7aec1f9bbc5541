"""The plots: legible without colour, and honest about their scales."""

import itertools

import cv2
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from session_samples import made_up_session

from analyze.report.build import build_report
from analyze.report.plots import CONDITION_STYLES, CONTROL_STYLE, condition_styles


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
