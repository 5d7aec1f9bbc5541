"""Do conditions differ: for these shooters, for shooters in general, raw and at equal speed and tip offset."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from analyze.statistics.blocks import Spreads, block_model, compare_spreads
from analyze.statistics.cells import Cells, reduce_to_cells
from analyze.statistics.general import general_model
from analyze.statistics.keep_rules import CHOSEN_FROM, MOST_CHOSEN_FROM, chosen_cells
from analyze.statistics.pairwise import Model, OmnibusTest, PairRow, judge
from analyze.statistics.question import SCOPE_WORDS, Question, Scope
from analyze.statistics.scopes import NO_SHARPER, no_bolder, no_sharper
from analyze.statistics.sessions import sessions_model
from analyze.statistics.shots_table import check_shots, counted_shots, listed, sd_column, unit_of
from calibrate.arrays import Ints
from calibrate.errors import SessionError

# Share of a covariate's scatter that lies within cells below which its slope is told by rounding only.
LEAST_WITHIN_SHARE = 1e-6
FAR_APART = 2.0  # within-cell sds between the covariate means of conditions from which adjusting extrapolates


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionMean:
    """Mean of one condition, shooters weighing alike; in the unit of the quantity.

    Attributes
    ----------
    condition : str
        Condition.
    mean : float
        Adjusted where the comparison is.
    se, df, lo, hi : float or None
        Standard error, degrees of freedom and t interval (of this mean alone); None when they do not exist.
    """

    condition: str
    mean: float
    se: float | None
    df: float | None
    lo: float | None
    hi: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """A covariate that results were adjusted for.

    Attributes
    ----------
    covariate : str
        Column, named with its unit.
    value : float
        The common value that results are for.
    slope : float
        Change of the quantity per unit of the covariate, from within the cells.
    slope_se : float
        Its standard error.
    """

    covariate: str
    value: float
    slope: float
    slope_se: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All pairs of conditions in one scope.

    Attributes
    ----------
    scope : Scope
        For whom it holds.
    words : str
        The scope in words.
    rows : tuple of PairRow
        One per pair, the reference first.
    means : tuple of ConditionMean
        Of each condition.
    omnibus : OmnibusTest or None
        F test of no difference at all, where it exists.
    spreads : Spreads or None
        Whether the conditions scatter alike; None in scope `general`. It chooses nothing.
    adjustments : tuple of Adjustment
        Empty for raw results.
    notes : tuple of str
        Sentences on what was left out, singular fits, what does not exist.
    """

    scope: Scope
    words: str
    rows: tuple[PairRow, ...]
    means: tuple[ConditionMean, ...]
    omnibus: OmnibusTest | None
    spreads: Spreads | None
    adjustments: tuple[Adjustment, ...]
    notes: tuple[str, ...]

    def pair(self, a: str, b: str) -> PairRow | None:
        """Return the row of b minus a, None when there is none in this order."""
        return next((row for row in self.rows if (row.a, row.b) == (a, b)), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparisons:
    """What a table of shots says to one question.

    Attributes
    ----------
    question : Question
        What was asked.
    these, general : Comparison
        Raw results in both scopes.
    adjusted_these, adjusted_general : Comparison or None
        At common values of the covariates; None when none can be adjusted for.
    notes : tuple of str
        Sentences that concern all.
    caution : str
        What must stand beside the answer wherever it is told: that shots were chosen by their values. Mostly empty.
    """

    question: Question
    these: Comparison
    general: Comparison
    adjusted_these: Comparison | None
    adjusted_general: Comparison | None
    notes: tuple[str, ...]
    caution: str = ""

    @property
    def parts(self) -> tuple[Comparison, ...]:
        """The comparisons that exist, raw ones first."""
        every = (self.these, self.general, self.adjusted_these, self.adjusted_general)
        return tuple(part for part in every if part is not None)

    def frame(self) -> pd.DataFrame:
        """Return all rows as `out/comparisons.csv` has them (numbers ending ``_mm`` or ``_deg``)."""
        return comparisons_frame(self)


def comparisons_frame(*several: Comparisons) -> pd.DataFrame:
    """Rows of several quantities as `out/comparisons.csv` has them, lengths and angles in columns of their own."""
    frames = []
    for comparisons in several:
        unit = unit_of(comparisons.question.quantity)
        rows = [row for part in comparisons.parts for row in part.rows]
        frames.append(
            pd.DataFrame(
                {
                    "a": [row.a for row in rows],
                    "b": [row.b for row in rows],
                    "quantity": [row.quantity for row in rows],
                    "scope": [str(row.scope) for row in rows],
                    f"difference_{unit}": pd.Series([row.difference for row in rows], dtype=float),
                    f"se_{unit}": pd.Series([row.se for row in rows], dtype=float),
                    "df": pd.Series([row.df for row in rows], dtype=float),
                    f"lo_{unit}": pd.Series([row.lo for row in rows], dtype=float),
                    f"hi_{unit}": pd.Series([row.hi for row in rows], dtype=float),
                    "p_adjusted": pd.Series([row.p_adjusted for row in rows], dtype=float),
                    "method": [row.method for row in rows],
                    f"margin_{unit}": pd.Series([row.margin for row in rows], dtype=float),
                    "verdict": [str(row.verdict) for row in rows],
                    "more_shots": pd.Series([row.more_shots for row in rows], dtype="Int64"),
                }
            )
        )
    return pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]


