"""What a tester should know about a calibration: the scale as it lies, and marks that made trouble."""

import numpy as np

from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.scale import scale_notices


def notices(calibration: Calibration) -> tuple[str, ...]:
    """Return what is worth saying about `calibration`, the scale first; empty where all is well."""
    sds = dict(zip(CALIBRATION_PARAMETERS, np.sqrt(np.diag(calibration.cov)), strict=True))
    about_scale = scale_notices(
        calibration.scale,
        aim_m=calibration.lane.x_aim_m,
        zero_sd_m=float(sds["scale_zero_m"]),
        skew_sd_rad=float(sds["scale_skew_rad"]),
        stretch_sd=float(sds["scale_stretch"]),
    )
    about_marks = tuple(f"{mark.name}: {mark.note}." for mark in calibration.residuals if mark.note)
    return about_scale + about_marks
