"""The foot cushion: where the ball meets it, which sightings come before, and whether the ball turned back."""

import math

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from calibrate.calibration import Calibration

# The crossing time from the last sightings is good to about this; sightings nearer than that may be past contact.
CONTACT_SLACK_S = 0.0005
LAST_SIGHTINGS = 6
TURN_WITHIN_S = 0.3


def centre_at_contact_y_m(calibration: Calibration) -> float:
    """Give y of the ball's centre when it touches the foot cushion: the nose meets the ball above its equator.

    Returns
    -------
    float
        ``L - sqrt(R^2 - (nose height - R)^2)``, table frame, in m.

    Raises
    ------
    ValueError
        If the nose passes over the ball.
    """
    radius_m = calibration.ball.radius_m
    above_m = calibration.table.nose_height_m - radius_m
    if abs(above_m) >= radius_m:
        raise ValueError(f"the cushion nose must meet the ball, but it is {above_m:.4f} m above its centre")
    return calibration.table.length_m - math.sqrt(radius_m**2 - above_m**2)


def before_contact(
    times_s: Floats, xy_m: Floats, *, end_y_m: float, exposure_s: float
) -> tuple[float, npt.NDArray[np.bool_]]:
    """Tell which sightings lie wholly before contact with the foot cushion.

    Parameters
    ----------
    times_s : (N,) array
        Times of the sightings.
    xy_m : (N, 2) array
        Their places, table frame.
    end_y_m : float
        y of the ball's centre at contact.
    exposure_s : float
        Exposure time.

    Returns
    -------
    tuple
        Time at which the last sightings point to contact, and a (N,) mask of those before it.
    """
    # beyond the farthest sighting the ball is on its way back
    ahead = np.arange(len(xy_m)) <= np.argmax(xy_m[:, 1])
    inside = (xy_m[:, 1] < end_y_m - 0.01) & ahead
    pick = np.flatnonzero(inside)[-LAST_SIGHTINGS:]
    if len(pick) < 2:
        return float(times_s[-1]), inside
    slope, offset = np.polyfit(times_s[pick] - times_s[pick[-1]], xy_m[pick, 1], 1)
    contact_s = float(times_s[pick[-1]] + (end_y_m - offset) / slope) if slope > 0 else float("inf")
    early = times_s < contact_s - exposure_s / 2 - CONTACT_SLACK_S
    return contact_s, early & ahead & (xy_m[:, 1] < end_y_m)


def turn_back_s(
    spots: list[Floats], times_s: Floats, last_m: Floats, *, contact_s: float, end_y_m: float
) -> float | None:
    """Time of the first frame that shows the ball coming back from the foot cushion.

    Parameters
    ----------
    spots : list of (K, 3) arrays
        Bright spots of each frame, as `tracker.chain.bright_spots` gives them.
    times_s : (N,) array
        Times of the frames.
    last_m : (2,) array
        Last place before contact.
    contact_s : float
        Expected time of contact.
    end_y_m : float
        y of the ball's centre at contact.

    Returns
    -------
    float or None
        None where no ball was seen coming back: it was hidden, or the recording ends.
    """
    y_before = end_y_m
    first_s: float | None = None
    for found, time_s in zip(spots, times_s, strict=True):
        if not contact_s < time_s < contact_s + TURN_WITHIN_S:
            continue
        near = found[np.abs(found[:, 0] - last_m[0]) < 0.10] if len(found) else found
        near = near[near[:, 1] > end_y_m - 0.5] if len(near) else near
        if not len(near):
            continue
        y_m = float(near[np.argmax(near[:, 2]), 1])
        if first_s is not None and y_m < y_before - 0.002:
            return first_s
        if first_s is None:
            first_s, y_before = float(time_s), y_m
    return None
