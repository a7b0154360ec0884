"""The registry of factors."""

from __future__ import annotations

import pytest

from tracker.factors import MOISTURE, REGISTRY, factor_named, unit_of

NUMBERS = [factor for factor in REGISTRY if factor.kind == "number"]


def test_every_name_comes_once() -> None:
    """A factor is found by its name."""
    assert len({factor.name for factor in REGISTRY}) == len(REGISTRY)


@pytest.mark.parametrize("factor", NUMBERS, ids=lambda factor: factor.name)
def test_a_number_has_a_resolution_below_its_span(factor: object) -> None:
    """Else no difference could ever matter."""
    assert 0 < factor.resolution < factor.span  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("name", "span"),
    [
        ("nozzle_c", 30.0),
        ("chamber_c", 20.0),
        ("fan_pct", 40.0),
        ("layer_time_s", 15.0),
        ("layer_height_mm", 0.1),
        ("water_pct", 0.3),
    ],
)
def test_spans_as_the_model_of_why_takes_them(name: str, span: float) -> None:
    """The spans that priors refer to."""
    assert factor_named(name).span == span


def test_water_comes_before_hours_of_the_same_cause() -> None:
    """The estimate is preferred where it exists."""
    assert [factor.name for factor in REGISTRY if factor.same_cause == MOISTURE] == [
        "water_pct",
        "open_air_rh_h",
        "open_air_h",
    ]


def test_an_undeclared_factor_of_numbers_spans_their_range() -> None:
    """Imported numbers are numbers."""
    factor = factor_named("infill_pct", [20.0, 60.0, None])
    assert (factor.kind, factor.unit, factor.span) == ("number", "percent", 40.0)


def test_an_undeclared_factor_with_a_word_is_a_category() -> None:
    """A treatment is one."""
    assert factor_named("treatment", ["wet", 3.0]).kind == "category"


@pytest.mark.parametrize(
    ("name", "unit"), [("flow_mm3_s", "mm^3/s"), ("bore_mm", "mm"), ("rest_h", "h"), ("treatment", "")]
)
def test_the_ending_of_a_name_says_its_unit(name: str, unit: str) -> None:
    """As everywhere in the book."""
    assert unit_of(name) == unit
