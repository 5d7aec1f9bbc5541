"""What squirt says about a cue: effective end mass and pivot length, each with the formula that defines it.

Both are names for a squirt angle, not things one can weigh or measure along the shaft: another reasonable rigid
model gives end masses 28 to 30 % higher from the same angles, and three usual definitions of the pivot length lie
25 mm apart. So results carry their formula, and are compared at equal tip offset only.
"""

import math
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats

END_MASS_FORMULA = "m/m_e = (5ab/2R^2)/tan(squirt) - 1 - 5a^2/2R^2, a = sqrt(R^2 - b^2)"
"""Rigid ball struck at b; the tip sticks, and the cue's end takes up the sideways momentum as a free mass m_e."""
PIVOT_FORMULAS = {
    "ball centre": "b / sin(squirt)",
    "beside the ball centre": "b / tan(squirt)",
    "tip contact": "b / tan(squirt) - a, a = sqrt(R^2 - b^2)",
}
"""Three lengths called pivot length: from the pivot point to the ball's centre; to the foot of the perpendicular
from the centre on the cue's axis; to the place where the tip touches the ball."""
TIP_FRICTION = 0.6  # chalked leather on phenolic resin, 0.6 to 0.7: Cross, Am. J. Phys. 76, 205 (2008), from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A value with its standard uncertainty and, where one defines it, the formula.

    Attributes
    ----------
    value, sd : float
        In the unit that the name of the quantity says.
    formula : str
        What defines it; may be empty.
    """

    value: float
    sd: float
    formula: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CueEnd:
    """The cue's end as the squirt of one tip offset shows it.

    Attributes
    ----------
    mass_ratio : Measured
        Ball mass over effective end mass.
    end_mass_kg : Measured
        Effective end mass.
    pivot_m : dict of str to Measured
        Pivot length by each of `PIVOT_FORMULAS`.
    offset_ratio : float
        Tip offset over ball radius at which all this holds.
    """

    mass_ratio: Measured
    end_mass_kg: Measured
    pivot_m: dict[str, Measured]
    offset_ratio: float


def squirt_rad(offset_ratio: float, mass_ratio: float) -> float:
    """Squirt that a rigid impulse gives.

    Parameters
    ----------
    offset_ratio : float
        Contact offset b/R, positive to the right.
    mass_ratio : float
        Ball mass over effective end mass.

    Returns
    -------
    float
        Size of the angle with the sign of the offset; the ball leaves to the other side.

    Notes
    -----
    ``tan(squirt) = (5ab/2R^2) / (1 + m/m_e + 5a^2/2R^2)``, from the sideways balance of impulses
    ``J_x (1/m + 1/m_e + a^2/I) = -J_y ab/I`` with ``I = (2/5) m R^2``. The form is attributed to Shepard (2001).
    """
    _check_offset(offset_ratio)
    if mass_ratio <= 0:
        raise ValueError(f"mass_ratio must be positive, but got {mass_ratio!r}")
    a = math.sqrt(1 - offset_ratio**2)
    return math.atan(2.5 * a * offset_ratio / (1 + mass_ratio + 2.5 * a * a))


def mass_ratio(offset_ratio: float, angle_rad: float) -> float:
    """Ball mass over effective end mass from a squirt angle: `END_MASS_FORMULA`.

    Parameters
    ----------
    offset_ratio : float
        Contact offset b/R, not zero.
    angle_rad : float
        Squirt, counted positive to the side opposite the offset; same sign as the offset.

    Returns
    -------
    float
        May come out negative from noisy angles; that is then what the data say.
    """
    _check_offset(offset_ratio)
    if offset_ratio * angle_rad <= 0:
        raise ValueError(f"squirt and offset must not be zero or point to one side, but got {angle_rad!r} rad")
    return float(mass_ratios(np.array(offset_ratio), np.array(angle_rad)))


def mass_ratios(offset_ratios: Floats, angles_rad: Floats) -> Floats:
    """Return `mass_ratio` of many offsets and angles at once, unchecked: angles must not be zero."""
    a = np.sqrt(1 - offset_ratios**2)
    return np.asarray(2.5 * a * offset_ratios / np.tan(angles_rad) - 1 - 2.5 * a * a)


def squirt_slope_rad(offset_ratio: float, angle_rad: float) -> float:
    """Change of squirt per ball radius of tip offset, the end mass staying what it is.

    Parameters
    ----------
    offset_ratio : float
        Contact offset b/R, above zero.
    angle_rad : float
        Squirt there, counted positive to the side opposite the offset.

    Returns
    -------
    float
        d squirt / d (b/R), in rad: the implicit derivative of `END_MASS_FORMULA` at constant m/m_e.
    """
    _check_offset(offset_ratio)
    a = math.sqrt(1 - offset_ratio**2)
    tan = math.tan(angle_rad)
    # tan = u / w with u = 5ab/2R^2, w = 1 + m/m_e + 5a^2/2R^2 = u / tan
    u = 2.5 * a * offset_ratio
    by_u = 2.5 * (1 - 2 * offset_ratio**2) / a
    return (tan * by_u + 5 * offset_ratio * tan * tan) / u / (1 + tan * tan)


def cue_end(
    *,
    offset_m: float,
    offset_sd_m: float,
    angle_rad: float,
    angle_sd_rad: float,
    ball_radius_m: float,
    ball_mass_kg: float,
) -> CueEnd | None:
    """Effective end mass and pivot lengths from a squirt at one tip offset.

    Parameters
    ----------
    offset_m, offset_sd_m : float
        Where the tip touches the ball, to the right of its centre; see `contact_offset_m` for a domed tip whose
        axis was set.
    angle_rad, angle_sd_rad : float
        Squirt, positive to the right (a ball struck on the right leaves to the left, so signs usually differ).
    ball_radius_m, ball_mass_kg : float
        The ball.

    Returns
    -------
    CueEnd or None
        None where the squirt is not away from the tip's side, from which no end mass follows.

    Notes
    -----
    First-order propagation (GUM, eq. 10) with the derivatives written out.
    """
    ratio, angle = abs(offset_m) / ball_radius_m, -angle_rad * math.copysign(1.0, offset_m)
    if offset_m == 0 or angle <= 0:
        return None
    _check_offset(ratio)
    ratio_sd = offset_sd_m / ball_radius_m
    a = math.sqrt(1 - ratio**2)
    tan, sin = math.tan(angle), math.sin(angle)
    n = mass_ratio(ratio, angle)
    by_angle = -2.5 * a * ratio / sin**2
    by_ratio = 2.5 * (1 - 2 * ratio**2) / a / tan + 5 * ratio
    n_sd = math.hypot(by_angle * angle_sd_rad, by_ratio * ratio_sd)
    end_mass_kg = ball_mass_kg / n if n > 0 else math.inf
    end_mass_sd_kg = end_mass_kg * n_sd / n if n > 0 else math.inf

    b = ratio * ball_radius_m
    lengths = {
        "ball centre": b / sin,
        "beside the ball centre": b / tan,
        "tip contact": b / tan - a * ball_radius_m,
    }
    by_offset = {"ball centre": 1 / sin, "beside the ball centre": 1 / tan, "tip contact": 1 / tan + ratio / a}
    turned = {
        "ball centre": b * math.cos(angle) / sin**2,
        "beside the ball centre": b / sin**2,
        "tip contact": b / sin**2,
    }
    return CueEnd(
        mass_ratio=Measured(value=n, sd=n_sd, formula=END_MASS_FORMULA),
        end_mass_kg=Measured(value=end_mass_kg, sd=end_mass_sd_kg, formula=END_MASS_FORMULA),
        pivot_m={
            name: Measured(
                value=lengths[name],
                sd=math.hypot(by_offset[name] * offset_sd_m, turned[name] * angle_sd_rad),
                formula=formula,
            )
            for name, formula in PIVOT_FORMULAS.items()
        },
        offset_ratio=ratio,
    )


def contact_offset_m(axis_offset_m: float, *, tip_radius_m: float, ball_radius_m: float) -> float:
    """Where a domed tip touches the ball when its axis is set beside the centre.

    Parameters
    ----------
    axis_offset_m : float
        Offset of the cue's axis from the ball's centre.
    tip_radius_m : float
        Radius of the tip's dome.
    ball_radius_m : float
        Radius of the ball.

    Returns
    -------
    float
        ``axis offset * R / (R + r_t)``: the common normal of two spheres joins their centres.
    """
    return axis_offset_m * ball_radius_m / (ball_radius_m + tip_radius_m)


def miscue_limit(tip_friction: float = TIP_FRICTION) -> float:
    """Largest offset b/R at which a tip of this friction does not slip: ``mu / sqrt(1 + mu^2)``, squirt ignored."""
    return tip_friction / math.sqrt(1 + tip_friction**2)


def miscue_warning(offset_ratio: float, tip_friction: float = TIP_FRICTION) -> str:
    """Say so where an offset lies beyond the miscue limit.

    Parameters
    ----------
    offset_ratio : float
        Contact offset b/R.
    tip_friction : float
        Friction of tip on ball.

    Returns
    -------
    str
        A sentence for the tester, or nothing.
    """
    limit = miscue_limit(tip_friction)
    if abs(offset_ratio) <= limit:
        return ""
    return (
        f"A contact offset of {abs(offset_ratio):.2f} ball radii lies beyond the miscue limit of {limit:.2f} for a "
        f"tip friction of {tip_friction:g}: the tip may slip, and the formulas assume that it does not."
    )


def _check_offset(offset_ratio: float) -> None:
    if not abs(offset_ratio) < 1:
        raise ValueError(f"offset_ratio must lie within the ball, -1 to 1, but got {offset_ratio!r}")
