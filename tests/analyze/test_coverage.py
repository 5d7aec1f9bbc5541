"""The promise of the stated uncertainties on simulated shots; the full figures: tests/benchmarks/monte_carlo.py."""

from itertools import product

import numpy as np
import pytest
from simulated_shots import PLACES, Setting, simulate

from analyze.fit.path_fit import fit_path
from analyze.fit.quantities import QUANTITIES, quantities

SHOTS = 160
GRID = list(product(PLACES, (30.0, 60.0), (1.7, 3.0, 5.5), (True, False)))


def normalised_errors(index):
    place, rate, speed, known = GRID[index % len(GRID)]
    setting = Setting(place=place, frame_rate=rate, speed_m_s=speed, readout_known=known)
    shot = simulate(setting, np.random.default_rng([20240611, 77, index]))
    fit = fit_path(shot.path, shot.calibration, readout=shot.stated_readout)
    found = quantities(fit, shot.calibration)
    return (found.values - shot.values) / np.sqrt(np.diag(found.cov))


@pytest.mark.slow
def test_stated_intervals_hold_the_truth():
    """68 % and 95 % intervals of reading, launch angle, swerve offset and launch speed in 160 shots.

    Camera places, 30 and 60 frames/s, three speeds, readout known and not; the motion is integrated numerically.
    """
    z = np.abs([normalised_errors(i) for i in range(SHOTS)])
    for name in ("reading_m", "launch_rad", "swerve_offset_m", "launch_speed_m_s"):
        column = z[:, QUANTITIES.index(name)]
        held95, held68 = int(np.sum(column < 1.959964)), int(np.sum(column < 1.0))
        assert 142 <= held95 <= 159, (name, held95)  # 99.9 % of binomial(160, 0.95)
        assert 89 <= held68 <= 128, (name, held68)  # 99.9 % of binomial(160, 0.6827)
        assert 0.82 < np.sqrt(np.mean(column**2)) < 1.18, name  # 99.9 %, of 160
