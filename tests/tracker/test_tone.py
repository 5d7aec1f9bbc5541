"""The tone curve against its standard, and undone."""

import numpy as np
import pytest

from tracker.tone import Tone


@pytest.mark.parametrize(("code", "linear"), [(0.02, 0.02 / 12.92), (0.5, 0.21404), (0.75, 0.52252), (1.0, 1.0)])
def test_without_contrast_the_curve_is_that_of_srgb(code, linear):
    """IEC 61966-2-1: below 0.04045 a line, above ((c + 0.055) / 1.055)^2.4; the values follow from it."""
    grey = np.array([16 + 219 * code])
    np.testing.assert_allclose(Tone(contrast=0.0).light(grey), 255 * linear, rtol=0, atol=0.02)


def test_full_range_starts_at_zero():
    light = Tone(contrast=0.0, black=0.0, white=255.0).light(np.array([0.0, 127.5, 255.0]))
    np.testing.assert_allclose(light, [0.0, 255 * 0.21404, 255.0], rtol=0, atol=0.02)


def test_contrast_spreads_the_middle_tones():
    """An S: dark greys stand for more light than without it, bright greys for less, the middle for the same."""
    grey = 16 + 219 * np.array([0.25, 0.5, 0.75])
    more = Tone(contrast=0.03).light(grey) - Tone(contrast=0.0).light(grey)
    assert more[0] > 1
    assert more[2] < -1
    assert abs(more[1]) < 0.02


def test_slope_is_that_of_finite_differences():
    tone = Tone()
    grey = np.linspace(30, 225, 40)
    by_steps = (tone.light(grey + 0.5) - tone.light(grey - 0.5)) / 1.0
    np.testing.assert_allclose(tone.slope(tone.light(grey)), by_steps, rtol=0.02)


def test_black_levels_keep_a_slope():
    """Noise below black must not weigh without bound."""
    assert np.all(Tone().slope(np.array([0.0, -5.0])) > 0)
