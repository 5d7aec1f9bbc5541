"""What the difference of two conditions at the rail is made of: squirt, swerve, speed, the pull of the table."""

from dataclasses import dataclass

import pandas as pd
from scipy import special

from analyze.statistics.compare import Comparisons, compare
from analyze.statistics.question import Question
from analyze.statistics.sentences import plain
from analyze.statistics.shots_table import check_shots

# Less of what the table pulls is rounding: out/shots.csv has three decimals of a mm.
LEAST_PULL_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferencePart:
    """A part of the net difference between two conditions at the rail, in mm.

    Attributes
    ----------
    part : str
        ``net``, ``squirt``, ``swerve`` or, where the launch speed is known, ``speed`` (the part of swerve that goes
        with the conditions' different speeds; `swerve` is then what is left at equal speed), and ``pull of the
        table``, where it pulls (`analyze.fit.pull`): a slower ball is pulled further.
    difference_mm : float
        b minus a.
    se_mm, lo_mm, hi_mm : float or None
        Standard error and interval of this part alone, for these shooters.
    """

    part: str
    difference_mm: float
    se_mm: float | None
    lo_mm: float | None
    hi_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceSplit:
    """What the net difference between two conditions is made of.

    Attributes
    ----------
    a, b : str
        Conditions.
    parts : tuple of DifferencePart
        `net` first; the others add up to it.
    sentence : str
        In words, each part with its interval; empty where no part is told from zero.
    """

    a: str
    b: str
    parts: tuple[DifferencePart, ...]
    sentence: str


def _part(name: str, comparisons: Comparisons, *, adjusted: bool) -> DifferencePart | None:
    comparison = comparisons.adjusted_these if adjusted else comparisons.these
    row = comparison.rows[0] if comparison is not None and comparison.rows else None
    if row is None or row.difference is None:
        return None
    return DifferencePart(part=name, difference_mm=row.difference, se_mm=row.se, lo_mm=row.lo, hi_mm=row.hi)


def _speed_part(comparisons: Comparisons) -> DifferencePart | None:
    """Return slope of swerve over speed, times the difference of the mean speeds."""
    raw, adjusted = _part("swerve", comparisons, adjusted=False), _part("swerve", comparisons, adjusted=True)
    if raw is None or adjusted is None or comparisons.adjusted_these is None:
        return None
    (slope,) = comparisons.adjusted_these.adjustments
    difference = raw.difference_mm - adjusted.difference_mm
    se = abs(difference / slope.slope) * slope.slope_se if slope.slope else None
    df = comparisons.adjusted_these.rows[0].df
    half = None
    if se is not None and df is not None:
        half = float(special.stdtrit(df, (1 + comparisons.question.confidence) / 2)) * se
    return DifferencePart(
        part="speed",
        difference_mm=difference,
        se_mm=se,
        lo_mm=None if half is None else difference - half,
        hi_mm=None if half is None else difference + half,
    )


def split_difference(frame: pd.DataFrame, a: str, b: str, *, confidence: float = 0.95) -> DifferenceSplit | None:
    """Split the net difference of two conditions at the rail into squirt, swerve, speed and table.

    Parameters
    ----------
    frame : DataFrame
        Table of shots with ``reading_mm``, ``squirt_offset_mm`` and ``swerve_offset_mm``.
    a, b : str
        Conditions; the difference is b minus a.
    confidence : float
        Of each interval.

    Returns
    -------
    DifferenceSplit or None
        From the shots that have all three; None where a condition has none or no shooter shot both.

    Notes
    -----
    Reading = squirt offset + swerve offset + what the table pulls, for every shot, so the parts' differences add up
    exactly; their uncertainties do not, as one fitted path gives them all.
    """
    needed = ("reading_mm", "squirt_offset_mm", "swerve_offset_mm")
    shots = check_shots(frame)
    if any(name not in shots.columns for name in needed):
        return None
    complete = shots[list(needed)].notna().all(axis=1) & shots["condition"].isin([a, b])
    pair = shots[complete]
    if pair["condition"].nunique() < 2:
        return None

    def compared(quantity: str) -> Comparisons:
        question = Question(quantity=quantity, confidence=confidence, reference=a, covariates=("launch_speed_m_s",))
        return compare(pair, question)

    pull = pair["reading_mm"] - pair["squirt_offset_mm"] - pair["swerve_offset_mm"]
    pair = pair.assign(table_pull_mm=pull)
    swerve = compared("swerve_offset_mm")
    speed = _speed_part(swerve)
    parts = [
        _part("net", compared("reading_mm"), adjusted=False),
        _part("squirt", compared("squirt_offset_mm"), adjusted=False),
        _part("swerve", swerve, adjusted=speed is not None),
        *([speed] if speed is not None else []),
        *(
            [_part("pull of the table", compared("table_pull_mm"), adjusted=False)]
            if pull.abs().max() > LEAST_PULL_MM
            else []
        ),
    ]
    found = tuple(part for part in parts if part is not None)
    if len(found) < len(parts):
        return None
    return DifferenceSplit(
        a=a,
        b=b,
        parts=found,
        sentence=_sentence(a, b, found),
    )


def _sentence(a: str, b: str, parts: tuple[DifferencePart, ...]) -> str:
    """Say what a difference is made of, each part with its interval; nothing where no part is told from zero."""

    def resolved(part: DifferencePart) -> bool:
        return part.lo_mm is not None and part.hi_mm is not None and (part.lo_mm > 0 or part.hi_mm < 0)

    def shown(part: DifferencePart) -> str:
        value = f"{plain(part.difference_mm, 2, signed=True)} mm"
        if part.lo_mm is None or part.hi_mm is None:
            return value
        return f"{value} ({plain(part.lo_mm, 2, signed=True)} to {plain(part.hi_mm, 2, signed=True)})"

    if not any(resolved(part) for part in parts[1:]):
        return ""
    words = ", ".join(f"{shown(part)} {part.part}" for part in parts[1:])
    return f"Of the {shown(parts[0])} between {b} and {a} at the rail: {words}."
