"""Intervals of what follows from a squirt by formulas that are not linear: end mass, pivot lengths, deflection.

Monte Carlo propagation of distributions (JCGM 101:2008): values of squirt and tip offset are drawn from what is
known of them, put through the formulas, and the interval cuts off equally likely ends of what comes out. First-
order propagation would give intervals symmetric about values whose distribution is lopsided: end mass goes to
zero, and pivot lengths to infinity, as squirt goes to zero.
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import special
from scipy.stats import qmc

from analyze.cue.end_mass import mass_ratios
from analyze.cue.mean_squirt import MeanSquirt
from calibrate.arrays import Floats
from calibrate.units import rad_from_deg

DRAWS_LOG2 = 14  # 16,384 Sobol points: ends of intervals are then right to some 0.003 of their width
_SEED = 20240611
_MOST_RATIO = 0.999  # of the ball's radius: beyond it no tip meets the ball
METHOD = "Monte Carlo (JCGM 101:2008)"


@lru_cache(maxsize=1)
def _points() -> Floats:
    """Evenly spread points of the unit square, the same every time."""
    points = qmc.Sobol(2, rng=np.random.default_rng(_SEED)).random_base2(DRAWS_LOG2)
    return np.clip(points, 1e-9, 1 - 1e-9)


class SquirtDraws:
    """Values that squirt and contact offset may have, and intervals of what follows from them.

    Parameters
    ----------
    mean : MeanSquirt
        Squirt; it must have a standard uncertainty.
    contact_mm, contact_sd_mm : float
        Offset of the point of contact, positive to the right, and its standard uncertainty.
    radius_mm : float
        Of the ball.
    confidence : float
        Of the intervals.
    """

    def __init__(
        self, mean: MeanSquirt, *, contact_mm: float, contact_sd_mm: float, radius_mm: float, confidence: float
    ) -> None:
        points = _points()
        side = np.copysign(1.0, contact_mm)
        offset_mm = abs(contact_mm) + contact_sd_mm * special.ndtri(points[:, 1])
        self.radius_mm = radius_mm
        self.ratio = np.clip(offset_mm / radius_mm, 1 - _MOST_RATIO, _MOST_RATIO)
        self.away_rad = rad_from_deg(1.0) * -side * mean.draws_deg(points[:, 0])
        self._tails = np.array([(1 - confidence) / 2, (1 + confidence) / 2])

    def end_mass(self, ball_mass: float) -> tuple[float | None, float | None]:
        """Interval of the end mass, in the unit of the ball's mass; without an upper end where none is excluded."""
        with np.errstate(divide="ignore"):
            ratios = mass_ratios(self.ratio, self.away_rad)
        # Squirt at zero or to the other side: no end takes part, as if it had no mass.
        ratios = np.where(self.away_rad > 0, ratios, np.inf)
        least, most = self._ends(ratios)
        return ball_mass / most, ball_mass / least if least > 0 else None

    def pivot_mm(self, definition: str) -> tuple[float | None, float | None]:
        """Interval of a pivot length by one of `PIVOT_FORMULAS`; without an upper end where none is excluded."""
        away = self.away_rad > 0
        lengths = self.radius_mm * _PIVOTS[definition](self.ratio, np.where(away, self.away_rad, 1.0))
        low, high = self._ends(np.where(away, lengths, np.inf))
        return (low if np.isfinite(low) else None), (high if np.isfinite(high) else None)

    def deflection_mm(self, offset_ratio: float, distance_mm: float) -> tuple[float | None, float | None]:
        """Interval of the size of the deflection restated at another offset, away from the tip positive."""
        a = np.sqrt(1 - offset_ratio**2)
        with np.errstate(divide="ignore"):
            below = mass_ratios(self.ratio, self.away_rad) + 1 + 2.5 * a * a
        shift = distance_mm * 2.5 * a * offset_ratio / below
        # A squirt larger than any end mass gives has no counterpart elsewhere.
        shift = np.where((self.away_rad > 0) & (below <= 0), np.inf, shift)
        low, high = self._ends(shift)
        return (low if np.isfinite(low) else None), (high if np.isfinite(high) else None)

    def _ends(self, values: Floats) -> tuple[float, float]:
        # "lower" and "higher": between a number and infinity nothing can be interpolated.
        low = float(np.quantile(values, self._tails[0], method="lower"))
        return low, float(np.quantile(values, self._tails[1], method="higher"))


_PIVOTS: dict[str, Callable[[Floats, Floats], Floats]] = {
    "ball centre": lambda ratio, angle: ratio / np.sin(angle),
    "beside the ball centre": lambda ratio, angle: ratio / np.tan(angle),
    "tip contact": lambda ratio, angle: ratio / np.tan(angle) - np.sqrt(1 - ratio**2),
}
