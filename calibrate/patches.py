"""Where small patches of one picture lie in another, to a fraction of a pixel; flat patches lie nowhere."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Bools, Floats

HALF_PATCH_PX = 20  # half the side; large enough for texture, small against the bend of the picture
_NEARBY_PX = 15  # how far a patch may lie from where the picture as a whole has moved
_LEAST_CORRELATION = 0.8  # of a patch with what is found of it: chosen
# What compression and the averaging of a few frames leave of a patch's place: rendered pictures without
# compression come to 0.01 to 0.03 px.
_FLOOR_SD_PX = 0.1
# Neighbouring pixels err alike after compression: errors of a patch are this much larger than for white noise.
_CLUMPED = 2.0
# A patch is findable if its brightness changes by more than this, in grey levels a pixel (root mean square), in
# every direction. Noise of one level makes 0.7, a flat wall or a black picture less.
_LEAST_SLOPE = 1.4
_LEAST_GAIN, _MOST_GAIN = 0.3, 3.0  # of the contrast: exposure may differ, a ghost of a patch is no patch
_SAME_PX = 3.0  # a guess of the whole picture's motion that is better by less need not be tried
_LEAST_MATCHES = 8  # of corners that agree on one similarity: chosen


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Patches:
    """Patches looked for in another picture.

    Attributes
    ----------
    findable : (N,) bool
        Whether the patch lies in the calibrated picture and has structure in every direction.
    found : (N,) bool
        Whether it was found again.
    place_px : (N, 2) float64
        Where the middle of the patch lies in the other picture; NaN where it was not found.
    cov_px2 : (N, 2, 2) float64
        Covariance of `place_px`.
    """

    findable: Bools
    found: Bools
    place_px: Floats
    cov_px2: Floats


def find_patches(reference: Floats, luma: Floats, places_px: Floats) -> Patches:
    """Find the patches round some places of a picture again in another.

    Parameters
    ----------
    reference, luma : (H, W) array
        Brightness of the two pictures, 0 to 255.
    places_px : (N, 2) array
        Middles of the patches in `reference`.

    Returns
    -------
    Patches
        Found near where a similarity of the whole picture puts them: tried are none, a shift (phase correlation)
        and what matched corners tell (ORB: Rublee et al. 2011), each made better by the patches that it finds.
    """
    findable = np.array([_has_structure(_patch_at(reference, place)) for place in places_px], dtype=bool)
    best = _look(reference, luma, places_px, findable, np.eye(2, 3))
    for guess in (_shift, _matched_corners):
        if _most(best):
            break
        motion = guess(reference, luma)
        if motion is not None:
            best = max(best, _look(reference, luma, places_px, findable, motion), key=_count)
    return best


def _count(patches: Patches) -> int:
    return int(np.count_nonzero(patches.found))


def _most(patches: Patches) -> bool:
    return 10 * _count(patches) >= 8 * int(np.count_nonzero(patches.findable))


def _look(reference: Floats, luma: Floats, places_px: Floats, findable: Bools, motion: Floats) -> Patches:
    """Find patches near where `motion`, a (2, 3) similarity from reference to luma, puts them; twice if it pays."""
    found = _find_after(reference, luma, places_px, findable, motion)
    if _count(found) >= 4:
        better, _ = cv2.estimateAffinePartial2D(
            places_px[found.found], found.place_px[found.found], method=cv2.RANSAC, ransacReprojThreshold=4.0
        )
        if better is not None:
            apart = np.linalg.norm(_moved(places_px, better) - _moved(places_px, motion), axis=1)
            if apart.max() > _SAME_PX:
                again = _find_after(reference, luma, places_px, findable, better)
                return max(found, again, key=_count)
    return found


def _moved(places_px: Floats, motion: Floats) -> Floats:
    moved: Floats = places_px @ motion[:, :2].T + motion[:, 2]
    return moved


def _find_after(reference: Floats, luma: Floats, places_px: Floats, findable: Bools, motion: Floats) -> Patches:
    """Find patches in the picture drawn back by `motion`, so that they look as they did."""
    still = np.array_equal(motion, np.eye(2, 3))
    height, width = reference.shape
    drawn_back: npt.NDArray[np.float32] = luma.astype(np.float32)
    if not still:
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        drawn_back[:] = cv2.warpAffine(drawn_back, motion, (width, height), flags=flags)
    count = len(places_px)
    found = np.zeros(count, dtype=bool)
    place_px, cov_px2 = np.full((count, 2), np.nan), np.full((count, 2, 2), np.nan)
    for i in np.flatnonzero(findable):
        one = _find_again(reference, drawn_back, places_px[i])
        if one is not None:
            shift_px, cov = one
            place_px[i] = _moved(places_px[i] + shift_px, motion)
            cov_px2[i] = motion[:, :2] @ cov @ motion[:, :2].T
            found[i] = True
    return Patches(findable=findable, found=found, place_px=place_px, cov_px2=cov_px2)


def _patch_at(picture: Floats, place_px: Floats) -> Floats | None:
    """Patch round the pixel next to a place; None where it does not lie in the picture."""
    half = HALF_PATCH_PX
    if not np.isfinite(place_px).all():
        return None
    u, v = np.round(place_px).astype(int)
    height, width = picture.shape
    if not (half <= u < width - half and half <= v < height - half):
        return None
    return np.asarray(picture[v - half : v + half + 1, u - half : u + half + 1], dtype=np.float64)


def _slopes(patch: Floats) -> Floats:
    """Slopes of the brightness right and down, one row a pixel, gain and offset of the brightness taken out."""
    inner = patch[1:-1, 1:-1].ravel()
    slopes = np.column_stack(
        [np.gradient(patch, axis=1)[1:-1, 1:-1].ravel(), np.gradient(patch, axis=0)[1:-1, 1:-1].ravel()]
    )
    other = np.column_stack([inner - inner.mean(), np.ones(inner.size)])
    return np.asarray(slopes - other @ np.linalg.lstsq(other, slopes, rcond=None)[0], dtype=np.float64)


def _has_structure(patch: Floats | None) -> bool:
    if patch is None:
        return False
    slopes = _slopes(patch)
    return bool(np.linalg.eigvalsh(slopes.T @ slopes)[0] > len(slopes) * _LEAST_SLOPE**2)


def _find_again(reference: Floats, luma: npt.NDArray[np.float32], place_px: Floats) -> tuple[Floats, Floats] | None:
    """Displacement (2,) of the patch round `place_px` and its covariance; None where it is not found."""
    half = HALF_PATCH_PX
    patch = _patch_at(reference, place_px)
    u, v = np.round(place_px).astype(int)
    left, top = u - half - _NEARBY_PX, v - half - _NEARBY_PX
    size = 2 * (half + _NEARBY_PX) + 1
    height, width = luma.shape
    if patch is None or left < 0 or top < 0 or left + size > width or top + size > height:
        return None
    area = luma[top : top + size, left : left + size]
    scores = cv2.matchTemplate(area, patch.astype(np.float32), cv2.TM_CCOEFF_NORMED)
    # A flat area scores at random, up to infinity; what is found there does not pass `_refine`.
    scores = np.where(np.abs(scores) <= 1.001, scores, 0.0)
    y, x = np.unravel_index(int(np.argmax(scores)), scores.shape)
    return _refine(patch, luma, np.array([u, v]), np.array([x - _NEARBY_PX, y - _NEARBY_PX], dtype=float))


def _refine(
    patch: Floats, luma: npt.NDArray[np.float32], place: Floats, shift_px: Floats
) -> tuple[Floats, Floats] | None:
    """Gauss-Newton on the displacement, with gain and offset of the brightness free (Lucas & Kanade 1981)."""
    inner = patch[1:-1, 1:-1].ravel()
    slope_v: Floats = np.gradient(patch, axis=0)[1:-1, 1:-1].ravel()
    slope_u: Floats = np.gradient(patch, axis=1)[1:-1, 1:-1].ravel()
    design = np.column_stack([slope_u, slope_v, inner, np.ones(inner.size)])
    start = shift_px.copy()
    size = (patch.shape[1], patch.shape[0])
    for _ in range(15):
        centre = tuple(float(c) for c in place + shift_px)
        seen = cv2.getRectSubPix(luma, size, centre)[1:-1, 1:-1].astype(np.float64).ravel()
        solution = np.linalg.lstsq(design, seen, rcond=None)[0]
        gain = float(solution[2])
        if not _LEAST_GAIN < gain < _MOST_GAIN:
            return None
        step = -solution[:2] / gain
        shift_px = shift_px + step
        if np.linalg.norm(shift_px - start) > 2:
            return None
        if np.linalg.norm(step) < 1e-3:
            break
    left = seen - design @ solution
    if float(np.mean(left**2)) > (1 - _LEAST_CORRELATION**2) * float(np.var(seen)):
        return None
    slopes = gain * _slopes(patch)
    variance = _CLUMPED**2 * float(left @ left) / (left.size - 4)
    cov_px2 = variance * np.linalg.inv(slopes.T @ slopes) + _FLOOR_SD_PX**2 * np.eye(2)
    return shift_px, cov_px2


def _shift(reference: Floats, luma: Floats) -> Floats | None:
    """Shift of the picture as a whole, to a few pixels, as a (2, 3) similarity."""
    small = [
        cv2.resize(picture.astype(np.float32), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        for picture in (reference, luma)
    ]
    window = cv2.createHanningWindow(small[0].shape[::-1], cv2.CV_32F)
    (du, dv), _ = cv2.phaseCorrelate(small[0] - small[0].mean(), small[1] - small[1].mean(), window)
    if not np.isfinite([du, dv]).all():
        return None
    return np.array([[1.0, 0.0, round(4 * du)], [0.0, 1.0, round(4 * dv)]])


def _matched_corners(reference: Floats, luma: Floats) -> Floats | None:
    """Similarity (2, 3) of the picture as a whole by its matched corners; None where too few agree."""
    finder = cv2.ORB.create(nfeatures=1500, fastThreshold=8)
    pictures = [np.clip(picture, 0, 255).astype(np.uint8) for picture in (reference, luma)]
    (before, about_before), (after, about_after) = (finder.detectAndCompute(one, None) for one in pictures)
    if about_before is None or about_after is None:
        return None
    matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(about_before, about_after)
    if len(matches) < _LEAST_MATCHES:
        return None
    motion, agreed = cv2.estimateAffinePartial2D(
        np.array([before[one.queryIdx].pt for one in matches]),
        np.array([after[one.trainIdx].pt for one in matches]),
        method=cv2.RANSAC,
        ransacReprojThreshold=4.0,
    )
    if motion is None or np.count_nonzero(agreed) < _LEAST_MATCHES:
        return None
    return np.asarray(motion, dtype=np.float64)
