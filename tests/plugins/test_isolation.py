"""What a plugin does wrong later costs its own measurement a message, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from uncertainties import ufloat

from tests.api.close import approx
from tests.plugins.stranger import Good, offering
from tracker import plugins
from tracker.api import Contribution, Instrument, Outcome, Refused, dump, validate

RAW = {"size": 3.0}


def computed(answer: Any, **rigs: Instrument) -> plugins.Computation:
    """Return what comes of readings when the method answers so."""
    found = plugins.load("none", extra=[("mine", offering(Good(answer)))])
    return found.compute("good", validate(Good, RAW), None, rigs)


def raising(fault: BaseException) -> Any:
    """Return an answer that raises."""

    def answer(_readings: Any) -> Any:
        raise fault

    return answer


def test_a_sound_answer_comes_back_as_plain_numbers() -> None:
    """With unit, uncertainty and budget, and no trace of the package that carried them."""
    size, area = computed(None).outcomes
    assert (size.quantity, size.value, size.unit) == ("good.size", 3.0, "mm")
    assert (type(area.value), type(area.uncertainty)) == (float, float)
    assert area.uncertainty == approx(6 * 0.1 / math.sqrt(12))
    assert area.budget == (Contribution("size: resolution", approx(6 * 0.1 / math.sqrt(12)), approx(1.0)),)


@pytest.mark.parametrize(
    "fault", [ZeroDivisionError("division by zero"), RuntimeError("a\nb"), SystemExit(1), RecursionError()]
)
def test_an_exception_becomes_a_message_with_the_plugin_s_name(fault: BaseException) -> None:
    """One line: method, plugin, type and text."""
    found = computed(raising(fault))
    assert found.outcomes == ()
    assert found.problem is not None
    assert found.problem.startswith(f"method good of plugin mine failed: {type(fault).__name__}")
    assert "\n" not in found.problem


def test_a_refusal_of_the_method_is_passed_on_as_it_stands() -> None:
    """It is guidance, not a fault."""
    found = computed(raising(Refused("The moon is wrong", do="Wait.")))
    assert found.problem == "method good of plugin mine: The moon is wrong. Wait."


def test_ctrl_c_is_not_swallowed() -> None:
    """A person who wants out gets out."""
    with pytest.raises(KeyboardInterrupt):
        computed(raising(KeyboardInterrupt()))


def test_a_generator_that_fails_on_the_way_is_a_failure() -> None:
    """What it yielded before is not half a result."""

    def answer(readings: Any) -> Iterator[Outcome]:
        yield Outcome("good.size", readings.size)
        raise ValueError("too late")

    found = computed(answer)
    assert (found.outcomes, found.problem) == ((), "method good of plugin mine failed: ValueError: too late")


class Liar:
    """A value that fails when it is asked what it is."""

    def __float__(self) -> float:
        raise RuntimeError("I lie")


@pytest.mark.parametrize(
    ("outcome", "why"),
    [
        (Outcome("good.size", math.nan), "good.size came out as nan, which is not a finite number"),
        (Outcome("good.size", math.inf), "good.size came out as inf"),
        (Outcome("good.size", ufloat(math.nan, 1)), "good.size came out as nan"),
        (Outcome("good.size", "12"), "good.size is '12', which is no number"),
        (Outcome("good.size", True), "good.size is True, which is no number"),
        (Outcome("good.size", [1.0, 2.0]), "good.size is [1.0, 2.0], which is no number"),
        (Outcome("good.size", 1 + 2j), "which is no number"),
        (Outcome("good.size", Liar()), "RuntimeError: I lie"),
        (Outcome("good.other", 1.0), "it returned 'good.other', which it does not declare"),
        (Outcome("good.size"), "good.size has neither a value nor a reason"),
        (Outcome("good.size", 1.0, relation="~"), "good.size has the relation '~'"),  # type: ignore[arg-type]
        ({"good.size": 1.0}, "which is not a tracker.api.Outcome"),
        (None, "which is not a tracker.api.Outcome"),
    ],
)
def test_nonsense_becomes_a_message_and_the_sound_outcomes_stay(outcome: Any, why: str) -> None:
    """Each kind of nonsense has its words."""
    found = computed(lambda _: [outcome, Outcome("good.area", 9.0)])
    assert [each.quantity for each in found.outcomes] == ["good.area"]
    assert found.problem is not None
    assert found.problem.startswith("method good of plugin mine: ")
    assert why in found.problem


def test_a_quantity_answered_twice_is_nonsense() -> None:
    """Which of the two would be meant?"""
    found = computed(lambda _: [Outcome("good.size", 1.0), Outcome("good.size", 2.0)])
    assert found.problem == "method good of plugin mine: it returned good.size twice"


@pytest.mark.parametrize("answer", [lambda _: None, lambda _: 3, lambda _: Outcome("good.size", 1.0)])
def test_an_answer_that_is_no_list_is_a_failure(answer: Any) -> None:
    """A forgotten return is the commonest slip."""
    assert "method good of plugin mine failed: TypeError" in str(computed(answer).problem)


@pytest.mark.parametrize("value", [np.float32(3.5), np.int64(3), np.array(3.0), ufloat(3, 0.1), 3])
def test_numbers_of_other_kinds_become_plain_floats(value: Any) -> None:
    """So that they can be stored anywhere."""
    (outcome,) = computed(lambda _: [Outcome("good.size", value)]).outcomes
    assert type(outcome.value) is float


def test_an_uncertainty_that_got_lost_is_reported() -> None:
    """A value may stand although its doubt could not be carried."""
    (outcome,) = computed(lambda _: [Outcome("good.size", 1.0, uncertainty=math.nan)]).outcomes
    assert (outcome.value, outcome.uncertainty) == (1.0, None)
    assert outcome.remarks == ("Its uncertainty could not be propagated.",)


def test_a_method_that_propagates_by_itself_is_believed() -> None:
    """Its own uncertainty and budget are kept."""
    parts = (Contribution("fit", 0.5, 1.0),)
    (outcome,) = computed(lambda _: [Outcome("good.size", 1.0, uncertainty=0.5, budget=parts)]).outcomes
    assert (outcome.uncertainty, outcome.budget) == (0.5, parts)


def test_a_lone_sentence_is_one_remark() -> None:
    """Not one for each letter."""
    (outcome,) = computed(lambda _: [Outcome("good.size", 1.0, remarks="Odd.")]).outcomes  # type: ignore[arg-type]
    assert outcome.remarks == ("Odd.",)


def test_a_reading_outside_the_rig_s_range_is_shown_beside_every_result() -> None:
    """Said by the manager, whatever the method says."""
    rig = Instrument("R0009-Q", "mm", capacity=2.0)
    assert computed(None, length=rig).outcomes[0].remarks == (
        "size 3 mm is above the 2 mm that R0009-Q may be used for.",
    )


def test_outcomes_come_in_the_order_they_are_declared() -> None:
    """Whatever order the method answers in."""
    found = computed(lambda _: [Outcome("good.area", 1.0), Outcome("good.size", 1.0)])
    assert [each.quantity for each in found.outcomes] == ["good.size", "good.area"]


def test_a_method_that_is_gone_is_a_message() -> None:
    """Raw readings wait until it is back."""
    found = plugins.load("none").compute("good", validate(Good, RAW))
    assert found.outcomes == ()
    assert str(found.problem).startswith("No method 'good'")


def test_raw_readings_are_the_same_afterwards() -> None:
    """Whatever the method did with what it got."""
    readings = validate(Good, RAW)

    def answer(carried: Any) -> list[Outcome]:
        object.__setattr__(carried, "size", -1)
        return []

    plugins.load("none", extra=[("mine", offering(Good(answer)))]).compute("good", readings)
    assert dump(readings) == RAW


def test_version_and_standard_go_with_the_result() -> None:
    """What it was computed by, as said at the time."""
    assert (computed(None).version, computed(None).standard) == ("1", "None. Departures: all.")


class Drawing(Good):
    """A method with a picture that can be told to fail."""

    def __init__(self, drawn: Any) -> None:
        super().__init__()
        self.drawn = drawn

    def figure(self, readings: Any, piece: Any, outcomes: Any) -> Any:
        """Return or raise what was given."""
        del readings, piece, outcomes
        if isinstance(self.drawn, Exception):
            raise self.drawn
        return self.drawn


@pytest.mark.parametrize("drawn", [ValueError("no ink"), "a picture", SimpleNamespace(savefig=None)])
def test_a_picture_that_fails_costs_the_picture(drawn: Any) -> None:
    """The reason is kept with method and plugin."""
    found = plugins.load("none", extra=[("mine", offering(Drawing(drawn)))])
    assert found.figure("good", validate(Good, RAW)) is None
    assert found.faults[-1].startswith("figure of method good of plugin mine failed: ")


def test_a_method_without_a_picture_has_none() -> None:
    """And that is no fault."""
    found = plugins.load("none", extra=[("mine", offering(Good()))])
    assert found.figure("good", validate(Good, RAW)) is None
    assert not found.faults


@pytest.mark.parametrize(("form", "head"), [("svg", b"<?xml"), ("png", b"\x89PNG")])
def test_a_picture_comes_as_svg_or_png_and_twice_the_same(form: str, head: bytes) -> None:
    """Neither a date nor a random name is in it."""
    found = plugins.load()
    method = found.method("tensile")
    readings = validate(method, method.examples()[-1])
    outcomes = found.compute("tensile", readings).outcomes
    first = found.figure("tensile", readings, None, outcomes, form)
    assert first is not None
    assert first.startswith(head)
    assert found.figure("tensile", readings, None, outcomes, form) == first


def test_no_uncertainty_known_is_no_uncertainty_of_zero() -> None:
    """Zero means that nothing was known against the readings, not that the result is exact."""
    from uncertainties import ufloat  # noqa: PLC0415 - for this alone

    (outcome,) = computed(lambda _readings: [Outcome("good.size", ufloat(5.0, 0.0))]).outcomes
    assert (outcome.value, outcome.uncertainty) == (5.0, None)
