"""The still scene behind the ball, and the noise of a pixel, from frames around the strike."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibrate.calibration import Calibration
from tracker.corridor import Corridor
from tracker.shots import ShotFrames

Luma = npt.NDArray[np.uint8]

# A median of this many frames removes what moves through and quiets compression.
MEDIAN_OF = 15
# The spot is clear once the ball and the first of the follow-through are gone.
CLEAR_AFTER_S = 0.5
# Ball and its shadow, in radii.
SPOT_RADII = 3.0
# Phones denoise: below this a pixel's spread only shows the quantiser.
MIN_NOISE = 0.7


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class StillScene:
    """What does not move.

    Attributes
    ----------
    background : (h, w) float32
        The window without the cue ball.
    at_rest : (h, w) float32
        The window with the ball at rest.
    noise : float
        Standard deviation of a pixel from frame to frame, in grey levels.
    """

    background: npt.NDArray[np.float32]
    at_rest: npt.NDArray[np.float32]
    noise: float


def _median(crops: list[Luma]) -> npt.NDArray[np.float32]:
    """Median of at most `MEDIAN_OF` windows spread over all."""
    pick = np.unique(np.linspace(0, len(crops) - 1, min(MEDIAN_OF, len(crops))).round().astype(int))
    return np.asarray(np.median(np.stack([crops[i] for i in pick]), axis=0), dtype=np.float32)


def still_scene(shot: ShotFrames, calibration: Calibration, corridor: Corridor) -> StillScene:
    """Find the still scene of one shot.

    Parameters
    ----------
    shot : ShotFrames
        Frames around the strike.
    calibration : Calibration
        Camera and ball.
    corridor : Corridor
        The window of the frames.

    Returns
    -------
    StillScene
        Before the strike the lane is clear but for the ball on its spot; what lies behind that ball is taken
        from frames after it left.
    """
    before = [crop for _, crop in shot.before]
    at_rest = _median(before)
    clear_s = shot.first_moved_s + CLEAR_AFTER_S
    after = [crop for time_s, crop in shot.after if time_s > clear_s] or [crop for _, crop in shot.after[-3:]]
    gone = _median(after)
    radius_m = calibration.ball.radius_m
    u0, v0, _, _ = corridor.window_px
    x_m, y_m = shot.place.xy_m
    outline_px = calibration.camera.sphere_outline(np.array([x_m, y_m, radius_m]), radius_m=radius_m)
    centre_px = outline_px.mean(axis=0) - [u0, v0]
    reach_px = SPOT_RADII * np.abs(outline_px - outline_px.mean(axis=0)).max()
    v, u = np.indices(at_rest.shape)
    near_spot = np.hypot(u - centre_px[0], v - centre_px[1]) < reach_px
    steps = [np.abs(a.astype(np.int16) - b) for a, b in zip(before[:-1], before[1:], strict=True)][-MEDIAN_OF:]
    spread = float(np.median([np.mean(step[::4, ::4]) for step in steps])) if steps else 0.0
    # mean absolute difference of two normal values of sd s: 2 s / sqrt(pi)
    noise = max(MIN_NOISE, spread * np.sqrt(np.pi) / 2)
    return StillScene(background=np.where(near_spot, gone, at_rest), at_rest=at_rest, noise=noise)
