"""Arithmetic of repeated readings: numbers in, facts out.

Nothing here knows a book, a unit or a clock. Every function takes plain
sequences of finite numbers, returns a frozen dataclass, names its formula's
source, and refuses (:class:`tracker.errors.Refused`) what cannot be computed.

Modules: ``location`` (mean, spread, interval), ``compare`` (two groups),
``ranks`` (ordinal and censored readings), ``outliers`` (hints, never
verdicts), ``layout`` (groups of groups: analysis of variance, repeatability),
``control`` (charts in order of time).
"""

from tracker.statistics.compare import FiellerRatio, Welch, fieller_ratio, permutation_p, welch
from tracker.statistics.control import EwmaChart, IndividualsChart, ewma, shewhart_individuals
from tracker.statistics.layout import (
    AnovaOneWay,
    MandelHK,
    VarianceComponents,
    anova_one_way,
    mandel_h_k,
    variance_components,
)
from tracker.statistics.location import MeanInterval, Summary, mean_interval, summary
from tracker.statistics.outliers import CochranHint, OutlierHint, cochran, dixon, grubbs
from tracker.statistics.ranks import OrdinalSummary, RankTest, ordinal_summary, rank_test

__all__ = [
    "AnovaOneWay",
    "CochranHint",
    "EwmaChart",
    "FiellerRatio",
    "IndividualsChart",
    "MandelHK",
    "MeanInterval",
    "OrdinalSummary",
    "OutlierHint",
    "RankTest",
    "Summary",
    "VarianceComponents",
    "Welch",
    "anova_one_way",
    "cochran",
    "dixon",
    "ewma",
    "fieller_ratio",
    "grubbs",
    "mandel_h_k",
    "mean_interval",
    "ordinal_summary",
    "permutation_p",
    "rank_test",
    "shewhart_individuals",
    "summary",
    "variance_components",
    "welch",
]
