"""What follows from what, and the three lists of what differed."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.why.simulated import SIX, World, book
from tracker.why import Factor, Observation, Problem, Question, Value, answer
from tracker.why.differed import compare
from tracker.why.effects import FOLLOWS, STATIONS, roles
from tracker.why.picture import _not_drawn

_SPEED = Factor("print_speed_mm_s", "mm/s", 1.0, 40.0, label="print speed")
_FLOW = Factor("flow_mm3_s", "mm³/s", 0.2, 5.0, label="volume flow")


def test_arrows_make_no_circle() -> None:
    """Nothing follows from itself, however far round."""
    for start in FOLLOWS:
        seen, todo = set(), list(FOLLOWS[start])
        while todo:
            name = todo.pop()
            assert name != start
            if name not in seen:
                seen.add(name)
                todo += FOLLOWS.get(name, ())


def test_flow_follows_from_speed() -> None:
    """Where the speed changed, flow and layer time are no causes of their own."""
    found = roles(["print_speed_mm_s", "flow_mm3_s", "layer_time_s", "nozzle_c"], ["fan_pct"])
    assert found.causes == ("print_speed_mm_s", "nozzle_c")
    assert found.dependent == {"flow_mm3_s": "print_speed_mm_s", "layer_time_s": "print_speed_mm_s"}
    assert found.adjusted == ("fan_pct",)


def test_flow_alone_is_a_cause() -> None:
    """Where nothing before it changed the flow stands for itself."""
    assert roles(["flow_mm3_s"], ["print_speed_mm_s"]).causes == ("flow_mm3_s",)


def test_what_follows_from_a_cause_is_not_adjusted_for() -> None:
    """Layer time, equal in A and B, is on the way from speed: adjusting would hide its effect (back-door)."""
    found = roles(["print_speed_mm_s"], ["layer_time_s", "nozzle_c"])
    assert found.dropped == {"layer_time_s": "print_speed_mm_s"}
    assert found.adjusted == ("nozzle_c",)


def test_drying_acts_through_water() -> None:
    """Water that is known to differ stands for hours and drying; else they stand for themselves."""
    assert roles(["water_pct", "drying_h"], []).causes == ("water_pct",)
    assert roles(["water_pct", "drying_h"], []).through == {"drying_h": "water_pct"}
    assert roles(["drying_h"], ["water_pct"]).causes == ("drying_h",)


def test_another_spool_of_another_lot_is_one_cause() -> None:
    """The lot holds the spool; a spool of the same lot is a cause of its own, beside the lot."""
    assert roles(["lot", "spool"], []).causes == ("lot",)
    assert roles(["spool"], ["lot"]).causes == ("spool",)
    assert roles(["spool"], ["lot"]).adjusted == ("lot",)


def _two(factors: tuple[Factor, ...], a: dict[str, Value], b: dict[str, Value]) -> Problem:
    observations = tuple(
        Observation(f"{side}{i}", "q", 50.0 + i - 8 * (side == "B"), "m", side, factors=levels)
        for side, levels in (("A", a), ("B", b))
        for i in range(4)
    )
    ids = {side: frozenset(o.result_id for o in observations if o.plate == side) for side in "AB"}
    return Problem(Question("q", "MPa"), factors, observations, ids["A"], ids["B"])


def test_dependent_settings_get_no_share_and_no_column_of_a_plan() -> None:
    """Speed and the flow that follows from it: one share for both, and the reason beside the flow."""
    asked = _two(
        (_SPEED, _FLOW),
        {"print_speed_mm_s": 60.0, "flow_mm3_s": 5.0},
        {"print_speed_mm_s": 90.0, "flow_mm3_s": 7.5},
    )
    found = answer(asked)
    assert [share.factor for share in found.shares] == ["print_speed_mm_s"]
    assert found.shares[0].represents == ("flow_mm3_s",)
    assert "volume flow 5.00 → 7.50 mm³/s (follows from print speed)" in " ".join(found.sentences(200))


def test_graph_is_drawn_with_what_changed() -> None:
    """The SVG is well-formed, and names what differed with its levels; text says the same."""
    asked = _two(
        (_SPEED, _FLOW),
        {"print_speed_mm_s": 60.0, "flow_mm3_s": 5.0},
        {"print_speed_mm_s": 90.0, "flow_mm3_s": 7.5},
    )
    text = " ".join(ET.fromstring(answer(asked).graph_svg().decode()).itertext())  # noqa: S314 - our own output
    assert "print speed" in text
    assert "60.0 → 90.0" in text


def test_two_nozzles_against_one_between_differ() -> None:
    """A at 240 and 260 °C, B at 250: one mean, and a difference all the same, with the levels and counts."""
    nozzle = Factor("nozzle_c", "°C", 1.0, 30.0)
    a = [
        Observation(f"a{i}", "q", 1.0, "m", f"A{i}", factors={"nozzle_c": v})
        for i, v in enumerate([240.0, 260.0])
    ]
    b = [Observation(f"b{i}", "q", 1.0, "m", f"B{i}", factors={"nozzle_c": 250.0}) for i in range(2)]
    found = compare(nozzle, a, b)
    assert found.differs
    assert found.levels_a == ((240.0, 1), (260.0, 1))


@pytest.mark.parametrize(
    ("a", "b", "state"),
    [
        ((0.1, 0.4), (0.2, 0.6), "unknown"),
        ((0.1, 0.2), (0.4, 0.6), "differs"),
        ((0.1, 0.2), None, "unknown"),
        (None, (0.1, 0.2), "unknown"),
        (0.2, 0.2, "equal"),
    ],
)
def test_three_states_of_a_factor(a: Value, b: Value, state: str) -> None:
    """Bounds that overlap and a value on one side only are neither a difference nor equal."""
    water = Factor("water_pct", "%", 0.02, 0.3)
    asked = _two((water,), {"water_pct": a}, {"water_pct": b})
    sides = [[o for o in asked.observations if o.plate == side] for side in "AB"]
    assert compare(water, *sides).state == state


def test_settings_come_before_notes_and_persons() -> None:
    """In the list of what differed people come last."""
    factors = (
        Factor("operator", kind="category", person=True),
        Factor("note", kind="category", listed=True),
        Factor("nozzle_c", "°C", 1.0, 30.0),
    )
    asked = _two(
        factors,
        {"operator": "Ada", "note": "none", "nozzle_c": 240.0},
        {"operator": "Bo", "note": "warped", "nozzle_c": 260.0},
    )
    found = answer(asked)
    assert [item.factor.name for item in found.differed] == ["nozzle_c", "note", "operator"]
    assert "note" not in [share.factor for share in found.shares]


def test_what_nobody_recorded_is_listed() -> None:
    """Factors that the book could hold and nobody wrote down are named."""
    asked = replace(_two((), {}, {}), nowhere=("room humidity while printed",))
    assert "Not recorded by anybody: room humidity while printed." in answer(asked).sentences(200)


def test_is_and_is_not() -> None:
    """Beside each suspect: how many other plates had it, and how many of them read like B."""
    world = World({f.name: 0.2 if f.name == "nozzle_c" else 0.0 for f in SIX}, 0.02, 0.02)
    found = answer(book(np.random.default_rng(3), world, 12, {"nozzle_c", "spool"}))
    rows = {row.factor: row for row in found.suspects}
    assert rows["nozzle_c"].with_it == rows["nozzle_c"].with_it_like_b
    assert rows["nozzle_c"].without_like_b == 0
    assert rows["spool"].with_it_like_b < rows["spool"].with_it


def test_equal_factors_that_are_not_drawn_are_counted_for_each_station() -> None:
    """Two of the first column and one of the second: each count under the column's last box."""
    (_, first), (_, second), *_ = STATIONS
    found: Any = SimpleNamespace(scope=SimpleNamespace(equal=(*first[:2], second[0])))
    assert _not_drawn(found, {}) == {
        "2 equal": (0.0, pytest.approx(-0.3)),
        "1 equal ": (2.3, pytest.approx(-0.3)),
    }
