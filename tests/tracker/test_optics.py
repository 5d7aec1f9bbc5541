"""Blur, exposure and light of a clip found from painted frames."""

import numpy as np
import pytest
from test_locate import BLUR_PX, Scene, look

from tracker.optics import fit_optics
from tracker.tone import Tone


@pytest.mark.parametrize("exposure_s", [1 / 250, 1 / 60])
def test_exposure_and_blur_are_found(exposure_s):
    """Six frames of a ball at 3 m/s, streaks from a fifth of the ball to all of it."""
    rng = np.random.default_rng(20240611)
    frames = [look(Scene(dots=3), y_m, rng, exposure_s=exposure_s) for y_m in np.linspace(0.9, 2.4, 6)]
    fit = fit_optics(
        [guess for _, guess, _, _ in frames],
        [patch for _, _, patch, _ in frames],
        noise=2.0,
        frame_period_s=1 / 30,
        late_s_px=(0.0, 0.0),
        tone=Tone(),
    )
    assert fit.optics.exposure_s == pytest.approx(exposure_s, rel=0.05)
    # sharpening and blur undo each other in part
    assert fit.optics.blur_px == pytest.approx(BLUR_PX, rel=0.2)
    assert 0.98 < fit.optics.radius_scale < 1.01
