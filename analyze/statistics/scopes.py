"""What is said in general is never sharper, or bolder, than what is said for the very shooters who were seen."""

from dataclasses import replace

import numpy as np

from analyze.statistics.pairwise import Estimates, PairRow, Verdict, half_width_factor
from calibrate.arrays import Floats

_MOST_DF = 1e6
_HALVINGS = 50

NO_SHARPER = (
    "No interval in general is narrower than the one for these shooters: where shooter x condition came out "
    "smaller than the scatter of shots, the latter counts."
)


def no_sharper(general: Estimates, these: Estimates, confidence: float) -> tuple[Estimates, bool]:
    """Widen what is said in general where it would be sharper than what is said for these shooters.

    Parameters
    ----------
    general, these : Estimates
        Same pairs in the same order.
    confidence : float
        Of the intervals.

    Returns
    -------
    Estimates, bool
        Standard errors and half widths of the intervals at least those of `these`, and whether that was needed.

    Notes
    -----
    The interval is the wider of the two, no wider: a standard error taken from the shots is as well known as
    theirs, so that few shooters' few degrees of freedom do not widen it a second time. The degrees of freedom told
    are those that make this interval of the standard error told.
    """
    one, least = general, these
    with np.errstate(invalid="ignore"):
        both = (one.se > 0) & (least.se > 0) & (one.df > 0) & (least.df > 0)

    def half_width(errors: Floats, df: Floats) -> Floats:
        return np.asarray(half_width_factor(confidence, one.k, np.where(both, df, 1.0)) * errors)

    own, floor = half_width(one.se, one.df), half_width(least.se, least.df)
    with np.errstate(invalid="ignore"):
        changed = both & ((least.se > one.se) | (floor > own))
        as_these = changed & (least.se >= one.se) & (floor >= own)
    # Where these shooters have no interval, there is nothing to hold the other to.
    told = replace(
        one,
        own=(one.se, one.df),
        least=(np.where(both, least.se, 0.0), np.where(both, least.df, 1.0)),
    )
    if not changed.any():
        return told, False
    se = np.where(changed, np.fmax(one.se, least.se), one.se)
    df = np.where(as_these, least.df, one.df)
    mixed = np.flatnonzero(changed & ~as_these)
    df[mixed] = _df_of(np.fmax(own, floor)[mixed] / se[mixed], confidence, one.k)
    return replace(told, se=se, df=df), True


def _df_of(factor: Floats, confidence: float, k: int) -> Floats:
    """Degrees of freedom at which an interval reaches `factor` standard errors, by halving their logarithm."""
    low, high = np.zeros(len(factor)), np.full(len(factor), np.log(_MOST_DF))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        wide = half_width_factor(confidence, k, np.exp(middle)) > factor
        low, high = np.where(wide, middle, low), np.where(wide, high, middle)
    return np.asarray(np.exp((low + high) / 2))


def no_bolder(general: tuple[PairRow, ...], these: tuple[PairRow, ...]) -> tuple[PairRow, ...]:
    """Call no pair different in general that is undecided for the very shooters who were seen."""
    return tuple(_no_bolder(row, other) for row, other in zip(general, these, strict=True))


def _no_bolder(general: PairRow, these: PairRow) -> PairRow:
    if general.verdict is not Verdict.DIFFERS or these.verdict is not Verdict.UNDECIDED or these.lo is None:
        return general
    note = f"{general.note} Not called different, since it is undecided for these shooters.".strip()
    return replace(general, verdict=Verdict.UNDECIDED, more_shots=these.more_shots, note=note)
