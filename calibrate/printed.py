"""What is printed for a session: black boxes on paper, coded markers among them, and where each piece lies.

One list of boxes is drawn into the PDF and looked for in the picture, so that what is sought is what was printed.

A **piece** is paper with one coded marker and a reference point. The rail scale is a row of pieces side by side;
cards for the cloth and for the long rails are a piece each. Markers are of an open kind, the 5 x 5 bit square
markers of OpenCV's ArUco module (S. Garrido-Jurado et al., Pattern Recognition 47, 2280 (2014)); any two of the 50
differ in at least 8 bits however they are turned (measured: `tests/calibrate/test_printed.py`).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from calibrate.arrays import Bools, Floats
from calibrate.marks import mark_point_m
from calibrate.scale import RailScale
from calibrate.table import Lane, Table, sight_places_m
from calibrate.units import M_PER_INCH, m_from_mm, mm_from_m

DICTIONARY = cv2.aruco.DICT_5X5_50
MODULES = 7  # 5 bits and a black border on each side

# The rail scale, mm from the reading line, positive away from the shooter: numbers and ticks lie between markers,
# all on the shooter's side of the line, where rails of 4 in (101.6 mm, WPA 2001) still have wood under the paper.
SCALE_MARKER_MM = 32.0
SCALE_MARKER_MIDDLE_MM = -22.0
SCALE_NEAR_MM, SCALE_FAR_MM = -43.0, 6.0
TICK_MM = (2.0, 14.0)  # wide enough to be seen from behind the shooter at 0.4 px/mm
LINE_MM = 0.6  # width of the reading line
NUMBER_MM, NUMBER_HALF_MM = (-38.0, -16.5), 5.5  # where a tick's number stands: near and far, to either side
SCALE_END_MM = 8.0  # paper beyond the last tick
SHORT_PIECES, LONG_PIECES = 4, 10  # of a scale on one page, and of one on two pages

CLOTH_MARKER_MM, CLOTH_CARD_MM = 80.0, (100.0, 112.0)
RAIL_MARKER_MM, RAIL_CARD_MM = 32.0, (44.0, 44.0)
RAIL_SIGHTS = ("left-3", "left-5", "right-3", "right-5")

_INCH_IDS, _CLOTH_IDS, _RAIL_IDS, _METRIC_IDS = 0, 20, 30, 36
_FINE_MM = 0.25  # grid that pieces are drawn on, mm


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Piece:
    """Printed paper round one reference point.

    Attributes
    ----------
    mark : str
        Name of the mark that the reference point is.
    marker : int
        Number of its coded marker.
    boxes_mm : (N, 4) float64
        Black boxes: left, near, right, far from the reference point, x to the shooter's right and y away from the
        shooter, as printed.
    holes_mm : (M, 4) float64
        White boxes in them, likewise.
    paper_mm : tuple of float
        The paper, likewise.
    blank_mm : tuple of tuple of float
        Boxes in which something else is printed, such as numbers: not looked at.
    marker_mm : tuple of float
        The marker's middle from the reference point (x, y), and its side.
    on_rail : bool
        Whether it lies on a rail top; else on the cloth.
    """

    mark: str
    marker: int
    boxes_mm: Floats
    holes_mm: Floats
    paper_mm: tuple[float, float, float, float]
    blank_mm: tuple[tuple[float, float, float, float], ...]
    marker_mm: tuple[float, float, float]
    on_rail: bool

    def corners_mm(self) -> Floats:
        """(4, 2) corners of the marker in the detector's order, from the reference point."""
        x, y, side = self.marker_mm
        half = side / 2
        # Seen from the shooter, top is away: top left, top right, bottom right, bottom left.
        return np.array([x, y]) + half * np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Print:
    """A piece as a picture seen from above.

    Attributes
    ----------
    ink : (h, w) float64
        1 for paper, 0 for ink; row 0 is nearest to the shooter.
    seen : (h, w) float64
        0 where something else is printed, else 1.
    left_m, near_m : float
        Outer corner of the first pixel, from the reference point.
    fine_m : float
        Side of a pixel.
    """

    ink: Floats
    seen: Floats
    left_m: float
    near_m: float
    fine_m: float


def printed_pieces(table: Table, lane: Lane, scale: RailScale) -> tuple[Piece, ...]:
    """All pieces that can lie on the table of a session.

    Parameters
    ----------
    table, lane, scale
        The set-up as session.toml gives it.

    Returns
    -------
    tuple of Piece
        Those of the scale from left to right, cards on the cloth from the spot on, cards on the long rails.
    """
    return (*scale_pieces(scale), *cloth_cards(table, lane, scale), *rail_cards(table))


def scale_step(scale: RailScale) -> float:
    """Distance between printed numbers, in the scale's unit: 2 inches, or 50 mm."""
    if abs(scale.unit_m - M_PER_INCH) < 1e-9:
        return 2.0
    return float(round(m_from_mm(50.0) / scale.unit_m))


