"""Numbers as the page writes them: inches as sixteenths for those who read inches, typographic signs."""

import math
from collections.abc import Iterable

from calibrate.units import inch_from_m, m_from_mm, sixteenths

MINUS = "\N{MINUS SIGN}"
NOTHING = "\N{EN DASH}"
GAP = "\N{NO-BREAK SPACE}"  # between a number and its unit
QUANTITY_WORDS = {
    "reading_mm": "reading",
    "squirt_deg": "squirt",
    "squirt_offset_mm": "squirt offset",
    "swerve_offset_mm": "swerve offset",
}
SLUG_WORDS = {
    "launch_speed_m_s": "launch speed (m/s)",
    "tip_offset_mm": "tip offset (mm)",
    "reading_mm": "reading",
    "squirt_deg": "squirt",
    "swerve_offset_mm": "swerve offset",
}


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


def length(value_mm: float | None, units: str) -> str:
    """Return a length as a tester reads it: ``2 7/16 in (61.9 mm)``, or ``61.9 mm``."""
    if value_mm is None or not math.isfinite(value_mm):
        return NOTHING
    if units == "mm":
        return _unbroken(f"{number(value_mm, 1)} mm")
    return f"{_inches(value_mm)} ({_unbroken(f'{number(value_mm, 1)} mm')})"


def length_in_sentence(value_mm: float, units: str) -> str:
    """Return a length for a sentence that has brackets of its own: ``2 7/16 in = 61.9 mm``."""
    if units == "mm":
        return _unbroken(f"{number(value_mm, 1)} mm")
    return _unbroken(f"{_inches(value_mm)} = {number(value_mm, 1)} mm")


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
        return _unbroken(f"{number(low_mm, 1)} to {number(high_mm, 1)} mm")
    return _unbroken(f"{_inches(low_mm).removesuffix(f'{GAP}in')} to {_inches(high_mm)}")


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
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def percent(share: float | None) -> str:
    """Return a share in per cent."""
    return f"{100 * share:.0f} %" if share is not None and math.isfinite(share) else NOTHING


def plain_quantity(label: str) -> str:
    """Return a quantity's label in words: columns named in it become what they are."""
    for slug, words in SLUG_WORDS.items():
        label = label.replace(slug, words)
    return label


def once(sentences: Iterable[str]) -> tuple[str, ...]:
    """Sentences without repeats, in words instead of names of columns."""
    return tuple(dict.fromkeys(_begun(plain_quantity(text)) for text in sentences if text))


def _begun(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
