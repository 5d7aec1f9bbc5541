"""What the statistics say of the shots of a report: each part that the shots allow, a sentence for the rest."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import pandas as pd

from analyze.cue.cue_table import Ball, CueTable, cue_table
from analyze.cue.difference_split import DifferenceSplit, split_difference
from analyze.report.evidence import QUANTITIES, Evidence
from analyze.report.pairs_plot import clearest_pairs
from analyze.statistics import (
    Comparisons,
    Design,
    Drift,
    FactorEffect,
    GaugeStudy,
    KeepRule,
    KeepRules,
    MeasurementFitness,
    OutlierFlag,
    PermutationCheck,
    Question,
    RatioRow,
    Summary,
    Trend,
    VarianceComponents,
    apply_keep_rule,
    check_by_permutation,
    compare,
    compare_factors,
    compare_keep_rules,
    compare_ratios,
    compare_values,
    flag_outliers,
    gauge_study,
    measurement_fitness,
    session_drift,
    summarise,
    variance_components,
)
from analyze.statistics.readings import own_columns
from calibrate.units import mm_from_m

MOST_SPLITS = 6  # pairs whose difference is split into squirt, swerve and speed; more are for out/comparisons.csv
G_PER_KG = 1000.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Findings:
    """What the statistics say.

    Attributes
    ----------
    table : DataFrame
        The shots, `kept` as the keep rule of the settings left it.
    unchosen : DataFrame
        The same, with the shots kept from which a rule chose by their values: only these show how shots scatter.
    summary : Summary
        Of the readings.
    parts : dict of str to Summary
        Of squirt and swerve, by quantity; empty where nothing was measured.
    comparisons : dict of str to Comparisons
        By quantity; readings first. Squirt is among them only where no tip offset is known.
    squirt_at : tuple of (float, Comparisons)
        Squirt at each tip offset (mm) that conditions share: it is compared at equal offset only.
    components : VarianceComponents
        Where the readings' variation comes from.
    fitness : MeasurementFitness or None
        Whether measuring is good enough; None where it is not known.
    keep_rules : KeepRules
        What each rule would have given.
    flags : tuple of OutlierFlag
        Shots to look at.
    drifts : tuple of Drift
        Over each session.
    gauge : GaugeStudy or None
        Shots that several sessions measured, each with its own marks; None where there are none.
    cue : CueTable or None
        What the shots say of the cues; None where no squirt was measured.
    splits : tuple of DifferenceSplit
        What net differences are made of, of the first few pairs.
    notes : tuple of str
        What was left out and why.
    factors : tuple of FactorEffect
        What the conditions are made of, compared by readings; empty where nothing is said of it.
    trends : tuple of Trend
        Over the numbers in which conditions differ.
    ratios : tuple of RatioRow
        Of readings, and of squirt where it was measured and tip offsets are equal.
    shuffled : tuple of PermutationCheck
        Of readings, the pairs that the page shows.
    """

    table: pd.DataFrame
    unchosen: pd.DataFrame
    summary: Summary
    parts: dict[str, Summary]
    comparisons: dict[str, Comparisons]
    squirt_at: tuple[tuple[float, Comparisons], ...]
    components: VarianceComponents
    fitness: MeasurementFitness | None
    keep_rules: KeepRules
    flags: tuple[OutlierFlag, ...]
    drifts: tuple[Drift, ...]
    gauge: GaugeStudy | None
    cue: CueTable | None
    splits: tuple[DifferenceSplit, ...]
    notes: tuple[str, ...]
    factors: tuple[FactorEffect, ...] = ()
    trends: tuple[Trend, ...] = ()
    ratios: tuple[RatioRow, ...] = ()
    shuffled: tuple[PermutationCheck, ...] = ()


def find(evidence: Evidence) -> Findings:
    """Apply the keep rule of the settings, then ask the statistics everything that the report tells.

    Parameters
    ----------
    evidence : Evidence
        The shots.
    """
    analysis = evidence.config.analysis
    every = evidence.table
    rule = KeepRule(analysis.keep)
    table = apply_keep_rule(every, rule, closest_k=analysis.closest_k)
    # What rests on scatter and cannot allow for the choosing is told from all shots that the rule chose from.
    unchosen = apply_keep_rule(every, KeepRule.DROP_FAILED) if rule is KeepRule.CLOSEST else table
    quantities = [name for name in QUANTITIES if name in table.columns and table[name].notna().any()]
    if "reading_mm" not in quantities:
        quantities.insert(0, "reading_mm")
    reference, notes = _reference(table, analysis.reference)
    notes += _unchosen_note(table, unchosen)
    covariates = Question().covariates
    if "order" in table.columns and table["order"].notna().any():  # a drift over the session is taken out
        covariates = (*covariates, "order")
    components = variance_components(unchosen, confidence=analysis.confidence)
    cue = _cue(evidence, unchosen, reference)
    squirt_at = () if cue is None else cue.comparisons
    design = design_of(evidence)
    made_of = Question(
        confidence=analysis.confidence,
        margin=analysis.margin_mm,
        reference=reference,
        shared_sd=evidence.shared_sd.get("reading_mm", 0.0),
    )
    comparisons = {
        name: compare(
            table,
            Question(
                quantity=name,
                confidence=analysis.confidence,
                # The tester's margin is about readings, in mm; for angles none was stated.
                margin=analysis.margin_mm if name == "reading_mm" else None,
                reference=reference,
                shared_sd=evidence.shared_sd.get(name, 0.0),
                covariates=covariates,
            ),
        )
        for name in quantities
        if name != "squirt_deg" or not squirt_at
    }
    shown = [(row.a, row.b) for row in clearest_pairs(comparisons["reading_mm"])]
    return Findings(
        table=table,
        unchosen=unchosen,
        summary=summarise(table, confidence=analysis.confidence),
        parts={
            name: summarise(table, quantity=name, confidence=analysis.confidence)
            for name in quantities
            if name != "reading_mm"
        },
        comparisons=comparisons,
        squirt_at=squirt_at,
        components=components,
        fitness=measurement_fitness(components, margin=analysis.margin_mm),
        keep_rules=compare_keep_rules(every, closest_k=analysis.closest_k),
        flags=flag_outliers(table),
        drifts=session_drift(unchosen, confidence=analysis.confidence),
        gauge=_gauge(evidence),
        cue=cue,
        splits=_splits(table, reference, analysis.confidence),
        notes=notes,
        factors=compare_factors(unchosen, design, made_of),
        trends=compare_values(unchosen, design, made_of),
        ratios=_ratios(table, quantities, squirt_at, made_of, evidence.shared_sd.get("squirt_deg", 0.0)),
        shuffled=check_by_permutation(table, made_of, pairs=shown),
    )


def _unchosen_note(table: pd.DataFrame, unchosen: pd.DataFrame) -> tuple[str, ...]:
    """Say what is told from more shots than the keep rule keeps."""
    counted, told = (
        int((some["kept"].astype(bool) & some["reading_mm"].notna()).sum()) for some in (table, unchosen)
    )
    if counted == told:
        return ()
    return (
        "Shots chosen by their values hide how shots scatter: cues, hand, factors, trends, drift and where the "
        f"variation comes from are told from all {told} shots, not from the {counted} that the keep rule keeps.",
    )


def design_of(evidence: Evidence) -> Design:
    """Collect what conditions are made of, from session.toml and the tester's own columns of readings.csv."""
    factors: dict[str, dict[str, str]] = {}
    values: dict[str, dict[str, float]] = {}
    for one in evidence.sessions:
        for name in own_columns(one.shots) if one.by_hand else ():
            said = one.shots.dropna(subset=[name]).drop_duplicates("condition").set_index("condition")[name]
            if pd.api.types.is_numeric_dtype(said):
                values.setdefault(name, {}).update({str(c): float(x) for c, x in said.items()})
            else:
                factors.setdefault(name, {}).update({str(c): str(x) for c, x in said.items() if str(x)})
        for condition in one.session.config.condition:
            for name, level in condition.factors.items():
                factors.setdefault(name, {})[condition.name] = level
            for name, number in condition.values.items():
                values.setdefault(name, {})[condition.name] = number
    return Design(factors=factors, values=values)


