"""The aiming card: the ball's face at true size with tip offsets, axis and contact of the tip told apart."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Arc, Circle, Polygon

from calibrate.table import Ball
from calibrate.units import M_PER_INCH, mm_from_m, shown_length

_INK, _PALE, _AXIS, _CONTACT = "#1b1b1b", "#9a9a9a", "#1f6f78", "#b4521e"
# Chalked tips slip beyond this share of the radius: tip friction 0.577 gives 0.5, common practice, no source.
_MISCUE_SHARE = 0.5


def contact_offset_share(ball_radius_m: float, tip_radius_m: float) -> float:
    """Offset of the point of contact over that of the cue's axis: R / (R + r), two circles that touch."""
    return ball_radius_m / (ball_radius_m + tip_radius_m)


def draw_aiming_card(
    axes: Axes, *, size_mm: tuple[float, float], ball: Ball, tip_radius_m: float, units: str
) -> None:
    """Draw the ball as the shooter sees it, rings of offset, and the tip touching it seen from above.

    Parameters
    ----------
    axes : Axes
        In mm of the page.
    size_mm : tuple of float
        Of the page.
    ball : Ball
        Gives the size.
    tip_radius_m : float
        Of the tip's dome.
    units : str
        ``inch`` or ``mm``.
    """
    radius = mm_from_m(ball.radius_m)
    axes.text(12, size_mm[1] - 12, "Aiming card for the tip offset", fontsize=15, weight="bold", va="top")
    axes.text(
        12,
        size_mm[1] - 22,
        "The ball’s face at true size. Cut the disc out and hold it behind the ball, or copy a ring onto it.\n"
        "Hold the cue as level as the rail permits, and do not go beyond the dotted ring: a miscue can send the\n"
        "ball off the table.",
        fontsize=10,
        va="top",
        linespacing=1.5,
    )
    _draw_face(axes, (size_mm[0] * 0.20, size_mm[1] * 0.44), radius, units)
    _draw_contact(axes, (size_mm[0] * 0.60, size_mm[1] * 0.47), radius, mm_from_m(tip_radius_m), units)


def _draw_face(axes: Axes, at: tuple[float, float], radius: float, units: str) -> None:
    axes.add_patch(Circle(at, radius, fill=False, ec=_INK, lw=1.2))
    for dx, dy in ((1, 0), (0, 1)):
        axes.plot(
            [at[0] - dx * radius, at[0] + dx * radius],
            [at[1] - dy * radius, at[1] + dy * radius],
            color=_PALE,
            lw=0.5,
        )
    step = 25.4 / 8 if units == "inch" else 4.0
    for k in range(1, int(_MISCUE_SHARE * radius / step + 1e-6) + 1):
        axes.add_patch(Circle(at, k * step, fill=False, ec=_INK, lw=0.5))
        if k % 2 == 0 or units != "inch":
            label = shown_length(k * step / 1000, units)
            axes.text(at[0], at[1] + k * step + 0.3, label, ha="center", va="bottom", fontsize=6)
    axes.add_patch(Circle(at, _MISCUE_SHARE * radius, fill=False, ec=_INK, lw=0.9, ls=":"))
    axes.text(
        at[0],
        at[1] - radius - 4,
        f"rings every {'1/8 in' if units == 'inch' else '4 mm'}; dotted: half the radius",
        ha="center",
        va="top",
        fontsize=9,
    )


def _draw_contact(axes: Axes, at: tuple[float, float], radius: float, tip: float, units: str) -> None:
    """Ball and tip from above, twice the size: the axis of the cue lies farther out than the contact."""
    R, r, offset = 2 * radius / 1.6, 2 * tip / 1.6, 0.5 * 2 * radius / 1.6
    share = contact_offset_share(radius, tip)
    along = float(np.sqrt((R + r) ** 2 - offset**2))
    centre = np.array(at)
    tip_middle = centre + [offset, -along]
    contact = centre + (tip_middle - centre) * R / (R + r)
    axes.add_patch(Circle(tuple(centre), R, fill=False, ec=_INK, lw=1.2))
    half = 0.6 * r
    axes.add_patch(
        Polygon(
            tip_middle + np.array([[-half, 0.35 * r], [half, 0.35 * r], [half, -55], [-half, -55]]),
            fc="#e8e2d6",
            ec=_INK,
            lw=0.8,
        )
    )
    axes.add_patch(Arc(tuple(tip_middle), 2 * r, 2 * r, theta1=50, theta2=130, ec=_INK, lw=1.2))
    axes.plot([centre[0]] * 2, [centre[1] + R + 6, centre[1] - along - 55], color=_PALE, lw=0.6, ls="--")
    axes.plot([tip_middle[0]] * 2, [centre[1] + 4, tip_middle[1] - 55], color=_AXIS, lw=0.9)
    axes.plot(*contact, "o", color=_CONTACT, ms=5)
    axes.plot([contact[0]] * 2, [contact[1], centre[1] - 2], color=_CONTACT, lw=0.6, ls=":")
    y = centre[1] + 2
    axes.annotate("", (centre[0], y + 6), (tip_middle[0], y + 6), arrowprops={"arrowstyle": "<->", "color": _AXIS})
    axes.annotate("", (centre[0], y - 6), (contact[0], y - 6), arrowprops={"arrowstyle": "<->", "color": _CONTACT})
    axes.text(tip_middle[0] + 3, y + 6, "offset of the axis", color=_AXIS, fontsize=9, va="center")
    axes.text(tip_middle[0] + 3, y - 6, "offset of the contact", color=_CONTACT, fontsize=9, va="center")
    half_inch = shown_length(9 / 16 * M_PER_INCH, units)
    touched = shown_length(9 / 16 * M_PER_INCH * share, units)
    axes.text(
        centre[0] - R,
        centre[1] + R + 14,
        "From above: the domed tip touches the ball nearer to its middle than the cue points.\n"
        f"With a tip radius of {shown_length(tip / 1000, units)}, an axis {half_inch} off touches {touched} off "
        f"({share:.2f} of it).\nsession.toml: lane.tip_offset_of says which of the two your offsets are.",
        fontsize=9,
        va="bottom",
        linespacing=1.5,
    )
