"""The answer on real pulls, against another program; skipped where the data is absent."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
import pytest
import statsmodels.formula.api as smf  # type: ignore[import-untyped]

from tests.realdata import real_data
from tracker.why import Factor, Observation, Problem, Question, answer
from tracker.why.design import build
from tracker.why.posterior import fixed, sums

_STRENGTH = Question("tensile.strength", "MPa", larger_is_better=True)
_FACTORS = (
    Factor("orientation", kind="category"),
    Factor("printer", kind="category"),
    Factor("treatment", kind="category"),
    Factor("layer_height_mm", "mm", 0.01, 0.1),
    Factor("line_width_mm", "mm", 0.01, 0.1),
)


@dataclass(frozen=True)
class _Pull:
    observation: Observation
    row: dict[str, str]


def _pulls() -> list[_Pull]:
    """Every pull whose area is known; one plate is material, orientation and session."""
    with real_data("pulls", "pulls.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["area_mm2"]]
    return [_Pull(_observation(i, row), row) for i, row in enumerate(rows)]


def _observation(i: int, row: dict[str, str]) -> Observation:
    value = float(row["written_max_force_N"]) / float(row["area_mm2"])
    plate = f"{row['material']} {row['orientation']} {row['session']}"
    factors = {
        "orientation": row["orientation"],
        "printer": row["printer"] or None,
        "treatment": row["treatment"] or "none",
        "layer_height_mm": float(row["layer_height_mm"] or "nan"),
        "line_width_mm": float(row["extrusion_width_mm"] or "nan"),
    }
    return Observation(f"r{i:03d}", _STRENGTH.quantity, value, row["material"], plate, factors=factors)


def _alike(pulls: list[_Pull]) -> list[Observation]:
    wanted = {"printer": "printer-3", "layer_height_mm": "0.2", "extrusion_width_mm": "0.42"}
    return [p.observation for p in pulls if all(p.row[k] == v for k, v in wanted.items())]


def test_orientation_effect_agrees_with_least_squares() -> None:
    """Upright less flat on log strength with a level per material: statsmodels' estimate to 1e-6."""
    observations = _alike(_pulls())
    design = build(_STRENGTH, _FACTORS[:1], observations)
    row = np.zeros((1, len(design.materials) + 2))
    row[0, -2:] = math.sqrt(0.5) * np.where(np.array(design.levels) == "Z", 1, -1)
    ours = float(fixed(sums(design), row, sigma=1.0, rho=1e-9, kappa=1e6)[0][0])
    frame = pd.DataFrame(
        [(math.log(o.value), o.material, o.factors["orientation"]) for o in observations],
        columns=["y", "material", "o"],
    )
    other = smf.ols("y ~ C(material) + C(o)", frame).fit().params["C(o)[T.Z]"]
    assert ours == pytest.approx(other, rel=1e-6)


def test_orientation_leads_on_real_pulls() -> None:
    """Upright against flat: a difference is claimed, orientation leads, its share near least squares."""
    observations = tuple(_alike(_pulls()))
    flat, upright = (
        frozenset(o.result_id for o in observations if o.factors["orientation"] == w) for w in ("XY", "Z")
    )
    found = answer(Problem(_STRENGTH, _FACTORS, observations, flat, upright, "flat", "upright"))
    assert found.difference.claimed
    assert found.leading == "orientation"
    assert found.shares[0].span is not None
    assert found.shares[0].span.relative == pytest.approx(-0.63, abs=0.03)


def test_moist_filament_is_confounded_with_material() -> None:
    """Materials were printed moist or not, never both: treatment goes with material, no share is claimed."""
    observations = tuple(p.observation for p in _pulls())
    moist = frozenset(o.result_id for o in observations if o.factors["treatment"] == "wet")
    other = frozenset(
        o.result_id for o in observations if o.factors["treatment"] == "none" and o.material.startswith("PLA")
    )
    found = answer(Problem(_STRENGTH, _FACTORS, observations, moist, other, "moist", "dry"))
    group = next(g for g in found.groups if "treatment" in g.factors)
    assert "material" in group.factors
    assert next(share for share in found.shares if share.factor == "treatment").span is None
