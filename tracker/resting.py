"""The cue ball at rest on its spot: where it lies, and whether it still lies there."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats, Reals
from calibrate.calibration import Calibration

# How far from the spot a hand may put the ball.
SEARCH_M = 0.06
SEARCH_STEP_M = 0.004
# A ball stands out all round: this many sectors of its rim are judged. The quarter of them that stand out least is
# passed over: the tip may hide one or two, a dot may darken another.
SECTORS = 12
PASSED_OVER = SECTORS // 4
LEAST_SHARE = 0.1

Picture = npt.NDArray[np.uint8] | npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RestingPlace:
    """A ball found at rest.

    Attributes
    ----------
    xy_m : (2,) float64
        Centre of the ball, table frame, good to some mm.
    inside_px : (K, 2) float32
        Image points on the ball.
    contrast : float
        Brightness of the ball over the cloth round it, in grey levels, in the sectors where it is weak.
    """

    xy_m: Floats
    inside_px: npt.NDArray[np.float32]
    contrast: float


def _disc_directions() -> tuple[Floats, Floats]:
    """Unit-disc points inside a ball, and ring points outside it, by sector: (SECTORS, K, 2)."""
    angle = (np.arange(SECTORS * 3) + 0.5) / (SECTORS * 3) * 2 * np.pi
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1).reshape(SECTORS, 3, 2)
    inner = np.concatenate([0.6 * ring, 0.78 * ring], axis=1)
    outer = np.concatenate([1.25 * ring, 1.4 * ring], axis=1)
    return inner, outer


INNER, OUTER = _disc_directions()


def _medians(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Medians over the last axis, of an even number of values; numpy's own takes twice as long for so few."""
    half = values.shape[-1] // 2
    ordered = np.sort(values, axis=-1)
    return np.asarray((ordered[..., half - 1] + ordered[..., half]) / 2, dtype=np.float32)


