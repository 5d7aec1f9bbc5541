"""The cue's axis in space at the strike, from its line in the picture: direction, slope, place beside the ball."""

import math
from dataclasses import dataclass

import numpy as np

from analyze.fit.budget import central_differences
from analyze.fit.reasons import CUE_TOWARDS_CAMERA
from calibrate.arrays import Floats, readonly
from calibrate.calibration import Calibration
from calibrate.camera import Camera
from calibrate.errors import NotMeasured
from tracker.path import BallPath, CueSight

CUE_PARAMETERS = ("cue_rad", "slope_rad", "side_m", "up_m")
# What is known of a cue before it is seen. It clears the rail behind it, and is held as flat as that allows: slopes
# of 2 to 6 degrees from a spot 0.76 m behind the head rail (common practice, no source).
LEAST_SLOPE_RAD, ABOVE_LEAST_RAD = math.radians(1.0), math.radians(2.3)
BUTT_RADIUS_M = 0.012
# Shooter by shooter and shot by shot (common practice, no source): what the shots of one shooter share drops out of
# squirt, their own does not.
BETWEEN_SDS = np.array([math.radians(0.5), math.radians(1.3), 0.015, 0.006])
WITHIN_SDS = np.array([math.radians(1.5), math.radians(0.6), 0.015, 0.003])
# A quantity is seen where the picture leaves less of what was known before than this share.
SEEN_SHARE = 0.5
MOST_CUE_SD_RAD = math.radians(0.6)
STEPS = 5
# A ball on the cloth is at its radius to this (dust, nap).
HEIGHT_SD_M = 0.0003


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CuePlace:
    """The axis of the cue at the strike.

    Attributes
    ----------
    values : (4,) float64
        In the order of `CUE_PARAMETERS`: direction seen from above, from the lane, positive to the right; slope,
        positive with the butt up; how far the AXIS passes the ball's centre to the right of it, and above it, at
        right angles to the axis.
    cov : (4, 4) float64
        Their covariance.
    own_cov : (4, 4) float64
        The part of it that the shots of one shooter in one set-up do not share.
    seen : (4,) float64
        1 where the picture told the quantity, 0 where it is what was assumed.
    frames : int
        Frames in which the cue was seen.
    speed_m_s, speed_sd_m_s : float or None
        Speed of the tip at the strike, along the cue; None where it was not seen.
    sideways_m_s, sideways_sd_m_s : float or None
        Speed of the axis at the ball, across the cue and to the right; None where it was not seen.
    last_s, end_m : float or None
        Time of the last frame in which it was seen, and how far behind the ball's centre it began there; None where
        it reached as near to the ball as is to be seen.
    """

    values: Floats
    cov: Floats
    own_cov: Floats
    seen: Floats
    frames: int
    speed_m_s: float | None = None
    speed_sd_m_s: float | None = None
    sideways_m_s: float | None = None
    sideways_sd_m_s: float | None = None
    last_s: float | None = None
    end_m: float | None = None

    def __post_init__(self) -> None:
        """Check and freeze the arrays."""
        for name, shape in (("values", (4,)), ("cov", (4, 4)), ("own_cov", (4, 4)), ("seen", (4,))):
            object.__setattr__(self, name, readonly(name, getattr(self, name), shape))

    def value(self, name: str) -> float:
        """One of `CUE_PARAMETERS`."""
        return float(self.values[CUE_PARAMETERS.index(name)])

    def sd(self, name: str) -> float:
        """Its standard uncertainty."""
        i = CUE_PARAMETERS.index(name)
        return math.sqrt(self.cov[i, i])

    def own_sd(self, name: str) -> float:
        """Its standard uncertainty without what the shooter's other shots share."""
        i = CUE_PARAMETERS.index(name)
        return math.sqrt(self.own_cov[i, i])

    def is_seen(self, name: str) -> bool:
        """Whether the picture told it."""
        return bool(self.seen[CUE_PARAMETERS.index(name)])


def place_cue(path: BallPath, calibration: Calibration) -> CuePlace | NotMeasured | None:
    """Place the axis of the cue in space.

    Parameters
    ----------
    path : BallPath
        With the cue as it was seen, and the ball at rest.
    calibration : Calibration
        Camera, table and ball.

    Returns
    -------
    CuePlace, NotMeasured or None
        None where nobody looked for the cue.

    Notes
    -----
    A line in one picture gives the plane through camera and axis: two of the four numbers that place a line. The
    other two come from what is known before (`BETWEEN_SDS`, `WITHIN_SDS`), by least squares; their uncertainty
    travels on into the two that are seen. From the foot rail or from above, direction and place beside the ball are
    seen; from the side, slope and height.
    """
    sight = path.cue
    if not isinstance(sight, CueSight):
        return sight
    return place_axis(sight, calibration, rest_px=path.rest_px, rest_cov_px2=path.rest_cov_px2)


