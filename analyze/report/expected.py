"""What precision to expect of a typical shot, in words: how well it will be known, and what would help."""

import math

from analyze.fit.expectation import Expected
from analyze.report.terminal import length_text
from calibrate.units import deg_from_rad, mm_from_m

# What makes the largest part of an uncertainty, and what is to be done about it; the slugs of the budget.
_WHY = {
    "lens": (
        "how well the marks show the lens",
        "more marks, spread over the picture; printed ones are the surest",
    ),
    "rail-top": ("the height of the rail top", "measuring rail_top_mm, or a higher camera"),
    "marks": ("how well the marks show the camera", "printed markers, or more marks on the cloth along the lane"),
    "scale": ("how well the scale is seen", "the printed scale, or a camera nearer to it"),
    "ball-bias": ("what finding the ball errs by alike in all frames", "a nearer camera, or a higher resolution"),
    "ball": ("finding the ball in each frame", "a nearer camera, a higher resolution, or more frames a second"),
    "timing": ("the rolling shutter", "stating camera.readout_ms"),
    "friction": ("the friction of the cloth", "more frames a second, which show more of the slide"),
    "spin": ("the spin of the ball", "more frames a second, which show more of the slide"),
    "table": ("how level the table is", "levelling it; differences of conditions suffer little"),
    "slide-end": ("where the slide ends", "more frames a second, which show its end"),
}


def expected_lines(expected: Expected | None, units: str) -> list[str]:
    """Say what to expect.

    Parameters
    ----------
    expected : Expected or None
        None where the lane is not wholly in the picture: nothing is said then.
    units : str
        ``inch`` or ``mm``.
    """
    if expected is None:
        return []
    unit = "in" if units == "inch" else "mm"

    def sd(metres: float) -> str:
        return f"±{length_text(mm_from_m(metres), units, fine=True)} {unit}"

    lines = [
        f"To be expected of one shot at {expected.speed_m_s:g} m/s and {expected.frame_rate:.0f} frames a second, "
        f"one standard uncertainty: reading {sd(expected.reading_sd_m)}, launch direction "
        f"±{deg_from_rad(expected.launch_sd_rad):.3f} degrees, squirt against control shots "
        f"±{deg_from_rad(expected.squirt_sd_rad):.3f} degrees, swerve {sd(expected.swerve_offset_sd_m)}."
    ]
    common_m, common_rad = (
        math.sqrt(max(0.0, whole**2 - own**2))
        for whole, own in (
            (expected.reading_sd_m, expected.reading_own_sd_m),
            (expected.launch_sd_rad, expected.launch_own_sd_rad),
        )
    )
    lines.append(
        f"Of this, measuring scatters from shot to shot by {sd(expected.reading_own_sd_m)} and "
        f"±{deg_from_rad(expected.launch_own_sd_rad):.3f} degrees (swerve {sd(expected.swerve_offset_own_sd_m)}); "
        f"{sd(common_m)} and ±{deg_from_rad(common_rad):.3f} degrees are the same in all shots of a session, and "
        "drop out where its shots are compared."
    )
    for name, quantity in (("reading", "reading_m"), ("swerve", "swerve_offset_m")):
        source, share = expected.shares[quantity]
        why, help_ = _WHY[source]
        lines.append(f"Of the {name}'s variance {100 * share:.0f} % is {why}; what would help most: {help_}.")
    return lines
