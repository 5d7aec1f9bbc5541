"""Numbers as the page writes them: inches as sixteenths for those who read inches, typographic signs."""

import math
import re
from collections.abc import Iterable

from calibrate.units import inch_from_m, m_from_mm, sixteenths

MINUS = "\N{MINUS SIGN}"
NOTHING = "\N{EN DASH}"
GAP = "\N{NO-BREAK SPACE}"  # between a number and its unit
SLUG_WORDS = {
    "launch_speed_m_s": "launch speed (m/s)",
    "tip_offset_mm": "tip offset (mm)",
    "reading_mm": "reading",
    "squirt_deg": "squirt",
    "swerve_offset_mm": "swerve offset",
}
# Whole words only: a condition may be called "no_reading_mm".
_SLUGS = re.compile(rf"(?<![\w-])(?:{'|'.join(SLUG_WORDS)})(?![\w-])")


def known(value: float | None) -> bool:
    """Whether there is a number."""
    return value is not None and math.isfinite(value)


def number(value: float | None, decimals: int) -> str:
    """Return a number with a true minus sign; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return NOTHING
    return f"{value:z.{decimals}f}".replace("-", MINUS)


def _unbroken(text: str) -> str:
    return text.replace(" ", GAP)


def _inches(value_mm: float) -> str:
    return _unbroken(sixteenths(m_from_mm(value_mm)).replace("-", MINUS))


def _limit_inches(value_mm: float) -> str:
    """Return an end of an interval in sixteenths; one that rounds to zero says on which side of zero it lies."""
    text = _inches(value_mm)
    if value_mm == 0 or text != f"0{GAP}in":
        return text
    return f"{MINUS if value_mm < 0 else '+'}0{GAP}in"


def length(value_mm: float | None, units: str) -> str:
    """Return a length as a tester reads it: ``2 7/16 in (61.9 mm)``, or ``61.9 mm``."""
    if value_mm is None or not math.isfinite(value_mm):
        return NOTHING
    if units == "mm":
        return _unbroken(f"{number(value_mm, 1)} mm")
    return f"{_inches(value_mm)} ({_unbroken(f'{number(value_mm, 1)} mm')})"


def length_in_sentence(value_mm: float, units: str) -> str:
    """Return a length for a sentence, in the tester's unit alone: ``2 7/16 in``; the sign of a small one stays."""
    return _unbroken(f"{signed_number(value_mm)} mm") if units == "mm" else _limit_inches(value_mm)


# What lies nearer than this to a shown length is told by it: a tenth of a millimetre, a sixteenth of an inch.
HALF_A_STEP = {"mm": f"0.05{GAP}mm", "inch": f"1/32{GAP}in"}


def rounds_to_zero(value_mm: float, units: str) -> bool:
    """Whether a length is shown as zero in a sentence, so that it points nowhere.

    Examples
    --------
    >>> rounds_to_zero(0.7, "inch"), rounds_to_zero(0.7, "mm")
    (True, False)
    """
    return number(value_mm, 1) == "0.0" if units == "mm" else _inches(value_mm) == f"0{GAP}in"


def signed_number(value_mm: float) -> str:
    """Return a length in mm to a tenth; one that rounds to zero says on which side of zero it lies."""
    text = number(value_mm, 1)
    return text if value_mm == 0 or text != "0.0" else f"{MINUS if value_mm < 0 else '+'}0.0"


def margin_words(margin_mm: float | None, units: str) -> str:
    """Say which margin was stated beforehand."""
    if margin_mm is None:
        return "no margin was stated, so nothing is called the same"
    return f"the margin stated beforehand is {length_in_sentence(margin_mm, units)}"


def spread(value_mm: float | None, units: str) -> str:
    """Return an uncertainty or a spread, for which sixteenths are too coarse."""
    if value_mm is None or not math.isfinite(value_mm):
        return NOTHING
    if units == "mm":
        return _unbroken(f"{value_mm:.2f} mm")
    inch = inch_from_m(m_from_mm(value_mm))
    return _unbroken(f"{inch:.3f} in")


def interval(low_mm: float | None, high_mm: float | None, units: str) -> str:
    """Return an interval of lengths: ``10.5 to 30.5 mm``, or in sixteenths ``7/16 to 1 3/16 in``."""
    if low_mm is None or high_mm is None or not (known(low_mm) and known(high_mm)):
        return NOTHING
    if units == "mm":
        return _unbroken(f"{signed_number(low_mm)} to {signed_number(high_mm)} mm")
    return _unbroken(f"{_limit_inches(low_mm).removesuffix(f'{GAP}in')} to {_limit_inches(high_mm)}")


def angle(value_deg: float | None, decimals: int = 2) -> str:
    """Return an angle."""
    return f"{number(value_deg, decimals)}°" if known(value_deg) else NOTHING


def value_of(value: float | None, quantity: str, units: str) -> str:
    """Return a value of a quantity named with its unit."""
    return angle(value) if quantity.endswith("_deg") else length(value, units)


def span_of(low: float | None, high: float | None, quantity: str, units: str) -> str:
    """Return an interval of a quantity named with its unit."""
    if not (known(low) and known(high)):
        return NOTHING
    if quantity.endswith("_deg"):
        return _unbroken(f"{angle(low)} to {angle(high)}")
    return interval(low, high, units)


def p_value(value: float | None) -> str:
    """Return a p value."""
    if value is None or not math.isfinite(value):
        return NOTHING
    return "< 0.0001" if value < 0.0001 else f"{value:.{4 if value < 0.01 else 3}f}"


def percent(share: float | None) -> str:
    """Return a share in per cent."""
    return f"{100 * share:.0f} %" if share is not None and math.isfinite(share) else NOTHING


def plain_quantity(label: str) -> str:
    """Return a quantity's label in words: columns named in it become what they are; names keep what they hold."""
    return _SLUGS.sub(lambda found: SLUG_WORDS[found.group()], label)


def once(sentences: Iterable[str]) -> tuple[str, ...]:
    """Sentences without repeats, in words instead of names of columns."""
    return tuple(dict.fromkeys(_begun(text) for text in sentences if text))


def _begun(sentence: str) -> str:
    # Only what was put in is capitalised: a sentence may begin with the name of a condition.
    plain = plain_quantity(sentence)
    return plain[:1].upper() + plain[1:] if _SLUGS.match(sentence) else plain