def _ratios(
    table: pd.DataFrame,
    quantities: Sequence[str],
    squirt_at: Sequence[tuple[float, Comparisons]],
    question: Question,
    shared_squirt_sd: float,
) -> tuple[RatioRow, ...]:
    """Ratios of readings; of squirt too where all was shot at one tip offset, or none is known."""
    rows = compare_ratios(table, question)
    if "squirt_deg" in quantities and len(squirt_at) < 2:
        rows += compare_ratios(
            table, replace(question, quantity="squirt_deg", margin=None, shared_sd=shared_squirt_sd)
        )
    return rows


def tested_conditions(table: pd.DataFrame) -> list[str]:
    """Conditions under test that have shots which count, in their order."""
    counted = table[table["kept"].astype(bool) & table["reading_mm"].notna() & (table["role"] == "test")]
    return [str(name) for name in counted["condition"].unique()]


def _gauge(evidence: Evidence) -> GaugeStudy | None:
    """Study what measuring the same recordings with other marks changed."""
    return None if evidence.again.empty else gauge_study(evidence.again, operator="session")


def _reference(table: pd.DataFrame, wanted: str | None) -> tuple[str | None, tuple[str, ...]]:
    there = tested_conditions(table)
    if wanted is None or wanted in there:
        return wanted, ()
    return None, (
        f'The reference "{wanted}" has no shots that count, so conditions are compared with each other only.',
    )


def _cue(evidence: Evidence, table: pd.DataFrame, reference: str | None) -> CueTable | None:
    if "squirt_deg" not in table.columns or table["squirt_deg"].isna().all():
        return None
    if "tip_offset_mm" not in table.columns:
        return None
    if reference is not None:  # pairs are named in the order in which conditions come up
        table = table.sort_values("condition", kind="stable", key=lambda names: names != reference)
    return cue_table(
        table,
        ball=struck_ball(evidence),
        confidence=evidence.config.analysis.confidence,
    )


def struck_ball(evidence: Evidence) -> Ball:
    """Return the ball, and the tips with which it was struck, by the settings."""
    ball, lane = evidence.sessions[0].session.ball, evidence.config.lane
    return Ball(
        radius_mm=mm_from_m(ball.diameter_m) / 2,
        mass_g=ball.mass_kg * G_PER_KG,
        offset_sd_mm=lane.tip_offset_sd_mm,
        tip_radius_mm=lane.tip_radius_mm if lane.tip_offset_of == "axis" else None,
        own_tip_radii_mm={
            one.name: one.tip_radius_mm
            for one in evidence.config.condition
            if one.tip_radius_mm is not None and one.role == "test"
        },
    )


def _splits(table: pd.DataFrame, reference: str | None, confidence: float) -> tuple[DifferenceSplit, ...]:
    if "swerve_offset_mm" not in table.columns:
        return ()
    found = (
        split_difference(table, a, b, confidence=confidence) for a, b in _pairs(tested_conditions(table), reference)
    )
    return tuple(split for split in found if split is not None)


def _pairs(names: Sequence[str], reference: str | None) -> list[tuple[str, str]]:
    if reference is not None:
        return [(reference, name) for name in names if name != reference][:MOST_SPLITS]
    return list(combinations(names, 2))[:MOST_SPLITS]