def scale_pieces(scale: RailScale) -> tuple[Piece, ...]:
    """Pieces of the rail scale; the mark of each is the point of the reading line half-way between two ticks."""
    step = scale_step(scale)
    step_mm = mm_from_m(step * scale.unit_m)
    first_id = _INCH_IDS if step == 2.0 else _METRIC_IDS
    count = LONG_PIECES // 2
    thick, tall = TICK_MM
    half = step_mm / 2
    reach = half + SCALE_END_MM
    near, far = NUMBER_MM
    pieces = []
    for index in range(-count, count):
        number = (index + 0.5) * step
        boxes = [
            (-reach, -LINE_MM / 2, reach, LINE_MM / 2),
            *((side * half - thick / 2, -tall, side * half + thick / 2, 0.0) for side in (-1, 1)),
            _square(0.0, SCALE_MARKER_MIDDLE_MM, SCALE_MARKER_MM),
        ]
        blank = [(side * half - NUMBER_HALF_MM, near, side * half + NUMBER_HALF_MM, far) for side in (-1, 1)]
        # Paper and reading line go on beyond the ticks at both ends; what else there is there belongs to the next.
        blank += [
            (-reach, SCALE_NEAR_MM, -half - thick, SCALE_FAR_MM),
            (half + thick, SCALE_NEAR_MM, reach, SCALE_FAR_MM),
        ]
        pieces.append(
            Piece(
                mark=f"scale{number:+g}",
                marker=first_id + index + count,
                boxes_mm=np.array(boxes),
                holes_mm=_marker_holes(first_id + index + count, SCALE_MARKER_MIDDLE_MM, SCALE_MARKER_MM),
                paper_mm=(-reach, SCALE_NEAR_MM, reach, SCALE_FAR_MM),
                blank_mm=tuple(blank),
                marker_mm=(0.0, SCALE_MARKER_MIDDLE_MM, SCALE_MARKER_MM),
                on_rail=True,
            )
        )
    return tuple(pieces)


def scale_strip(pieces: Sequence[Piece], step_mm: float) -> Piece:
    """Join neighbouring pieces of the scale, the zero in their middle, to one; its reference point is the zero.

    Parameters
    ----------
    pieces : sequence of Piece
        Of `scale_pieces`, as many to the left of the zero as to its right.
    step_mm : float
        Distance between printed numbers.
    """
    half = len(pieces) / 2
    places = [(k - half + 0.5) * step_mm for k in range(len(pieces))]
    aside = [np.array([place, 0.0, place, 0.0]) for place in places]
    return Piece(
        mark="scale+0",
        marker=-1,
        boxes_mm=np.concatenate([piece.boxes_mm + by for piece, by in zip(pieces, aside, strict=True)]),
        holes_mm=np.concatenate([piece.holes_mm + by for piece, by in zip(pieces, aside, strict=True)]),
        paper_mm=(
            -half * step_mm - SCALE_END_MM,
            SCALE_NEAR_MM,
            half * step_mm + SCALE_END_MM,
            SCALE_FAR_MM,
        ),
        blank_mm=tuple(
            (left + place, near, right + place, far)
            for piece, place in zip(pieces, places, strict=True)
            for left, near, right, far in piece.blank_mm[:2]
        ),
        marker_mm=(0.0, 0.0, 0.0),
        on_rail=True,
    )


def cloth_cards(table: Table, lane: Lane, scale: RailScale) -> tuple[Piece, ...]:
    """Cards beside the lane, to its left and right in turn, at round lengths in the scale's own unit."""
    round_mm, near_mm = (50.8, 139.7) if scale_step(scale) == 2.0 else (50.0, 140.0)  # 2 and 5 1/2 in
    reach_mm = mm_from_m(table.length_m - lane.spot_y_m) - 150.0
    pieces = []
    for k, share in enumerate((0.15, 0.4, 0.65, 0.9)):
        ahead_mm = round_mm * round(share * reach_mm / round_mm)
        side = 1 if k % 2 else -1
        for aside_mm in (side * near_mm, -side * near_mm):
            x_mm = mm_from_m(lane.x_aim_m) + aside_mm
            if CLOTH_CARD_MM[0] / 2 + 5 <= x_mm <= mm_from_m(table.width_m) - CLOTH_CARD_MM[0] / 2 - 5:
                pieces.append(
                    _card(f"lane:{ahead_mm:g}:{aside_mm:g}", _CLOTH_IDS + k, CLOTH_MARKER_MM, CLOTH_CARD_MM)
                )
                break
    return tuple(pieces)


