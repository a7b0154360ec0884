"""From storage, dryings and jobs to open-air hours and the water in the filament, with bounds and a grade."""

from __future__ import annotations

from tracker.exposure.charts import days_png, days_svg, days_text
from tracker.exposure.days import (
    PLACES,
    Drying,
    JobUse,
    MeasuredWater,
    Place,
    Reel,
    Segment,
    StoragePeriod,
    Timeline,
    timeline,
)
from tracker.exposure.families import (
    Assumptions,
    DryingAdvice,
    Families,
    Family,
    Figure,
    drying_advice,
    load_families,
    parse_families,
)
from tracker.exposure.physics import (
    rh_elsewhere,
    saturation_hpa,
    uptake,
    vapour_hpa,
)
from tracker.exposure.statement import GRADES, Grade, OpenAir, Water, WaterHistory, open_air
from tracker.exposure.water import water, water_history
from tracker.exposure.weighing import MassLoss, mass_loss

__all__ = [
    "GRADES",
    "PLACES",
    "Assumptions",
    "Drying",
    "DryingAdvice",
    "Families",
    "Family",
    "Figure",
    "Grade",
    "JobUse",
    "MassLoss",
    "MeasuredWater",
    "OpenAir",
    "Place",
    "Reel",
    "Segment",
    "StoragePeriod",
    "Timeline",
    "Water",
    "WaterHistory",
    "days_png",
    "days_svg",
    "days_text",
    "drying_advice",
    "load_families",
    "mass_loss",
    "open_air",
    "parse_families",
    "rh_elsewhere",
    "saturation_hpa",
    "timeline",
    "uptake",
    "vapour_hpa",
    "water",
    "water_history",
]
