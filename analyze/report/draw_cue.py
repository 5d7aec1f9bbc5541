"""The cue drawn into pictures: its axis at the strike, from the tip back along the shaft, and where it touched."""

import math

import numpy as np

from analyze.cue.squirt_cue import contact_of
from analyze.cue.tip_dome import Tip
from analyze.fit.cue_place import CuePlace, axis_of
from analyze.fit.shot import Shot
from analyze.report.pens import CUE, Image, draw_dot, draw_line
from analyze.report.words import angle, number
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.units import deg_from_rad, mm_from_m

COVERAGE = 1.959964  # of a 95 % interval, in standard uncertainties
LEGEND = ("axis of the cue; dot: contact", CUE)
_SHAFT_M = 0.6  # drawn of the cue: about what lies before the bridge hand and the sleeve
_DOT_RADIUS = 4.0


def draw_cue(image: Image, calibration: Calibration, shot: Shot, tip: Tip) -> None:
    """Draw the axis of the cue and the point of contact, in place; nothing where the cue was not seen.

    Parameters
    ----------
    image : (H, W, 3) uint8
        Drawn into.
    calibration : Calibration
        Camera and ball.
    shot : Shot
        A shot with a path.
    tip : Tip
        Its dome.

    Notes
    -----
    What the picture does not tell of the axis (its slope, from behind the foot rail) is drawn as it was assumed;
    the line in the picture is the sighted one nevertheless. The contact is drawn also where the ball hides it.
    """
    cue = shot.cue
    if not isinstance(cue, CuePlace) or not len(shot.path_xy_m):
        return
    centre_m = np.array([*shot.path_xy_m[0], calibration.ball.radius_m])
    axis_m, contact_m = cue_in_space(cue, centre_m, tip)
    draw_line(image, calibration.camera.project(axis_m), CUE)
    if contact_m is not None:
        draw_dot(image, calibration.camera.project(contact_m[None, :])[0], CUE, radius=_DOT_RADIUS)


def cue_in_space(cue: CuePlace, centre_m: Floats, tip: Tip) -> tuple[Floats, Floats | None]:
    """Find what is drawn: points of the axis from the end of the tip backwards, and the contact on the ball.

    Parameters
    ----------
    cue : CuePlace
        The axis.
    centre_m : (3,) array
        Centre of the resting ball, at its radius above the cloth; table frame.
    tip : Tip
        Its dome.

    Returns
    -------
    axis_m : (N, 3) float64
        Table frame.
    contact_m : (3,) float64 or None
        On the ball, on the line from its centre to that of the dome; None where the picture does not tell it, or
        the axis passes the ball.
    """
    radius_m, dome_m = float(centre_m[2]), tip.radius_m
    beside_m, forward = axis_of(cue.values, centre_m)
    off2 = float(np.sum((beside_m - centre_m) ** 2))
    touches = off2 < (radius_m + dome_m) ** 2
    dome_centre_m = beside_m - forward * math.sqrt(max(0.0, (radius_m + dome_m) ** 2 - off2))
    back_m = np.linspace(0.0, _SHAFT_M, 12)
    axis_m = dome_centre_m + dome_m * forward - back_m[:, None] * forward
    if not touches or not (cue.is_seen("side_m") or cue.is_seen("up_m")):
        return axis_m, None
    return axis_m, centre_m + radius_m / (radius_m + dome_m) * (dome_centre_m - centre_m)


def cue_words(shot: Shot, tip: Tip, ball_radius_m: float) -> str:
    """Say where the cue pointed and where it touched, what was seen of that; empty where nothing was."""
    cue = shot.cue
    if not isinstance(cue, CuePlace):
        return ""
    contact = contact_of(cue, tip=tip, ball_radius_m=ball_radius_m)
    said = [f"cue {angle(deg_from_rad(cue.value('cue_rad')))}"] if cue.is_seen("cue_rad") else []
    places = (
        (contact.side_m, contact.side_sd_m, ("right", "left")),
        (contact.up_m, contact.up_sd_m, ("up", "down")),
    )
    for value_m, sd_m, (positive, negative) in places:
        if value_m is not None and sd_m is not None:
            where = positive if value_m >= 0 else negative
            half = number(COVERAGE * mm_from_m(sd_m), 1)
            said.append(f"contact {number(mm_from_m(abs(value_m)), 1)} ± {half} mm {where}")
    return ", ".join(said)
