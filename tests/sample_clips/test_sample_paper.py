"""Printed pages in rendered scenes are those that `railread sheet` prints, and lie where they should."""

import re
import zlib
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np
import pytest

from analyze.session.folder import open_session
from calibrate.printed import cloth_cards
from calibrate.sheets import SheetChoice, write_sheets
from sample_clips.make_session import CARDS, session_scene
from sample_clips.paper import CUTS, DOTS_PER_MM, HERE, lay, raster

SESSION = open_session(Path(str(files("sample_clips") / "session")))
MM_PER_POINT = 25.4 / 72  # PDF 1.7 (ISO 32000-1), 8.3.2.3: the default unit is 1/72 in


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Filled boxes of each page as printed today, in drawing order: black or white, and their corners in mm."""
    path = tmp_path_factory.mktemp("sheets") / "sheets.pdf"
    choice = SheetChoice(long=True, units="mm", tip_radius_m=0.0062)
    write_sheets(path, choice, table=SESSION.table, lane=SESSION.lane, scale=SESSION.scale, ball=SESSION.ball)
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", path.read_bytes(), re.S)
    texts = [zlib.decompress(stream).decode("latin-1") for stream in streams if stream[:1] == b"x"]
    return [_boxes(text) for text in texts if text.startswith("/DeviceRGB")]


def _boxes(text):
    found, colours, colour = [], [], 0.0
    # 8.4.2: q keeps the graphics state, Q goes back to it
    command = re.compile(
        r"\b(q|Q)\s|\b([\d.]+) g\b|\b([\d.]+) [\d.]+ [\d.]+ rg\b|((?:[-\d.]+ [-\d.]+ [ml]\s+){4})h\s+f\b"
    )
    for state, grey, red, path in command.findall(text):
        if state == "q":
            colours.append(colour)
        elif state == "Q":
            colour = colours.pop()
        elif not path:
            colour = float(grey or red)
        else:
            corners = np.array(re.findall(r"([-\d.]+) ([-\d.]+) [ml]", path), dtype=float) * MM_PER_POINT
            found.append((colour, *corners.min(axis=0), *corners.max(axis=0)))
    return found


def painted(boxes, cut):
    """The cut-out of a page as its filled boxes alone make it, (h, w) from 0 to 255, row 0 farthest."""
    left, near, right, far = cut.reach_mm
    shape = round((far - near) * DOTS_PER_MM), round((right - left) * DOTS_PER_MM)
    page = np.full(shape, 255.0)
    for colour, x0, y0, x1, y1 in boxes:
        shares = []
        for low, high, origin, count in (
            (y0 - cut.point_mm[1], y1 - cut.point_mm[1], near, shape[0]),
            (x0 - cut.point_mm[0], x1 - cut.point_mm[0], left, shape[1]),
        ):
            edges = origin + np.arange(count + 1) / DOTS_PER_MM
            shares.append(np.diff(np.clip(edges, low, high)) * DOTS_PER_MM)
        cover = np.outer(*shares)
        page += cover * (255 * colour - page)
    return page[::-1]


@pytest.mark.parametrize("cut", CUTS.values(), ids=CUTS)
def test_the_pages_are_those_that_are_printed_today(pages, cut):
    kept = cv2.imread(str(HERE / f"{cut.name}.png"), cv2.IMREAD_GRAYSCALE).astype(float)
    want = painted(pages[cut.page - 1], cut)
    assert kept.shape == want.shape
    ink = want < 128
    assert ink.mean() > 0.15
    # Numbers and thin lines are no boxes: they are ink on the kept page alone.
    assert np.mean(kept[ink] < 128) > 0.99
    assert np.mean(kept[~ink] < 128) < 0.02
    # And they lie where they were printed: a shift of the ink shows as a slope times that shift.
    inked = cv2.dilate(ink.astype(np.uint8), np.ones((7, 7))) > 0
    smooth_kept, smooth_want = (cv2.GaussianBlur(one, (0, 0), 1) for one in (kept, want))
    slopes = np.stack([slope[inked] for slope in np.gradient(smooth_want)], axis=1)
    shift = -np.linalg.lstsq(slopes, (smooth_kept - smooth_want)[inked], rcond=None)[0]
    assert np.abs(shift).max() < 0.1  # dots of 0.125 mm; measured: 0.05


def test_cards_are_meant_for_the_places_that_the_sheet_says():
    cards = cloth_cards(SESSION.table, SESSION.lane, SESSION.scale)
    said = [tuple(float(part) for part in card.mark.split(":")[1:]) for card in cards]
    assert said == [place for place, _ in CARDS.values()]


def test_a_page_is_laid_with_its_reference_point_where_it_is_said_to_lie():
    """The zero tick of the scale: ink on both sides of the point, on the shooter's side of the line alone."""
    scene = session_scene()
    (left, right, *_) = scene.sheets
    x, y, _ = scene.tick(0)

    def tone(sheet, dx_mm, dy_mm):
        colour = np.full((1, 3), -1.0, np.float32)
        lay(sheet, np.array([x + dx_mm / 1000]), np.array([y + dy_mm / 1000]), colour)
        return colour[0, 0]

    assert tone(left, -0.4, -7.0) < 0.1  # the tick is 2 mm wide, half on each page
    assert tone(right, 0.4, -7.0) < 0.1
    assert tone(right, 0.4, 3.0) > 0.6
    assert tone(right, 4.0, -7.0) > 0.6
    assert tone(right, -4.0, -7.0) == -1  # that is the other half's
    number = scene.tick(2)
    assert tone(right, 1000 * (number[0] - x), -7.0 + 1000 * (number[1] - y)) < 0.1
    assert raster("card-1").shape == (896, 800)
