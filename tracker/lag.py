"""What a phone's noise reduction leaves of the frame before in each frame: measured where the ball has just been.

Phones quiet a video by mixing into every frame some of the one before. A ball that has moved on leaves a faint
ghost of itself behind, just where the edge lies that tells best where it is now. In pixels that the ball has left
nothing but that ghost and the ball's shadow lies over the cloth: how the first goes with what was seen there before
tells the share that was mixed in, and with the share known it is taken out exactly.
"""

import numpy as np

from calibrate.arrays import Floats
from tracker.ball_image import BallView
from tracker.locate import Sighting
from tracker.motion import Motions
from tracker.shot_pictures import ShotPictures

# So far outside its rim, in px, a ball no longer shows: blur and halo end there. In radii, balls that move by
# less than a radius a frame told nothing, and a ghost of a third was left in a clip and taken for the ball.
_GONE_PX = 3.5
# Half the longest sweep, as a share of the time between frames, whatever the exposure: a shutter may stay open from
# frame to frame. And that of most clips, which leaves more pixels to tell a ghost by.
ANY_HALF_SWEEP, USUAL_HALF_SWEEP = 0.5, 0.25
# Grey levels by which a pixel must have differed from the still scene to tell anything.
_LEAST_STEP = 30.0
_LEAST_PIXELS, _LEAST_PAIRS, _MOST_PAIRS = 25, 4, 20
_OUTLIER_SDS = 3.0
# Shares below these are not told from shadows and compression.
_LEAST_SHARE, _LEAST_SDS, _MOST_SHARE = 0.05, 4.0, 0.75
# The standard deviation of a median over that of a mean, of normal errors; and of normal errors over their median.
_OF_MEDIAN, _OVER_MEDIAN = 1.2533, 1.4826
# Of a ghost so strong the ball was caught beside its place, and where it was decides what it has left.
GHOSTLY = 0.2


# Where nothing moves, noise reduction mixes in more of the frame before than a ball shows: with a share of a half
# to three quarters the still parts lie where they lay one to three frames ago.
_STILL_LAG_FRAMES = 2.0
# How long the picture's motion, and with it that error, stays alike; the picture wanders with a hand or a floor.
LAG_DRIFT_TIME_S = 0.3


def drift_of_followed_picture(motions: Motions, *, frame_period_s: float) -> float:
    """Say how far, in px, the followed picture may lie from the ball's own where noise reduction mixes frames.

    Still parts that are mixed in as they lay before make the picture's motion seem late, the ball's less so: an
    error along the motion, in proportion to its speed.

    Parameters
    ----------
    motions : Motions
        Where the picture lay.
    frame_period_s : float
        Time between frames.

    Returns
    -------
    float
        Root mean square of the error in one direction; 0 for a picture that stood still.
    """
    if len(motions.looks) < 2:
        return 0.0
    shifts_px = np.array([look.shift_px for look in motions.looks])
    speed_px = np.diff(shifts_px, axis=0) / np.diff(motions.times_s)[:, None] * frame_period_s
    return _STILL_LAG_FRAMES * float(np.sqrt(np.mean(speed_px**2)))


def share_of_frame_before(
    pictures: ShotPictures, caught: dict[int, Sighting], *, half_sweep: float = ANY_HALF_SWEEP
) -> float:
    """Measure the share of the frame before that is mixed into each frame.

    Parameters
    ----------
    pictures : ShotPictures
        The shot.
    caught : dict of int to Sighting
        Where the ball was caught, by frames after the strike.
    half_sweep : float
        Half the longest sweep that is allowed for, as a share of the time between frames.

    Returns
    -------
    float
        0 where there is none, or none that the pixels tell.
    """
    keys = [k for k in sorted(caught) if k - 1 in caught]
    if len(keys) < _LEAST_PAIRS:
        return 0.0
    keys = [keys[n] for n in np.unique(np.linspace(0, len(keys) - 1, _MOST_PAIRS).astype(int))]
    pairs = [one for one in (_pair(pictures, k, caught, half_sweep) for k in keys) if one is not None]
    if len(pairs) < _LEAST_PAIRS:
        return 0.0
    together, spread = np.array(pairs).T
    # by the median: of the first frames a cue over the ball tells another share, or a ball that hardly moved
    each = together / spread
    share = float(np.median(each))
    sd = _OF_MEDIAN * _OVER_MEDIAN * float(np.median(np.abs(each - share))) / np.sqrt(len(each))
    return min(share, _MOST_SHARE) if share > max(_LEAST_SHARE, _LEAST_SDS * sd) else 0.0


def _pair(
    pictures: ShotPictures, k: int, caught: dict[int, Sighting], half_sweep: float
) -> tuple[float, float] | None:
    """Sum, over pixels that the ball has left, what is left times what was seen, and that squared."""
    xy_m = pictures.table_xy_m([caught[k - 1], caught[k]])
    step_s = float(pictures.times_s[k] - pictures.times_s[k - 1])
    velocity_m_s = (xy_m[1] - xy_m[0]) / step_s
    was, now = (pictures.view(place_m, velocity_m_s) for place_m in xy_m)
    seen = pictures.before_and_now(k, was)
    if seen is None:
        return None
    pixels, before, after = seen
    left = (_outside_px(pixels, was, 0.0) < 0) & (_outside_px(pixels, now, half_sweep * step_s) > _GONE_PX)
    left &= np.abs(before) > _LEAST_STEP
    for _ in range(2):
        if np.count_nonzero(left) < _LEAST_PIXELS:
            return None
        x, y = before[left] - before[left].mean(), after[left] - after[left].mean()
        together, spread = float(x @ y), float(x @ x)
        off = np.abs(after - after[left].mean() - together / max(spread, 1e-9) * (before - before[left].mean()))
        left &= off < _OUTLIER_SDS * _OVER_MEDIAN * max(float(np.median(off[left])), 0.5)
    return together, spread


def _outside_px(pixels: Floats, view: BallView, half_sweep_s: float) -> Floats:
    """How far pixels lie outside the rim of the ball on its way, in px; below 0 inside."""
    away = pixels - (view.centre_px + view.offset_px)
    sweep = view.velocity_px_s * half_sweep_s
    length2 = float(sweep @ sweep)
    along = np.clip(away @ sweep / length2, -1, 1) if length2 > 0 else np.zeros(len(away))
    radii: Floats = np.linalg.norm((away - along[:, None] * sweep) @ np.linalg.inv(view.axes_px), axis=1)
    outside: Floats = (radii - 1) * view.radius_px
    return outside
