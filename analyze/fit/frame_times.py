"""Whether the times that a file gives its frames can be right: a rolling ball tells, it does not stop and start.

A damaged index, or an app that converted the recording, moves single frames in time. The ball then seems early in
one frame and late in the next, along its way alone: across it, it is seen as well as ever. In recordings as phones
write them the two scatter alike, along at most 1.7 times as much as across in 26 clips of two renderers, noise
reduction, blur and stabilisation included.
"""

import numpy as np

from analyze.fit.motion import state
from analyze.fit.path_fit import PathFit
from analyze.fit.reasons import UNEVEN_TIMES
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured

LEAST_SIGHTINGS = 10
LEAST_PX, LEAST_RATIO = 0.3, 3.0  # along the way, and over what is seen across: chosen, see above


def find_uneven_times(fit: PathFit, calibration: Calibration) -> NotMeasured | None:
    """Ask whether the ball jumps to and fro along its way from frame to frame.

    Parameters
    ----------
    fit : PathFit
        The fitted motion.
    calibration : Calibration
        The one it was fitted with.

    Returns
    -------
    NotMeasured or None
        With the jumps in ms (root mean square); None where there are none to speak of.
    """
    good = fit.used & (fit.weights > 0)
    if np.count_nonzero(good) < LEAST_SIGHTINGS:
        return None
    places, velocities = state(fit.parameters, fit.times_s[good], pull_m_s2=fit.pull_m_s2)
    points = np.column_stack([places, np.full(len(places), calibration.ball.radius_m)])
    way_px_s = np.einsum("nij,nj->ni", calibration.camera.project_jacobian(points)[:, :, :2], velocities)
    speed_px_s = np.linalg.norm(way_px_s, axis=1)
    if not (speed_px_s > 0).all():
        return None
    ahead = way_px_s / speed_px_s[:, None]
    residuals = fit.residuals_px[good]
    along = _jumps(np.einsum("ni,ni->n", residuals, ahead))
    across = _jumps(residuals[:, 1] * ahead[:, 0] - residuals[:, 0] * ahead[:, 1])
    along_px, across_px = (float(np.sqrt(np.mean(one**2))) for one in (along, across))
    if along_px < LEAST_PX or along_px < LEAST_RATIO * across_px:
        return None
    jumps_ms = 1000 * float(np.sqrt(np.mean((along / speed_px_s[1:-1]) ** 2)))
    return NotMeasured(
        UNEVEN_TIMES,
        f"from frame to frame the ball is {jumps_ms:.1f} ms early or late, {along_px:.2f} px along its way and "
        f"{across_px:.2f} px across",
    )


def _jumps(values: Floats) -> Floats:
    """How far each value lies from the mean of its neighbours; of white noise, as large as the noise itself."""
    return np.asarray((values[1:-1] - (values[:-2] + values[2:]) / 2) / np.sqrt(1.5), dtype=np.float64)
