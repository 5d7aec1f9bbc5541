"""The rail scale: where its ticks lie on the table, and what a crossing of its line reads."""

import math
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats


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
        along = np.array([math.cos(self.skew_rad), math.sin(self.skew_rad)])
        gap = np.array([self.zero_m, self.line_y_m]) - point_m
        cross = direction[0] * along[1] - direction[1] * along[0]
        if cross == 0:
            raise ValueError("direction must not run along the scale")
        # point + s direction = zero + t along, solved for t by Cramer's rule
        t = (gap[0] * direction[1] - gap[1] * direction[0]) / cross
        return float(t) / (1 + self.stretch)
