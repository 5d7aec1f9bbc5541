"""The ball followed roughly in plan: bright spots that leave the resting place and run down the lane."""

import math
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise, product

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from tracker.corridor import CELL_M, Corridor

MAX_CANDIDATES = 6  # in a frame; ball, cue, hand and their shadows are fewer
# A candidate is at least this share of the resting ball's brightness in plan: a fast ball is smeared.
MIN_SHARE = 0.15
# Cue balls of tests: a lag rolls at 1 m/s, a break shot at 12 m/s.
SPEEDS_M_S = (0.4, 14.0)
MAX_SLOPE = 0.15
LOST_AFTER_S = 0.12
# Where a chain points is told by its members of the last so long, four at least: paper that the ball rolls over
# moves the middle of its spot by more than 10 mm, most of what a slow ball rolls from one frame to the next.
POINTED_BY_S = 0.1
# A strike may be this long after the ball seemed gone (a hand before the lens), and a chain starts within this.
LATE_STRIKE_S = 0.5
MIN_CHAIN = 4
# Cloth slows a ball by a few per cent from frame to frame; a cue's tip stops within a hand's breadth.
MIN_ADVANCE = 0.5


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RoughTrack:
    """The ball's rough places in plan.

    Attributes
    ----------
    index : (N,) int64
        Which of the frames after the strike.
    times_s : (N,) float64
        Their times.
    xy_m : (N, 2) float64
        Places, table frame, good to about 5 mm.
    """

    index: npt.NDArray[np.int64]
    times_s: Floats
    xy_m: Floats


def bright_spots(
    crop: npt.NDArray[np.uint8] | npt.NDArray[np.float32],
    background_plan: npt.NDArray[np.float32],
    corridor: Corridor,
    calibration: Calibration,
    *,
    floor: float,
) -> Floats:
    """Find places that became brighter than the still scene over about the ball's size.

    Parameters
    ----------
    crop : (h, w) array
        Window of one frame.
    background_plan : (H, W) array
        The still scene in plan.
    corridor : Corridor
        The grid.
    calibration : Calibration
        Ball size.
    floor : float
        Least mean difference, in grey levels.

    Returns
    -------
    (K, 3) array
        x, y in m and mean difference, strongest first, at most `MAX_CANDIDATES`.
    """
    difference = corridor.plan(crop) - background_plan
    difference[corridor.outside] = 0
    size = max(3, round(1.3 * calibration.ball.radius_m / CELL_M)) | 1
    mean = cv2.blur(difference, (size, size))
    peak = cv2.dilate(mean, np.ones((2 * size + 1, 2 * size + 1), np.uint8))
    rows, columns = np.nonzero((mean >= peak) & (mean > floor))
    order = np.argsort(-mean[rows, columns])[:MAX_CANDIDATES]
    spots = []
    for row, column in zip(rows[order], columns[order], strict=True):
        r0, c0 = max(row - size, 0), max(column - size, 0)
        part = np.maximum(difference[r0 : row + size + 1, c0 : column + size + 1], 0)
        weight = float(part.sum()) or 1.0
        y = float((part.sum(axis=1) * corridor.y_m[r0 : r0 + part.shape[0]]).sum()) / weight
        x = float((part.sum(axis=0) * corridor.x_m[c0 : c0 + part.shape[1]]).sum()) / weight
        spots.append((x, y, float(mean[row, column])))
    return np.array(spots).reshape(-1, 3)


Chain = list[tuple[int, int]]
# As plain numbers: there are few in a frame, and thousands of steps.
Spots = list[tuple[float, float, float]]


