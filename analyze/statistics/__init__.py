"""The shared statistics: a table of shots from any source in, summaries and comparisons out.

Give any function a pandas table with the columns of `analyze.statistics.shots_table` (measured, or read by
hand through `read_readings`); it checks the table and returns a frozen result whose `frame()` has the columns
of the files in `out/`. Numbers that do not exist are None, with a sentence that says why.
"""

from analyze.statistics.compare import Comparison, Comparisons, compare, comparisons_frame
from analyze.statistics.controls import ControlOutcome, subtract_controls
from analyze.statistics.drift import Drift, session_drift
from analyze.statistics.factors import Design, FactorEffect, compare_factors
from analyze.statistics.keep_rules import KeepRule, KeepRules, apply_keep_rule, compare_keep_rules
from analyze.statistics.outliers import OutlierFlag, flag_outliers
from analyze.statistics.pairwise import PairRow, Verdict
from analyze.statistics.permutation import PermutationCheck, check_by_permutation
from analyze.statistics.question import Question, Scope
from analyze.statistics.ratios import RatioRow, compare_ratios, ratios_frame
from analyze.statistics.readings import inch_from_text, read_readings
from analyze.statistics.repeatability import GaugeStudy, gauge_study
from analyze.statistics.sentences import pair_sentence
from analyze.statistics.shots_table import check_shots
from analyze.statistics.summary import Summary, SummaryRow, summarise
from analyze.statistics.trends import Trend, compare_values
from analyze.statistics.variance import (
    MeasurementFitness,
    VarianceComponents,
    measurement_fitness,
    variance_components,
)

__all__ = [
    "Comparison",
    "Comparisons",
    "ControlOutcome",
    "Design",
    "Drift",
    "FactorEffect",
    "GaugeStudy",
    "KeepRule",
    "KeepRules",
    "MeasurementFitness",
    "OutlierFlag",
    "PairRow",
    "PermutationCheck",
    "Question",
    "RatioRow",
    "Scope",
    "Summary",
    "SummaryRow",
    "Trend",
    "VarianceComponents",
    "Verdict",
    "apply_keep_rule",
    "check_by_permutation",
    "check_shots",
    "compare",
    "compare_factors",
    "compare_keep_rules",
    "compare_ratios",
    "compare_values",
    "comparisons_frame",
    "flag_outliers",
    "gauge_study",
    "inch_from_text",
    "measurement_fitness",
    "pair_sentence",
    "ratios_frame",
    "read_readings",
    "session_drift",
    "subtract_controls",
    "summarise",
    "variance_components",
]
