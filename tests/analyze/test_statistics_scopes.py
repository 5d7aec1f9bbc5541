"""In general nothing is told more sharply than for these shooters: the wider of both intervals, and no wider."""

import numpy as np
import pytest

from analyze.statistics.pairwise import Estimates, half_width_factor
from analyze.statistics.scopes import no_sharper


def estimates(se, df):
    n = len(se)
    zeros = np.zeros(n)
    return Estimates(
        a=np.zeros(n, dtype=np.int64), b=np.ones(n, dtype=np.int64), difference=zeros, se=np.array(se),
        df=np.array(df), k=3, method="", notes=("",) * n, lasting_variance=zeros, shots_a=zeros + 5,
        shots_b=zeros + 5, df_grows=False, shooters=3,
    )  # fmt: skip


# General, then these shooters: error and degrees of freedom; the two ends of what may happen and both between.
PAIRS = [
    ((4.0, 2.0), (3.0, 20.0)),  # general wider in both
    ((1.0, 2.0), (3.0, 20.0)),  # interaction came out near zero: 5.9 x 1 falls short of 2.53 x 3
    ((2.0, 2.0), (3.0, 20.0)),  # error of the shots larger, interval of the few degrees of freedom wider
    ((4.0, 50.0), (3.0, 4.0)),  # error larger, interval narrower
]


@pytest.mark.parametrize(("general", "these"), PAIRS)
def test_the_interval_is_the_wider_one_and_the_error_the_larger(general, these):
    one, least = estimates([general[0]], [general[1]]), estimates([these[0]], [these[1]])
    found, changed = no_sharper(one, least, 0.95)

    def half(some):
        return float(half_width_factor(0.95, some.k, some.df)[0] * some.se[0])

    assert half(found) == pytest.approx(max(half(one), half(least)), rel=1e-6)
    assert found.se[0] == max(general[0], these[0])
    assert changed == (half(least) > half(one) or these[0] > general[0])


def test_a_pair_without_an_interval_stays_without():
    one, least = estimates([np.nan, 1.0], [2.0, 2.0]), estimates([1.0, np.nan], [5.0, 5.0])
    found, changed = no_sharper(one, least, 0.95)
    assert not changed
    assert np.isnan(found.se[0])
    assert found.se[1] == 1.0
