"""Whether the camera was nudged or its zoom changed since it was calibrated, and the calibration as it is now.

Small patches round the marks are found again in the other picture; their displacements give the change of pose and,
where they ask for it, of focal length; everything else about the camera and the scale stays as it was. What comes
out is judged by what the solved camera leaves over, and by how many of the marks it explains.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from calibrate.arrays import Bools, Floats
from calibrate.calibration import Calibration
from calibrate.camera import CAMERA_PARAMETERS, Camera
from calibrate.errors import NotMeasured
from calibrate.marks import mark_point_m
from calibrate.patches import Patches, find_patches
from calibrate.reasons import PICTURE_UNLIKE

NUDGED_PX = 0.3  # less is within what snapping and compression leave open
# Most of the marks that can be found at all must be found and agree: the rest may be hidden by a player.
_LEAST_PATCHES = 5
_LEAST_SHARE = 0.55
_OUTLIER_PX = 1.0
_WORST_RMS_PX = 0.5  # left over, per coordinate; rendered and recompressed clips leave 0.05 to 0.2
_WORST_BIRGE = 9.0  # displacements three times farther from the solved camera than the pictures' noise explains
# A nudge, not a new place: a tripod leg moved, a phone touched.
_TURN_SD_RAD = 0.02
_SHIFT_SD_M = 0.02
# A lens breathes as it focuses; a finger on the screen zooms.
_BREATHING_SD = 0.001
_ZOOM_SD = 0.1
_ZOOM_GAIN = 15.0  # fall of chi-square that tells a zoom: chance gives it once in 10,000 pictures
_POSE = slice(CAMERA_PARAMETERS.index("rot_x_rad"), CAMERA_PARAMETERS.index("trans_z_m") + 1)
_FOCAL = CAMERA_PARAMETERS.index("focal_px")
_MOVED = [_FOCAL, *range(_POSE.start, _POSE.stop)]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Reregistered:
    """What became of a calibration in another picture.

    Attributes
    ----------
    nudged : bool
        Whether the picture has moved by more than `NUDGED_PX`.
    shift_px : float
        Root mean square displacement of the marks according to the solved camera.
    zoom : float
        Focal length over that of the calibration; 1 where nothing tells that it changed.
    calibration : Calibration
        With the camera as it is now, and the uncertainty of that added; unchanged where `nudged` is False.
    patches : int
        How many marks were found again and agree.
    """

    nudged: bool
    shift_px: float
    zoom: float
    calibration: Calibration
    patches: int


@dataclass(frozen=True, slots=True, eq=False)
class _Moved:
    """A solved change of camera: values (7,) by `_MOVED`, covariance (7, 7), marks used, what is left over."""

    camera: Camera
    cov: Floats
    used: Bools
    chi2: float
    rms_px: float

    @property
    def birge(self) -> float:
        return self.chi2 / max(1, 2 * int(np.count_nonzero(self.used)) - len(_MOVED))


def reregister(calibration: Calibration, *, reference: Floats, luma: Floats) -> Reregistered | NotMeasured:
    """Find the camera's pose and zoom in another picture of the same set-up.

    Parameters
    ----------
    calibration : Calibration
        Made on `reference`.
    reference, luma : (H, W) array
        Brightness of the calibrated picture and of the other, each averaged over still frames.

    Returns
    -------
    Reregistered or NotMeasured
        NotMeasured where the pictures do not match: another size, too few marks found again, or marks that moved
        in ways that no camera explains.
    """
    if reference.shape != luma.shape:
        sizes = " and ".join(f"{shape[1]} x {shape[0]}" for shape in (reference.shape, luma.shape))
        return NotMeasured(PICTURE_UNLIKE, f"pictures of {sizes} px")
    points_m, places_px = _marks(calibration)
    patches = find_patches(reference, luma, places_px)
    findable = int(np.count_nonzero(patches.findable))
    wanted = max(_LEAST_PATCHES, math.ceil(_LEAST_SHARE * findable))
    n_found = int(np.count_nonzero(patches.found))
    if n_found < wanted:
        detail = f"{n_found} of {findable} marks found again, {wanted} needed"
        return NotMeasured(PICTURE_UNLIKE, detail)
    solved = _solve(calibration.camera, points_m, places_px, patches)
    agreed = int(np.count_nonzero(solved.used))
    if agreed < wanted or solved.rms_px > _WORST_RMS_PX or solved.birge > _WORST_BIRGE:
        detail = (
            f"the marks moved in different ways: {agreed} of {findable} agree, to {solved.rms_px:.2f} px (rms), "
            f"{wanted} needed to {_WORST_RMS_PX} px"
        )
        return NotMeasured(PICTURE_UNLIKE, detail)
    shifts_px = solved.camera.project(points_m) - places_px
    shift_px = float(np.sqrt(np.mean(np.sum(shifts_px**2, axis=1))))
    zoom = solved.camera.focal_px / calibration.camera.focal_px
    if shift_px < NUDGED_PX:
        return Reregistered(nudged=False, shift_px=shift_px, zoom=1.0, calibration=calibration, patches=agreed)
    values = calibration.parameters.copy()
    values[: len(CAMERA_PARAMETERS)] = solved.camera.parameters
    wider = calibration.cov.copy()
    wider[np.ix_(_MOVED, _MOVED)] += solved.cov * max(1.0, solved.birge)
    now = replace(calibration.with_parameters(values), cov=wider)
    return Reregistered(nudged=True, shift_px=shift_px, zoom=zoom, calibration=now, patches=agreed)


def _marks(calibration: Calibration) -> tuple[Floats, Floats]:
    """Places of the marks in use, on the table (N, 3) and in the image (N, 2)."""
    names = [mark.name for mark in calibration.residuals if mark.used]
    points = [mark_point_m(name, calibration.table, calibration.lane, calibration.scale) for name in names]
    points_m = np.array(points).reshape(-1, 3)
    return points_m, calibration.camera.project(points_m)


def _solve(camera: Camera, points_m: Floats, places_px: Floats, patches: Patches) -> _Moved:
    """Solve for the pose and, where the marks ask for it, the focal length."""
    found = patches.found
    targets_px = np.where(found[:, None], patches.place_px, places_px)
    cov_px2 = np.where(found[:, None, None], patches.cov_px2, np.eye(2))
    still = _descend(camera, points_m, targets_px, cov_px2, found, zoom_sd=_BREATHING_SD)
    free = _descend(camera, points_m, targets_px, cov_px2, found, zoom_sd=_ZOOM_SD)
    more = int(np.count_nonzero(free.used)) - int(np.count_nonzero(still.used))
    gain = still.chi2 - free.chi2
    if more > 0 or (more == 0 and gain > _ZOOM_GAIN * max(1.0, free.birge)):
        return free
    return still


def _descend(
    camera: Camera, points_m: Floats, targets_px: Floats, cov_px2: Floats, found: Bools, *, zoom_sd: float
) -> _Moved:
    """Robust least squares on the displacements, outliers left out one by one."""
    white = np.linalg.inv(np.linalg.cholesky(cov_px2))
    start = camera.parameters[_MOVED]
    sds = np.array([zoom_sd * camera.focal_px] + [_TURN_SD_RAD] * 3 + [_SHIFT_SD_M] * 3)
    prior = np.diag(1 / sds**2)
    used = found.copy()
    values = start.copy()
    while True:
        for _ in range(15):
            now = _with_moved(camera, values)
            residual = targets_px - now.project(points_m)
            slope = white @ now.project_parameter_jacobian(points_m)[:, :, _MOVED]
            # A patch that something has moved in must not pull the others along before it is told apart.
            length = np.linalg.norm(residual, axis=1) / _OUTLIER_PX
            weight = used / (1 + length**2)
            normal = prior + np.einsum("n,nij,nik->jk", weight, slope, slope)
            shown = np.einsum("nij,nj->ni", white, residual)
            pull = np.einsum("n,nij,ni->j", weight, slope, shown) + prior @ (start - values)
            step = np.linalg.solve(normal, pull)
            values = values + step
            if np.abs(step / sds).max() < 1e-6:
                break
        moved = _with_moved(camera, values)
        residual = targets_px - moved.project(points_m)
        length = np.linalg.norm(residual, axis=1)
        worst = int(np.argmax(np.where(used, length, 0)))
        if not used.any() or length[worst] < _OUTLIER_PX:
            break
        used[worst] = False
    shown = np.einsum("nij,nj->ni", white, residual)[used]
    chi2 = float(np.sum(shown**2) + np.sum(((values - start) / sds) ** 2))
    rms_px = float(np.sqrt(np.mean(residual[used] ** 2))) if used.any() else math.inf
    return _Moved(moved, np.linalg.inv(normal), used, chi2, rms_px)


def _with_moved(camera: Camera, values: Floats) -> Camera:
    parameters = camera.parameters.copy()
    parameters[_MOVED] = values
    return camera.with_parameters(parameters)
