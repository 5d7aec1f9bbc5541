"""Calibrating without a click, against drawn tables whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest
from calibrate_scenes import BALL, LANE, SCALE, SIZE_PX, TABLE, behind_foot_rail, behind_shooter, clicks_of
from printed_scenes import Recording, all_pieces, scene_luma, strip_of

from calibrate import auto
from calibrate.auto import find_marks
from calibrate.errors import MarksError, NotMeasured
from calibrate.find_markers import find_markers
from calibrate.marks import mark_point_m
from calibrate.precision import lane_sd
from calibrate.printed import printed_picture, scale_pieces
from calibrate.register import AFFINE_SD, Pose, register
from calibrate.solve import calibrate

SETUP = {"table": TABLE, "lane": LANE, "ball": BALL, "scale": SCALE}
PLACES = {"behind the foot rail": behind_foot_rail, "behind the shooter": behind_shooter}


@pytest.fixture(scope="module", params=PLACES)
def scene(request):
    camera = PLACES[request.param]()
    luma, true = scene_luma(camera, all_pieces(), np.random.default_rng(20240611))
    return camera, luma, true, find_marks(luma, **SETUP)


def reading_error_mm(camera, calibration):
    """What a ball on the lane reads, its centre taken where the true camera sees it; 0 is right."""
    r = BALL.radius_m
    ends = np.array([[LANE.x_aim_m, LANE.spot_y_m, r], [LANE.x_aim_m, TABLE.length_m - r, r]])
    start, end = calibration.camera.onto_plane(camera.project(ends), z_m=r)
    return 1000 * calibration.scale.reading_m(end, end - start)


def test_marks_are_found_where_they_lie(scene):
    camera, _, true, found = scene
    names = {click.name for click in found.clicks}
    assert names >= {name for name in true if name != "scale+0"}
    assert sum(name.startswith("scale") for name in names) >= 2
    misses = []
    for click in found.clicks:
        place = camera.project(mark_point_m(click.name, TABLE, LANE, SCALE))
        misses.append(np.subtract([click.u_px, click.v_px], place) / click.sigma_px)
    # 99.9 % of chi-square per degree of freedom with 24 or more of them lies below 2.1; the largest sd counts twice
    assert np.mean(np.square(misses)) < 2.1
    assert np.abs(misses).max() < 4


def test_marks_of_another_picture_spare_the_search_and_mislead_nobody(scene, monkeypatch):
    """From the same camera place no code is read again; from another one the picture is searched as always."""
    camera, luma, _, found = scene
    read = []
    monkeypatch.setattr(auto, "find_markers", lambda grey: read.append(1) or find_markers(grey))
    again = find_marks(luma, **SETUP, near=found.clicks)
    assert not read
    assert {click.name for click in again.clicks} == {click.name for click in found.clicks}
    elsewhere = [replace(click, u_px=click.u_px + 60) for click in found.clicks]
    searched = find_marks(luma, **SETUP, near=elsewhere)
    assert read
    assert searched.clicks == found.clicks


def test_the_reading_is_right_within_what_is_stated(scene):
    camera, luma, _, found = scene
    calibration = calibrate(found.clicks, luma=luma, size_px=SIZE_PX, **SETUP)
    sd_mm = 1000 * lane_sd(calibration)[0]
    assert abs(reading_error_mm(camera, calibration)) < 3 * sd_mm
    assert sd_mm < 0.25
    by_hand = calibrate(clicks_of(camera, rng=np.random.default_rng(20240611)), luma=None, size_px=SIZE_PX, **SETUP)
    assert sd_mm < 0.6 * 1000 * lane_sd(by_hand)[0]


def test_a_piece_is_registered_to_hundredths_of_a_pixel():
    """Bias in a picture without noise or compression: measured at most 0.014 px at the marker, 0.02 at the line."""
    camera = behind_foot_rail()
    clean = Recording(noise=0.0, crf=1)
    luma, _ = scene_luma(camera, [strip_of()], np.random.default_rng(20240611), recording=clean)
    for piece in scale_pieces(SCALE)[3:7]:
        origin = mark_point_m(piece.mark, TABLE, LANE, SCALE)
        found = register(
            luma, printed_picture(piece), Pose(origin_m=origin), camera=camera,
            points_mm=np.array([[0.0, 0.0], [0.0, -22.0]]), reach_px=1.5, affine_sd=AFFINE_SD,
        )  # fmt: skip
        expected = camera.project(np.stack([origin, origin - [0, 0.022, 0]]))
        np.testing.assert_allclose(found.place_px, expected, rtol=0, atol=0.05)


def test_where_nothing_is_printed_nothing_is_registered():
    camera = behind_foot_rail()
    luma, _ = scene_luma(camera, [], np.random.default_rng(20240611))
    piece = scale_pieces(SCALE)[5]
    found = register(
        luma, printed_picture(piece), Pose(origin_m=mark_point_m(piece.mark, TABLE, LANE, SCALE)), camera=camera,
        points_mm=np.zeros((1, 2)), reach_px=4.0, affine_sd=AFFINE_SD,
    )  # fmt: skip
    assert isinstance(found, NotMeasured)
    with pytest.raises(MarksError, match="too few printed markers"):
        find_marks(luma, **SETUP)


def test_a_covered_card_is_left_out_and_the_rest_serves():
    camera = behind_foot_rail()
    u, v = camera.project(mark_point_m("lane:660.4:139.7", TABLE, LANE, SCALE)).astype(int)
    luma, _ = scene_luma(
        camera,
        all_pieces(),
        np.random.default_rng(20240611),
        recording=Recording(cover=(u - 60, v - 15, u + 60, v + 60)),
    )
    found = find_marks(luma, **SETUP)
    assert "lane:660.4:139.7" not in {click.name for click in found.clicks}
    calibration = calibrate(found.clicks, luma=luma, size_px=SIZE_PX, **SETUP)
    assert abs(reading_error_mm(camera, calibration)) < 3 * 1000 * lane_sd(calibration)[0]


def test_a_print_that_is_not_true_to_size_is_corrected_by_its_check_bar():
    """Printed 4 % too small, as by 'fit to page'."""
    camera, shrunk = behind_foot_rail(), replace(SCALE, stretch=-0.04)
    luma, _ = scene_luma(camera, all_pieces(shrunk), np.random.default_rng(20240611), scale=shrunk)
    found = find_marks(luma, **(SETUP | {"scale": shrunk}))
    calibration = calibrate(found.clicks, luma=luma, size_px=SIZE_PX, **(SETUP | {"scale": shrunk}))
    assert calibration.scale.stretch == pytest.approx(-0.04, abs=0.003)
    assert abs(reading_error_mm(camera, calibration)) < 3 * 1000 * lane_sd(calibration)[0]


def test_a_metric_print_in_an_inch_session_is_refused():
    metric = replace(SCALE, unit_m=0.01)
    luma, _ = scene_luma(behind_foot_rail(), all_pieces(metric), np.random.default_rng(20240611), scale=metric)
    with pytest.raises(MarksError, match="is one in mm, but session.toml says another scale.unit"):
        find_marks(luma, **SETUP)


def test_texture_is_no_marker():
    """Blobs and stripes of all sizes; `tests/benchmarks/marker_identities.py` tries many more."""
    rng = np.random.default_rng(20240611)
    for size in (3, 6, 12, 24):
        rough = rng.uniform(0, 255, (640 // size, 480 // size))
        blocks = np.kron(rough > 128, np.ones((size, size))) * 200.0 + 20
        assert find_markers(blocks) == {}
