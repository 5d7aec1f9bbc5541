"""How fast the cue came to the ball: what is on it moves along its axis from frame to frame."""

from collections.abc import Sequence

import cv2
import numpy as np

from calibrate.arrays import Floats
from tracker.cue_image import AxisFit, across_axis
from tracker.cue_strip import CueStrip, Strip

# Strokes of tests: a cue at 0.3 m/s gives a ball 0.45, one at 9 m/s a break shot.
MOST_SPEED_M_S = 10.0
# Brightness along the middle third of the shaft.
MIDDLE_SHARE = 0.33
# A shift counts where what is left over is so small a part of what there was to fit.
MOST_LEFT_OVER = 0.5
# The strip leans as cues are thought to; another slope draws lengths along it out by this share.
LENGTH_SD_SHARE = 0.04
# What the cue gains after its last frame is extrapolated from its acceleration before, which may end sooner.
EXTRAPOLATED_SD_SHARE = 0.5
LEAST_STEPS = 2
# It comes where its speed is so many standard uncertainties from none.
LEAST_SDS = 3.0


def stroke_speed(
    fitted: Sequence[tuple[float, AxisFit, Strip]], strip: CueStrip, *, strike_s: float
) -> tuple[float, float] | None:
    """Measure the speed of the tip at the strike.

    Parameters
    ----------
    fitted : sequence of (float, AxisFit, (H, W) float32)
        Time, axis and strip of successive frames before the strike.
    strip : CueStrip
        Their geometry.
    strike_s : float
        Time of the strike.

    Returns
    -------
    tuple of float, or None
        Speed along the cue and its standard uncertainty, in m/s; None where nothing on the cue shows its motion.

    Notes
    -----
    The ends of tip, ferrule and joint, rings and grain move with the cue; shadows on it do not. The shift from one
    frame to the next is the one that leaves least over; the speed at the strike is that of a steady acceleration
    through the last of them.
    """
    step_m = float(strip.along_m[1] - strip.along_m[0])
    profiles = [_along(values, fit, strip) for _, fit, values in fitted]
    times_s, speeds, sds = [], [], []
    for (t0, _, _), (t1, _, _), before, after in zip(
        fitted[:-1], fitted[1:], profiles[:-1], profiles[1:], strict=True
    ):
        shift = _shift(before, after, most=int(MOST_SPEED_M_S * (t1 - t0) / step_m) + 1)
        if shift is not None:
            times_s.append((t0 + t1) / 2 - strike_s)
            speeds.append(shift * step_m / (t1 - t0))
            sds.append(0.3 * step_m / (t1 - t0))
    if len(speeds) < LEAST_STEPS:
        return None
    t, speed, sd = np.array(times_s), np.array(speeds), np.array(sds)
    design = np.stack([np.ones_like(t), t], axis=1)[:, : 2 if len(t) > 2 else 1]
    cov = np.linalg.inv(design.T @ (design / sd[:, None] ** 2))
    found = cov @ design.T @ (speed / sd**2)
    scatter = max(1.0, float(np.median(np.abs(speed - design @ found) / sd)) / 0.6745)
    at_strike = float(found[0])
    extrapolated = at_strike - float(design[-1] @ found)
    parts = (np.sqrt(cov[0, 0]) * scatter, LENGTH_SD_SHARE * at_strike, EXTRAPOLATED_SD_SHARE * extrapolated)
    at_strike_sd = float(np.linalg.norm(parts))
    return (at_strike, at_strike_sd) if at_strike > LEAST_SDS * at_strike_sd else None


def _along(values: Strip, fit: AxisFit, strip: CueStrip) -> Floats:
    """Change of brightness along the axis, (H,) per row; nought where the ball stands before it."""
    half_m = fit.half_width_m + fit.half_taper * strip.along_m
    middle = across_axis(values, fit, strip, np.linspace(-MIDDLE_SHARE, MIDDLE_SHARE, 5), half_m).mean(axis=1)
    change = np.gradient(cv2.GaussianBlur(middle[:, None], (1, 5), 1.0)[:, 0])
    change[strip.along_m < strip.clear_m] = 0
    return np.asarray(change, dtype=np.float64)


def _shift(before: Floats, after: Floats, *, most: int) -> float | None:
    """Rows by which `after` lies nearer to the ball than `before`; None where no shift explains it."""
    n = len(before)
    costs = []
    for shift in range(min(most, n // 3) + 1):
        # a row of `after` shows what was `shift` rows farther back before
        difference = after[: n - shift] - before[shift:]
        energy = np.sum(after[: n - shift] ** 2) + np.sum(before[shift:] ** 2) + 1e-9
        costs.append(float(np.sum(difference**2) / energy))
    best = int(np.argmin(costs))
    if costs[best] > MOST_LEFT_OVER or best in (0, len(costs) - 1):
        return None
    low, middle, high = costs[best - 1 : best + 2]
    return best + 0.5 * (low - high) / (low - 2 * middle + high)
