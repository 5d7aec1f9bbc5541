"""Conversions between SI and what testers read: the only place with conversion factors."""

import math
from fractions import Fraction

M_PER_INCH = 0.0254  # exact since 1959, NIST SP 811, B.6
M_PER_MM = 0.001
RAD_PER_DEG = math.pi / 180.0


def inch_from_m(length_m: float) -> float:
    """Length in inches.

    Examples
    --------
    >>> inch_from_m(0.0254)
    1.0
    """
    return length_m / M_PER_INCH


def m_from_inch(length_inch: float) -> float:
    """Length in metres.

    Examples
    --------
    >>> m_from_inch(2)
    0.0508
    """
    return length_inch * M_PER_INCH


def mm_from_m(length_m: float) -> float:
    """Length in millimetres.

    Examples
    --------
    >>> mm_from_m(0.5)
    500.0
    """
    return length_m / M_PER_MM


def m_from_mm(length_mm: float) -> float:
    """Length in metres.

    Examples
    --------
    >>> m_from_mm(500)
    0.5
    """
    return length_mm * M_PER_MM


def deg_from_rad(angle_rad: float) -> float:
    """Angle in degrees.

    Examples
    --------
    >>> round(deg_from_rad(3.14159265 / 2), 6)
    90.0
    """
    return angle_rad / RAD_PER_DEG


def rad_from_deg(angle_deg: float) -> float:
    """Angle in radians.

    Examples
    --------
    >>> round(rad_from_deg(180), 6)
    3.141593
    """
    return angle_deg * RAD_PER_DEG


def sixteenths(length_m: float) -> str:
    """Length in inches to the nearest sixteenth, as testers read rulers: ``-2 7/16 in``.

    Halves round away from zero, as a reader of a ruler would round them.

    Examples
    --------
    >>> sixteenths(0.0619125), sixteenths(-0.003)
    ('2 7/16 in', '-1/8 in')
    """
    count = math.floor(abs(inch_from_m(length_m)) * 16 + 0.5)
    whole, part = divmod(count, 16)
    sign = "-" if length_m < 0 and count else ""
    if not part:
        return f"{sign}{whole} in"
    fraction = Fraction(part, 16)
    text = f"{fraction.numerator}/{fraction.denominator}"
    return f"{sign}{whole} {text} in" if whole else f"{sign}{text} in"


def shown_length(length_m: float, units: str) -> str:
    """Length in the units that a tester chose, as a ruler shows it: ``3 11/16 in`` or ``94 mm``.

    Examples
    --------
    >>> shown_length(0.09366, "inch"), shown_length(0.09366, "mm")
    ('3 11/16 in', '94 mm')
    """
    return sixteenths(length_m) if units == "inch" else f"{mm_from_m(length_m):.0f} mm"