def _extend(spots: list[Spots], times_s: list[float], seed: Chain, *, end_y_m: float) -> Chain:
    """Follow a chain forwards from its first two members, each step towards where the last ones point."""
    chain = list(seed)
    for k in range(chain[-1][0] + 1, len(spots)):
        last_s = times_s[chain[-1][0]]
        if times_s[k] - last_s > LOST_AFTER_S:
            break
        near_by = max(0, len(chain) - 4)
        early = min(near_by, bisect_left(chain, last_s - POINTED_BY_S, key=lambda member: times_s[member[0]]))
        x1, y1, _ = spots[chain[-1][0]][chain[-1][1]]
        x_early, y_early, _ = spots[chain[early][0]][chain[early][1]]
        ahead = (times_s[k] - last_s) / (last_s - times_s[chain[early][0]])
        x_next, y_next = x1 + (x1 - x_early) * ahead, y1 + (y1 - y_early) * ahead
        y0 = spots[chain[near_by][0]][chain[near_by][1]][1]
        if y_next > end_y_m:
            break
        room_m, least_y = 0.025 + 0.25 * (y_next - y1), y0 + MIN_ADVANCE * (y_next - y0)
        # of those in reach the bright one: near the strike the cue's tip follows the ball
        near = [
            (gap / (bright + 1e-9), m)
            for m, (x, y, bright) in enumerate(spots[k])
            if y > least_y and (gap := math.hypot(1.5 * (x - x_next), y - y_next)) < room_m
        ]
        if near:
            chain.append((k, min(near)[1]))
    return chain


def _ground_covered(spots: list[Spots], chain: Chain) -> float:
    """Way down the lane, each step weighted with the brightness of the spot it leads to.

    A step over frames without the ball counts for as much less: a chain must not gain by leaping.
    """
    places = [(k, *spots[k][m][1:]) for k, m in chain]
    return sum((y1 - y0) * bright / (k1 - k0) for (k0, y0, _), (k1, y1, bright) in pairwise(places))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RunStart:
    """Where and when a run may start, and where it ends.

    Attributes
    ----------
    xy_m : (2,) float64
        Resting place, table frame.
    from_s, until_s : float
        When the ball may have left it.
    end_y_m : float
        y of the ball's centre at the foot cushion.
    """

    xy_m: Floats
    from_s: float
    until_s: float
    end_y_m: float

    def fits(self, time_s: float, xy_m: tuple[float, float], velocity_m_s: tuple[float, float]) -> bool:
        """Whether a ball seen there, moving so, can have come from the resting place."""
        vx, vy = velocity_m_s
        if not SPEEDS_M_S[0] < vy < SPEEDS_M_S[1] or abs(vx) > MAX_SLOPE * vy + 0.05:
            return False
        dx, dy = xy_m[0] - float(self.xy_m[0]), xy_m[1] - float(self.xy_m[1])
        if dy < -0.02 or abs(dx) > MAX_SLOPE * abs(dy) + 0.03:
            return False
        return bool(self.from_s < time_s - dy / vy < self.until_s)


def _seeds(spots: list[Spots], times_s: list[float], start: RunStart) -> Iterator[Chain]:
    """Pairs of spots in near frames that point back to the resting place."""
    for i in range(len(spots)):
        if times_s[i] > start.until_s:
            return
        for j in range(i + 1, min(i + 4, len(spots))):
            for a, b in product(range(len(spots[i])), range(len(spots[j]))):
                (x0, y0, _), (x1, y1, _) = spots[i][a], spots[j][b]
                after_s = times_s[j] - times_s[i]
                if start.fits(times_s[i], (x0, y0), ((x1 - x0) / after_s, (y1 - y0) / after_s)):
                    yield [(i, a), (j, b)]


def rough_track(spots: list[Floats], times_s: Floats, start: RunStart) -> RoughTrack | None:
    """Chain bright spots of successive frames into the run of one ball from its resting place.

    Parameters
    ----------
    spots : list of (K, 3) arrays
        `bright_spots` of each frame after the strike.
    times_s : (N,) array
        Times of the frames.
    start : RunStart
        Where the run starts and ends.

    Returns
    -------
    RoughTrack or None
        The chain that explains most; None where none runs from the spot for at least `MIN_CHAIN` frames.
    """
    best: Chain = []
    best_score = 0.0
    plain: list[Spots] = [[(x, y, bright) for x, y, bright in one.tolist()] for one in spots]
    plain_s = [float(time_s) for time_s in times_s]
    for seed in _seeds(plain, plain_s, start):
        chain = _extend(plain, plain_s, seed, end_y_m=start.end_y_m)
        score = _ground_covered(plain, chain)
        if score > best_score and len(chain) >= MIN_CHAIN:
            best, best_score = chain, score
    if not best:
        return None
    index = np.array([k for k, _ in best])
    return RoughTrack(index=index, times_s=times_s[index], xy_m=np.array([spots[k][m, :2] for k, m in best]))
