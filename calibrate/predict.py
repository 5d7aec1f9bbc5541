"""From a few marks to all others: where a provisional camera expects them, and whether they are seen there."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.marks import Click, MarkKind, mark_kind, mark_point_m
from calibrate.snap import Snap, snap_mark

# What the fifteen parameters leave out, on the table: reading line and set-back of the sights, laid by hand.
_PLACEMENT_SD_M = 0.001
_MARGIN_PX = 8.0  # a mark nearer to the border is not well inside the picture
# A prediction vaguer than this could fall on another mark, or on none; a snap reaches 3.5 px.
_VAGUE_PX = 3.0
_FIT_SDS = 3.0
_HAND_PX = 0.7  # a snap may always lie as far off as a click of a hand


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Where a mark is expected that nobody clicked.

    Attributes
    ----------
    name : str
        The mark.
    place_px : tuple of float
        (u, v) where it is expected.
    sd_px : float
        Standard uncertainty of that, in the worse direction.
    found_px : tuple of float or None
        (u, v) where the picture shows it, where it shows it clearly and near enough.
    why : str
        Why it was not found; empty where it was.
    """

    name: str
    place_px: tuple[float, float]
    sd_px: float
    found_px: tuple[float, float] | None
    why: str = ""


def predict_marks(calibration: Calibration, names: Sequence[str], luma: Floats) -> tuple[Prediction, ...]:
    """Say where marks are expected, and look for them there.

    Parameters
    ----------
    calibration : Calibration
        From a few marks; it may be far too uncertain to measure with.
    names : sequence of str
        Marks that this table has.
    luma : (H, W) array
        Brightness of the picture.

    Returns
    -------
    tuple of Prediction
        Of those that ought to be in the picture.

    Notes
    -----
    A tick of the scale is never called found: the picture fixes it across its length alone, and where it meets the
    reading line only a hand can say; taking the prediction for that would count the camera twice.
    """
    found = []
    height, width = luma.shape
    for name in names:
        place_px, sd_px = _expected(calibration, name)
        inside = np.isfinite(place_px).all() and np.all(place_px > _MARGIN_PX)
        if not inside or np.any(place_px > np.array([width, height]) - 1 - _MARGIN_PX):
            continue
        seen, why = _look(calibration, name, place_px, sd_px, luma)
        place = (float(place_px[0]), float(place_px[1]))
        found.append(Prediction(name=name, place_px=place, sd_px=sd_px, found_px=seen, why=why))
    return tuple(found)


def _expected(calibration: Calibration, name: str) -> tuple[Floats, float]:
    """Place of a mark in the picture, (2,), and the standard uncertainty of it in the worse direction, in px."""

    def at(parameters: Floats) -> Floats:
        other = calibration.with_parameters(parameters)
        return other.camera.project(mark_point_m(name, other.table, other.lane, other.scale))

    here = calibration.parameters
    sds = np.sqrt(np.maximum(np.diag(calibration.cov), 0))
    # A hundredth of its own uncertainty is small for every parameter, and large against rounding.
    steps = np.where(sds > 0, 0.01 * sds, 1e-9)
    columns = [(at(here + step) - at(here - step)) / 2 for step in np.diag(steps)]
    by_step = np.stack(columns, axis=-1) / steps
    point_m = mark_point_m(name, calibration.table, calibration.lane, calibration.scale)
    on_table = calibration.camera.project_jacobian(point_m)[:, :2] * _PLACEMENT_SD_M
    cov_px2 = by_step @ calibration.cov @ by_step.T + on_table @ on_table.T
    place_px = at(here)
    if not np.isfinite(cov_px2).all():
        return place_px, float("inf")
    return place_px, float(np.sqrt(np.linalg.eigvalsh(cov_px2)[-1]))


def _look(
    calibration: Calibration, name: str, place_px: Floats, sd_px: float, luma: Floats
) -> tuple[tuple[float, float] | None, str]:
    if mark_kind(name) is MarkKind.TICK:
        return None, "Where a tick meets the reading line only a hand can say: click it."
    if sd_px > _VAGUE_PX:
        return None, f"Its place is known to {sd_px:.0f} px only: click it, or another mark first."
    point_m = mark_point_m(name, calibration.table, calibration.lane, calibration.scale)
    click = Click(name, float(place_px[0]), float(place_px[1]))
    unit_m = calibration.scale.unit_m
    snap = snap_mark(luma, click, camera=calibration.camera, point_m=point_m, unit_m=unit_m)
    if not isinstance(snap, Snap):
        return None, snap.reason.sentence
    off_px = float(np.linalg.norm(snap.shift_px))
    if off_px > _FIT_SDS * float(np.hypot(sd_px, _HAND_PX)):
        return None, f"What looks like it lies {off_px:.1f} px from where it is expected."
    return (float(snap.place_px[0]), float(snap.place_px[1])), ""
