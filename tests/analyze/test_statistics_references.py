"""Statistics against pingouin, NIST's largest one-way sets and a published mixed model.

Numbers of pingouin 0.7.0 (scipy 1.17.1) were computed once, outside the project, by the command beside each check;
``long`` there is the data as a table with columns c (condition) and v (value).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyze.statistics import Question, agreement, compare
from analyze.statistics.mixed import Random, fit_reml

REFERENCES = Path(__file__).parents[1] / "references/statistics"

# Made up for the checks: cells of 5, 7 and 4; spreads of 1.7, 7.5 and 0.7, and of 1.7, 2.6 and 1.9.
UNEQUAL_SPREADS = {
    "A": [62.1, 64.8, 60.3, 63.7, 61.9],
    "B": [71.2, 58.9, 80.4, 66.3, 75.8, 69.1, 62.7],
    "C": [66.0, 65.2, 66.9, 65.7],
}
LIKE_SPREADS = {
    "A": [62.1, 64.8, 60.3, 63.7, 61.9],
    "B": [71.2, 66.9, 72.4, 69.3, 66.8, 69.1, 65.7],
    "C": [66.0, 63.2, 67.9, 65.7],
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


@pytest.mark.parametrize(
    ("a", "b", "difference", "se", "p"),
    # pingouin.pairwise_tukey(data=long, dv="v", between="c"); its diff is a minus b.
    [
        ("A", "B", 6.211428571429, 1.252966088463, 0.0007129767852907),
        ("A", "C", 3.14, 1.435452985899, 0.110861257592),
        ("B", "C", -3.071428571429, 1.341220068291, 0.09300042857844),
    ],
)
def test_tukey_kramer_agrees_with_pingouin(a, b, difference, se, p):
    row = compare(one_shooter(LIKE_SPREADS)).these.pair(a, b)
    assert row.method.startswith("Tukey-Kramer")
    assert (row.difference, row.se) == pytest.approx((difference, se), rel=1e-10)
    assert row.p_adjusted == pytest.approx(p, rel=1e-6)


@pytest.mark.parametrize(
    ("data", "a", "b", "df", "p"),
    [
        # Pooled variance, by pingouin.tost(C, A, bound=6, correction=False)
        (LIKE_SPREADS, "A", "C", 7, 0.02595070679539),
        # Not pooled (Welch), by pingouin.tost(C, B, bound=6, correction=True)
        (UNEQUAL_SPREADS, "B", "C", 6.193184860024, 0.1833771387592),
    ],
)
def test_equivalence_agrees_with_pingouin(data, a, b, df, p):
    row = compare(one_shooter({a: data[a], b: data[b]}), Question(margin=6.0)).these.pair(a, b)
    assert row.df == pytest.approx(df, rel=1e-10)
    assert row.p_same == pytest.approx(p, rel=1e-6)


def test_agreement_agrees_with_pingouin():
    """Table of Shrout & Fleiss 1979; pingouin.intraclass_corr(data, targets="p", raters="r", ratings="v")."""
    table = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])
    found = agreement(table.astype(float))
    single = (found.one_way, found.absolute, found.consistent)
    mean = (found.mean_one_way, found.mean_absolute, found.mean_consistent)
    assert single == pytest.approx((0.1657417684055, 0.2897637795276, 0.7148407148407), rel=1e-11)
    assert mean == pytest.approx((0.4427971336793, 0.620050547599, 0.9093155423771), rel=1e-11)


def test_f_test_agrees_with_the_longest_nist_set():
    """NIST StRD SmLs09, certified F 2001.0 and R squared 0.470712773465067.

    Its 18,009 values are rebuilt by their pattern, less the leading 1e12, beside which doubles keep few digits.
    """
    rows = []
    for k, centre in enumerate([0.4, *[0.3, 0.5] * 4]):
        rows += [(f"C{k}", "S1", centre)]
        rows += [(f"C{k}", "S1", centre + (0.1 if i % 2 else -0.1)) for i in range(2000)]
    omnibus = compare(pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])).these.omnibus
    assert (omnibus.df_conditions, omnibus.df_error) == (8, 18000)
    assert omnibus.f == pytest.approx(2001.0, rel=1e-9)
    explained = omnibus.f * omnibus.df_conditions
    assert explained / (explained + omnibus.df_error) == pytest.approx(0.470712773465067, rel=1e-9)


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
