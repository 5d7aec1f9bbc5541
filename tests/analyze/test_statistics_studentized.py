"""The studentized range against 30-digit values, printed tables and scipy's own slow integration."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from analyze.statistics.studentized import studentized_range_quantile, studentized_range_survival

REFERENCE = Path(__file__).parents[1] / "references/statistics/studentized_range_mpmath_ref.json"


def test_probabilities_agree_with_30_digit_values():
    cases = json.loads(REFERENCE.read_text(encoding="utf-8"))["cdf_data"]
    assert len(cases) == 72
    for case in cases:
        q, k, df = (case["src_case"][name] for name in ("q", "k", "v"))
        survival = studentized_range_survival(np.array([float(q)]), int(k), np.array([float(df)]))[0]
        # Measured: the worst is 9.9e-13.
        assert 1 - survival == pytest.approx(case["mp_result"], rel=0, abs=2e-12)


@pytest.mark.parametrize(
    ("k", "df", "printed"),
    # Upper 5 % points as printed in textbook tables of the studentized range.
    [(3, 10, 3.877), (3, 12, 3.773), (3, 27, 3.506), (4, 20, 3.958), (5, 30, 4.102)],
)
def test_quantiles_agree_with_printed_tables(k, df, printed):
    assert studentized_range_quantile(0.95, k, np.array([df]))[0] == pytest.approx(printed, rel=0, abs=5e-4)


@pytest.mark.parametrize(("k", "df"), [(3, 1.0), (3, 3.5), (6, 2.0), (200, 17.3), (40, 995.0)])
def test_quantiles_agree_with_scipy(k, df):
    assert studentized_range_quantile(0.95, k, np.array([df]))[0] == pytest.approx(
        stats.studentized_range.ppf(0.95, k, df), rel=1e-8
    )


@pytest.mark.parametrize("df", [1.0, 2.5, 30.0, np.inf])
def test_two_means_are_students_t(df):
    q = np.array([0.5, 2.0, 7.0])
    t_tail = 2 * (stats.norm.sf(q / np.sqrt(2)) if np.isinf(df) else stats.t.sf(q / np.sqrt(2), df))
    assert studentized_range_survival(q, 2, np.full(3, df)) == pytest.approx(t_tail, rel=1e-12)


@pytest.mark.parametrize("k", [3, 5, 200])
def test_many_quantiles_at_once_agree_with_single_ones(k):
    df = np.exp(np.random.default_rng(20240611).uniform(0, np.log(1e7), 120))
    together = studentized_range_quantile(0.95, k, df)
    alone = [studentized_range_quantile(0.95, k, np.array([one]))[0] for one in df[::10]]
    # Measured over 300 values: 3.6e-7 at worst, near one degree of freedom.
    assert together[::10] == pytest.approx(alone, rel=7e-7)
    back = studentized_range_survival(together, k, df)
    assert back == pytest.approx(np.full(120, 0.05), rel=0, abs=5e-8)


def test_known_spread_is_the_limit_of_many_degrees_of_freedom():
    q = np.array([1.0, 3.5, 5.0])
    known = studentized_range_survival(q, 4, np.full(3, np.inf))
    assert studentized_range_survival(q, 4, np.full(3, 1e7)) == pytest.approx(known, rel=0, abs=1e-6)


@pytest.mark.parametrize(("q", "k", "df"), [(1.0, 1, 3.0), (-1.0, 3, 3.0), (1.0, 3, 0.0)])
def test_impossible_arguments_are_refused(q, k, df):
    with pytest.raises(ValueError, match="must be"):
        studentized_range_survival(np.array([q]), k, np.array([df]))