def _sample(picture: Picture, points_px: Reals) -> npt.NDArray[np.float32]:
    """Brightness at points of any shape (..., 2), by linear interpolation; the border is repeated."""
    flat = np.ascontiguousarray(points_px.reshape(-1, 2), dtype=np.float32)
    values = np.empty((len(flat), 1), np.float32)
    # cv2.remap takes at most 32767 rows
    for start in range(0, len(flat), 30000):
        part = flat[start : start + 30000]
        values[start : start + 30000] = cv2.remap(
            picture, part[:, None, 0], part[:, None, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ).reshape(-1, 1)
    return values.reshape(points_px.shape[:-1])


# The picture round the spot is compared in blocks of about this share of the ball's radius. A ball that comes, goes
# or moves by a step of the search changes some by more than compression does, so many grey levels, and by so many
# times the noise between two frames, which reaches 4 times in a thousand blocks. A hand may change all of them: so
# much is no noise.
BLOCK_SHARE = 0.4
CHANGED, CHANGED_SDS, MOST_NOISE = 3.0, 5.0, 3.0


class RestingSearch:
    """Looks for the cue ball near its spot in one frame after the other.

    Where nothing has changed round the spot since the last search, there is no need for another.

    Parameters
    ----------
    calibration : Calibration
        Camera, lane and ball.
    """

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self._box: tuple[slice, slice] | None = None
        self._blocks_px = (1, 1)
        self._searched: npt.NDArray[np.float32] | None = None
        self._place: RestingPlace | None = None

    def find(self, picture: Picture) -> RestingPlace | None:
        """Look in the next frame; see `find_resting_ball`."""
        if self._box is None:
            self._box, self._blocks_px = _lay_box(self._calibration, picture.shape)
        part = np.ascontiguousarray(picture[self._box])
        if not part.size:
            return None
        blocks = cv2.resize(part, self._blocks_px, interpolation=cv2.INTER_AREA).astype(np.float32)
        if self._searched is None or _has_changed(blocks - self._searched):
            self._searched, self._place = blocks, find_resting_ball(picture, self._calibration)
        return self._place


def _has_changed(blocks: npt.NDArray[np.float32]) -> bool:
    """Whether some blocks of a difference stand out from the others."""
    noise = min(MOST_NOISE, 1.4826 * float(np.median(np.abs(blocks))))
    return float(np.abs(blocks).max()) > CHANGED + CHANGED_SDS * noise


def _lay_box(calibration: Calibration, shape: tuple[int, ...]) -> tuple[tuple[slice, slice], tuple[int, int]]:
    """Return rows and columns of all that a search looks at, and into how many blocks they are divided."""
    lane, radius_m = calibration.lane, calibration.ball.radius_m
    reach_m = SEARCH_M + 1.5 * radius_m
    corners = [
        (lane.x_aim_m + right * reach_m, lane.spot_y_m + on * reach_m, up * radius_m)
        for right in (-1, 1)
        for on in (-1, 1)
        for up in (0, 2)
    ]
    box_px = calibration.camera.project(np.array(corners))
    size = np.array(shape[1::-1])
    low = np.clip(np.floor(box_px.min(axis=0)), 0, size).astype(int)
    high = np.clip(np.ceil(box_px.max(axis=0)), 0, size).astype(int)
    spot_m = np.array([lane.x_aim_m, lane.spot_y_m, radius_m])
    rim_px = calibration.camera.sphere_outline(spot_m, radius_m=radius_m, count=32)
    block_px = max(1.0, BLOCK_SHARE * float(np.ptp(rim_px, axis=0).min()) / 2)
    across, down = np.maximum(1, (high - low) // block_px).astype(int)
    return (slice(low[1], high[1]), slice(low[0], high[0])), (int(across), int(down))


def find_resting_ball(picture: Picture, calibration: Calibration) -> RestingPlace | None:
    """Look for the cue ball near its spot.

    A ball is brighter than the cloth in every direction at its known size; a paper edge, a cue or a ring marker is
    not. No threshold is set by hand: the rim's contrast must exceed what the same measure gives off the ball.

    Parameters
    ----------
    picture : (H, W) array
        Luma of a whole frame.
    calibration : Calibration
        Camera, lane and ball.

    Returns
    -------
    RestingPlace or None
        None where nothing near the spot looks like a ball.
    """
    camera, lane, radius_m = calibration.camera, calibration.lane, calibration.ball.radius_m
    # over so small a patch the outline hardly changes: one shape serves all places
    spot_m = np.array([lane.x_aim_m, lane.spot_y_m, radius_m])
    rim_px = camera.sphere_outline(spot_m, radius_m=radius_m, count=32)
    centre_px = rim_px.mean(axis=0)
    shape = np.abs(rim_px - centre_px).max(axis=0)
    if not ((centre_px > 0).all() and (centre_px < picture.shape[::-1]).all()):
        return None
    # every second place first, and the others where the best of those lies
    coarse_m = _places(np.zeros(2), SEARCH_M, 2 * SEARCH_STEP_M)
    coarse_px = camera.project(spot_m + coarse_m) + (centre_px - camera.project(spot_m))
    score = _score(*_rim_light(picture, coarse_px, shape))
    nearest_m = coarse_m[int(np.argmax(score)), :2]
    elsewhere = score[np.hypot(*(coarse_m[:, :2] - nearest_m).T) > radius_m]
    near_m = _places(nearest_m, 2 * SEARCH_STEP_M, SEARCH_STEP_M)
    near_m = near_m[(np.abs(near_m[:, :2]) < SEARCH_M + 1e-9).all(axis=1)]
    near_px = camera.project(spot_m + near_m) + (centre_px - camera.project(spot_m))
    inner, outer = _rim_light(picture, near_px, shape)
    score = _score(inner, outer)
    best = int(np.argmax(score))
    steps = _medians(inner[best]) - _medians(outer[best])
    spread = 1.4826 * float(np.median(np.abs(elsewhere - np.median(elsewhere)))) if elsewhere.size else 0.0
    grain = float(np.median(np.abs(np.diff(outer[best].ravel())))) + 1.0
    # a cue over the bare spot is bright in a few directions only
    if score[best] < max(3 * grain, LEAST_SHARE * steps.max()) or (
        elsewhere.size and score[best] < np.median(elsewhere) + 3 * spread
    ):
        return None
    points = (near_px[best] + 0.7 * INNER.reshape(-1, 2) * shape).astype(np.float32)
    return RestingPlace(xy_m=(spot_m + near_m[best])[:2], inside_px=points, contrast=float(score[best]))


def _places(about_m: Floats, reach_m: float, step_m: float) -> Floats:
    """(N, 3) places of a square grid, from the spot, at its height."""
    offsets = np.arange(-reach_m, reach_m + 1e-9, step_m)
    dx, dy = np.meshgrid(about_m[0] + offsets, about_m[1] + offsets)
    return np.stack([dx.ravel(), dy.ravel(), np.zeros(dx.size)], axis=1)


def _rim_light(
    picture: Picture, centres_px: Floats, shape: Floats
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Brightness inside and outside the rim of a ball at each place, by sector: (N, SECTORS, K)."""
    # in the precision in which pictures are sampled
    near_px = centres_px[:, None, None].astype(np.float32)
    inner = _sample(picture, near_px + (INNER * shape).astype(np.float32))
    return inner, _sample(picture, near_px + (OUTER * shape).astype(np.float32))


def _score(inner: npt.NDArray[np.float32], outer: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """(N,) how much a ball stands out at each place.

    Median over median: a dot on the ball or a fleck of chalk beside it must not decide for its sector.
    """
    return np.sort(_medians(inner) - _medians(outer), axis=1)[:, PASSED_OVER]


def brightness_at(picture: Picture, place: RestingPlace) -> npt.NDArray[np.float32]:
    """Brightness of the points on the ball, shape (K,)."""
    return _sample(picture, place.inside_px.astype(np.float64))
