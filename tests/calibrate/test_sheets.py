"""The printed sheets are true to size, read back from the file itself."""

import re
import zlib
from dataclasses import replace

import pytest
from calibrate_scenes import BALL, LANE, SCALE, TABLE
from matplotlib.axes import Axes

from calibrate.printed import LONG_PIECES, SHORT_PIECES, cloth_cards, rail_cards, scale_step
from calibrate.sheets import SheetChoice, write_sheets

MM_PER_POINT = 25.4 / 72  # PDF 1.7 (ISO 32000-1), 8.3.2.3: the default unit is 1/72 in


def pages_of(path):
    """Return the drawing commands of each page and the page size in mm."""
    data = path.read_bytes()
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", data)
    streams = [
        zlib.decompress(s) for s in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.S) if s[:1] == b"x"
    ]
    return [s.decode("latin-1") for s in streams], [float(b) * MM_PER_POINT for b in box.groups()]


def filled_boxes_mm(commands):
    """Return (x, y, width, height) of filled four-cornered paths, in mm."""
    boxes = []
    for path in re.findall(r"((?:[-\d.]+ [-\d.]+ [ml]\s+){4})h\s+f", commands):
        points = [tuple(map(float, p)) for p in re.findall(r"([-\d.]+) ([-\d.]+) [ml]", path)]
        us, vs = zip(*points, strict=True)
        boxes.append(tuple(MM_PER_POINT * v for v in (min(us), min(vs), max(us) - min(us), max(vs) - min(vs))))
    return boxes


def written(path, choice, scale=SCALE):
    write_sheets(path, choice, table=TABLE, lane=LANE, scale=scale, ball=BALL)
    streams, box_mm = pages_of(path)
    return [filled_boxes_mm(s) for s in streams], box_mm


def sized(boxes, width, height):
    return sorted(b for b in boxes if b[2:] == (pytest.approx(width, abs=0.01), pytest.approx(height, abs=0.01)))


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (297.0, 210.0)), ("Letter", (279.4, 215.9))])
@pytest.mark.parametrize("unit_m", [0.0254, 0.01, 0.001])
def test_ticks_and_markers_stand_where_the_unit_puts_them(tmp_path, paper, size_mm, unit_m):
    """Papers: ISO 216 (A4) and ANSI/ASME Y14.1 (Letter)."""
    scale = replace(SCALE, unit_m=unit_m)
    pages, box_mm = written(tmp_path / "sheets.pdf", SheetChoice(paper=paper), scale)
    assert box_mm == pytest.approx(size_mm, rel=0, abs=0.01)
    page = next(b for b in pages if len(sized(b, 2.0, 14.0)) > 3)
    step_mm = 1000 * unit_m * scale_step(scale)
    assert step_mm == pytest.approx(50.8 if unit_m == 0.0254 else 50.0)
    ticks = sorted({round(x + width / 2, 3) for x, _, width, _ in sized(page, 2.0, 14.0)})
    assert len(ticks) == SHORT_PIECES + 1
    assert [b - a for a, b in zip(ticks, ticks[1:], strict=False)] == pytest.approx(
        [step_mm] * SHORT_PIECES, abs=0.01
    )
    assert ticks[SHORT_PIECES // 2] == pytest.approx(size_mm[0] / 2, rel=0, abs=0.01)
    markers = sorted(x + width / 2 for x, _, width, _ in sized(page, 32.0, 32.0))
    assert [m - ticks[0] for m in markers] == pytest.approx(
        [(k + 0.5) * step_mm for k in range(SHORT_PIECES)], abs=0.01
    )
    # And the bar to check the printer with.
    assert sized(page, 100.0, 3.0)


def test_the_long_scale_has_two_halves_that_meet_in_the_zero(tmp_path):
    pages, _ = written(tmp_path / "sheets.pdf", SheetChoice(long=True))
    halves = [b for b in pages if len(sized(b, 32.0, 32.0)) == LONG_PIECES]
    assert len(halves) == 2  # each page holds the whole strip, cut by the page's own frame


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_cards_their_modules_and_the_check_bar_are_as_large_as_they_are_looked_for(tmp_path, paper):
    """To 0.01 mm; what is printed is asked to be right to 0.05 mm. A marker has 7 modules a side."""
    pages, _ = written(tmp_path / "sheets.pdf", SheetChoice(paper=paper))
    cards, on_rails = cloth_cards(TABLE, LANE, SCALE), rail_cards(TABLE)
    assert sum(len(sized(b, 80.0, 80.0)) for b in pages) == len(cards)
    (rails,) = (b for b in pages if len(sized(b, 32.0, 32.0)) == len(on_rails) and not sized(b, 2.0, 14.0))
    for boxes, side_mm in ((next(b for b in pages if sized(b, 80.0, 80.0)), 80.0), (rails, 32.0)):
        corners = [box for box in boxes if box[2:] == (pytest.approx(side_mm, abs=0.01),) * 2]
        holes = [box for box in boxes if box[3] == pytest.approx(side_mm / 7, abs=0.01)]
        assert len(holes) > 5 * len(corners)
        for x, y, width, _ in holes:
            left, low = next((c[0], c[1]) for c in corners if 0 < x - c[0] < side_mm and 0 < y - c[1] < side_mm)
            for length in (x - left, y - low, width):
                assert length == pytest.approx(side_mm / 7 * round(length / (side_mm / 7)), rel=0, abs=0.01)
        assert len(sized(boxes, 100.0, 3.0)) == 1


@pytest.mark.parametrize(("units", "word"), [("inch", "3 11/16 in"), ("mm", "94 mm")])
def test_lengths_are_in_the_units_of_the_session(tmp_path, monkeypatch, units, word):
    said = []
    text = Axes.text

    def noted(self, x, y, words, *rest, **style):
        said.append(words)
        return text(self, x, y, words, *rest, **style)

    monkeypatch.setattr(Axes, "text", noted)
    write_sheets(tmp_path / "s.pdf", SheetChoice(units=units), table=TABLE, lane=LANE, scale=SCALE, ball=BALL)
    words = "\n".join(said)
    assert word in words
    other = " mm" if units == "inch" else " in ahead"
    assert other not in words.replace("100 mm", "")


def test_unknown_paper_is_refused():
    with pytest.raises(ValueError, match="A4, Letter"):
        SheetChoice(paper="A3")