def place_axis(
    sight: CueSight, calibration: Calibration, *, rest_px: Floats, rest_cov_px2: Floats
) -> CuePlace | NotMeasured:
    """Place a sighted axis in space: see `place_cue`.

    Parameters
    ----------
    sight : CueSight
        The line in the picture.
    calibration : Calibration
        Camera, table and ball.
    rest_px, rest_cov_px2 : (2,) and (2, 2) array
        Image of the resting ball's centre, and its covariance.
    """
    radius_m = calibration.ball.radius_m
    mean = np.array([0.0, expected_slope_rad(calibration), 0.0, 0.0])
    between, within = np.diag(BETWEEN_SDS**2), np.diag(WITHIN_SDS**2)
    known = np.linalg.inv(between + within)
    sds = np.sqrt(np.linalg.eigvalsh(sight.across_cov_px2))
    weight = np.linalg.inv(sight.across_cov_px2 + 1e-6 * np.eye(2) * sds.max() ** 2)

    camera = calibration.camera
    n = len(camera.parameters)
    inputs = np.concatenate([camera.parameters, rest_px, [radius_m]])

    def across_px(values: Floats, at: Floats) -> Floats:
        """How far the axis passes the sighted points, for a camera, a resting place in the image and its height."""
        seen_by = camera.with_parameters(at[:n])
        x_m, y_m = seen_by.onto_plane(at[None, n : n + 2], z_m=float(at[n + 2]))[0]
        return _across_px(values, np.array([x_m, y_m, at[n + 2]]), sight, seen_by)

    centre_m = np.array([*camera.onto_plane(rest_px[None], z_m=radius_m)[0], radius_m])

    def passes_px(values: Floats) -> Floats:
        """Return the same for camera, resting place and height as they are."""
        return _across_px(values, centre_m, sight, camera)

    found, slope = mean, np.zeros((2, 4))
    gain: Floats = np.asarray(np.linalg.inv(known), dtype=np.float64)
    for _ in range(STEPS):
        slope = central_differences(passes_px, found, _DIFFERENCES)
        gain = np.asarray(np.linalg.inv(slope.T @ weight @ slope + known), dtype=np.float64)
        found = found - gain @ (slope.T @ weight @ passes_px(found) + known @ (found - mean))
    if not np.isfinite(found).all():
        return NotMeasured(CUE_TOWARDS_CAMERA, "no axis in space has that image")
    by_pixels = gain @ slope.T @ weight
    by_known = gain @ known
    camera_cov = calibration.cov[:n, :n]
    spans = np.concatenate([np.sqrt(np.diag(camera_cov)), np.sqrt(np.diag(rest_cov_px2)), [HEIGHT_SD_M]])
    steps = 0.3 * np.maximum(spans, 1e-9)
    # the solution follows its inputs as the place of the line does
    by_inputs = -by_pixels @ central_differences(lambda at: across_px(found, at), inputs, steps)
    by_camera, by_rest, by_height = by_inputs[:, :n], by_inputs[:, n : n + 2], by_inputs[:, n + 2 :]
    own = (
        by_pixels @ sight.across_cov_px2 @ by_pixels.T
        + by_known @ within @ by_known.T
        + by_rest @ rest_cov_px2 @ by_rest.T
        + by_height @ by_height.T * HEIGHT_SD_M**2
    )
    cov = own + by_known @ between @ by_known.T + by_camera @ camera_cov @ by_camera.T
    before = np.sqrt(np.diag(between + within))
    after = np.sqrt(np.diag(cov))
    seen = after < SEEN_SHARE * before
    if after[0] > MOST_CUE_SD_RAD:
        seen[[0, 2]] = False
    if not seen.any():
        return NotMeasured(CUE_TOWARDS_CAMERA, f"direction good to {math.degrees(after[0]):.1f} degrees only")
    return CuePlace(
        values=found,
        cov=cov,
        own_cov=own,
        seen=seen.astype(np.float64),
        frames=sight.frames,
        speed_m_s=sight.speed_m_s,
        speed_sd_m_s=sight.speed_sd_m_s,
        sideways_m_s=sight.sideways_m_s if seen[2] else None,
        sideways_sd_m_s=sight.sideways_sd_m_s if seen[2] else None,
        last_s=sight.last_s,
        end_m=sight.end_m,
    )


# Steps of the numerical derivatives: a hundredth of a degree, a tenth of a millimetre.
_DIFFERENCES = np.array([2e-4, 2e-4, 1e-4, 1e-4])


def expected_slope_rad(calibration: Calibration) -> float:
    """Slope of a cue that lies over the rail behind the spot as flat as people hold it."""
    table, lane = calibration.table, calibration.lane
    least = math.atan2(table.rail_top_m + BUTT_RADIUS_M - calibration.ball.radius_m, lane.spot_y_m)
    return max(least, LEAST_SLOPE_RAD) + ABOVE_LEAST_RAD


def axis_of(values: Floats, centre_m: Floats) -> tuple[Floats, Floats]:
    """Return a point of the axis and its direction (forwards), table frame.

    Parameters
    ----------
    values : (4,) array
        In the order of `CUE_PARAMETERS`.
    centre_m : (3,) array
        The ball's centre.
    """
    turn, slope, side_m, up_m = values
    right = np.array([math.cos(turn), -math.sin(turn), 0.0])
    ahead = np.array([math.sin(turn), math.cos(turn), 0.0])
    forward = math.cos(slope) * ahead - math.sin(slope) * np.array([0.0, 0.0, 1.0])
    up = np.cross(right, forward)
    return centre_m + side_m * right + up_m * up, forward


def _across_px(values: Floats, centre_m: Floats, sight: CueSight, camera: Camera) -> Floats:
    """How far the image of an axis passes the two sighted points, across the sighted line, (2,) in px."""
    point_m, forward = axis_of(values, centre_m)
    sighted_px = np.stack([sight.near_px, sight.far_px])
    rays = camera.rays(sighted_px)
    # the point of the axis that is nearest to each line of sight
    from_camera = point_m - camera.position_m
    dot = rays @ forward
    reach = (dot * (rays @ from_camera) - forward @ from_camera) / (1 - dot**2)
    nearest_px = camera.project(point_m + reach[:, None] * forward)
    along = sight.far_px - sight.near_px
    across = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    return np.asarray((nearest_px - sighted_px) @ across, dtype=np.float64)
