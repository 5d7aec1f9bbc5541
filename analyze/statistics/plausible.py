"""Whether readings typed by hand can be: sizes, units mixed up, rows pasted twice, names that differ in case."""

from collections.abc import Iterable, Sequence
from itertools import groupby
from statistics import median

from calibrate.units import mm_from_m

MM_PER_INCH = mm_from_m(0.0254)
MOST_READING_MM = 3000.0  # no table is wider
MOST_SPEED_M_S = 20.0  # the hardest breaks stay below; common practice, no source
MOST_OFFSET_MM = 40.0  # beyond the edge of any ball
LEAST_MIXED_MM = 12.0  # of a typical reading, below which an inch and a millimetre cannot be told apart
NEAR = 0.35  # of the typical reading: as close to it a slipped unit must come once it is put right
PASTED_ROWS = 4

LIMITS = {
    "reading_mm": (-MOST_READING_MM, MOST_READING_MM, "mm", "no table is as wide"),
    "reading_sd_mm": (0.0, MOST_READING_MM, "mm", "no table is as wide"),
    "tip_offset_mm": (-MOST_OFFSET_MM, MOST_OFFSET_MM, "mm", "that lies beside the ball"),
}


def check_size(name: str, value: float) -> None:
    """Refuse a number that cannot be.

    Raises
    ------
    ValueError
        With the column, the value and its bounds.
    """
    if name == "launch_speed_m_s" and not 0 < value <= MOST_SPEED_M_S:
        raise ValueError(
            f"{name}: {value:g} m/s is no speed of a cue ball (above 0, at most {MOST_SPEED_M_S:g} m/s)"
        )
    if name in LIMITS:
        low, high, unit, why = LIMITS[name]
        if not low <= value <= high:
            raise ValueError(f"{name}: {value:g} {unit} is not between {low:g} and {high:g} {unit}; {why}")


def mixed_unit(readings_mm: Sequence[float], *, inches: bool) -> tuple[int, str] | None:
    """Find a reading in the other unit among the readings of one condition and shooter.

    Parameters
    ----------
    readings_mm : sequence of float
        All of them, in the unit in which they should be, then turned to mm.
    inches : bool
        Whether they should be in inches.

    Returns
    -------
    place, sentence : int, str
        Which it is and what is odd; None where nothing is.
    """
    if len(readings_mm) < 3:
        return None
    for place, value in enumerate(readings_mm):
        others = [other for k, other in enumerate(readings_mm) if k != place]
        typical = median(others)
        meant = value / MM_PER_INCH if inches else value * MM_PER_INCH
        odd = abs(value - typical) > 3 * max(abs(other - typical) for other in others)
        if abs(typical) >= LEAST_MIXED_MM and odd and abs(meant - typical) < NEAR * abs(typical):
            scale = MM_PER_INCH if inches else 1.0
            unit, other_unit = ("inches", "mm") if inches else ("mm", "inches")
            return place, (
                f"{value / scale:.4g} among readings about {typical / scale:.3g} {unit} looks like {other_unit}; "
                f"write {meant / scale:.4g}, or kept = no"
            )
    return None


def pasted_rows(rows: Sequence[tuple[str, ...]]) -> tuple[int, int] | None:
    """Find four rows or more in succession that come again word for word, with at least three different ones.

    Returns
    -------
    first, again : int
        Where they begin; None where no rows come again.
    """
    seen: dict[tuple[tuple[str, ...], ...], int] = {}
    for start in range(len(rows) - PASTED_ROWS + 1):
        block = tuple(rows[start : start + PASTED_ROWS])
        if len(set(block)) < PASTED_ROWS - 1:
            continue
        if block in seen and seen[block] + PASTED_ROWS <= start:
            return seen[block], start
        seen.setdefault(block, start)
    return None


def alike_names(names: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Names that differ by upper and lower case or blanks only, together."""

    def plain(name: str) -> str:
        return "".join(name.split()).casefold()

    ordered = sorted(dict.fromkeys(names), key=plain)
    found = (tuple(group) for _, group in groupby(ordered, key=plain))
    return tuple(group for group in found if len(group) > 1)
