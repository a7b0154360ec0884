"""From stays, dryings and jobs to open-air hours and the water in the filament, with bounds and a grade."""

from __future__ import annotations

from tracker.exposure.air import (
    absolute_humidity_g_m3,
    dew_point_c,
    rh_elsewhere,
    rh_sealed_rigid,
    saturation_hpa,
    vapour_hpa,
)
from tracker.exposure.charts import days_png, days_svg, days_text
from tracker.exposure.days import (
    PLACES,
    Drying,
    JobUse,
    MeasuredWater,
    Place,
    Reel,
    Segment,
    Stay,
    Timeline,
    timeline,
)
from tracker.exposure.diffusion import diffusion_from_fraction, tau_for_uptake, uptake
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
from tracker.exposure.statement import GRADES, Grade, OpenAir, Water, WaterHistory, open_air
from tracker.exposure.water import water, water_history
from tracker.exposure.weighing import DryingFit, MassLoss, difference_u_g, fit_drying, left_after, mass_loss

__all__ = [
    "GRADES",
    "PLACES",
    "Assumptions",
    "Drying",
    "DryingAdvice",
    "DryingFit",
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
    "Stay",
    "Timeline",
    "Water",
    "WaterHistory",
    "absolute_humidity_g_m3",
    "days_png",
    "days_svg",
    "days_text",
    "dew_point_c",
    "difference_u_g",
    "diffusion_from_fraction",
    "drying_advice",
    "fit_drying",
    "left_after",
    "load_families",
    "mass_loss",
    "open_air",
    "parse_families",
    "rh_elsewhere",
    "rh_sealed_rigid",
    "saturation_hpa",
    "tau_for_uptake",
    "timeline",
    "uptake",
    "vapour_hpa",
    "water",
    "water_history",
]
