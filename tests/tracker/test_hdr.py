"""Levels of high dynamic range become those of the usual one, by the points that the standards print."""

import numpy as np
import pytest
from test_phone_files import HEVC, brightness, write

from tracker.clip import read_frames
from tracker.hdr import HLG, PQ, usual_levels


def level(percent):
    """Limited range of 10 bits: ITU-R BT.2100, 64 to 940."""
    return round(64 + 876 * percent / 100)


@pytest.mark.parametrize(
    ("transfer", "percent", "over_white"),
    [
        # ITU-R BT.2408-7, tables 1 and 2: signal levels of grey cards and of reference white
        (HLG, 75, 1.0),
        (PQ, 58.1, 203 / 203),
        (PQ, 50.8, 100 / 203),
        (PQ, 38, 26 / 203),
        (HLG, 38, 0.18),
        (PQ, 0, 0.0),
        (HLG, 0, 0.0),
    ],
)
def test_levels_stand_for_the_light_that_the_standard_prints(transfer, percent, over_white):
    grey = (usual_levels(transfer, full_range=False)[level(percent)] - 16) / 219
    light = grey / 12.92 if grey <= 0.04045 else ((grey + 0.055) / 1.055) ** 2.4
    assert 2 * light == pytest.approx(over_white, rel=0.04, abs=0.002)


def test_levels_rise_and_the_usual_range_is_left_alone():
    for transfer in (PQ, HLG):
        for full_range in (False, True):
            assert (np.diff(usual_levels(transfer, full_range=full_range).astype(int)) >= 0).all()
    assert usual_levels(1, full_range=False) is None  # ITU-R BT.709


@pytest.mark.parametrize("transfer", [PQ, HLG])
def test_a_recording_says_which_curve_it_has(tmp_path, transfer):
    video = HEVC | {"pix_fmt": "yuv420p10le", "transfer": transfer}
    path = write(tmp_path / "hdr.mov", video=video, pictures=6)
    for frame, picture in zip(read_frames(path), brightness(6), strict=True):
        code = np.round(64 + picture.astype(float) * 876 / 255).astype(int)
        expected = usual_levels(transfer, full_range=False)[code].astype(float)
        np.testing.assert_allclose(frame.luma, expected, rtol=0, atol=4)
