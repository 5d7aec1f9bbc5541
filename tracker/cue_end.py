"""Where a cue begins in a frame: a cue about to strike reaches to the ball, a stick that lies about need not."""

import numpy as np

from calibrate.arrays import Bools, Floats
from tracker.cue_image import AxisFit, across_axis
from tracker.cue_strip import CueStrip, Strip

# The shaft's own brightness is taken from so long a part of it.
SHAFT_M = 0.20
# Cloth is bare where the middle differs from both sides by less than this share of what a shaft there would.
BARE_SHARE = 0.4
# A shaft that would differ less than this, in grey levels, would not be seen.
LEAST_CONTRAST = 12.0
# Of the rows between ball and beginning so many are bare: a speck of chalk lies here and there.
MOST_ROWS_BARE = 0.85
# The tip is dark with chalk, and its front is blurred.
TIP_M = 0.02


def front_end_m(values: Strip, fit: AxisFit, strip: CueStrip) -> float | None:
    """Find how far behind the ball's centre a stripe begins.

    Parameters
    ----------
    values : (H, W) float32
        The strip of a frame.
    fit : AxisFit
        The stripe in it.
    strip : CueStrip
        Its geometry.

    Returns
    -------
    float or None
        In m; None where it reaches as near to the ball as is to be seen, or would not stand out there.
    """
    half_m = fit.half_width_m + fit.half_taper * strip.along_m
    behind: Bools = strip.along_m > strip.clear_m
    shaft = behind & (strip.along_m > fit.from_m) & (strip.along_m < fit.from_m + SHAFT_M)
    if not shaft.any():
        return None
    middle = across_axis(values, fit, strip, np.linspace(-0.5, 0.5, 5), half_m).mean(axis=1)
    beside = np.stack(
        [across_axis(values, fit, strip, side * np.linspace(1.5, 2.1, 4), half_m).mean(axis=1) for side in (-1, 1)]
    )
    expected = np.median(middle[shaft]) - beside
    stands_out: Bools = np.all(np.abs(expected) > LEAST_CONTRAST, axis=0)
    bare: Bools = stands_out & np.all(np.abs(middle - beside) < BARE_SHARE * np.abs(expected), axis=0)
    rows = np.flatnonzero(behind)
    share: Floats = np.cumsum(bare[rows]) / np.arange(1, len(rows) + 1)
    empty = np.flatnonzero(bare[rows] & (share > MOST_ROWS_BARE))
    if not len(empty):
        return None
    end_m = float(strip.along_m[rows[empty[-1]]])
    return end_m if end_m > strip.clear_m + TIP_M else None
