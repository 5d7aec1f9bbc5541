"""How the picture itself moved from frame to frame: stabilisation, focus that breathes, a floor that gives.

Small textured patches all over the still part of the picture are looked at in every frame; where they lie tells
shift, turn and scale of the whole picture against the frames before the strike. A player, a cue or a ball over some
of them does not count: their patches move in ways of their own.
"""

from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Bools, Floats

Luma = npt.NDArray[np.uint8]
Kind = TypeVar("Kind", bound=np.generic)

# A patch is (2 HALF + 1) px square and is looked for up to REACH px from where it was.
HALF, REACH = 6, 8
# Pixels that a slope needs on either side.
_SLOPE = 2
# At most so many in each cell of a grid over the picture: textures in all of it, not one poster.
_CELLS, _IN_CELL = (16, 9), 1
# The least eigenvalue of a patch's gradients, in grey levels squared a pixel: below that noise hides its place.
_LEAST_TEXTURE = 30.0
_LEAST_PATCHES = 12
# Patches that lie this many robust standard deviations away from the common motion hardly count; the floor is what
# compression does to a patch.
_OUTLIER_SDS = 2.0
_PATCH_SD_PX = 0.03
_ROUNDS = 12
# A picture that moves by no more than this (root mean square over the frames, and at most) stands still: in
# clips of cameras that stand, 0.015 to 0.026 px and 0.03 to 0.12 px are found at the lane's ends.
_STILL_RMS_PX, _STILL_MOST_PX = 0.04, 0.15
# What compression does to a patch it does to the next one and in the next frame as well: stated errors of the
# motion of pictures that stood still were 1.7 times too small.
_ALIKE = 3.0
# What is left of a shift by the slopes' own error, in painted rooms: 0.003 px on average, 0.01 at most.
_FLOOR_PX = 0.005
# Of a picture that is followed, three quarters of the patches and more look as before, or they scatter by 0.1 to
# 0.25 px; of one that jumped, half of them do by chance, and scatter by 0.33 px and more.
_FOLLOWED_SHARE, _FOLLOWED_SD_PX = 0.75, 0.3
# Compressed hard, what stands still is copied from frame to frame, and what moves slowly with it, or it follows
# late: patches are the same to the last bit in the next look. A drift of 2.2 px, compressed by H.264 at quality
# 28, 34 and 38, left 62, 88 and 92 % of them so and was seen wrongly by 0.3, 0.9 and 1.8 px; still pictures left
# 80, 97 and 98 %, and 3 to 33 % as they came, 75 % with strong noise reduction. What may be hidden grows from the
# first share to the second, of pictures that were followed and of pictures that seem to stand still, where shares
# are larger.
_HIDDEN_PX = 1.2
_HIDES_FOLLOWED, _HIDES_STILL = (0.5, 0.9), (0.75, 0.85)
# Looked at no more often than this: at 240 frames a second a phone does not move in between.
_LOOKS_PER_S = 70.0
# Of a picture that stands, every so many looks tell that.
_COARSE = 5


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PictureMotion:
    """Where one frame's picture lies, against the still scene.

    Attributes
    ----------
    shift_px : (2,) float64
        Displacement of the point `about_px`, right and down.
    stretch : (2,) float64
        Change of scale and turn (clockwise as seen, rad): a point at (u, v) from `about_px` moves besides by
        ``scale (u, v) + turn (-v, u)``.
    about_px : (2,) float64
        Middle of the patches.
    cov : (4, 4) float64
        Covariance of shift and stretch.
    """

    shift_px: Floats
    stretch: Floats
    about_px: Floats
    cov: Floats

    def from_scene(self, points_px: Floats) -> Floats:
        """(..., 2) where points of the still scene lie in the frame."""
        away = points_px - self.about_px
        turned = np.stack([-away[..., 1], away[..., 0]], axis=-1)
        moved: Floats = points_px + self.shift_px + self.stretch[0] * away + self.stretch[1] * turned
        return moved

    def to_scene(self, points_px: Floats) -> Floats:
        """(..., 2) where points of the frame lie in the still scene."""
        scale, turn = self.stretch
        matrix = np.array([[1 + scale, -turn], [turn, 1 + scale]])
        away = points_px - self.about_px - self.shift_px
        back: Floats = np.linalg.solve(matrix, away[..., None])[..., 0] + self.about_px
        return back

    def cov_px2(self, point_px: Floats) -> Floats:
        """(2, 2) covariance of the displacement of a point."""
        design = _design(point_px[None] - self.about_px)[0]
        cov: Floats = design @ self.cov @ design.T
        return cov

    def matrix(self, origin_px: Floats) -> Floats:
        """(2, 3) matrix that takes places in a window of the scene to places in the same window of the frame."""
        scale, turn = self.stretch
        turned = np.array([[1 + scale, -turn], [turn, 1 + scale]])
        offset = self.from_scene(origin_px) - origin_px
        return np.column_stack([turned, offset])


