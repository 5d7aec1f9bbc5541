"""What is printed: markers that cannot be mistaken for each other, in places that follow from the session."""

from dataclasses import replace
from itertools import combinations

import cv2
import numpy as np
import pytest
from calibrate_scenes import LANE, SCALE, TABLE
from printed_scenes import rasterised

from calibrate.marks import mark_point_m
from calibrate.printed import (
    DICTIONARY,
    cloth_cards,
    markers_of_other_unit,
    printed_picture,
    printed_pieces,
    rail_cards,
    scale_pieces,
)
from calibrate.table import TABLES

METRIC = replace(SCALE, unit_m=0.01)


def test_two_markers_differ_in_eight_bits_however_they_are_turned():
    """Read from the bits of OpenCV's own table of the dictionary."""
    bytes_of = cv2.aruco.getPredefinedDictionary(DICTIONARY).bytesList
    bits = [cv2.aruco.Dictionary.getBitsFromByteList(one[None], 5) for one in bytes_of]
    turns = [[np.rot90(one, k) for k in range(4)] for one in bits]
    assert (
        min(np.count_nonzero(a != b) for one, other in combinations(turns, 2) for a in one[:1] for b in other) >= 8
    )
    assert min(np.count_nonzero(one[0] != one[k]) for one in turns for k in (1, 2, 3)) >= 8


@pytest.mark.parametrize(
    "piece", [scale_pieces(SCALE)[4], *cloth_cards(TABLE, LANE, SCALE)[:1]], ids=lambda p: p.mark
)
def test_what_is_printed_is_read_by_the_general_detector(piece):
    """OpenCV's detector on the rasterised print, seen as the shooter sees it."""
    picture = cv2.copyMakeBorder(np.uint8(255 * rasterised(piece)[::-1]), *[40] * 4, cv2.BORDER_CONSTANT, value=255)
    corners, numbers, _ = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY)).detectMarkers(
        picture
    )
    assert numbers.ravel().tolist() == [piece.marker]
    # top left corner first: not turned, not mirrored
    first = corners[0][0]
    assert first[0, 0] < first[1, 0]
    assert first[0, 1] < first[3, 1]


def test_the_picture_looked_for_is_the_picture_printed():
    piece = scale_pieces(SCALE)[5]
    looked_for = printed_picture(piece)
    printed = rasterised(piece)
    printed = printed[: len(printed) // 2 * 2, : printed.shape[1] // 2 * 2]
    coarse = printed.reshape(len(printed) // 2, 2, -1, 2).mean(axis=(1, 3))
    rows, columns = np.minimum(coarse.shape, looked_for.ink.shape)
    assert np.mean(np.abs(coarse[:rows, :columns] - looked_for.ink[:rows, :columns])) < 0.01


@pytest.mark.parametrize("scale", [SCALE, METRIC], ids=["inch", "cm"])
@pytest.mark.parametrize("size", ["7ft", "9ft", "snooker"])
def test_every_piece_has_a_place_on_the_table_and_a_number_of_its_own(size, scale):
    table = TABLES[size]
    lane = replace(LANE, x_aim_m=table.width_m / 4, spot_y_m=0.3 * table.length_m)
    pieces = printed_pieces(table, lane, scale)
    assert len({piece.marker for piece in pieces}) == len(pieces)
    for piece in pieces:
        mark_point_m(piece.mark, table, lane, scale)  # raises off the table
    assert len(cloth_cards(table, lane, scale)) == 4
    assert bool(rail_cards(table)) is table.has_sights


def test_a_ball_on_the_lane_rolls_over_no_card():
    for card in cloth_cards(TABLE, LANE, SCALE):
        _, _, aside = card.mark.split(":")
        assert abs(float(aside)) + min(card.paper_mm[0] * np.sign(float(aside)), 0) > 57.15


def test_a_scale_of_the_other_unit_is_told():
    metric = [piece.marker for piece in scale_pieces(METRIC)]
    assert markers_of_other_unit(metric, SCALE) == tuple(metric)
    assert markers_of_other_unit(metric, METRIC) == ()
