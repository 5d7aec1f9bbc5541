"""REML on cells against published fits and statsmodels' MixedLM on the single observations."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analyze.statistics.mixed import Random, fit_reml

REFERENCES = Path(__file__).parents[1] / "references/statistics"

# Davies & Goldsmith 1972, section 6.4: yield of dyestuff, six batches of five.
DYESTUFF = """1545 1440 1440 1520 1580 / 1540 1555 1490 1560 1495 / 1595 1550 1605 1510 1560
/ 1445 1440 1595 1465 1545 / 1595 1630 1515 1635 1625 / 1520 1455 1450 1480 1445"""
# Box & Tiao 1973, section 5.1.2: made so that the variance between batches comes out below zero.
DYESTUFF2 = """7.298 3.846 2.434 9.566 7.99 / 5.22 6.556 .608 11.788 -.892 / .11 10.386 13.434 5.51 8.166
/ 2.212 4.852 7.092 9.288 4.98 / .282 9.014 4.458 9.446 7.198 / 1.722 4.782 8.106 .758 3.758"""


def fit_batches(text, *, free):
    values = np.array([[float(cell) for cell in row.split()] for row in text.split("/")])
    mean = values.mean(axis=1)
    return fit_reml(
        mean,
        np.full(6, 5.0),
        np.ones((6, 1)),
        (Random(name="batch", group=np.arange(6), free=free),),
        within_ss=float(((values - mean[:, None]) ** 2).sum()),
        within_df=24,
    )


def test_dyestuff_as_published():
    """Published REML fit (lme4's example): batch 1764.05, residual sd 49.5101, criterion 319.6543, SE 19.38341."""
    fit = fit_batches(DYESTUFF, free=False)
    assert fit.converged
    assert fit.singular == ()
    assert fit.beta[0] == pytest.approx(1527.5, rel=1e-12)
    assert np.sqrt(fit.beta_cov[0, 0]) == pytest.approx(19.38341, rel=0, abs=5e-6)
    assert fit.variances[0] == pytest.approx(1764.05, rel=0, abs=5e-3)
    assert np.sqrt(fit.variances[1]) == pytest.approx(49.5101, rel=0, abs=5e-5)
    assert fit.criterion == pytest.approx(319.6543, rel=0, abs=5e-5)
    # Balanced: exact are the batches' 5 degrees of freedom.
    assert fit.satterthwaite_df(np.ones((1, 1)))[0] == pytest.approx(5.0, rel=1e-6)


def test_dyestuff2_ends_at_the_boundary_and_says_so():
    """Published REML fit (lme4's example): batch 0, residual sd 3.715684, criterion 161.8283."""
    fit = fit_batches(DYESTUFF2, free=False)
    assert fit.singular == ("batch",)
    assert fit.variances[0] == 0.0
    assert np.sqrt(fit.variances[1]) == pytest.approx(3.715684, rel=0, abs=5e-7)
    assert fit.criterion == pytest.approx(161.8283, rel=0, abs=5e-5)


def test_free_variance_is_the_moment_estimate_below_zero():
    """The moment estimate of the analysis of variance is (8.336326 - 14.945890) / 5 = -1.321913."""
    fit = fit_batches(DYESTUFF2, free=True)
    assert fit.singular == ("batch",)
    assert fit.variances[0] == pytest.approx(-1.321913, rel=0, abs=5e-7)
    assert fit.beta_cov[0, 0] == pytest.approx(8.336326 / 30, rel=0, abs=1e-6)


def test_nested_pastes_as_published():
    """Davies & Goldsmith 1972; statsmodels' own test holds R's lme4 figures for the same file."""
    paste = pd.read_csv(REFERENCES / "pastes.csv")
    cells = paste.groupby(["batch", "cask"])["strength"].agg(["mean", "count"]).reset_index()
    centred = paste["strength"] - paste.groupby(["batch", "cask"])["strength"].transform("mean")
    fit = fit_reml(
        cells["mean"].to_numpy(),
        cells["count"].to_numpy(dtype=float),
        np.ones((len(cells), 1)),
        (
            Random(name="batch", group=pd.factorize(cells["batch"])[0]),
            Random(name="cask", group=np.arange(len(cells))),
        ),
        within_ss=float((centred**2).sum()),
        within_df=len(paste) - len(cells),
    )
    assert fit.beta[0] == pytest.approx(60.0533, rel=0, abs=5e-5)
    assert np.sqrt(fit.beta_cov[0, 0]) == pytest.approx(0.6769, rel=0, abs=5e-5)
    assert fit.variances == pytest.approx([1.65731, 8.43367, 0.67800], rel=0, abs=5e-6)


def crossed_shots(seed, *, shooter_sd=8.0, interaction_sd=6.0):
    """Three conditions, five shooters, 2 to 7 shots a cell, one cell missing."""
    rng = np.random.default_rng(seed)
    rows = []
    for s in range(5):
        own = rng.normal(0, shooter_sd)
        for c in range(3):
            both = rng.normal(0, interaction_sd)
            if (s, c) != (4, 1):
                rows += [
                    (f"C{c}", f"S{s}", 40 + 7 * c + own + both + e) for e in rng.normal(0, 5, 2 + (s * 3 + c) % 6)
                ]
    return pd.DataFrame(rows, columns=["condition", "shooter", "reading_mm"])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_crossed_unbalanced_fit_agrees_with_statsmodels(seed):
    shots = crossed_shots(seed)
    model = smf.mixedlm(
        "reading_mm ~ 0 + condition",
        shots,
        groups="shooter",
        re_formula="1",
        vc_formula={"cell": "0 + C(condition)"},
    )
    other = model.fit(reml=True, method=["lbfgs", "bfgs"], maxiter=2000)
    cells = shots.groupby(["condition", "shooter"])["reading_mm"].agg(["mean", "count"]).reset_index()
    centred = shots["reading_mm"] - shots.groupby(["condition", "shooter"])["reading_mm"].transform("mean")
    condition = pd.factorize(cells["condition"])[0]
    fit = fit_reml(
        cells["mean"].to_numpy(),
        cells["count"].to_numpy(dtype=float),
        np.eye(3)[condition],
        (
            Random(name="shooter", group=pd.factorize(cells["shooter"])[0]),
            Random(name="cell", group=np.arange(len(cells))),
        ),
        within_ss=float((centred**2).sum()),
        within_df=len(shots) - len(cells),
    )
    assert fit.converged
    # statsmodels stops within about 1e-4 of the optimum; ours may only be better.
    assert fit.beta == pytest.approx(other.fe_params.to_numpy(), rel=1e-4)
    # Its standard errors come from the observed information of all parameters; the textbook's (X'V^-1 X)^-1, from
    # its own variances and the single shots, is what ours are.
    same_shooter = shots["shooter"].to_numpy()[:, None] == shots["shooter"].to_numpy()
    same_condition = shots["condition"].to_numpy()[:, None] == shots["condition"].to_numpy()
    V = (
        same_shooter * (other.cov_re.iloc[0, 0] + same_condition * other.vcomp[0])
        + np.eye(len(shots)) * other.scale
    )
    X = pd.get_dummies(shots["condition"]).to_numpy(dtype=float)
    assert fit.beta_cov == pytest.approx(np.linalg.inv(X.T @ np.linalg.solve(V, X)), rel=1e-3)
    assert fit.variances == pytest.approx([other.cov_re.iloc[0, 0], other.vcomp[0], other.scale], rel=5e-3)
    assert fit.criterion <= -2 * other.llf + 1e-6
    assert fit.criterion == pytest.approx(-2 * other.llf, rel=0, abs=1e-3)


def test_dependent_fixed_effects_are_refused():
    with pytest.raises(ValueError, match="linearly dependent"):
        fit_reml(np.arange(4.0), np.ones(4), np.ones((4, 2)), (), within_ss=1.0, within_df=4)
