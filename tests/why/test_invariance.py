"""What must change nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.why.simulated import SIX, World, book
from tracker.why import Answer, Factor, Observation, Problem, Value, answer

_WORLD = World(
    {
        "nozzle_c": 0.15,
        "chamber_c": 0.02,
        "fan_pct": -0.06,
        "layer_time_s": 0.0,
        "spool": 0.03,
        "printer": 0.0,
    },
    0.03,
    0.03,
)


def _asked() -> Problem:
    return book(np.random.default_rng(7), _WORLD, 8, {"nozzle_c", "fan_pct", "spool"})


def _numbers(found: Answer) -> list[float]:
    spans = [found.difference.span, found.remainder, *(group.span for group in found.groups)]
    spans += [share.span for share in sorted(found.shares, key=lambda s: s.factor)]
    return [x for span in spans if span for x in (span.delta, span.low, span.high)]


def _mapped(asked: Problem, change: Callable[[str, Value], Value]) -> tuple[Observation, ...]:
    return tuple(
        replace(o, factors={name: change(name, value) for name, value in o.factors.items()})
        for o in asked.observations
    )


def _assert_same(one: Problem, other: Problem) -> None:
    assert _numbers(answer(one)) == pytest.approx(_numbers(answer(other)), rel=1e-6, abs=1e-9)


def test_order_of_rows_changes_nothing() -> None:
    """Results in another order give the very same answer."""
    asked = _asked()
    shuffled = tuple(np.random.default_rng(1).permutation(np.array(asked.observations, dtype=object)))
    assert answer(asked).as_json() == answer(replace(asked, observations=shuffled)).as_json()


def test_names_of_levels_change_nothing() -> None:
    """Spools and printers by other names, in another alphabetical order, give the same numbers."""
    asked = _asked()
    names = {"S1": "Zulu", "S2": "Alpha", "P1": "x", "P2": "a"}
    _assert_same(asked, replace(asked, observations=_mapped(asked, lambda _, v: names.get(str(v), v))))


def test_unit_of_a_factor_changes_nothing() -> None:
    """Degrees Fahrenheit instead of Celsius, span and resolution with them, give the same numbers."""
    asked = _asked()
    factors = tuple(
        replace(f, span=f.span * 1.8, resolution=f.resolution * 1.8) if f.name == "nozzle_c" else f
        for f in SIX
    )

    def fahrenheit(name: str, value: Value) -> Value:
        return value * 1.8 + 32 if name == "nozzle_c" and isinstance(value, float) else value

    _assert_same(asked, replace(asked, factors=factors, observations=_mapped(asked, fahrenheit)))


def test_zero_of_a_factor_changes_nothing() -> None:
    """Temperatures counted from another reference give the same numbers."""
    asked = _asked()

    def from_200(name: str, value: Value) -> Value:
        return value - 200 if name == "nozzle_c" and isinstance(value, float) else value

    _assert_same(asked, replace(asked, observations=_mapped(asked, from_200)))


def test_unit_of_the_quantity_scales_the_answer() -> None:
    """Strength in kPa instead of MPa: the same fractions."""
    asked = _asked()
    scaled = replace(asked, observations=tuple(replace(o, value=o.value * 1000) for o in asked.observations))
    one, other = answer(asked), answer(scaled)
    assert one.difference.span is not None
    assert other.difference.span is not None
    assert other.difference.span.relative == pytest.approx(one.difference.span.relative)
    assert _numbers(other) == pytest.approx([1000 * x for x in _numbers(one)], rel=1e-6, abs=1e-6)


def test_unit_of_a_signed_quantity_scales_the_answer() -> None:
    """A quantity without logarithm in another unit: every number scales with it."""
    asked = _asked()
    signed = replace(asked.question, positive=False)
    one = answer(replace(asked, question=signed))
    values = tuple(replace(o, value=o.value * 25.4) for o in asked.observations)
    other = answer(replace(asked, question=signed, observations=values))
    assert _numbers(other) == pytest.approx([25.4 * x for x in _numbers(one)], rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("value", [42.0, "the same"])
def test_factor_that_never_varies_changes_nothing(value: Value) -> None:
    """A constant factor, number or category, is equal everywhere and alters no number."""
    asked = _asked()
    kind = "number" if isinstance(value, float) else "category"
    more = tuple(replace(o, factors={**o.factors, "constant": value}) for o in asked.observations)
    factors = (*SIX, Factor("constant", kind=kind))  # type: ignore[arg-type]
    _assert_same(asked, replace(asked, factors=factors, observations=more))


def test_exchanging_a_and_b_turns_the_signs() -> None:
    """B against A is A against B with the other sign, on the logarithm."""
    asked = _asked()
    one, other = answer(asked), answer(replace(asked, a=asked.b, b=asked.a))
    assert one.difference.span is not None
    assert other.difference.span is not None
    assert (1 + (one.difference.span.relative or 0)) * (
        1 + (other.difference.span.relative or 0)
    ) == pytest.approx(1)
    assert one.difference.claimed == other.difference.claimed
