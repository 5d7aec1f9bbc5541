"""Whether what was taken for the cue can have sent the ball where it went; a stick, a sleeve or a shadow cannot."""

import math

from analyze.fit.cue_place import CuePlace
from analyze.fit.reasons import CUE_AGAINST_BALL
from calibrate.errors import NotMeasured
from calibrate.units import deg_from_rad, mm_from_m

# Beyond this share of the ball's radius no tip grips: 0.57 for the highest friction of chalked leather, 0.7 (Cross
# 2008, from memory); a contact that is seen with an error of 3 mm besides.
MOST_CONTACT = 0.7
# The dome of a tip at its roundest, so that the axis may pass farthest inside; see `analyze.cue.tip_dome`.
LEAST_DOME_M, MOST_DOME_M = 0.004, 0.014
# A ball of so many times the mass of the cue's end: shafts have 20 to 100, a broom stick 6 (chosen, no source).
LEAST_MASS_RATIO = 6.0
SDS = 3.0
# What else turns a ball by a little: a hop, a speck of chalk, the camera's own tilt.
ALLOWED_RAD = math.radians(0.4)


def check_cue(
    cue: CuePlace | NotMeasured | None,
    *,
    launch_rad: float | None,
    launch_sd_rad: float | None,
    ball_radius_m: float,
) -> CuePlace | NotMeasured | None:
    """Refuse a cue that cannot have struck this ball.

    Parameters
    ----------
    cue : CuePlace, NotMeasured or None
        As placed.
    launch_rad, launch_sd_rad : float or None
        Direction of the ball right after the strike.
    ball_radius_m : float
        Its radius.

    Returns
    -------
    CuePlace, NotMeasured or None
        The same, or why it is not believed.

    Notes
    -----
    A ball leaves to the side away from the contact, by no more than a heavy end gives: ``tan(squirt) =
    (5ab/2R^2) / (1 + m/m_e + 5a^2/2R^2)`` (rigid impulse, the form attributed to Shepard 2001). Three standard
    uncertainties of cue and launch are allowed.
    """
    if not isinstance(cue, CuePlace) or not cue.is_seen("side_m"):
        return cue
    axis_m, axis_sd_m = cue.value("side_m"), cue.sd("side_m")
    least_m = max(0.0, abs(axis_m) - SDS * axis_sd_m) / (ball_radius_m + MOST_DOME_M)
    if least_m > MOST_CONTACT:
        return NotMeasured(
            CUE_AGAINST_BALL, f"its axis passes the middle of the ball by {mm_from_m(abs(axis_m)):.0f} mm"
        )
    if launch_rad is None or launch_sd_rad is None or not cue.is_seen("cue_rad"):
        return cue
    off = launch_rad - cue.value("cue_rad")
    allowed = ALLOWED_RAD + SDS * math.hypot(launch_sd_rad, cue.sd("cue_rad"))
    # towards the contact nothing sends it; away from it a heavy end, at the farthest contact that may be
    ends = [(axis_m + sign * SDS * axis_sd_m) / (ball_radius_m + LEAST_DOME_M) for sign in (-1, 1)]
    low, high = sorted(-_most_squirt_rad(min(max(end, -MOST_CONTACT), MOST_CONTACT)) for end in ends)
    if min(low, 0.0) - allowed <= off <= max(high, 0.0) + allowed:
        return cue
    return NotMeasured(
        CUE_AGAINST_BALL,
        f"the ball left {deg_from_rad(off):+.1f} degrees from it, struck {mm_from_m(abs(axis_m)):.0f} mm to the "
        f"{'right' if axis_m > 0 else 'left'}",
    )


def _most_squirt_rad(ratio: float) -> float:
    """Squirt at a contact of so many radii, for the heaviest end; it has the sign of the contact."""
    a = math.sqrt(1 - ratio**2)
    return math.atan(2.5 * a * ratio / (1 + LEAST_MASS_RATIO + 2.5 * a * a))
