"""The still scene: what the median of frames is."""

import numpy as np
import pytest

from tracker.background import _median


@pytest.mark.parametrize("count", [1, 2, 3, 8, 15, 36])
def test_the_median_of_windows_is_that_of_numpy(count):
    rng = np.random.default_rng(20240611)
    crops = [rng.integers(0, 256, (13, 29)).astype(np.uint8) for _ in range(count)]
    pick = np.unique(np.linspace(0, count - 1, min(15, count)).round().astype(int))
    np.testing.assert_array_equal(_median(crops), np.median(np.stack(crops)[pick], axis=0))
    assert all((crop == other).all() for crop, other in zip(crops, [c.copy() for c in crops], strict=True))
