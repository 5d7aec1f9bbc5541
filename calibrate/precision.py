"""What precision to expect at the rail from a calibration and the place of its camera."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.units import deg_from_rad, mm_from_m

# Steps for central differences, in the order of CALIBRATION_PARAMETERS: small against any posterior, large against
# rounding (the results agree to 1e-6 when all are ten times larger or smaller).
_STEPS = np.array([1e-2, 1e-2, 1e-2, 1e-5, 1e-5, *[1e-6] * 3, *[1e-6] * 3, 1e-6, 1e-6, 1e-6, 1e-6])


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """How well a shot along the lane can be read.

    Attributes
    ----------
    reading_sd_m : float
        Standard uncertainty of a reading from the calibration alone.
    launch_sd_rad : float
        Standard uncertainty of the direction of a straight path along the lane, from the calibration alone.
    scale_px_per_mm : float
        Pixels per mm across the lane at the rail scale.
    spot_px_per_mm : float
        Pixels per mm across the lane at the cue-ball spot, at the height of the ball's centre.
    sentence : str
        The same for a tester.
    """

    reading_sd_m: float
    launch_sd_rad: float
    scale_px_per_mm: float
    spot_px_per_mm: float
    sentence: str


def expected_precision(calibration: Calibration) -> Precision:
    """Return what precision `calibration` allows on its lane, before any error of locating the ball."""
    reading_sd_m, launch_sd_rad = lane_sd(calibration)
    lane, table, camera = calibration.lane, calibration.table, calibration.camera
    at_scale = np.array([calibration.scale.zero_m, calibration.scale.line_y_m, table.rail_top_m])
    at_spot = np.array([lane.x_aim_m, lane.spot_y_m, calibration.ball.radius_m])
    scale_px, spot_px = (
        float(np.linalg.norm(camera.project_jacobian(point)[:, 0])) / 1000 for point in (at_scale, at_spot)
    )
    sentence = (
        f"This calibration fixes a reading at the rail to ±{mm_from_m(reading_sd_m):.2f} mm and a direction to "
        f"±{deg_from_rad(launch_sd_rad):.3f} degrees (one standard uncertainty, before any error of finding "
        f"the ball); 1 pixel is {1 / scale_px:.2f} mm across the lane at the scale and {1 / spot_px:.2f} mm "
        "at the spot."
    )
    return Precision(
        reading_sd_m=reading_sd_m,
        launch_sd_rad=launch_sd_rad,
        scale_px_per_mm=scale_px,
        spot_px_per_mm=spot_px,
        sentence=sentence,
    )


def lane_sd(calibration: Calibration) -> tuple[float, float]:
    """Return the standard uncertainties of reading (m) and direction (rad) of a ball rolling along the lane.

    The ball's centre is taken as seen without error in the image at the spot and where it meets the foot cushion;
    only the calibration is uncertain. First order: JCGM 100:2008 (GUM), 5.2.2, equation (13).
    """
    gradient = lane_gradient(calibration)
    variances = np.einsum("ij,jk,ik->i", gradient, calibration.cov, gradient)
    reading_sd_m, launch_sd_rad = np.sqrt(np.maximum(variances, 0))
    return float(reading_sd_m), float(launch_sd_rad)


def place_cov_m2(calibration: Calibration, place_px: Floats, *, z_m: float) -> Floats:
    """Covariance (2, 2) that the calibration gives a place seen without error, in m^2.

    Parameters
    ----------
    calibration : Calibration
        With its covariance.
    place_px : (2,) array
        The place in the image.
    z_m : float
        Its height above the cloth.
    """

    def xy_m(values: Floats) -> Floats:
        there: Floats = calibration.with_parameters(values).camera.onto_plane(place_px[None], z_m=z_m)[0]
        return there

    gradient = _gradient(xy_m, calibration.parameters)
    cov: Floats = gradient @ calibration.cov @ gradient.T
    return cov


def lane_gradient(calibration: Calibration) -> Floats:
    """Return the (2, 15) derivative of reading (m) and direction (rad) along the lane by the parameters."""
    lane, radius_m = calibration.lane, calibration.ball.radius_m
    contact_y_m = calibration.table.length_m - radius_m
    ends_m = np.array([[lane.x_aim_m, lane.spot_y_m, radius_m], [lane.x_aim_m, contact_y_m, radius_m]])
    ends_px = calibration.camera.project(ends_m)

    def reading_and_direction(values: Floats) -> Floats:
        other = calibration.with_parameters(values)
        start_m, end_m = other.camera.onto_plane(ends_px, z_m=radius_m)
        along = end_m - start_m
        return np.array([other.scale.reading_m(end_m, along), np.arctan2(along[0], along[1])])

    return _gradient(reading_and_direction, calibration.parameters)


def _gradient(function: Callable[[Floats], Floats], here: Floats) -> Floats:
    """Differentiate a function of the calibration's parameters by central differences."""
    columns = []
    for index, step in enumerate(_STEPS):
        shift = np.zeros_like(here)
        shift[index] = step
        columns.append((function(here + shift) - function(here - shift)) / (2 * step))
    return np.stack(columns, axis=1)