def _design(away_px: Floats) -> Floats:
    """(N, 2, 4) change of places with shift and stretch."""
    u, v = away_px.T
    one, nought = np.ones(len(u)), np.zeros(len(u))
    rows = np.stack([np.stack([one, nought, u, -v], axis=1), np.stack([nought, one, v, u], axis=1)], axis=1)
    return np.asarray(rows, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Motions:
    """Where the picture lay during a shot.

    Attributes
    ----------
    times_s : (N,) float64
        When it was looked at; empty where the picture stood still, or holds too little texture to tell.
    looks : tuple of PictureMotion
        What was seen then.
    moved_px : float
        The largest displacement, of the points asked for, from the still scene.
    seen : bool
        Whether every frame was told.
    lost : bool
        Whether the frames before the strike were told but not all after it: the picture jumped farther than it is
        looked for, or something hid most of it.
    hidden_px : float
        What a slow motion of the whole picture may be that compression hid, leaving still parts as they were from
        frame to frame: a standard deviation in each direction.
    moved_before_px : float or None
        The largest displacement of the still scene from the first frames of the recording, of the points asked for;
        None where those are not known or do not look alike.
    """

    times_s: Floats
    looks: tuple[PictureMotion, ...]
    moved_px: float
    seen: bool
    lost: bool = False
    hidden_px: float = 0.0
    moved_before_px: float | None = None

    def __bool__(self) -> bool:
        """Whether the picture moved."""
        return bool(self.looks)

    def at(self, time_s: float) -> PictureMotion:
        """Motion at a time, between two looks by the straight line."""
        after = int(np.clip(np.searchsorted(self.times_s, time_s), 1, len(self.looks) - 1))
        one, two = self.looks[after - 1], self.looks[after]
        span_s = self.times_s[after] - self.times_s[after - 1]
        share = float(np.clip((time_s - self.times_s[after - 1]) / span_s, 0, 1))
        return PictureMotion(
            shift_px=(1 - share) * one.shift_px + share * two.shift_px,
            stretch=(1 - share) * one.stretch + share * two.stretch,
            about_px=one.about_px,
            cov=(1 - share) * one.cov + share * two.cov,
        )


def stood_still(
    *, seen: bool, lost: bool = False, hidden_px: float = 0.0, moved_before_px: float | None = None
) -> Motions:
    """Motions of a picture that did not move, or of which nothing can be said."""
    return Motions(
        times_s=np.zeros(0),
        looks=(),
        moved_px=0.0,
        seen=seen,
        lost=lost,
        hidden_px=hidden_px,
        moved_before_px=moved_before_px,
    )


class PictureWatch:
    """Keeps the textured patches of the latest frames, a few ten kilobytes each.

    Parameters
    ----------
    keep_s : float
        For how long.
    first : (H, W) array, optional
        Mean luma of the first frames of the recording, to tell how far the picture has moved since.
    """

    def __init__(self, *, keep_s: float, first: Floats | None = None) -> None:
        self._centres: npt.NDArray[np.int64] | None = None
        self._kept: deque[tuple[float, Luma]] = deque()
        self._keep_s = keep_s
        self._first = first

    def look(self, time_s: float, luma: Luma) -> None:
        """Keep the patches of one frame; where they lie is chosen in the first."""
        if self._centres is None:
            self._centres = _textured_places(luma)
            self._first = None if self._first is None else _patches(self._first, self._centres)
        if self._kept and time_s - self._kept[-1][0] < 1 / _LOOKS_PER_S:
            return
        self._kept.append((time_s, _patches(luma, self._centres)))
        while time_s - self._kept[0][0] > self._keep_s:
            self._kept.popleft()

    def motions(self, span_s: tuple[float, float], still_s: tuple[float, float], points_px: Floats) -> Motions:
        """Measure where the picture lay in each frame of a shot.

        Parameters
        ----------
        span_s : tuple of float
            First and last time that are asked for.
        still_s : tuple of float
            The mean of the frames between these times is the still scene.
        points_px : (P, 2) array
            Where it matters.

        Returns
        -------
        Motions
            Empty where the picture did not move there.
        """
        kept = [(time_s, patches) for time_s, patches in self._kept if span_s[0] <= time_s <= span_s[1]]
        quiet = np.array([still_s[0] <= time_s <= still_s[1] for time_s, _ in kept], dtype=bool)
        if self._centres is None or len(self._centres) < _LEAST_PATCHES or np.count_nonzero(quiet) < 2:
            return stood_still(seen=False)
        template = np.mean([patches for (_, patches), use in zip(kept, quiet, strict=True) if use], axis=0)
        centres_px = self._centres.astype(np.float64)
        before_px = self._moved_before_px(template, centres_px, points_px)
        frozen = _share_frozen([patches for _, patches in kept])
        looks: tuple[PictureMotion, ...] = ()
        moved_px = np.zeros(0)
        for every in (_COARSE, 1):
            now, still = kept[::every], quiet[::every]
            looks = _measured(template, centres_px, now, still)
            if len(looks) < len(now):
                lost = not still[len(looks) :].any()
                return stood_still(seen=False, lost=lost, moved_before_px=before_px)
            moved_px = np.array([np.hypot(*(one.from_scene(points_px) - points_px).T) for one in looks])
            if np.sqrt(np.mean(moved_px**2)) < _STILL_RMS_PX and moved_px.max() < _STILL_MOST_PX:
                hidden_px = _HIDDEN_PX * _risen(frozen, *_HIDES_STILL)
                return stood_still(seen=True, hidden_px=hidden_px, moved_before_px=before_px)
        times_s = np.array([time_s for time_s, _ in kept])
        return Motions(
            times_s=times_s,
            looks=looks,
            moved_px=float(moved_px.max()),
            seen=True,
            hidden_px=_HIDDEN_PX * _risen(frozen, *_HIDES_FOLLOWED),
            moved_before_px=before_px,
        )

    def _moved_before_px(self, template: Floats, centres_px: Floats, points_px: Floats) -> float | None:
        """How far the still scene lies from the first frames; None where they do not look alike."""
        if self._first is None:
            return None
        about_px = centres_px.mean(axis=0)
        solved = _followed(template, self._first, _design(centres_px - about_px), np.zeros(4))
        if solved is None:
            return None
        displaced_px = _design(points_px - about_px) @ solved.values
        return float(np.hypot(*displaced_px.T).max())


def _patches(picture: npt.NDArray[Kind], centres: npt.NDArray[np.int64]) -> npt.NDArray[Kind]:
    """(P, S, S) copies of a picture's patches round some pixels."""
    reach = HALF + REACH
    windows = np.lib.stride_tricks.sliding_window_view(picture, (2 * reach + 1, 2 * reach + 1))
    copied: npt.NDArray[Kind] = windows[centres[:, 1] - reach, centres[:, 0] - reach]
    return copied


def _textured_places(luma: Luma) -> npt.NDArray[np.int64]:
    """(P, 2) pixels with texture in both directions, the best of each cell of a grid."""
    # at half size: quicker, and texture that compression leaves
    small = cv2.resize(np.ascontiguousarray(luma), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    # Sobel's filter of 3 x 3 is eight times the slope, and OpenCV scales it, and the mean over the block, by itself
    texture = cv2.cornerMinEigenVal(small.astype(np.float32) * 255, HALF + 1, ksize=3)
    height, width = small.shape
    margin = (HALF + REACH) // 2 + 2
    found: list[tuple[int, int]] = []
    for i in range(_CELLS[1]):
        for j in range(_CELLS[0]):
            v0, v1 = (max(margin, i * height // _CELLS[1]), min(height - margin, (i + 1) * height // _CELLS[1]))
            u0, u1 = (max(margin, j * width // _CELLS[0]), min(width - margin, (j + 1) * width // _CELLS[0]))
            if v1 <= v0 or u1 <= u0:
                continue
            cell = texture[v0:v1, u0:u1].copy()
            for _ in range(_IN_CELL):
                _, best, _, (u, v) = cv2.minMaxLoc(cell)
                if best < _LEAST_TEXTURE:
                    break
                found.append((2 * (u0 + u), 2 * (v0 + v)))
                cell[max(0, v - HALF) : v + HALF + 1, max(0, u - HALF) : u + HALF + 1] = 0
    return np.array(found, dtype=np.int64).reshape(-1, 2)


def _share_frozen(looks: list[Luma]) -> float:
    """Share of the patches that are the same to the last bit in the next look."""
    inner = slice(REACH, REACH + 2 * HALF + 1)
    pairs = [(one[:, inner, inner] == two[:, inner, inner]).all(axis=(1, 2)) for one, two in pairwise(looks)]
    return float(np.mean(pairs)) if pairs else 0.0


def _risen(share: float, low: float, high: float) -> float:
    """How far a share has come from one to another, 0 to 1."""
    return min(max((share - low) / (high - low), 0.0), 1.0)


def _measured(
    template: Floats, centres_px: Floats, kept: list[tuple[float, Luma]], quiet: Bools
) -> tuple[PictureMotion, ...]:
    """Motion of every frame, from the one before it as the first guess; zero on average over the still scene.

    They end before the first frame that does not show where it lies.
    """
    about_px = centres_px.mean(axis=0)
    design = _design(centres_px - about_px)
    found: list[_Similarity] = []
    guess = np.zeros(4)
    for _, patches in kept:
        solved = _followed(template, patches, design, guess)
        if solved is None:
            break
        found.append(solved)
        guess = solved.values
    values = np.array([one.values for one in found]).reshape(-1, 4)
    quiet = quiet[: len(found)]
    values -= values[quiet].mean(axis=0) if quiet.any() else values[:1].sum(axis=0)
    return tuple(
        PictureMotion(shift_px=one[:2], stretch=one[2:], about_px=about_px, cov=solved.cov)
        for one, solved in zip(values, found, strict=True)
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Similarity:
    """Shift and stretch of one frame.

    Attributes
    ----------
    values : (4,) float64
        Shift in px, change of scale, turn in rad.
    cov : (4, 4) float64
        Their covariance.
    alike : int
        Patches that look as before there.
    sd_px : float
        How far those scatter about the common motion.
    """

    values: Floats
    cov: Floats
    alike: int
    sd_px: float

    def follows(self, patches: int) -> bool:
        """Whether this is how the picture lies, and not what chance makes of patches that lie elsewhere."""
        return self.sd_px < _FOLLOWED_SD_PX or self.alike > _FOLLOWED_SHARE * patches


def _followed(template: Floats, patches: Luma | Floats, design: Floats, guess: Floats) -> _Similarity | None:
    """Similarity of one frame, from a first guess or else from anywhere in reach; None where none is found."""
    solved = _similarity(template, patches, design, guess)
    if solved is not None and solved.follows(len(patches)):
        return solved
    jumped = _similarity(template, patches, design, np.array([*_whole_shift(template, patches), 0.0, 0.0]))
    return jumped if jumped is not None and jumped.follows(len(patches)) else None


def _whole_shift(template: Floats, patches: Luma | Floats) -> Floats:
    """(2,) shift to the pixel at which most patches look as before, from correlation at every one in reach."""
    inner = slice(REACH, REACH + 2 * HALF + 1)
    votes = np.zeros((2 * REACH + 1, 2 * REACH + 1))
    for then, now in zip(template[:, inner, inner], patches, strict=True):
        alike = cv2.matchTemplate(now.astype(np.float32), then.astype(np.float32), cv2.TM_CCOEFF_NORMED)
        votes += np.maximum(alike, 0.0) ** 2
    v, u = np.unravel_index(int(votes.argmax()), votes.shape)
    return np.array([u - REACH, v - REACH], dtype=np.float64)


def _similarity(template: Floats, patches: Luma | Floats, design: Floats, guess: Floats) -> _Similarity | None:
    """Shift and stretch of one frame; None where too few patches are found."""
    solved = _Similarity(guess, np.zeros((4, 4)), 0, 0.0)
    for _ in range(8):
        away_px, usable = _patch_shifts(template, patches, design @ solved.values)
        robust = _robust(design, away_px, usable)
        if robust is None:
            return None
        step = robust.values - solved.values
        solved = robust
        # the quarter pixel that is left is measured as well from here as from nearer
        if np.hypot(*(design @ step).T).max() < 0.25:
            break
    return solved


def _patch_shifts(template: Floats, patches: Luma | Floats, near_px: Floats) -> tuple[Floats, Bools]:
    """Displacement of each patch (P, 2), from its whole pixels nearest to `near_px`; which are usable.

    One step of second order, with the mean slope of both pictures (Malis, ICRA 2004; from memory): good to 1 % of
    half a pixel. A patch's own gain and offset of the brightness are taken out: lamps flicker, the exposure adapts.
    """
    whole = np.clip(np.round(near_px), -REACH + _SLOPE, REACH - _SLOPE).astype(np.int64)
    inner = np.arange(-HALF - _SLOPE, HALF + _SLOPE + 1) + HALF + REACH
    index = np.arange(len(patches))[:, None, None]
    now = patches[index, (inner + whole[:, 1, None])[:, :, None], (inner + whole[:, 0, None])[:, None, :]].astype(
        np.float64
    )
    then = template[:, inner[0] : inner[-1] + 1, inner[0] : inner[-1] + 1]
    now, then = now - now.mean(axis=(1, 2), keepdims=True), then - then.mean(axis=(1, 2), keepdims=True)
    gain = np.sum(now * then, axis=(1, 2)) / np.maximum(np.sum(then * then, axis=(1, 2)), 1e-9)
    usable: Bools = (gain > 0.3) & (gain < 3) & (np.abs(near_px - whole).max(axis=1) <= 1.5)
    now = now / np.where(usable, gain, 1.0)[:, None, None]
    both = now + then
    # slopes good to 1 % for texture of 8 px a wave; simple differences are 10 % too small there
    rows, columns = both[:, _SLOPE:-_SLOPE], both[:, :, _SLOPE:-_SLOPE]
    slope_u = (8 * (rows[:, :, 3:-1] - rows[:, :, 1:-3]) - (rows[:, :, 4:] - rows[:, :, :-4])) / 24
    slope_v = (8 * (columns[:, 3:-1] - columns[:, 1:-3]) - (columns[:, 4:] - columns[:, :-4])) / 24
    change = (then - now)[:, _SLOPE:-_SLOPE, _SLOPE:-_SLOPE]
    change = change - change.mean(axis=(1, 2), keepdims=True)
    uu, uv, vv = _dot(slope_u, slope_u), _dot(slope_u, slope_v), _dot(slope_v, slope_v)
    pu, pv = _dot(slope_u, change), _dot(slope_v, change)
    det = uu * vv - uv * uv
    usable &= det > 0
    det = np.where(usable, det, 1.0)
    shift_px = np.stack([(vv * pu - uv * pv) / det, (uu * pv - uv * pu) / det], axis=1)
    usable &= np.abs(shift_px).max(axis=1) < 2.0
    return whole + shift_px, usable


def _dot(one: Floats, other: Floats) -> Floats:
    """(P,) sums over each patch of the product of two."""
    sums: Floats = np.einsum("pij,pij->p", one, other)
    return sums


def _robust(design: Floats, shifts_px: Floats, usable: Bools) -> _Similarity | None:
    """Shift and stretch by reweighted least squares, from the median shift (Geman & McClure's weights)."""
    if np.count_nonzero(usable) < _LEAST_PATCHES:
        return None
    design, shifts_px = design[usable], shifts_px[usable]
    values = np.array([*np.median(shifts_px, axis=0), 0.0, 0.0])
    for n in range(_ROUNDS):
        off_px = shifts_px - design @ values
        length_px = np.hypot(*off_px.T)
        # median of the length of a plane's normal errors: 1.1774 standard deviations
        sd_px = max(_PATCH_SD_PX, float(np.median(length_px)) / 1.1774)
        weights = 1 / (1 + (length_px / (_OUTLIER_SDS * sd_px)) ** 2) ** 2
        normal = np.einsum("p,pij,pik->jk", weights, design, design)
        step = np.linalg.solve(normal, np.einsum("p,pij,pi->j", weights, design, off_px))
        values = values + step
        if n > 2 and np.hypot(*(design @ step).T).max() < 1e-3:
            break
    if weights.sum() < _LEAST_PATCHES / 2:
        return None
    # sandwich: what the weights did is in it
    meat = np.einsum("p,pij,pi,pk,pkl->jl", weights**2, design, off_px, off_px, design)
    bread = np.linalg.inv(normal)
    cov = _ALIKE * bread @ meat @ bread + np.diag([_FLOOR_PX**2, _FLOOR_PX**2, 0.0, 0.0])
    return _Similarity(values, cov, len(shifts_px), sd_px)
