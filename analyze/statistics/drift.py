"""Whether readings creep while a session goes on: chalk, cloth, tip, arm, camera."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analyze.statistics.sentences import plain
from analyze.statistics.shots_table import check_shots, counted_shots, unit_of

# Share of the order's variation that lies within cells, below which drift and condition can hardly be told apart;
# a random order of C conditions has about 1 - 1/n of it within.
LEAST_WITHIN = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Drift of one session; numbers in the unit of the quantity.

    Attributes
    ----------
    session : str
        Session.
    n : int
        Shots that have an order.
    slope : float or None
        Change per shot of the order, between shots of the same condition and shooter; None when not told.
    se, df, lo, hi, p : float or None
        Its standard error, degrees of freedom, t interval, and p value of no drift.
    over_session : float or None
        Slope times the length of the order: the change from the first shot to the last.
    sentence : str
        In words.
    blocked : bool
        Whether conditions were shot mostly in blocks, so that a drift and a difference can hardly be told apart.
    shown : bool
        Whether a drift is shown at the confidence asked for.
    """

    session: str
    n: int
    slope: float | None
    se: float | None
    df: float | None
    lo: float | None
    hi: float | None
    p: float | None
    over_session: float | None
    sentence: str
    blocked: bool = False
    shown: bool = False


def _nothing(session: str, n: int, sentence: str) -> Drift:
    return Drift(
        session=session, n=n, slope=None, se=None, df=None, lo=None, hi=None, p=None, over_session=None,
        sentence=sentence,
    )  # fmt: skip


def _p_words(p: float) -> str:
    return "p < 0.0001" if p < 0.0001 else f"p = {plain(p, 2)}"


def _session_drift(session: str, shots: pd.DataFrame, quantity: str, confidence: float) -> Drift:
    n = len(shots)
    name = f"Session {session}" if session else "The session"
    keys = [shots["condition"], shots["shooter"]]
    order = shots["order"].to_numpy(dtype=np.float64)
    x = order - shots["order"].groupby(keys, sort=False).transform("mean").to_numpy(dtype=np.float64)
    y = (shots[quantity] - shots[quantity].groupby(keys, sort=False).transform("mean")).to_numpy(dtype=np.float64)
    df = n - shots.groupby(keys, sort=False).ngroups - 1
    sxx = float(x @ x)
    total = float(np.sum((order - order.mean()) ** 2))
    if df < 1 or sxx <= 1e-12 * max(total, 1.0):
        return _nothing(
            session, n, f"{name} has too few ordered shots of one condition and shooter to tell a drift."
        )
    slope = float(x @ y) / sxx
    residual = y - slope * x
    se = float(np.sqrt(residual @ residual / df / sxx))
    over = slope * float(np.ptp(order))
    unit = unit_of(quantity)
    if se == 0:
        return Drift(
            session=session, n=n, slope=slope, se=None, df=float(df), lo=None, hi=None, p=None, over_session=over,
            sentence=f"{name}: nothing scatters, so the change of {plain(over, 3)} {unit} cannot be tested.",
        )  # fmt: skip
    half = float(stats.t.ppf((1 + confidence) / 2, df)) * se
    p = float(2 * stats.t.sf(abs(slope) / se, df))
    shown = p < 1 - confidence
    reach = half * float(np.ptp(order))
    lowest, seen, highest = (plain(value, 2, signed=True) for value in (over - reach, over, over + reach))
    words = (
        f"{name}: readings drift by {seen} {unit} from the first shot to the last ({_p_words(p)}); "
        "conditions shot early and late are not alike."
        if shown
        else f"{name}: no drift shown ({seen} {unit} from first to last, {confidence:.0%} interval {lowest} to "
        f"{highest})."
    )
    blocked = sxx < LEAST_WITHIN * total
    if blocked:
        words += (
            " Conditions were shot mostly in blocks, so a drift between the blocks would look like a difference."
        )
    return Drift(
        session=session, n=n, slope=slope, se=se, df=float(df), lo=slope - half, hi=slope + half, p=p,
        over_session=over, sentence=words, blocked=blocked, shown=shown,
    )  # fmt: skip


def session_drift(
    frame: pd.DataFrame, *, quantity: str = "reading_mm", confidence: float = 0.95
) -> tuple[Drift, ...]:
    """Look for a drift over the shooting order of each session.

    Parameters
    ----------
    frame : DataFrame
        Table of shots; the column ``order`` says when each was shot.
    quantity : str
        Column.
    confidence : float
        Of the interval.

    Returns
    -------
    tuple of Drift
        One per session: a straight line common to all conditions and shooters, each with its own level.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "order": range(6)})
    >>> shots["reading_mm"] = [50, 51, 52, 63, 64, 65]
    >>> (drift,) = session_drift(shots)
    >>> round(drift.slope, 2)  # mm a shot, within condition and shooter
    1.0
    """
    shots, _ = counted_shots(check_shots(frame, quantity=quantity), quantity)
    drifts = []
    for session, some in shots.groupby("session", sort=False):
        if "order" not in some.columns or some["order"].isna().all():
            drifts.append(_nothing(str(session), 0, "The shooting order is not known, so drift cannot be told."))
            continue
        drifts.append(_session_drift(str(session), some[some["order"].notna()], quantity, confidence))
    return tuple(drifts)
