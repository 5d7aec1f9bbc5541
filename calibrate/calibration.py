"""What one calibration gives: the camera, the rail scale as it lies, and how well they are known together."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calibrate.arrays import Floats, readonly
from calibrate.camera import CAMERA_PARAMETERS, Camera
from calibrate.errors import NotMeasured
from calibrate.scale import RailScale
from calibrate.table import Ball, Lane, Table

CALIBRATION_PARAMETERS = (
    *CAMERA_PARAMETERS,
    "rail_top_m",
    "scale_zero_m",
    "scale_skew_rad",
    "scale_stretch",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkResidual:
    """How one mark fits the calibration.

    Attributes
    ----------
    name : str
        The mark, as in marks.csv.
    click_px : tuple of float
        (u, v) where the hand put it.
    used_px : tuple of float
        (u, v) that the solver used: the snapped place, or the click where the picture did not support a snap.
    residual_px : tuple of float
        (u, v) of used place minus projected mark.
    sigma_px : float
        Standard uncertainty that the solver gave the place (the larger of the two directions).
    snapped : bool
        Whether the click was snapped to the picture.
    influence : float
        Share of its own place that this mark decides (leverage, 0 to 1).
    used : bool
        False for a mark that was left out as wrong.
    note : str
        Why it was not snapped or not used; may be empty.
    """

    name: str
    click_px: tuple[float, float]
    used_px: tuple[float, float]
    residual_px: tuple[float, float]
    sigma_px: float
    snapped: bool
    influence: float
    used: bool
    note: str = ""


@dataclass(frozen=True, eq=False, kw_only=True)
class Calibration:
    """Camera and rail scale, solved together from the marks.

    Attributes
    ----------
    camera : Camera
        The camera of the session.
    table : Table
        The table, with the rail-top height as solved.
    lane : Lane
        The line of aim and the cue-ball spot.
    ball : Ball
        The cue ball.
    scale : RailScale
        The scale as it lies.
    cov : (15, 15) float64
        Joint covariance of the values in the order of `CALIBRATION_PARAMETERS`, in the squares of their units.
    residuals : tuple of MarkResidual
        One for each mark clicked.
    residual_px : float
        Root mean square residual of the marks used, per coordinate.
    doubts : tuple of NotMeasured
        What is wrong with the set-up as stated, so that no shot measured with it is to be trusted; see
        `calibrate.stated`.
    """

    camera: Camera
    table: Table
    lane: Lane
    ball: Ball
    scale: RailScale
    cov: Floats
    residuals: tuple[MarkResidual, ...] = ()
    residual_px: float = 0.0
    doubts: tuple[NotMeasured, ...] = ()

    def __post_init__(self) -> None:
        """Check and freeze the covariance."""
        n = len(CALIBRATION_PARAMETERS)
        object.__setattr__(self, "cov", readonly("cov", self.cov, (n, n)))

    @cached_property
    def parameters(self) -> Floats:
        """(15,) values in the order of `CALIBRATION_PARAMETERS`."""
        scale = self.scale
        return np.concatenate(
            [
                self.camera.parameters,
                [self.table.rail_top_m, scale.zero_m, scale.skew_rad, scale.stretch],
            ]
        )

    def with_parameters(self, values: Floats) -> "Calibration":
        """Return this calibration with other values, in the order of `CALIBRATION_PARAMETERS`; shape (15,)."""
        n = len(CAMERA_PARAMETERS)
        rail_top_m, zero_m, skew_rad, stretch = (float(v) for v in values[n:])
        return replace(
            self,
            camera=self.camera.with_parameters(values[:n]),
            table=replace(self.table, rail_top_m=rail_top_m),
            scale=replace(self.scale, zero_m=zero_m, skew_rad=skew_rad, stretch=stretch),
        )