def rail_cards(table: Table) -> tuple[Piece, ...]:
    """Cards for the long rails, each with its middle on a sight; none where the table has no sights."""
    sights = sight_places_m(table)
    return tuple(
        _card(name, _RAIL_IDS + k, RAIL_MARKER_MM, RAIL_CARD_MM, on_rail=True)
        for k, name in enumerate(RAIL_SIGHTS)
        if name in sights
    )


def markers_of_other_unit(markers: Iterable[int], scale: RailScale) -> tuple[int, ...]:
    """Of marker numbers those that stand on a scale of the other unit, inches or mm."""
    other = _METRIC_IDS if scale_step(scale) == 2.0 else _INCH_IDS
    return tuple(number for number in markers if other <= number < other + LONG_PIECES)


def on_table(piece: Piece, points_mm: Floats, table: Table, lane: Lane, scale: RailScale) -> Floats:
    """Where points of a piece lie.

    Parameters
    ----------
    piece : Piece
        The piece.
    points_mm : (..., 2) array
        As printed, from the reference point.
    table, lane, scale
        The set-up; the stretch of the scale is that of the printer, and so of every piece.

    Returns
    -------
    (..., 3) array
        Table frame, in m.
    """
    origin = mark_point_m(piece.mark, table, lane, scale)
    along = m_from_mm(1.0) * (1 + scale.stretch) * np.asarray(points_mm)
    if piece.mark.startswith("scale"):
        c, s = np.cos(scale.skew_rad), np.sin(scale.skew_rad)
        along = along @ np.array([[c, s], [-s, c]])
    places: Floats = np.concatenate([origin[:2] + along, np.full((*along.shape[:-1], 1), origin[2])], axis=-1)
    return places


def printed_picture(piece: Piece) -> Print:
    """Draw a piece as printed, at a quarter of a mm."""
    left, near, right, far = piece.paper_mm
    shape = (round((far - near) / _FINE_MM), round((right - left) / _FINE_MM))
    ink = np.ones(shape)
    for box in piece.boxes_mm:
        ink *= 1 - _cover(box, left, near, shape)
    for box in piece.holes_mm:
        ink += (1 - ink) * _cover(box, left, near, shape)
    seen = np.ones(shape)
    for box in piece.blank_mm:
        seen *= 1 - np.ceil(_cover(np.array(box), left, near, shape))
    return Print(ink=ink, seen=seen, left_m=m_from_mm(left), near_m=m_from_mm(near), fine_m=m_from_mm(_FINE_MM))


def _cover(box_mm: Floats, left: float, near: float, shape: tuple[int, int]) -> Floats:
    """How much of each pixel a box covers, (h, w)."""
    shares = []
    for low, high, origin, count in (
        (box_mm[1], box_mm[3], near, shape[0]),
        (box_mm[0], box_mm[2], left, shape[1]),
    ):
        edges = origin + _FINE_MM * np.arange(count + 1)
        inside = np.clip(edges, low, high)
        shares.append(np.diff(inside) / _FINE_MM)
    cover: Floats = np.outer(shares[0], shares[1])
    return cover


def _card(mark: str, marker: int, side_mm: float, card_mm: tuple[float, float], *, on_rail: bool = False) -> Piece:
    half_x, half_y = card_mm[0] / 2, card_mm[1] / 2
    return Piece(
        mark=mark,
        marker=marker,
        boxes_mm=np.array([_square(0.0, 0.0, side_mm)]),
        holes_mm=_marker_holes(marker, 0.0, side_mm),
        paper_mm=(-half_x, -half_y, half_x, half_y),
        # Lines and words that help to lay the card, along its border.
        blank_mm=(
            (-half_x, -half_y, half_x, -side_mm / 2 - side_mm / MODULES / 2),
            (-half_x, side_mm / 2 + side_mm / MODULES / 2, half_x, half_y),
        ),
        marker_mm=(0.0, 0.0, side_mm),
        on_rail=on_rail,
    )


def _square(x_mm: float, y_mm: float, side_mm: float) -> tuple[float, float, float, float]:
    half = side_mm / 2
    return (x_mm - half, y_mm - half, x_mm + half, y_mm + half)


def _marker_holes(marker: int, y_mm: float, side_mm: float) -> Floats:
    """White runs of a marker's rows as boxes, (M, 4), its middle at (0, `y_mm`)."""
    module = side_mm / MODULES
    holes = []
    for row, bits in enumerate(_bits(marker)):
        far = y_mm + side_mm / 2 - row * module
        white = np.flatnonzero(bits)
        for run in np.split(white, np.flatnonzero(np.diff(white) > 1) + 1):
            if len(run):
                left = run[0] * module - side_mm / 2
                holes.append((left, far - module, left + len(run) * module, far))
    return np.array(holes)


@lru_cache(maxsize=64)
def _bits(marker: int) -> Bools:
    """(7, 7) true where a marker is white; row 0 is its top."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, marker, MODULES)) > 127
