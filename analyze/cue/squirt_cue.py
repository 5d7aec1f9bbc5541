"""Squirt from the cue's own line: launch direction less the direction of the cue, against the control shots."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analyze.cue.squirt import (
    ControlZero,
    Squirt,
    common_launch_sd_rad,
    mean_direction,
    own_launch_sd_rad,
    placed_zero,
)
from analyze.cue.tip_dome import Tip
from analyze.fit.cue_place import CuePlace
from analyze.fit.shot import Shot

# How far the squirt of centre-ball shots scatters because the tip strikes a millimetre beside the centre, one
# standard deviation: common practice, no source. Used only where a single control shot cannot show its own scatter.
CONTROL_SQUIRT_SD_RAD = math.radians(0.15)
FROM_CUE_ITSELF = (
    "no control shots with the cue seen: counted from the cue's line itself, errors of the camera included"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """Where the tip touched the ball, at right angles to the cue.

    Attributes
    ----------
    side_m, side_sd_m : float or None
        To the right of the plane through the ball's centre along the cue; None where it was not seen.
    side_own_sd_m : float or None
        The part of that uncertainty that other shots of the same shooter and tip do not share.
    up_m, up_sd_m : float or None
        Above the ball's centre.
    """

    side_m: float | None
    side_sd_m: float | None
    side_own_sd_m: float | None
    up_m: float | None
    up_sd_m: float | None


def contact_of(cue: CuePlace, *, tip: Tip, ball_radius_m: float) -> Contact:
    """Find the point of contact from the place of the cue's axis.

    Parameters
    ----------
    cue : CuePlace
        The axis.
    tip : Tip
        The dome.
    ball_radius_m : float
        Radius of the ball.

    Returns
    -------
    Contact
        With the uncertainty of the dome's radius in it.
    """
    share, share_sd = tip.share(ball_radius_m), tip.share_sd(ball_radius_m)

    def touched(name: str) -> tuple[float | None, float | None]:
        if not cue.is_seen(name):
            return None, None
        return cue.value(name) * share, math.hypot(cue.sd(name) * share, cue.value(name) * share_sd)

    (side_m, side_sd_m), (up_m, up_sd_m) = touched("side_m"), touched("up_m")
    own_m = None if side_m is None else cue.own_sd("side_m") * share
    return Contact(side_m=side_m, side_sd_m=side_sd_m, side_own_sd_m=own_m, up_m=up_m, up_sd_m=up_sd_m)


def cue_zero(controls: Sequence[Shot]) -> ControlZero | None:
    """Find the mean of launch less cue direction over a shooter's control shots.

    Parameters
    ----------
    controls : sequence of Shot
        Centre-ball shots of one shooter in one set-up; those without a cue are passed over.

    Returns
    -------
    ControlZero or None
        None where the cue's direction was seen in none of them.

    Notes
    -----
    What camera, lens and the shooter's usual slope do to the direction is the same in controls and tests, and falls
    out with this mean. Its standard uncertainty is from the scatter of the shots (GUM, 4.2.3), and never less than
    their own errors allow.
    """
    seen = [(shot, off) for shot in controls if (off := _off_cue(shot)) is not None]
    zero = mean_direction([off for _, off in seen], single_sd_rad=CONTROL_SQUIRT_SD_RAD)
    shots = [shot for shot, _ in seen]
    return None if zero is None else placed_zero(zero, shots, [_common_off_cue_sd_rad(shot) for shot in shots])


def squirt_cue_of(shot: Shot, zero: ControlZero | None) -> Squirt | None:
    """Squirt of one shot from the line of its own cue.

    Parameters
    ----------
    shot : Shot
        The shot.
    zero : ControlZero or None
        From `cue_zero` of its shooter.

    Returns
    -------
    Squirt or None
        None where launch or cue direction is not known.
    """
    off, cue = _off_cue(shot), shot.cue
    if off is None or not isinstance(cue, CuePlace):
        return None
    value, own_sd = off
    if zero is not None:
        common = None if zero.serves(shot) else math.hypot(_common_off_cue_sd_rad(shot), zero.common_sd_rad)
        return Squirt(
            squirt_rad=value - zero.zero_rad,
            sd_rad=math.hypot(own_sd, zero.sd_rad, common or 0.0),
            common_sd_rad=common,
        )
    sd = math.hypot(shot.launch_sd_rad or 0.0, cue.sd("cue_rad"))
    return Squirt(squirt_rad=value, sd_rad=sd, note=FROM_CUE_ITSELF)


def own_squirt_cue_sd_rad(shot: Shot) -> float | None:
    """Give the uncertainty of launch less cue in rad, without what a shooter's shots share; None without a cue."""
    off = _off_cue(shot)
    return None if off is None else off[1]


def _off_cue(shot: Shot) -> tuple[float, float] | None:
    """Launch less cue direction, and its uncertainty without what controls and tests share."""
    cue = shot.cue
    if shot.launch_rad is None or not isinstance(cue, CuePlace) or not cue.is_seen("cue_rad"):
        return None
    return shot.launch_rad - cue.value("cue_rad"), math.hypot(own_launch_sd_rad(shot), cue.own_sd("cue_rad"))


def _common_off_cue_sd_rad(shot: Shot) -> float:
    """Give what launch less cue shares in all shots from a camera place, as if nothing turned both alike."""
    cue = shot.cue
    if not isinstance(cue, CuePlace):
        return common_launch_sd_rad(shot)
    of_cue = math.sqrt(max(0.0, cue.sd("cue_rad") ** 2 - cue.own_sd("cue_rad") ** 2))
    return math.hypot(common_launch_sd_rad(shot), of_cue)
