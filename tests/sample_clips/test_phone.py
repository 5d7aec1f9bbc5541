"""What the renderer's phone does to pictures: nothing unless asked for, and then as much as asked for."""

import cv2
import numpy as np
import pytest

from sample_clips.phone import Phone, Processing

SIZE_PX = (90, 60)


def processing(**effects):
    return Processing(Phone(**effects), SIZE_PX, readout_s=0.012, exposure_s=1 / 250)


def picture():
    rng = np.random.default_rng(20240611)
    code = rng.uniform(0.2, 0.8, (SIZE_PX[1], SIZE_PX[0])).astype(np.float32)
    return cv2.GaussianBlur(code, (0, 0), 2.0)


def test_nothing_is_done_unless_asked_for():
    np.testing.assert_array_equal(processing().luma(picture(), 0.3), picture())


def test_a_picture_moves_as_the_matrix_says():
    phone = Phone(drift_px=2.0, breathing=0.01)
    dot = np.zeros((SIZE_PX[1], SIZE_PX[0]), np.float32)
    dot[20, 61] = 1.0
    dot = cv2.GaussianBlur(dot, (0, 0), 2.0)
    moved = processing(drift_px=2.0, breathing=0.01).luma(dot, 0.41)
    v, u = np.indices(moved.shape)
    seen = np.array([(moved * u).sum(), (moved * v).sum()]) / moved.sum()
    expected = phone.warp(0.41, SIZE_PX) @ [61, 20, 1]
    assert np.hypot(*(expected - [61, 20])) > 1.0
    np.testing.assert_allclose(seen, expected, rtol=0, atol=2e-3)


def test_noise_reduction_quiets_what_stands_still():
    """Each frame takes a share s of the one before: a recursive filter with (1 - s) / (1 + s) of the variance."""
    rng = np.random.default_rng(20240611)
    phone = processing(quiets=0.6, ghost=0.6)
    frames = [phone.luma((0.5 + rng.normal(0, 0.01, (60, 90))).astype(np.float32), n / 60) for n in range(24)]
    assert np.var(frames[-1]) / 1e-4 == pytest.approx(0.25, rel=0.08)  # 4 sd of a variance of 5400 pixels


def test_noise_reduction_leaves_little_of_what_moved_on():
    """A change of 100 grey levels: the share for much change is left, and a little of the other."""
    phone = processing(quiets=0.6, ghost=0.1, quiet_levels=10.0)
    phone.luma(np.full((60, 90), 0.3, np.float32), 0.0)
    after = phone.luma(np.full((60, 90), 0.3 + 100 / 219, np.float32), 1 / 60)
    left = 0.1 + 0.5 / (1 + 10.0**2)
    np.testing.assert_allclose(219 * (after - 0.3), 100 * (1 - left), rtol=0, atol=0.01)


def test_sharpening_leaves_halos_beside_an_edge_and_nothing_on_even_ground():
    step = np.where(np.arange(90) < 45, 0.3, 0.6) * np.ones((60, 1))
    sharp = processing(sharpens=0.5).luma(step.astype(np.float32), 0.0)
    assert sharp[30, 44] < 0.3 - 0.03
    assert sharp[30, 45] > 0.6 + 0.03
    np.testing.assert_allclose(sharp[30, [5, 85]], [0.3, 0.6], rtol=0, atol=1e-5)


def test_flicker_goes_down_the_picture_in_bands_of_twice_the_mains():
    """12 ms of readout hold 1.2 turns of 100 Hz, evened by an exposure of 4 ms to sin(0.4 pi) / (0.4 pi)."""
    gain = Phone(flicker=0.1, mains_hz=50.0).gain(np.linspace(0, 0.012, 1201), 0.004)
    evened = 0.1 * np.sin(0.4 * np.pi) / (0.4 * np.pi)
    np.testing.assert_allclose([gain.max() - 1, 1 - gain.min()], evened, rtol=1e-4)
    assert gain[250] == pytest.approx(1 + evened, abs=1e-6)
    assert gain[1000] == pytest.approx(1.0, abs=1e-6)


def test_local_tone_mapping_takes_out_contrast_between_large_areas():
    halves = np.where(np.arange(90) < 45, 0.3, 0.6) * np.ones((60, 1))
    mapped = processing(local_contrast=0.4, local_px=4.0).luma(halves.astype(np.float32), 0.0)
    assert mapped[30, 85] - mapped[30, 5] == pytest.approx(0.6 * 0.3, rel=1e-3)
    # right at the edge next to nothing is lost: that is what makes halos
    assert mapped[30, 45] - mapped[30, 44] == pytest.approx(0.3, rel=0.05)