def _order(conditions: tuple[str, ...], reference: str | None) -> Ints:
    places = list(range(len(conditions)))
    if reference is not None:
        if reference not in conditions:
            raise SessionError(
                f"reference '{reference}' is not among the conditions with shots ({listed(conditions)}); "
                "name one of these as reference, or leave it out"
            )
        places.insert(0, places.pop(conditions.index(reference)))
    return np.array(places, dtype=np.int64)


def _means(model: Model, names: tuple[str, ...], confidence: float) -> tuple[ConditionMean, ...]:
    means = []
    for name, mean, se, df in zip(names, model.mean, model.mean_se, model.mean_df, strict=True):
        known = bool(np.isfinite(se) and se > 0 and np.isfinite(df) and df > 0)
        half = float(special.stdtrit(df, (1 + confidence) / 2) * se) if known else None
        means.append(
            ConditionMean(
                condition=name,
                mean=float(mean),
                se=float(se) if known else None,
                df=float(df) if known else None,
                lo=None if half is None else float(mean) - half,
                hi=None if half is None else float(mean) + half,
            )
        )
    return tuple(means)


def _adjustments(cells: Cells) -> tuple[Adjustment, ...]:
    variance = cells.shot_variance or 0.0
    return tuple(
        Adjustment(
            covariate=name,
            value=float(cells.covariate_mean[:, k].mean()),
            slope=float(cells.slope[k]),
            slope_se=float(np.sqrt(variance * cells.slope_cov_per_variance[k, k])),
        )
        for k, name in enumerate(cells.covariate_names)
    )


def _compare_cells(cells: Cells, question: Question, *, outlook: bool) -> tuple[Comparison, Comparison]:
    """Compare in both scopes: for these shooters, and for shooters in general."""
    order = _order(cells.conditions, question.reference)
    several = len(cells.sessions) > 1
    these = sessions_model(cells, order, shared_sd=question.shared_sd) if several else block_model(cells, order)
    general = general_model(cells, order, shared_sd=question.shared_sd)
    estimates, widened = no_sharper(general.estimates, these.estimates, question.confidence)
    if widened:
        general = replace(general, estimates=estimates, notes=(*general.notes, NO_SHARPER))
    own = _comparison(cells, order, question, Scope.THESE, these, outlook=outlook)
    if not several:
        own = replace(own, spreads=compare_spreads(cells))
    beyond = _comparison(cells, order, question, Scope.GENERAL, general, outlook=outlook)
    # The two estimates differ a little in unbalanced tests, so that intervals of equal width do not settle it.
    rows = no_bolder(beyond.rows, own.rows)
    return own, replace(beyond, rows=rows)


def _comparison(
    cells: Cells, order: Ints, question: Question, scope: Scope, model: Model, *, outlook: bool
) -> Comparison:
    adjustments = _adjustments(cells)
    label = question.quantity
    if adjustments:
        label += " at " + ", ".join(f"{a.covariate} {a.value:.4g}" for a in adjustments)
    notes = list(model.notes)
    if cells.weighted:
        notes.append("Shots are weighted by their own measuring uncertainty, which differs much between them.")
    return Comparison(
        scope=scope,
        words=SCOPE_WORDS[scope],
        rows=judge(model.estimates, cells.conditions, scope, question, label=label, outlook=outlook),
        means=_means(model, tuple(cells.conditions[k] for k in order), question.confidence),
        omnibus=model.omnibus,
        spreads=None,
        adjustments=adjustments,
        notes=tuple(notes),
    )


