"""Both scopes against R (nlme, lme4, lmerTest, pbkrtest, emmeans) on eleven data sets, balanced and not.

The data and the numbers were made by `tests/references/statistics/comparisons/comparisons.R`; R is not needed here.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyze.statistics import Question, compare
from analyze.statistics.cells import reduce_to_cells
from analyze.statistics.general import general_model
from analyze.statistics.shots_table import check_shots

FOLDER = Path(__file__).parents[1] / "references/statistics/comparisons"
SHOTS = pd.read_csv(FOLDER / "shots.csv")
EXPECTED = pd.read_csv(FOLDER / "expected.csv", skipinitialspace=True)


def expected(name, scope):
    return EXPECTED[(EXPECTED["data"] == name) & (EXPECTED["scope"] == scope)]


@pytest.mark.parametrize("name", EXPECTED.loc[EXPECTED["scope"] == "these", "data"].unique())
def test_these_shooters_as_in_r(name):
    these = compare(SHOTS[SHOTS["data"] == name], Question(covariates=())).these
    for one in expected(name, "these").itertuples():
        row = these.pair(one.a, one.b)
        assert (row.difference, row.df) == pytest.approx((one.difference, one.df), rel=1e-8)
        assert row.se == pytest.approx(one.se, rel=1e-5)  # gls finds its variances by iterating
        assert row.p_adjusted == pytest.approx(one.p, rel=1e-4)


@pytest.mark.parametrize("name", EXPECTED.loc[EXPECTED["scope"] == "general", "data"].unique())
def test_shooters_in_general_as_in_r(name):
    """The model is R's; our answer is never sharper than for these shooters, which R leaves to the reader."""
    shots = check_shots(SHOTS[SHOTS["data"] == name])
    cells = reduce_to_cells(shots, "reading_mm")
    found = general_model(cells, np.arange(len(cells.conditions)), shared_sd=0.0).estimates
    ours = compare(shots, Question(covariates=()))
    for i, one in enumerate(expected(name, "general").itertuples()):
        # lmer stops at the bound and elsewhere to some 1e-6 of a variance; its df shows that most.
        assert (found.difference[i], found.se[i]) == pytest.approx((one.difference, one.se), rel=2e-4)
        assert found.df[i] == pytest.approx(one.df, rel=2e-3)
        general, these = ours.general.pair(one.a, one.b), ours.these.pair(one.a, one.b)
        assert general.difference == pytest.approx(one.difference, rel=2e-4)
        assert general.se == pytest.approx(max(one.se, these.se), rel=2e-4)
        if one.se > these.se and np.isfinite(one.p):  # R's ptukey has nothing below two degrees of freedom
            assert general.p_adjusted == pytest.approx(one.p, rel=5e-3)
