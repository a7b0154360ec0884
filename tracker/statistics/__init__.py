"""Arithmetic of repeated readings: numbers in, facts out.

Nothing here knows a book, a unit or a clock. Functions take plain sequences of finite numbers, return
frozen dataclasses, name their formula's source, and refuse (:class:`tracker.errors.Refused`) what cannot be
computed.

Modules: ``plates`` (means of a material whose pieces come from plates), ``precision`` (repeatability and
reproducibility by ISO 5725-2), ``ranks`` (grades and limits), ``compare`` (two groups), ``one_group`` (mean
and spread of a handful; hints of outliers, never verdicts; charts in order of time).
"""

from tracker.statistics.compare import (
    FiellerRatio,
    Welch,
    fieller_of,
    permutation_p,
    welch,
)
from tracker.statistics.one_group import (
    EwmaChart,
    IndividualsChart,
    OutlierHint,
    PlateOutlier,
    Summary,
    ewma,
    grubbs,
    plate_critical,
    plate_outlier,
    resolution_of,
    shewhart_individuals,
    summary,
    widened,
)
from tracker.statistics.plates import (
    ASSUMED_RATIO,
    MaterialMean,
    PlateSums,
    material_means,
)
from tracker.statistics.precision import (
    AnovaOneWay,
    CochranHint,
    MandelHK,
    Precision,
    VarianceComponents,
    anova_one_way,
    cochran,
    mandel_h_k,
    precision,
    variance_components,
)
from tracker.statistics.ranks import (
    LimitedMean,
    OrdinalSummary,
    RankTest,
    limited_mean,
    ordinal_summary,
    rank_test,
)

__all__ = [
    "ASSUMED_RATIO",
    "AnovaOneWay",
    "CochranHint",
    "EwmaChart",
    "FiellerRatio",
    "IndividualsChart",
    "LimitedMean",
    "MandelHK",
    "MaterialMean",
    "OrdinalSummary",
    "OutlierHint",
    "PlateOutlier",
    "PlateSums",
    "Precision",
    "RankTest",
    "Summary",
    "VarianceComponents",
    "Welch",
    "anova_one_way",
    "cochran",
    "ewma",
    "fieller_of",
    "grubbs",
    "limited_mean",
    "mandel_h_k",
    "material_means",
    "ordinal_summary",
    "permutation_p",
    "plate_critical",
    "plate_outlier",
    "precision",
    "rank_test",
    "resolution_of",
    "shewhart_individuals",
    "summary",
    "variance_components",
    "welch",
    "widened",
]
