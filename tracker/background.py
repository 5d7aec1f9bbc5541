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
    chosen = [crops[i] for i in pick]
    median = _middle(chosen) if len(chosen) % 2 else np.median(np.stack(chosen), axis=0)
    return np.asarray(median, dtype=np.float32)


def _middle(pictures: list[Luma]) -> Luma:
    """Median of an odd number of pictures: least and greatest leave until one is left.

    Of half of them and two more neither is the median; then the next comes in. On bytes that takes a tenth of the
    time that sorting each pixel's values does.
    """
    held, waiting = pictures[: len(pictures) // 2 + 2], pictures[len(pictures) // 2 + 2 :]
    while len(held) > 1:
        for n in range(1, len(held)):
            held[0], held[n] = np.minimum(held[0], held[n]), np.maximum(held[0], held[n])
        for n in range(1, len(held) - 1):
            held[n], held[-1] = np.minimum(held[n], held[-1]), np.maximum(held[n], held[-1])
        held = held[1:-1] + waiting[:1]
        waiting = waiting[1:]
    return held[0]


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
    radius_m = calibration.ball.radius_m
    u0, v0, _, _ = corridor.window_px
    x_m, y_m = shot.place.xy_m
    outline_px = calibration.camera.sphere_outline(np.array([x_m, y_m, radius_m]), radius_m=radius_m)
    centre_px = outline_px.mean(axis=0) - [u0, v0]
    reach_px = SPOT_RADII * np.abs(outline_px - outline_px.mean(axis=0)).max()
    low = np.clip(np.floor(centre_px - reach_px), 0, at_rest.shape[::-1]).astype(int)
    high = np.clip(np.ceil(centre_px + reach_px) + 1, 0, at_rest.shape[::-1]).astype(int)
    box = np.s_[low[1] : high[1], low[0] : high[0]]
    v, u = np.mgrid[box]
    near_spot = np.hypot(u - centre_px[0], v - centre_px[1]) < reach_px
    background = at_rest.copy()
    background[box][near_spot] = _median([crop[box] for crop in after])[near_spot]
    steps = [np.abs(a.astype(np.int16) - b) for a, b in zip(before[:-1], before[1:], strict=True)][-MEDIAN_OF:]
    spread = float(np.median([np.mean(step[::4, ::4]) for step in steps])) if steps else 0.0
    # mean absolute difference of two normal values of sd s: 2 s / sqrt(pi)
    noise = max(MIN_NOISE, spread * np.sqrt(np.pi) / 2)
    return StillScene(background=background, at_rest=at_rest, noise=noise)
