"""The printed scale is true to size, read back from the file itself."""

import re
import zlib
from dataclasses import replace

import pytest
from calibrate_scenes import LANE, SCALE, TABLE

from calibrate.sheets import scale_reach, write_sheets

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


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (297.0, 210.0)), ("Letter", (279.4, 215.9))])
@pytest.mark.parametrize("unit_m", [0.0254, 0.01, 0.001])
def test_ticks_stand_where_the_unit_puts_them(tmp_path, paper, size_mm, unit_m):
    """Papers: ISO 216 (A4) and ANSI/ASME Y14.1 (Letter)."""
    path = tmp_path / "sheets.pdf"
    scale = replace(SCALE, unit_m=unit_m)
    write_sheets(path, table=TABLE, lane=LANE, scale=scale, paper=paper)
    streams, box_mm = pages_of(path)
    assert box_mm == pytest.approx(size_mm, rel=0, abs=0.01)
    boxes = next(b for b in map(filled_boxes_mm, streams) if len(b) > 5)
    ticks = sorted(x + width / 2 for x, _, width, height in boxes if height == pytest.approx(14.0, abs=0.01))
    step_mm = 1000 * unit_m * (1 if unit_m > 0.005 else 10)
    gaps = [b - a for a, b in zip(ticks, ticks[1:], strict=False)]
    assert gaps == pytest.approx([step_mm] * len(gaps), rel=0, abs=0.001)
    assert ticks[len(ticks) // 2] == pytest.approx(size_mm[0] / 2, rel=0, abs=0.001)
    assert len(ticks) == 2 * int(scale_reach(scale, paper) * 1000 * unit_m / step_mm + 1e-9) + 1
    # And the bar to check the printer with.
    assert any(width == pytest.approx(100.0, rel=0, abs=0.001) for _, _, width, _ in boxes)


def test_unknown_paper_is_refused(tmp_path):
    with pytest.raises(ValueError, match="A4, Letter"):
        write_sheets(tmp_path / "s.pdf", table=TABLE, lane=LANE, scale=SCALE, paper="A3")
