"""Statistics against pingouin, NIST's largest one-way sets and a published mixed model.

Numbers of pingouin 0.7.0 (scipy 1.17.1) were computed once, outside the project, by the command beside each check;
``long`` there is the data as a table with columns c (condition) and v (value).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyze.statistics import Question, compare, variance_components
from analyze.statistics.mixed import Random, fit_reml

REFERENCES = Path(__file__).parents[1] / "references/statistics"

# Made up for the checks: cells of 5, 7 and 4; spreads of 1.7, 7.5 and 0.7.
UNEQUAL_SPREADS = {
    "A": [62.1, 64.8, 60.3, 63.7, 61.9],
    "B": [71.2, 58.9, 80.4, 66.3, 75.8, 69.1, 62.7],
    "C": [66.0, 65.2, 66.9, 65.7],
}


def one_shooter(data):
    rows = [(name, "S1", value) for name, values in data.items() for value in values]
    return pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])


@pytest.mark.parametrize(
    ("a", "b", "difference", "se", "df", "p"),
    # pingouin.pairwise_gameshowell(data=long, dv="v", between="c"); its diff is a minus b.
    [
        ("A", "B", 6.64, 2.907753182687, 6.896851358808, 0.1250086544435),
        ("A", "C", 3.39, 0.8550438585242, 5.538820598415, 0.02012196878611),
        ("B", "C", -3.25, 2.824699731198, 6.193184860024, 0.5201651537538),
    ],
)
def test_games_howell_agrees_with_pingouin(a, b, difference, se, df, p):
    row = compare(one_shooter(UNEQUAL_SPREADS)).these.pair(a, b)
    assert row.method.startswith("Games-Howell")
    assert (row.difference, row.se, row.df) == pytest.approx((difference, se, df), rel=1e-10)
    assert row.p_adjusted == pytest.approx(p, rel=1e-6)


def test_equivalence_agrees_with_pingouin():
    """By Welch: pingouin.tost(C, B, bound=6, correction=True)."""
    pair = {name: UNEQUAL_SPREADS[name] for name in "BC"}
    row = compare(one_shooter(pair), Question(margin=6.0)).these.pair("B", "C")
    assert row.df == pytest.approx(6.193184860024, rel=1e-10)
    assert row.p_same == pytest.approx(0.1833771387592, rel=1e-6)


def test_f_test_agrees_with_the_longest_nist_set():
    """NIST StRD SmLs09, certified F 2001.0 and R squared 0.470712773465067.

    Its 18,009 values are rebuilt by their pattern, less the leading 1e12, beside which doubles keep few digits.
    """
    rows = []
    for k, centre in enumerate([0.4, *[0.3, 0.5] * 4]):
        rows += [(f"C{k}", "S1", centre)]
        rows += [(f"C{k}", "S1", centre + (0.1 if i % 2 else -0.1)) for i in range(2000)]
    parts = variance_components(pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"]))
    f = 1 + 2001 * parts.row("condition").variance / parts.row("shot").variance
    assert f == pytest.approx(2001.0, rel=1e-9)
    assert 8 * f / (8 * f + 18000) == pytest.approx(0.470712773465067, rel=1e-9)


def test_growth_of_pigs_as_fitted_by_lme4():
    """R lme4's Weight ~ Time + (1 | Pig) by REML, as held in statsmodels/regression/tests/test_lme.py."""
    pigs = pd.read_csv(REFERENCES / "dietox.csv")
    fit = fit_reml(
        pigs["Weight"].to_numpy(),
        np.ones(len(pigs)),
        np.column_stack([np.ones(len(pigs)), pigs["Time"]]),
        (Random(name="pig", group=pd.factorize(pigs["Pig"])[0]),),
        within_ss=0.0,
        within_df=0,
    )
    assert fit.converged
    assert fit.beta == pytest.approx([15.723523, 6.942505], rel=1e-6)
    assert np.sqrt(np.diag(fit.beta_cov)) == pytest.approx([0.78805374, 0.03338727], rel=1e-6)
    assert fit.variances[-1] == pytest.approx(11.36692, rel=1e-6)
