"""Lines, marks and words drawn into pictures: legible on any background, told apart without colour as well."""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from PIL import Image as Pillow
from PIL import ImageDraw, ImageFont

from calibrate.arrays import Floats

Image = npt.NDArray[np.uint8]

_SHIFT = 4  # OpenCV draws at sixteenths of a pixel
_RIM = (20, 20, 20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """How a line looks.

    Attributes
    ----------
    colour : (int, int, int)
        Blue, green, red.
    width : float
        In parts of the picture's height, per thousand.
    dash : tuple of float or None
        Drawn and left out by turns, likewise; None for a whole line.
    """

    colour: tuple[int, int, int]
    width: float
    dash: tuple[float, ...] | None = None


# Told apart by lightness and by dashes as well as by colour, for eyes that do not tell red from green.
PATH = Pen(colour=(40, 140, 245), width=3.2)
LAUNCH = Pen(colour=(225, 170, 60), width=2.2, dash=(12.0, 8.0))
SWERVE = Pen(colour=(215, 130, 205), width=4.0, dash=(6.0, 11.0))
LANE = Pen(colour=(215, 215, 215), width=1.2, dash=(3.0, 9.0))
SCALE = Pen(colour=(240, 240, 240), width=1.4)
# long dash and dot, as drawings have the axis of a round body (ISO 128-2:2020, line type 04)
CUE = Pen(colour=(130, 235, 150), width=2.4, dash=(18.0, 6.0, 2.5, 6.0))
READING = Pen(colour=(60, 220, 250), width=4.0)


def draw_line(image: Image, points_px: Floats, pen: Pen) -> None:
    """Draw a line through points, in place, with a dark rim; points that no picture shows (NaN) are passed over.

    Parameters
    ----------
    image : (H, W, 3) uint8
        Drawn into.
    points_px : (N, 2) array
        (u, v).
    pen : Pen
        How.
    """
    seen = points_px[np.isfinite(points_px).all(axis=1)]
    if len(seen) < 2:
        return
    unit = image.shape[0] / 1000
    pieces = [seen] if pen.dash is None else _dashes(seen, [part * unit for part in pen.dash])
    places = [np.round(piece * 2**_SHIFT).astype(np.int32) for piece in pieces]
    width = max(1, round(pen.width * unit))
    for colour, thick in ((_RIM, width + max(1, round(1.6 * unit))), (pen.colour, width)):
        cv2.polylines(image, places, False, colour, thick, cv2.LINE_AA, _SHIFT)  # noqa: FBT003 - OpenCV's order


def draw_dot(image: Image, place_px: Floats, pen: Pen, *, radius: float) -> None:
    """Draw a disc with a rim, in place; `radius` in parts of the picture's height, per thousand."""
    if not np.isfinite(place_px).all():
        return
    unit = image.shape[0] / 1000
    centre = tuple(int(round(float(value) * 2**_SHIFT)) for value in place_px)
    for colour, size in ((_RIM, radius + 1.4), (pen.colour, radius)):
        cv2.circle(image, centre, round(size * unit * 2**_SHIFT), colour, -1, cv2.LINE_AA, _SHIFT)


def _dashes(points: Floats, pattern: list[float]) -> list[Floats]:
    """Cut a line into dashes by its length; the pattern is drawn and left out by turns, and comes again."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    repeats = np.arange(0.0, at[-1], sum(pattern))
    into = np.concatenate([[0.0], np.cumsum(pattern)])
    starts = (repeats[:, None] + into[:-1:2]).ravel()
    starts, drawn = starts[starts < at[-1]], np.tile(pattern[::2], len(repeats))[: np.sum(starts < at[-1])]
    ends = np.minimum(starts + drawn, at[-1])
    # What lies within a dash is kept, so that it bends with the line.
    first, last = np.searchsorted(at, starts, side="right"), np.searchsorted(at, ends, side="left")
    from_px, to_px = (
        np.column_stack([np.interp(along, at, points[:, k]) for k in (0, 1)]) for along in (starts, ends)
    )
    return [
        np.concatenate([from_px[k : k + 1], points[first[k] : last[k]], to_px[k : k + 1]])
        for k in range(len(starts))
    ]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Panel:
    """Words and a legend on a dark ground, drawn once and laid over every frame.

    Attributes
    ----------
    colours : (h, w, 3) uint8
        Blue, green, red.
    share : (h, w, 1) float32
        How much of the picture it covers.
    """

    colours: Image
    share: npt.NDArray[np.float32]

    def lay(self, image: Image, at_px: tuple[int, int]) -> None:
        """Lay it over a picture, its upper left corner at (u, v), cut off at the border."""
        u, v = at_px
        h = min(self.colours.shape[0], image.shape[0] - v)
        w = min(self.colours.shape[1], image.shape[1] - u)
        if h <= 0 or w <= 0:
            return
        under = image[v : v + h, u : u + w]
        mixed = under + self.share[:h, :w] * (self.colours[:h, :w].astype(np.float32) - under)
        under[:] = np.clip(mixed, 0, 255).astype(np.uint8)


def panel(lines: tuple[str, ...], legend: tuple[tuple[str, Pen], ...], *, height_px: int) -> Panel:
    """Write lines of words, the first larger, and a legend below them.

    Parameters
    ----------
    lines : tuple of str
        Words.
    legend : tuple of (str, Pen)
        What each kind of line is.
    height_px : int
        Of the picture that it is for; sizes go with it.
    """
    size = height_px / 46
    pad = round(0.6 * size)
    head, body = _font(1.25 * size), _font(size)
    fonts = [head, *[body] * (len(lines) - 1)]
    step = round(1.4 * size)
    key = round(2.6 * size) if legend else 0
    widths = [font.getlength(line) for font, line in zip(fonts, lines, strict=True)]
    widths += [key + body.getlength(word) for word, _ in legend]
    width = round(max(widths)) + 2 * pad
    height = step * (len(lines) + len(legend)) + 2 * pad
    page = Pillow.new("RGB", (width, height), (18, 20, 22))
    draw = ImageDraw.Draw(page)
    for k, (line, font) in enumerate(zip(lines, fonts, strict=True)):
        draw.text((pad, pad + k * step), line, font=font, fill=(245, 245, 245))
    for k, (word, _) in enumerate(legend):
        draw.text((pad + key, pad + (len(lines) + k) * step), word, font=body, fill=(225, 225, 225))
    colours = np.ascontiguousarray(np.asarray(page)[:, :, ::-1])
    keys = np.zeros(
        (height_px, width, 3), np.uint8
    )  # a canvas as high as the picture, so that pens have their size
    keys[:height] = colours[: min(height, height_px)]
    for k, (_, pen) in enumerate(legend):
        v = pad + (len(lines) + k) * step + 0.6 * size
        draw_line(keys, np.array([[pad, v], [pad + 0.8 * key, v]]), pen)
    colours = np.ascontiguousarray(keys[:height])
    bright = colours.max(axis=2, keepdims=True) > 60
    return Panel(colours=colours, share=np.where(bright, 1.0, 0.62).astype(np.float32))


@lru_cache(maxsize=8)
def _font(size_px: float) -> ImageFont.FreeTypeFont:
    """Load the sans-serif that comes with matplotlib, so that every machine draws the same."""
    return ImageFont.truetype(
        str(Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), max(8.0, size_px)
    )
