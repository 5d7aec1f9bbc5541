"""Mean squares of a complete two-way table, and intervals for variances that are differences of mean squares."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from calibrate.arrays import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquares:
    """Analysis of variance of a complete table of I rows and J columns, n values a cell.

    Attributes
    ----------
    rows, columns : int
        I and J.
    n : float
        Values per cell; the harmonic mean where they differ (analysis of unweighted means).
    row, column, interaction, within : float
        Mean squares per value; NaN where the degrees of freedom are 0.
    row_df, column_df, interaction_df, within_df : int
        Their degrees of freedom.
    """

    rows: int
    columns: int
    n: float
    row: float
    column: float
    interaction: float
    within: float
    row_df: int
    column_df: int
    interaction_df: int
    within_df: int


def mean_squares(table: Floats, count: Floats, *, within_ss: float, within_df: int) -> MeanSquares:
    """Compute the mean squares of a complete table of cell means.

    Parameters
    ----------
    table : (I, J) array
        Means of the cells.
    count : (I, J) array
        Values in each; all 1 or more.
    within_ss, within_df : float, int
        Sum of squares and degrees of freedom within the cells.

    Returns
    -------
    MeanSquares
        Exact for equal counts; else the unweighted-means analysis (Searle, Linear Models, 1971, section 8.3c).
    """
    rows, columns = table.shape
    n = table.size / float(np.sum(1 / count))
    grand = table.mean()
    by_row, by_column = table.mean(axis=1), table.mean(axis=0)
    residual = table - by_row[:, None] - by_column[None, :] + grand
    row_df, column_df = rows - 1, columns - 1

    def over(ss: float, df: int) -> float:
        return float(ss) / df if df > 0 else float("nan")

    return MeanSquares(
        rows=rows,
        columns=columns,
        n=n,
        row=over(n * columns * np.sum((by_row - grand) ** 2), row_df),
        column=over(n * rows * np.sum((by_column - grand) ** 2), column_df),
        interaction=over(n * np.sum(residual**2), row_df * column_df),
        within=over(within_ss, within_df),
        row_df=row_df,
        column_df=column_df,
        interaction_df=row_df * column_df,
        within_df=within_df,
    )


def chi_square_interval(mean_square: float, df: float, confidence: float) -> tuple[float, float]:
    """Interval for a variance from one mean square.

    Examples
    --------
    >>> low, high = chi_square_interval(4.0, 10, 0.95)
    >>> round(low, 3), round(high, 3)  # 40 / 20.483 and 40 / 3.247
    (1.953, 12.319)
    """
    tail = (1 - confidence) / 2
    return (
        float(mean_square * df / stats.chi2.isf(tail, df)),
        float(mean_square * df / stats.chi2.ppf(tail, df)),
    )


def difference_interval(
    first: float, first_df: int, second: float, second_df: int, divisor: float, confidence: float
) -> tuple[float, float]:
    """Interval for the variance ``(first - second) / divisor`` from two independent mean squares.

    Parameters
    ----------
    first, second : float
        Mean squares.
    first_df, second_df : int
        Their degrees of freedom.
    divisor : float
        What their expected difference holds the variance times.
    confidence : float
        Of the interval.

    Returns
    -------
    lo, hi : float
        Zero or more.

    Notes
    -----
    Modified large-sample method of Ting, Burdick, Graybill, Jeyaratnam & Lu 1990 (J. Stat. Comput. Simul. 35, 135),
    as in Burdick & Graybill, Confidence Intervals on Variance Components, 1992, section 3.3; coverage is tested.
    """
    tail = (1 - confidence) / 2
    f_high, f_low = stats.f.isf(tail, first_df, second_df), stats.f.isf(1 - tail, first_df, second_df)
    g1 = 1 - first_df / stats.chi2.isf(tail, first_df)
    h1 = first_df / stats.chi2.ppf(tail, first_df) - 1
    g2 = 1 - second_df / stats.chi2.isf(tail, second_df)
    h2 = second_df / stats.chi2.ppf(tail, second_df) - 1
    g12 = ((f_high - 1) ** 2 - (g1 * f_high) ** 2 - h2**2) / f_high
    h12 = ((1 - f_low) ** 2 - (h1 * f_low) ** 2 - g2**2) / f_low
    below = (g1 * first) ** 2 + (h2 * second) ** 2 + g12 * first * second
    above = (h1 * first) ** 2 + (g2 * second) ** 2 + h12 * first * second
    lo = (first - second - np.sqrt(max(below, 0.0))) / divisor
    hi = (first - second + np.sqrt(max(above, 0.0))) / divisor
    return max(float(lo), 0.0), max(float(hi), 0.0)
