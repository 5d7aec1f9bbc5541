"""Whether what was taken for the cue can have sent the ball where it went; a stick, a sleeve or a shadow cannot."""

import math
from dataclasses import dataclass

from analyze.fit.cue_place import CuePlace
from analyze.fit.reasons import CUE_AGAINST_BALL
from calibrate.errors import NotMeasured
from calibrate.units import deg_from_rad, mm_from_m

# Beyond this share of the ball's radius no tip grips: 0.57 for the highest friction of chalked leather, 0.7 (Cross
# 2008, from memory), and a little more.
MOST_CONTACT = 0.6
# The dome of a tip at its roundest, so that the axis may pass farthest inside; see `analyze.cue.tip_dome`.
LEAST_DOME_M, MOST_DOME_M = 0.004, 0.014
# A ball of so many times the mass of the cue's end: shafts have 20 to 100, a broom stick 6 (chosen, no source).
LEAST_MASS_RATIO = 6.0
SDS = 3.0
# What else turns a ball by a little: a hop, a speck of chalk, the camera's own tilt.
ALLOWED_RAD = math.radians(0.4)
# Speed of the cue over that of the ball: (1 + m/M + 5/2 (b/R)^2) / (1 + e), from 0.64 for a heavy cue and a hard
# tip to 1.5 for a light cue and a soft one far from the middle; some more for what a few frames make of a speed.
LEAST_SPEED_SHARE, MOST_SPEED_SHARE = 0.5, 1.8
# A tip goes where the cue points but for a degree or two; five are none (chosen, no source).
MOST_ASIDE = math.tan(math.radians(5.0))
# Tip and ball are seen to touch this exactly, and a row of the frame this long after or before its time.
END_SEEN_M, ROW_S = 0.04, 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Struck:
    """What became of the ball.

    Attributes
    ----------
    launch_rad, launch_sd_rad : float or None
        Its direction right after the strike.
    speed_m_s : float or None
        Its speed then.
    strike_s : float or None
        Time of the strike, on the clip's clock.
    ball_radius_m : float
        Its radius.
    """

    launch_rad: float | None
    launch_sd_rad: float | None
    speed_m_s: float | None
    strike_s: float | None
    ball_radius_m: float


def check_cue(cue: CuePlace | NotMeasured | None, struck: Struck) -> CuePlace | NotMeasured | None:
    """Refuse a cue that cannot have struck this ball.

    Parameters
    ----------
    cue : CuePlace, NotMeasured or None
        As placed.
    struck : Struck
        The ball.

    Returns
    -------
    CuePlace, NotMeasured or None
        The same, or why it is not believed.

    Notes
    -----
    A ball leaves to the side away from the contact, by no more than a heavy end gives: ``tan(squirt) =
    (5ab/2R^2) / (1 + m/m_e + 5a^2/2R^2)`` (rigid impulse, the form attributed to Shepard 2001). Three standard
    uncertainties of cue and launch are allowed. Before that its end must have come to the ball in time, at a speed
    that gives the ball's, and along itself.
    """
    if not isinstance(cue, CuePlace):
        return cue
    came_otherwise = _came_otherwise(cue, struck)
    if came_otherwise:
        return NotMeasured(CUE_AGAINST_BALL, came_otherwise)
    if not cue.is_seen("side_m"):
        return cue
    launch_rad, launch_sd_rad, ball_radius_m = struck.launch_rad, struck.launch_sd_rad, struck.ball_radius_m
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


def _came_otherwise(cue: CuePlace, struck: Struck) -> str:
    """Say what of its motion does not fit the ball's; empty where all does, or nothing is known of it."""
    if struck.speed_m_s is None or struck.strike_s is None:
        return ""
    fastest = MOST_SPEED_SHARE * struck.speed_m_s
    if cue.speed_m_s is not None and cue.speed_sd_m_s is not None:
        slack = SDS * cue.speed_sd_m_s
        if not LEAST_SPEED_SHARE * struck.speed_m_s - slack < cue.speed_m_s < fastest + slack:
            return f"it came at {cue.speed_m_s:.1f} m/s and the ball left at {struck.speed_m_s:.1f} m/s"
        fastest = min(fastest, cue.speed_m_s + slack)
    if cue.sideways_m_s is not None and cue.sideways_sd_m_s is not None:
        aside = abs(cue.sideways_m_s) - SDS * cue.sideways_sd_m_s
        if aside > MOST_ASIDE * fastest:
            return f"it moved aside at {abs(cue.sideways_m_s):.2f} m/s"
    if cue.end_m is not None and cue.last_s is not None:
        before_s = max(struck.strike_s - cue.last_s, 0.0)
        if cue.end_m > struck.ball_radius_m + END_SEEN_M + fastest * (before_s + ROW_S):
            return (
                f"its end was {mm_from_m(cue.end_m):.0f} mm behind the ball {1000 * before_s:.0f} ms before the "
                "strike"
            )
    return ""


def _most_squirt_rad(ratio: float) -> float:
    """Squirt at a contact of so many radii, for the heaviest end; it has the sign of the contact."""
    a = math.sqrt(1 - ratio**2)
    return math.atan(2.5 * a * ratio / (1 + LEAST_MASS_RATIO + 2.5 * a * a))
