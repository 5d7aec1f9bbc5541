"""The dome of a tip: its radius as stated, as usual, or as axis and stated contact tell it together."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats

# Nobody sees the dome from where the contact to the side is seen: from behind the foot rail the line of sight runs
# within 40 degrees of the cue, steeper than any dome is at its rim, so that the rim is the outline of flat and
# round ones alike. The roundest that a shaft of 12 mm takes is half a ball (6 mm), the flattest of usual shapes is
# that of a coin of 21 mm (10.6 mm: common practice, no source). 8 mm is the middle of the two in where they touch;
# worn and narrow tips, and such as are left flat, lie up to a few mm outside.
USUAL_RADIUS_M, USUAL_RADIUS_SD_M = 0.008, 0.0025
# A stated radius, measured with a gauge or beside a coin (common practice, no source).
STATED_SHARE = 0.1
# How far a shooter's contacts lie beside the mark: from shot to shot, and on average where no control shot shows it
# (common practice, no source).
HAND_SD_M = 0.0012
# Nearer to the middle an offset tells nothing of the dome.
LEAST_OFFSET_M = 0.004
# A mark that was set wrongly, or a hand that keeps off it, should not be taken for a dome: Student's t in place of
# the normal, of as many degrees of freedom as are usual for that (Lange et al. 1989, J. Am. Stat. Assoc. 84, 881,
# from memory).
T_DF = 4
_GRID = np.linspace(0.55, 0.95, 401)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tip:
    """The dome of a tip.

    Attributes
    ----------
    radius_m, radius_sd_m : float
        Its radius, and how well that is known.
    """

    radius_m: float
    radius_sd_m: float

    def share(self, ball_radius_m: float) -> float:
        """Contact over axis, R / (R + r): two spheres touch on the line of their centres."""
        return ball_radius_m / (ball_radius_m + self.radius_m)

    def share_sd(self, ball_radius_m: float) -> float:
        """Return the standard uncertainty of `share`."""
        return ball_radius_m / (ball_radius_m + self.radius_m) ** 2 * self.radius_sd_m


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenAxis:
    """Where one test shot's axis passed the ball's centre, and where its tip was meant to touch.

    Attributes
    ----------
    shooter : str
        Who shot it.
    axis_m : float
        Of the axis, to the right of the ball's centre.
    stated_m : float
        Stated offset of the point of contact.
    """

    shooter: str
    axis_m: float
    stated_m: float


def tip_of(radius_m: float, *, stated: bool) -> Tip:
    """Make the tip of a session; a radius that nobody stated is known less well."""
    return Tip(radius_m=radius_m, radius_sd_m=STATED_SHARE * radius_m if stated else USUAL_RADIUS_SD_M)


def tell_dome(
    usual: Tip,
    tests: Sequence[SeenAxis],
    controls: Mapping[str, Sequence[float]],
    *,
    ball_radius_m: float,
    offset_sd_m: float,
) -> Tip:
    """Say what axes and stated contacts together tell of the dome of one condition's tip.

    Parameters
    ----------
    usual : Tip
        What is known of it besides.
    tests : sequence of SeenAxis
        Shots of the condition.
    controls : mapping of str to sequence of float
        Axes of each shooter's centre-ball shots, beside the ball's centre, in m: what hand and camera do on average
        is the same in both.
    ball_radius_m : float
        Radius of the ball.
    offset_sd_m : float
        Standard uncertainty of the stated offset, common to all shots.

    Returns
    -------
    Tip
        `usual` where no shot is struck off the middle.

    Notes
    -----
    Axes lie farther out than contacts by (R + r)/R, so that their mean over that of the stated contacts tells r.
    The posterior of the share R/(R + r) on a grid: a normal prior times a t likelihood of the mean. It holds the
    mean contact near the stated one, no nearer than that was set; the contacts of single shots stay apart as they
    were seen.
    """
    off = [one for one in tests if abs(one.stated_m) > LEAST_OFFSET_M]
    if not off:
        return usual
    share, share_sd = usual.share(ball_radius_m), usual.share_sd(ball_radius_m)
    zeros = {one.shooter: _zero(controls.get(one.shooter, ())) for one in off}
    sides = np.array([math.copysign(1.0, one.stated_m) for one in off])
    out_m = sides * np.array([one.axis_m - zeros[one.shooter][0] for one in off])
    stated_m = sides * np.array([one.stated_m for one in off])
    # a shooter's zero counts as often as its shots do, and for nothing where both sides were struck alike
    zero_var = sum(
        (float(np.sum(sides[[one.shooter == name for one in off]])) / len(off) * sd) ** 2
        for name, (_, sd) in zeros.items()
    )
    scatter_m = _scatter(out_m - stated_m / share)
    sd_m = math.sqrt((offset_sd_m / share) ** 2 + zero_var + scatter_m**2 / len(off))
    away = (float(out_m.mean()) - float(stated_m.mean()) / _GRID) / sd_m
    log_likely = -(T_DF + 1) / 2 * np.log1p(away**2 / T_DF) - 0.5 * ((_GRID - share) / share_sd) ** 2
    weight: Floats = np.exp(log_likely - log_likely.max())
    weight /= weight.sum()
    mean = float(weight @ _GRID)
    sd = math.sqrt(float(weight @ (_GRID - mean) ** 2))
    return Tip(radius_m=ball_radius_m * (1 / mean - 1), radius_sd_m=sd * ball_radius_m / mean**2)


def _zero(axes_m: Sequence[float]) -> tuple[float, float]:
    """Mean axis of a shooter's control shots and its standard uncertainty; nought without any."""
    if not axes_m:
        return 0.0, HAND_SD_M
    return float(np.mean(axes_m)), _scatter(np.asarray(axes_m)) / math.sqrt(len(axes_m))


def _scatter(values_m: Floats) -> float:
    """Return the standard deviation from shot to shot, as usual where a few cannot show it."""
    n = len(values_m)
    seen2 = float(np.var(values_m, ddof=1)) if n > 1 else 0.0
    # as if five shots of the usual scatter had been seen before
    return math.sqrt((5 * HAND_SD_M**2 + (n - 1) * seen2) / (4 + n))
