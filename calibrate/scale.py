"""The rail scale: where its ticks lie on the table, and what a crossing of its line reads."""

import math
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats
from calibrate.units import mm_from_m


@dataclass(frozen=True, slots=True, kw_only=True)
class RailScale:
    """A ruler laid on the foot rail across the lane, its ticks meeting the reading line.

    Attributes
    ----------
    line_y_m : float
        y of the reading line at the zero tick, table frame.
    zero_m : float
        x of the zero tick, table frame.
    skew_rad : float
        Turn of the reading line against the foot rail, positive when its right end lies farther from the shooter.
    stretch : float
        True length of one printed unit over its nominal length, minus one (paper and printers are not exact).
    unit_m : float
        Nominal length of one unit of the numbers on the scale.
    """

    line_y_m: float
    zero_m: float
    skew_rad: float = 0.0
    stretch: float = 0.0
    unit_m: float = 0.0254

    def tick_xy_m(self, number: float) -> tuple[float, float]:
        """Where tick `number` meets the reading line: (x, y), table frame, in m."""
        x_m, y_m = self.ticks_xy_m(np.array([number]))[0]
        return float(x_m), float(y_m)

    def ticks_xy_m(self, numbers: Floats) -> Floats:
        """Where ticks meet the reading line: (N, 2) places of the (N,) `numbers`, table frame, in m."""
        along_m = numbers * self.unit_m * (1 + self.stretch)
        return np.stack(
            [
                self.zero_m + along_m * math.cos(self.skew_rad),
                self.line_y_m + along_m * math.sin(self.skew_rad),
            ],
            axis=-1,
        )

    def reading_m(self, point_m: Floats, direction: Floats) -> float:
        """Return what the scale reads where a straight line crosses its reading line.

        Parameters
        ----------
        point_m : (2,) array
            A point of the line, table frame, in m.
        direction : (2,) array
            Its direction (any length), table frame.

        Returns
        -------
        float
            In m of the scale's own nominal unit, positive to the shooter's right.

        Raises
        ------
        ValueError
            If the line runs along the scale.
        """
        return float(self.readings_m(point_m, direction))

    def readings_m(self, points_m: Floats, directions: Floats) -> Floats:
        """Return what `reading_m` does, of many lines at once: (..., 2) and (..., 2) to (...)."""
        along = np.array([math.cos(self.skew_rad), math.sin(self.skew_rad)])
        gap = np.array([self.zero_m, self.line_y_m]) - points_m
        cross = directions[..., 0] * along[1] - directions[..., 1] * along[0]
        if np.any(cross == 0):
            raise ValueError("direction must not run along the scale")
        # point + s direction = zero + t along, solved for t by Cramer's rule
        t: Floats = (gap[..., 0] * directions[..., 1] - gap[..., 1] * directions[..., 0]) / cross
        return t / (1 + self.stretch)


def scale_notices(
    scale: RailScale, *, aim_m: float, zero_sd_m: float, skew_sd_rad: float, stretch_sd: float
) -> tuple[str, ...]:
    """Say in sentences how the scale lies otherwise than it was meant to; empty if it lies well.

    Parameters
    ----------
    scale : RailScale
        As solved.
    aim_m : float
        x where its zero was meant to lie, table frame.
    zero_sd_m, skew_sd_rad, stretch_sd : float
        Standard uncertainties of the solved values.

    Notes
    -----
    A difference is named when it is above two standard uncertainties and matters to a reader of the scale: 1 mm at
    the zero, 1 mm over 300 mm askew, 1 mm over 300 mm of length.
    """
    sentences = []
    off_m = scale.zero_m - aim_m
    if abs(off_m) > max(2 * zero_sd_m, 0.001):
        side = "right" if off_m > 0 else "left"
        sentences.append(
            f"The scale's zero lies {mm_from_m(abs(off_m)):.1f} mm to the {side} of the line of aim; readings are "
            "counted from the zero as it lies."
        )
    if abs(scale.skew_rad) > max(2 * skew_sd_rad, 0.001 / 0.3):
        end = "right" if scale.skew_rad > 0 else "left"
        sentences.append(
            f"The scale lies askew: over 300 mm its {end} end is {300 * abs(scale.skew_rad):.1f} mm farther from "
            "the shooter; this is allowed for."
        )
    if abs(scale.stretch) > max(2 * stretch_sd, 0.001 / 0.3):
        longer = "longer" if scale.stretch > 0 else "shorter"
        sentences.append(
            f"The scale's units are {100 * abs(scale.stretch):.2f} % {longer} than printed units ought to be; "
            "this is allowed for, but check that it was printed at true size."
        )
    return tuple(sentences)