def _within_scatter(shots: pd.DataFrame, column: str) -> tuple[float, float]:
    """Sum of squares of a column within cells, and in all."""
    values = shots[column]
    cell_mean = values.groupby([shots["condition"], shots["shooter"], shots["session"]], sort=False).transform(
        "mean"
    )
    return float(((values - cell_mean) ** 2).sum()), float(((values - values.mean()) ** 2).sum())


def usable_covariates(shots: pd.DataFrame, covariates: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Which covariates the shots allow to adjust for, and sentences on those they do not.

    Parameters
    ----------
    shots : DataFrame
        Counted shots.
    covariates : tuple of str
        Columns asked for.

    Returns
    -------
    usable : tuple of str
        Known for some shots and varying between shots of the same condition and shooter.
    notes : tuple of str
        Why the others are not.
    """
    usable: list[str] = []
    notes = []
    for name in covariates:
        if name not in shots.columns or shots[name].isna().all():
            notes.append(f"{name} is not known, so nothing is adjusted for it.")
            continue
        known = shots[shots[name].notna()]
        within, total = _within_scatter(known, name)
        if within <= LEAST_WITHIN_SHARE * total or total <= 0:
            differs = known.groupby("condition", sort=False)[name].mean()
            tail = (
                "; it differs between conditions, so compare only those at equal values"
                if np.ptp(differs.to_numpy()) > 1e-9 * max(1.0, float(differs.abs().max()))
                else ""
            )
            notes.append(f"{name} does not vary between shots of one condition and shooter: no adjusting{tail}.")
            continue
        usable.append(name)
    return tuple(usable), tuple(notes)


def _drop_dependent(shots: pd.DataFrame, covariates: tuple[str, ...]) -> tuple[str, ...]:
    """Covariates that are not a linear function, within the cells, of those before them."""
    kept: list[str] = []
    keys = [shots["condition"], shots["shooter"], shots["session"]]
    for name in covariates:
        some = shots[[*kept, name]]
        centred = (some - some.groupby(keys, sort=False).transform("mean")).to_numpy(dtype=np.float64)
        scale = np.sqrt((centred**2).sum(axis=0))
        if (scale > 0).all() and np.linalg.matrix_rank(centred / scale, tol=1e-6) == len(kept) + 1:
            kept.append(name)
    return tuple(kept)


def _far_apart(shots: pd.DataFrame, covariate: str) -> str | None:
    within, _ = _within_scatter(shots, covariate)
    sd = float(np.sqrt(within / max(len(shots) - shots["condition"].nunique(), 1)))
    means = shots.groupby("condition", sort=False)[covariate].mean()
    apart = float(np.ptp(means.to_numpy()))
    if apart <= FAR_APART * sd:
        return None
    return (
        f"The conditions' mean {covariate} lies up to {apart:.3g} apart, {apart / sd:.1f} times its scatter within "
        "one condition: adjusting extrapolates."
    )


def _adjusted(
    shots: pd.DataFrame, question: Question, *, outlook: bool
) -> tuple[tuple[Comparison | None, Comparison | None], tuple[str, ...]]:
    covariates, notes = usable_covariates(shots, question.covariates)
    known = shots.dropna(subset=list(covariates)) if covariates else shots
    covariates = _drop_dependent(known, covariates)
    if not covariates or known["condition"].nunique() < 2:
        return (None, None), notes
    cells = reduce_to_cells(known, question.quantity, covariates)
    if cells.within_df < 1:
        return (None, None), (*notes, "Too few shots to adjust for covariates.")
    said = list(notes)
    if len(known) < len(shots):
        said.append(
            f"{len(shots) - len(known)} shots lack {listed(covariates)} and are left out of adjusted results."
        )
    said.extend(note for name in covariates if (note := _far_apart(known, name)))
    return _compare_cells(cells, question, outlook=outlook), tuple(said)


def _nothing(scope: Scope, note: str) -> Comparison:
    return Comparison(
        scope=scope, words=SCOPE_WORDS[scope], rows=(), means=(), omnibus=None, spreads=None, adjustments=(),
        notes=(note,),
    )  # fmt: skip


def _candidates(table: pd.DataFrame, shots: pd.DataFrame, quantity: str) -> pd.DataFrame | None:
    """All shots of which some were chosen by their values; None where nobody chose."""
    if CHOSEN_FROM not in table.columns:
        return None
    candidates = table[table[CHOSEN_FROM].notna() & table[quantity].notna() & (table["role"] == "test")]
    return candidates if len(candidates) > len(shots) else None


def _compare_chosen(
    shots: pd.DataFrame, candidates: pd.DataFrame, question: Question, notes: tuple[str, ...], *, outlook: bool
) -> Comparisons:
    """Compare shots that a rule chose by their values, with the error that the choosing leaves."""
    own = sd_column(question.quantity)
    plain = reduce_to_cells(shots.drop(columns=[own], errors="ignore"), question.quantity)
    cells = chosen_cells(plain, candidates.drop(columns=[own], errors="ignore"), question.quantity)
    if cells is None:
        caution = (
            "Shots were chosen by their values in a way whose error is not known (one of several, or of more than "
            f"{MOST_CHOSEN_FROM}), so no verdict is given."
        )
        these, general = _nothing(Scope.THESE, caution), _nothing(Scope.GENERAL, caution)
    else:
        caution = (
            f"Shots were chosen by their values ({len(shots)} of {len(candidates)} count): every interval carries "
            "the error of the choosing, found by simulating the rule, and is wider than all shots would give."
        )
        these, general = _compare_cells(cells, question, outlook=outlook)
    return Comparisons(
        question=question, these=these, general=general, adjusted_these=None, adjusted_general=None,
        notes=(*notes, caution, "Nothing is adjusted for where shots are chosen by their values."), caution=caution,
    )  # fmt: skip


def compare(frame: pd.DataFrame, question: Question | None = None, *, outlook: bool = True) -> Comparisons:
    """Compare all conditions of a table of shots.

    Parameters
    ----------
    frame : DataFrame
        Table of shots; columns as in `analyze.statistics.shots_table`. Control shots are not compared.
    question : Question
        What is asked; default: readings, 95 %, no margin.
    outlook : bool
        Whether to work out how many more shots would settle what is undecided; it takes half of the time, which
        thousands of simulated tests can do without.

    Returns
    -------
    Comparisons
        Both scopes, raw and adjusted; what does not exist is None, with a sentence in `notes`.

    Raises
    ------
    SessionError
        If the table cannot be used, or the reference is none of its conditions.

    Notes
    -----
    Several sessions bring session in as a random effect, with the calibration's shared uncertainty as the least
    that it can vary.

    Examples
    --------
    >>> import pandas as pd
    >>> shots = pd.DataFrame({"condition": list("AAABBB"), "shooter": "S1", "reading_mm": [50, 52, 54, 60, 61, 65]})
    >>> row = compare(shots).these.pair("A", "B")
    >>> row.difference, row.lo < 10 < row.hi
    (10.0, True)
    """
    question = question or Question()
    table = check_shots(frame, quantity=question.quantity)
    counted, notes = counted_shots(table, question.quantity)
    shots = counted[counted["role"] == "test"]
    if shots["condition"].nunique() < 2:
        only = listed(shots["condition"].unique())
        note = f"Only condition {only} has shots: nothing to compare." if only else "No shots to compare."
        return Comparisons(
            question=question, these=_nothing(Scope.THESE, note), general=_nothing(Scope.GENERAL, note),
            adjusted_these=None, adjusted_general=None, notes=(*notes, note),
        )  # fmt: skip
    chosen = _candidates(table, shots, question.quantity)
    if chosen is not None:
        return _compare_chosen(shots, chosen, question, notes, outlook=outlook)
    cells = reduce_to_cells(shots, question.quantity)
    these, general = _compare_cells(cells, question, outlook=outlook)
    (adjusted_these, adjusted_general), adjusted_notes = _adjusted(shots, question, outlook=outlook)
    return Comparisons(
        question=question,
        these=these,
        general=general,
        adjusted_these=adjusted_these,
        adjusted_general=adjusted_general,
        notes=(*notes, *adjusted_notes),
    )
