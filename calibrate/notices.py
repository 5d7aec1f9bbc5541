"""What a tester should know about a calibration: the scale as it lies, and marks that made trouble."""

import numpy as np

from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.scale import scale_notices


def plus_side_sentence(calibration: Calibration) -> str:
    """Say where in the picture the scale's plus lies: a mirrored recording fits as well, with all signs turned."""
    ticks_m = np.array([[*calibration.scale.tick_xy_m(number), calibration.table.rail_top_m] for number in (0, 1)])
    zero_px, plus_px = calibration.camera.project(ticks_m)
    side = "right" if plus_px[0] > zero_px[0] else "left"
    return f"In this picture the scale's plus numbers, the shooter's right, lie to the {side} of its zero."


def notices(calibration: Calibration) -> tuple[str, ...]:
    """Return what is worth saying about `calibration`, gravest first; empty where all is well."""
    sds = dict(zip(CALIBRATION_PARAMETERS, np.sqrt(np.diag(calibration.cov)), strict=True))
    about_scale = scale_notices(
        calibration.scale,
        aim_m=calibration.lane.x_aim_m,
        zero_sd_m=float(sds["scale_zero_m"]),
        skew_sd_rad=float(sds["scale_skew_rad"]),
        stretch_sd=float(sds["scale_stretch"]),
    )
    about_marks = tuple(f"{mark.name}: {mark.note}." for mark in calibration.residuals if mark.note)
    doubts = tuple(f"{doubt.reason.sentence} {doubt.detail}." for doubt in calibration.doubts)
    return doubts + about_scale + about_marks
