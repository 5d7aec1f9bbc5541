"""Printed pages cut out and laid on the table: `railread sheet`'s own, rasterised, on the foot rail and the cloth.

    pip install pypdfium2
    railread sheet SESSION --long
    python -m sample_clips.paper SESSION/out/sheets.pdf

writes the cut-outs anew into sample_clips/paper/, 8 dots a mm. Where things stand on a page is known here as it is
to somebody with a ruler, not from the program that drew them.
"""

import argparse
import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from sample_clips.optics import Image
from sample_clips.physics import Floats

DOTS_PER_MM = 8
INK, PAPER = 0.04, 0.76  # reflectances
HERE = Path(__file__).parent / "paper"
A4_MM = (297.0, 210.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """What is cut out of a page.

    Attributes
    ----------
    name : str
        Of its raster in sample_clips/paper/, without ending.
    page : int
        Of the PDF, counted from 1.
    point_mm : (float, float)
        Reference point, from the lower left corner of the page.
    reach_mm : (float, float, float, float)
        Left, near, right, far edge of the paper from the reference point; the last is farthest from the shooter.
    """

    name: str
    page: int
    point_mm: tuple[float, float]
    reach_mm: tuple[float, float, float, float]


# The long scale is printed in two halves; both end in the middle of the zero tick.
_HALF_MM = 262.0
CUTS = {
    cut.name: cut
    for cut in (
        Cut(
            name="scale-left",
            page=2,
            point_mm=(A4_MM[0] / 2 + _HALF_MM / 2, 150.0),
            reach_mm=(-_HALF_MM, -43.0, 0.0, 6.0),
        ),
        Cut(
            name="scale-right",
            page=3,
            point_mm=(A4_MM[0] / 2 - _HALF_MM / 2, 150.0),
            reach_mm=(0.0, -43.0, _HALF_MM, 6.0),
        ),
        *(
            Cut(
                name=f"card-{k + 1}",
                page=4 + k // 2,
                point_mm=(A4_MM[0] * (k % 2 + 0.5) / 2, 100.0),
                reach_mm=(-50.0, -56.0, 50.0, 56.0),
            )
            for k in range(4)
        ),
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A cut-out as it lies on the table.

    Attributes
    ----------
    cut : str
        Name of what was cut out.
    x_m, y_m : float
        Where its reference point lies, table frame.
    turn_rad : float
        Turn, positive when its right end lies farther from the shooter.
    on_rail : bool
        On the rail top, else on the cloth.
    """

    cut: str
    x_m: float
    y_m: float
    turn_rad: float = 0.0
    on_rail: bool = False

    def covers(self, x_m: float, y_m: float, *, beyond_m: float = 0.0) -> bool:
        """Whether a place lies under the paper, or at most so far from it."""
        right, away = _from_point(self, np.array(x_m), np.array(y_m))
        left, near, far_right, far = (mm / 1000 for mm in CUTS[self.cut].reach_mm)
        return bool(left - beyond_m < right < far_right + beyond_m and near - beyond_m < away < far + beyond_m)


def lay(sheet: Sheet, x_m: Image, y_m: Image, colour: Image) -> None:
    """Colour the places that a sheet covers.

    Parameters
    ----------
    sheet : Sheet
        What lies there.
    x_m, y_m : (N,) arrays
        Places, table frame.
    colour : (N, 3) array
        Reflectances, written into.
    """
    right, away = _from_point(sheet, x_m, y_m)
    left, near, far_right, far = (mm / 1000 for mm in CUTS[sheet.cut].reach_mm)
    here = (right >= left) & (right < far_right) & (away >= near) & (away < far)
    if not here.any():
        return
    tone = raster(sheet.cut)
    j = np.clip((right[here] - left) * 1000 * DOTS_PER_MM, 0, tone.shape[1] - 1).astype(np.int32)
    i = np.clip((away[here] - near) * 1000 * DOTS_PER_MM, 0, tone.shape[0] - 1).astype(np.int32)
    colour[here] = tone[i, j][:, None] * np.array([1.0, 0.99, 0.96], np.float32)


def _from_point(sheet: Sheet, x_m: Image, y_m: Image) -> tuple[Floats, Floats]:
    c, s = math.cos(sheet.turn_rad), math.sin(sheet.turn_rad)
    dx, dy = x_m - sheet.x_m, y_m - sheet.y_m
    return c * dx + s * dy, c * dy - s * dx


@lru_cache(maxsize=16)
def raster(name: str) -> Image:
    """(h, w) reflectance of a cut-out, row 0 nearest to the shooter."""
    grey = cv2.imread(str(HERE / f"{name}.png"), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        raise FileNotFoundError(f"{HERE / name}.png: written by `python -m sample_clips.paper SHEETS.pdf`")
    tone = INK + (PAPER - INK) * grey[::-1].astype(np.float32) / 255
    # A quarter of a mm of ink spread; rays also fall a few tenths of a mm apart.
    return cv2.GaussianBlur(tone, (0, 0), 0.25 * DOTS_PER_MM, borderType=cv2.BORDER_REPLICATE)


def cut_out(pdf_path: Path, folder: Path) -> None:
    """Rasterise the pages of a PDF and write the cut-outs as PNG."""
    import pypdfium2  # not a dependency: the cut-outs are kept with the program

    document = pypdfium2.PdfDocument(pdf_path)
    folder.mkdir(exist_ok=True)
    for cut in CUTS.values():
        # Edges are moved onto whole dots there: four times as many, so that a quarter of a dot remains of that.
        fine = document[cut.page - 1].render(scale=4 * DOTS_PER_MM * 25.4 / 72, grayscale=True).to_numpy()
        size = (round(A4_MM[0] * DOTS_PER_MM), round(A4_MM[1] * DOTS_PER_MM))
        page = cv2.resize(fine.reshape(fine.shape[:2]), size, interpolation=cv2.INTER_AREA)[::-1]
        x_mm, y_mm = cut.point_mm
        left, near, right, far = cut.reach_mm
        rows = slice(round((y_mm + near) * DOTS_PER_MM), round((y_mm + far) * DOTS_PER_MM))
        columns = slice(round((x_mm + left) * DOTS_PER_MM), round((x_mm + right) * DOTS_PER_MM))
        cv2.imwrite(str(folder / f"{cut.name}.png"), page[rows, columns][::-1], [cv2.IMWRITE_PNG_COMPRESSION, 9])


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("pdf", type=Path, help="out/sheets.pdf of the sample session, A4, the long scale")
    cut_out(parser.parse_args().pdf, HERE)


if __name__ == "__main__":
    main()
