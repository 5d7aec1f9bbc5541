"""What stands for errors that persist from frame to frame, against simulated ones."""

import numpy as np
import pytest

from tracker.path import PERSISTENCE_S, PERSISTENT_SD_PX, persistent_cov_px2


@pytest.mark.parametrize("frame_rate", [30, 60, 240])
def test_a_slope_errs_as_the_independent_errors_say_that_stand_for_persistent_ones(frame_rate):
    """Slope of a line through 2 s of 4000 autoregressive series, by least squares: within 12 %.

    The ends of the run make the true spread a little smaller than the rule for endless runs.
    """
    rng = np.random.default_rng(11)
    n, rho = 2 * frame_rate, np.exp(-1 / frame_rate / PERSISTENCE_S)
    errors = np.empty((4000, n))
    errors[:, 0] = rng.normal(0, PERSISTENT_SD_PX, 4000)
    for k in range(1, n):
        fresh = rng.normal(0, PERSISTENT_SD_PX * np.sqrt(1 - rho**2), 4000)
        errors[:, k] = rho * errors[:, k - 1] + fresh
    times_s = np.arange(n) / frame_rate
    away_s = times_s - times_s.mean()
    slopes = errors @ away_s / (away_s @ away_s)
    cov = persistent_cov_px2(1 / frame_rate)
    assert np.std(slopes) == pytest.approx(np.sqrt(cov[0, 0] / (away_s @ away_s)), rel=0.12)
    assert cov[0, 1] == 0
    assert cov[1, 1] == cov[0, 0]
