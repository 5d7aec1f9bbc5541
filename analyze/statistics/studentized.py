"""The studentized range, for many pairs of conditions at once.

`scipy.stats.studentized_range` integrates each value anew, some 0.1 s each; 200 conditions have 19,900 pairs, with
degrees of freedom of their own where spreads differ. Here the range of k normals is tabulated once for a k, and
each value costs one short quadrature over the spread.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy import special
from scipy.interpolate import CubicSpline
from scipy.optimize.elementwise import find_root
from scipy.stats import chi2

from calibrate.arrays import Floats

_RANGE_MAX = 20.0  # the range of 1000 normals exceeds it with probability 1e-17
_RANGE_STEP = 0.005
_KNOTS = 400  # of the spline that quantiles are read off; relative error below 1e-9 (tested)
_DF_MAX = 1e7
_NORMAL_NODES = 400
_SPREAD_NODES = 96
_TAIL = 1e-17  # of the spread's distribution, left out at either end
_CHUNK = 4000  # pairs per block, so that 19,900 of them take some 10 MB and not 1 GB


class _RangeTable(NamedTuple):
    width_max: float
    survival: CubicSpline


@lru_cache(maxsize=16)
def _range_survival(k: int) -> _RangeTable:
    """P(range of k standard normals > w), as a spline over w.

    P(range <= w) = k * integral of phi(z) [Phi(z) - Phi(z - w)]**(k - 1) dz; David & Nagaraja, Order Statistics,
    3rd ed. 2003, section 2.3. z is the largest of the k.
    """
    nodes, weights = _legendre(_NORMAL_NODES)
    z = 9.0 * nodes
    density = 9.0 * weights * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    widths = np.arange(0.0, _RANGE_MAX + _RANGE_STEP / 2, _RANGE_STEP)
    upper = special.ndtr(z)
    # The complement is integrated, so that small tails keep their digits; upper**(k-1) integrates to 1/k exactly.
    inside = upper[None, :] - special.ndtr(z[None, :] - widths[:, None])
    outside = k * ((upper[None, :] ** (k - 1) - inside ** (k - 1)) @ density)
    return _RangeTable(float(widths[-1]), CubicSpline(widths, np.clip(outside, 0.0, 1.0)))


def _spread_density(spread: Floats, df: Floats) -> Floats:
    """Density of sqrt(chi2(df) / df) at `spread`."""
    log_density = (
        (df / 2) * np.log(df) - special.gammaln(df / 2) - (df / 2 - 1) * np.log(2.0)
        + (df - 1) * np.log(spread) - df * spread**2 / 2
    )  # fmt: skip
    return np.asarray(np.exp(log_density), dtype=np.float64)


def studentized_range_survival(q: Floats, k: int, df: Floats) -> Floats:
    """Probability that a studentized range exceeds `q`.

    Parameters
    ----------
    q : (N,) array
        Values of the studentized range, zero or more.
    k : int
        Number of means compared, 2 or more.
    df : (N,) array
        Degrees of freedom of the spread, 1 or more (need not be whole); inf for a known spread.

    Returns
    -------
    (N,) array
        Right to 1e-9 (tested against 72 values computed with 30 digits).
    """
    if k < 2:
        raise ValueError(f"k must be 2 or more, but got {k!r}")
    q, df = np.broadcast_arrays(np.asarray(q, dtype=np.float64), np.asarray(df, dtype=np.float64))
    if (df <= 0).any() or (q < 0).any():
        raise ValueError("q must be zero or more and df above zero")
    if k == 2:  # the range of two is sqrt(2) |t|, exactly
        known = np.isinf(df)
        both = 2 * special.stdtr(np.where(known, 1e12, df), -q / np.sqrt(2))
        return np.asarray(np.where(known, 2 * special.ndtr(-q / np.sqrt(2)), both))
    table = _range_survival(k)
    result = np.empty(q.shape)
    known = np.isinf(df)
    result[known] = table.survival(np.minimum(q[known], table.width_max))
    nodes, weights = _legendre(_SPREAD_NODES)
    every = np.flatnonzero(~known)
    for start in range(0, len(every), _CHUNK):
        some = every[start : start + _CHUNK]
        q_some, df_some = q[some], df[some]
        lowest = np.sqrt(chi2.ppf(_TAIL, df_some) / df_some)
        highest = np.sqrt(chi2.isf(_TAIL, df_some) / df_some)
        # Beyond this spread the range can hardly be that wide any more: nothing left to integrate.
        highest = np.clip(table.width_max / np.maximum(q_some, 1e-300), lowest, highest)
        half = (highest - lowest) / 2
        spread = np.maximum(lowest + half, 0)[:, None] + half[:, None] * nodes
        wide = table.survival(np.minimum(q_some[:, None] * spread, table.width_max))
        result[some] = half * ((_spread_density(spread, df_some[:, None]) * wide) @ weights)
    return np.clip(result, 0.0, 1.0)


def studentized_range_quantile(confidence: float, k: int, df: Floats) -> Floats:
    """Value that a studentized range does not exceed with probability `confidence`.

    Parameters
    ----------
    confidence : float
        Between 0 and 1.
    k : int
        Number of means compared.
    df : (N,) array
        Degrees of freedom of the spread.

    Returns
    -------
    (N,) array
        Quantiles, off a spline that is made once for a confidence and k.

    Examples
    --------
    >>> studentized_range_quantile(0.95, 3, np.array([10.0])).round(2)  # 3.88 in the usual tables
    array([3.88])
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, but got {confidence!r}")
    distinct, where = np.unique(np.asarray(df, dtype=np.float64), return_inverse=True)
    if k == 2:
        one_sided = (1 + confidence) / 2
        known = np.isinf(distinct)
        t = np.where(known, special.ndtri(one_sided), special.stdtrit(np.where(known, 1.0, distinct), one_sided))
        return np.asarray(np.sqrt(2) * t[where])
    inside = (distinct >= 1) & (distinct <= _DF_MAX)
    found = np.empty(distinct.shape)
    found[inside] = np.exp(_quantile_spline(confidence, k)(np.log(distinct[inside])))
    if not inside.all():
        found[~inside] = _solve_quantile(confidence, k, distinct[~inside])
    return np.asarray(found[where])


@lru_cache(maxsize=16)
def _quantile_spline(confidence: float, k: int) -> CubicSpline:
    """Logarithm of the quantile over the logarithm of the degrees of freedom, from 1 to `_DF_MAX`."""
    # Closer together towards one degree of freedom, where quantiles rise steeply.
    knots = np.exp(np.log(_DF_MAX) * np.linspace(0.0, 1.0, _KNOTS) ** 2)
    return CubicSpline(np.log(knots), np.log(_solve_quantile(confidence, k, knots)))


@lru_cache(maxsize=4)
def _legendre(count: int) -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def _solve_quantile(confidence: float, k: int, df: Floats) -> Floats:
    def surplus(log_q: Floats, df: Floats) -> Floats:
        return studentized_range_survival(np.exp(log_q), k, df) - (1 - confidence)

    low = np.full(df.shape, np.log(1e-3))
    high = np.full(df.shape, np.log(50.0))
    while (short := surplus(high, df) > 0).any():
        high = np.where(short, high + 2, high)
    found = find_root(surplus, (low, high), args=(df,), tolerances={"xatol": 1e-12, "fatol": 1e-12})
    return np.asarray(np.exp(found.x))
