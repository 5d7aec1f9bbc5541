"""Whether the camera was nudged since it was calibrated, and the calibration as it is after the nudge.

Small patches round the marks are found again in the other picture; their displacements give the change of pose,
everything else about the camera and the scale staying as it was.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibrate.arrays import Bools, Floats
from calibrate.calibration import Calibration
from calibrate.camera import CAMERA_PARAMETERS
from calibrate.errors import NotMeasured
from calibrate.marks import mark_point_m
from calibrate.reasons import PICTURE_UNLIKE

NUDGED_PX = 0.3  # less is within what snapping and compression leave open
_HALF_PATCH_PX = 20
_NEARBY_PX = 15  # how far a patch may lie from where the picture as a whole has moved
_LEAST_CORRELATION = 0.8
_PATCH_SD_PX = 0.1  # rendered pictures without compression: 0.01 to 0.03 px; the rest is for compression
_LEAST_PATCHES = 4
_OUTLIER_PX = 1.0
# A nudge, not a new place: a tripod leg moved, a phone touched.
_TURN_SD_RAD = 0.02
_SHIFT_SD_M = 0.02
_POSE = slice(CAMERA_PARAMETERS.index("rot_x_rad"), CAMERA_PARAMETERS.index("trans_z_m") + 1)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Reregistered:
    """What became of a calibration in another picture.

    Attributes
    ----------
    nudged : bool
        Whether the camera has moved by more than `NUDGED_PX`.
    shift_px : float
        Root mean square displacement of the marks.
    calibration : Calibration
        With the pose as it is now, and the nudge's uncertainty added; unchanged where `nudged` is False.
    patches : int
        How many marks were found again.
    """

    nudged: bool
    shift_px: float
    calibration: Calibration
    patches: int


def reregister(calibration: Calibration, *, reference: Floats, luma: Floats) -> Reregistered | NotMeasured:
    """Find the camera's pose in another picture of the same set-up.

    Parameters
    ----------
    calibration : Calibration
        Made on `reference`.
    reference, luma : (H, W) array
        Brightness of the calibrated picture and of the other, each averaged over still frames.

    Returns
    -------
    Reregistered or NotMeasured
        NotMeasured where the pictures do not match: another size, or too few marks found again.
    """
    if reference.shape != luma.shape:
        sizes = " and ".join(f"{shape[1]} x {shape[0]}" for shape in (reference.shape, luma.shape))
        return NotMeasured(PICTURE_UNLIKE, f"pictures of {sizes} px")
    points_m, places_px = _marks(calibration)
    overall_px = _overall_shift(reference, luma)
    found = [_find_again(reference, luma, place, overall_px) for place in places_px]
    kept: Bools = np.array([shift is not None for shift in found], dtype=bool)
    if np.count_nonzero(kept) < _LEAST_PATCHES:
        return NotMeasured(PICTURE_UNLIKE, f"{np.count_nonzero(kept)} of {len(found)} marks found again")
    shifts_px = np.array([shift for shift in found if shift is not None])
    solved = _solve_pose(calibration, points_m[kept], shifts_px)
    if solved is None:
        return NotMeasured(PICTURE_UNLIKE, "the marks moved in different ways")
    pose, cov, used = solved
    shift_px = float(np.sqrt(np.mean(np.sum(shifts_px[used] ** 2, axis=1))))
    count = int(np.count_nonzero(used))
    if shift_px < NUDGED_PX:
        return Reregistered(nudged=False, shift_px=shift_px, calibration=calibration, patches=count)
    values = calibration.parameters.copy()
    values[_POSE] = pose
    wider = calibration.cov.copy()
    wider[_POSE, _POSE] += cov
    now = replace(calibration.with_parameters(values), cov=wider)
    return Reregistered(nudged=True, shift_px=shift_px, calibration=now, patches=count)


def _marks(calibration: Calibration) -> tuple[Floats, Floats]:
    """Places of the marks in use, on the table (N, 3) and in the image (N, 2)."""
    names = [mark.name for mark in calibration.residuals if mark.used]
    points = [mark_point_m(name, calibration.table, calibration.lane, calibration.scale) for name in names]
    points_m = np.array(points).reshape(-1, 3)
    return points_m, calibration.camera.project(points_m)


def _overall_shift(reference: Floats, luma: Floats) -> Floats:
    """Displacement of the picture as a whole, to a few pixels: it says where to look for the patches."""
    small = [
        cv2.resize(picture.astype(np.float32), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        for picture in (reference, luma)
    ]
    window = cv2.createHanningWindow(small[0].shape[::-1], cv2.CV_32F)
    (du, dv), _ = cv2.phaseCorrelate(small[0] - small[0].mean(), small[1] - small[1].mean(), window)
    return np.array([4 * du, 4 * dv])


def _find_again(reference: Floats, luma: Floats, place_px: Floats, overall_px: Floats) -> Floats | None:
    """Displacement (2,) of the patch round `place_px`; None where it is not found."""
    half = _HALF_PATCH_PX
    u, v = np.round(place_px).astype(int)
    height, width = reference.shape
    if not (half <= u < width - half and half <= v < height - half):
        return None
    patch = reference[v - half : v + half + 1, u - half : u + half + 1].astype(np.float64)
    best = None
    for guess in (overall_px, np.zeros(2)):  # a hand or a player may have misled the whole
        du, dv = np.round(guess).astype(int)
        left, top = u + du - half - _NEARBY_PX, v + dv - half - _NEARBY_PX
        size = 2 * (half + _NEARBY_PX) + 1
        if left < 1 or top < 1 or left + size >= width or top + size >= height:
            continue
        area = luma[top : top + size, left : left + size].astype(np.float32)
        scores = cv2.matchTemplate(area, patch.astype(np.float32), cv2.TM_CCOEFF_NORMED)
        _, score, _, (x, y) = cv2.minMaxLoc(scores)
        if best is None or score > best[0]:
            best = (score, left + x + half - u, top + y + half - v)
    if best is None or best[0] < _LEAST_CORRELATION:
        return None
    return _refine(patch, luma, np.array([u, v]), np.array([best[1], best[2]], dtype=float))


def _refine(patch: Floats, luma: Floats, place: Floats, shift_px: Floats) -> Floats | None:
    """Gauss-Newton on the displacement, with gain and offset of the brightness free (Lucas & Kanade 1981)."""
    inner = patch[1:-1, 1:-1]
    slope_v: Floats = np.gradient(patch, axis=0)[1:-1, 1:-1].ravel()
    slope_u: Floats = np.gradient(patch, axis=1)[1:-1, 1:-1].ravel()
    design = np.column_stack([slope_u, slope_v, inner.ravel(), np.ones(inner.size)])
    start = shift_px.copy()
    size = (patch.shape[1], patch.shape[0])
    for _ in range(15):
        centre = tuple(float(c) for c in place + shift_px)
        seen = cv2.getRectSubPix(luma.astype(np.float32), size, centre)[1:-1, 1:-1].astype(np.float64)
        solution = np.linalg.lstsq(design, seen.ravel(), rcond=None)[0]
        if not solution[2] > 0.2:
            return None
        step = -solution[:2] / solution[2]
        shift_px = shift_px + step
        if np.linalg.norm(shift_px - start) > 2:
            return None
        if np.linalg.norm(step) < 1e-3:
            break
    return shift_px


def _solve_pose(
    calibration: Calibration, points_m: Floats, shifts_px: Floats
) -> tuple[Floats, Floats, Bools] | None:
    """Pose (6,), its covariance (6, 6) and which displacements were used; None if they do not belong together."""
    camera = calibration.camera
    start = camera.parameters
    targets_px = camera.project(points_m) + shifts_px
    prior = np.diag(1 / np.array([_TURN_SD_RAD] * 3 + [_SHIFT_SD_M] * 3) ** 2)
    used: Bools = np.ones(len(points_m), dtype=bool)
    values = start.copy()
    while True:
        for _ in range(10):
            now = camera.with_parameters(values)
            residual = targets_px - now.project(points_m)
            slope = now.project_parameter_jacobian(points_m)[:, :, _POSE] / _PATCH_SD_PX
            # A patch that something has moved in must not pull the others along before it is told apart.
            length = np.linalg.norm(residual, axis=1) / _OUTLIER_PX
            weight = used / (1 + length**2)
            normal = prior + np.einsum("n,nij,nik->jk", weight, slope, slope)
            pull = np.einsum("n,nij,ni->j", weight, slope, residual / _PATCH_SD_PX)
            step = np.linalg.solve(normal, pull + prior @ (start - values)[_POSE])
            values[_POSE] += step
            if np.abs(step).max() < 1e-9:
                break
        length = np.linalg.norm(targets_px - camera.with_parameters(values).project(points_m), axis=1)
        worst = int(np.argmax(np.where(used, length, 0)))
        if length[worst] < _OUTLIER_PX:
            break
        used[worst] = False
        if np.count_nonzero(used) < _LEAST_PATCHES:
            return None
    residual = (targets_px - camera.with_parameters(values).project(points_m))[used] / _PATCH_SD_PX
    birge = max(1.0, float(np.sum(residual**2)) / max(1, residual.size - 6))
    return values[_POSE].copy(), np.linalg.inv(normal) * birge, used
