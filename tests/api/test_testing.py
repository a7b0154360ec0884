"""The suite for every method, compared with methods that each fail one check."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Annotated, Any

import pydantic
import pytest
from pydantic import Field

from tests.api.close import approx
from tracker.api import Method, Outcome, Quantity, Reading, Readings, nominal, picture, testing


class SoundReadings(Readings):
    """Two lengths and a series."""

    size: Annotated[float | None, Reading("mm", "size", resolution=0.1), Field(gt=0)] = None
    rows: Annotated[
        tuple[tuple[Annotated[float, Field(gt=0)]], ...],
        Reading(help="sizes", columns=("size",), units=("mm",), resolutions=(0.1,)),
    ] = ()


class Sound(Method):
    """A method that passes everything."""

    id = "sound"
    title = "Sound"
    version = "1"
    standard = "None. Departures: all."
    cautions = ("None.",)
    Readings = SoundReadings
    quantities = (Quantity("sound.size", "mm"),)

    def compute(self, readings: Any, piece: Any) -> Iterable[Outcome]:
        """Return the sum of all sizes."""
        del piece
        sizes = [size for (size,) in readings.rows] + ([] if readings.size is None else [readings.size])
        if not sizes:
            return [Outcome("sound.size", refused="no size")]
        return [Outcome("sound.size", sum(sizes))]

    def figure(self, readings: Any, piece: Any, outcomes: Any) -> Any:
        """Return an empty picture."""
        del readings, piece, outcomes
        return picture("Sound", ("x", "y"))[0]

    def examples(self) -> list[dict[str, Any]]:
        """Return one example."""
        return [{"size": 3.0, "rows": "1 2"}]


def answering(answer: Callable[[Any], Iterable[Outcome]]) -> Method:
    """Return the sound method with another computation."""

    def compute(self: Any, readings: Any, piece: Any) -> Iterable[Outcome]:
        del self, piece
        return answer(readings)

    return changed(compute=compute)


def changed(**changes: Any) -> Method:
    """Return the sound method with something else about it."""
    made: Method = type("Changed", (Sound,), changes)()
    return made


def size_of(readings: Any) -> Any:
    """Return the size, or nothing."""
    return 1.0 if readings.size is None else readings.size


def counted() -> Iterator[float]:
    """Yield another number each time."""
    number = 0.0
    while True:
        number += 1
        yield number


@pytest.mark.parametrize("check", testing.CHECKS, ids=lambda check: check.__name__)
def test_a_sound_method_passes(check: Callable[[Method], None]) -> None:
    """No check asks for more than a simple method has."""
    check(Sound())


def failing(check: Callable[[Method], None], method: Method) -> str:
    """Return the sentence with which a method fails a check."""
    with pytest.raises(AssertionError) as caught:
        check(method)
    return str(caught.value)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"title": ""}, "has no title"),
        ({"id": "Two Words"}, "is not one lower-case word"),
        ({"standard": "ISO 1"}, "does not say how a bench rig departs"),
        ({"cautions": ()}, "has no cautions"),
        ({"quantities": (Quantity("other.x", "mm"),)}, "does not begin with sound."),
        ({"quantities": (Quantity("sound.x", "blorps"),)}, "which cannot be read"),
    ],
)
def test_declarations_are_checked(changes: dict[str, Any], why: str) -> None:
    """Each lack is said."""
    assert why in failing(testing.check_declarations, changed(**changes))


class Helpless(Readings):
    """A field without help."""

    size: Annotated[float | None, Reading("mm")] = None


class Unitless(Readings):
    """A number without a unit."""

    size: Annotated[float | None, Reading(help="size")] = None


@pytest.mark.parametrize(("model", "why"), [(Helpless, "has no help"), (Unitless, "has no unit")])
def test_fields_are_checked(model: type[Readings], why: str) -> None:
    """A prompt needs a line of help and a unit."""
    assert why in failing(testing.check_fields, changed(Readings=model))


def test_a_method_without_examples_cannot_be_checked() -> None:
    """And is told so."""
    assert "has no examples()" in failing(testing.check_examples, changed(examples=lambda _: []))


def test_examples_must_give_a_number() -> None:
    """A suite over refusals alone would prove nothing."""
    method = answering(lambda _: [Outcome("sound.size", refused="never")])
    assert "no example of sound gives a number" in failing(testing.check_examples, method)


@pytest.mark.parametrize(
    ("outcome", "why"),
    [
        (Outcome("sound.other", 1.0), "which it does not declare"),
        (Outcome("sound.size", float("nan")), "sound.size is nan"),
        (Outcome("sound.size"), "neither a value nor a reason"),
        (Outcome("sound.size", 1.0, uncertainty=-1.0), "negative uncertainty"),
    ],
)
def test_nonsense_in_examples_is_found(outcome: Outcome, why: str) -> None:
    """What the manager would refuse is refused here."""
    assert why in failing(testing.check_random_readings, answering(lambda _: [outcome]))


def test_a_reading_made_plain_on_the_way_is_found() -> None:
    """A method that drops the doubt about a reading fails."""
    method = answering(lambda readings: [Outcome("sound.size", nominal(size_of(readings)))])
    assert "rounding alone moves it by 0.0289" in failing(testing.check_no_doubt_is_lost, method)


def test_a_part_of_a_series_made_plain_is_found_too() -> None:
    """Every entry counts."""
    method = answering(
        lambda readings: [Outcome("sound.size", sum(nominal(size) for (size,) in readings.rows) + 1.0)]
    )
    assert "rounding alone moves it by 0.0408" in failing(testing.check_no_doubt_is_lost, method)


def test_an_uncertainty_that_falls_with_a_coarser_rig_is_found() -> None:
    """Something is upside down then."""

    def answer(readings: Any) -> list[Outcome]:
        return [Outcome("sound.size", 1.0, uncertainty=1 / (1 + getattr(size_of(readings), "std_dev", 0.0)))]

    assert "with a coarser instrument" in failing(testing.check_uncertainty, answering(answer))


def test_a_method_that_never_draws_is_found() -> None:
    """Every method has a picture of something."""
    assert "has a picture" in failing(testing.check_figure, changed(figure=lambda *_: None))


def test_a_method_that_is_silent_on_nothing_is_found() -> None:
    """A person must learn what is missing."""
    assert "is silent" in failing(testing.check_nothing_read, answering(lambda _: []))


def test_a_number_made_of_nothing_is_found() -> None:
    """With nothing read there is nothing to say."""
    method = answering(lambda _: [Outcome("sound.size", 1.0)])
    assert "makes numbers of nothing" in failing(testing.check_nothing_read, method)


def test_a_method_that_divides_by_zero_is_found() -> None:
    """Tiny, huge and negative readings are tried."""

    def answer(readings: Any) -> list[Outcome]:
        return [Outcome("sound.size", 1 / (nominal(size_of(readings)) - 1e9))]

    assert "raises ZeroDivisionError" in failing(testing.check_absurd_readings, answering(answer))


class Careless(Readings):
    """A field that keeps what is no number."""

    model_config = pydantic.ConfigDict(allow_inf_nan=True)

    size: Annotated[float | None, Reading("mm", "size", resolution=0.1)] = None


def test_a_model_that_keeps_infinity_is_found() -> None:
    """Non-finite readings are never readings."""

    def examples(_: Any) -> list[dict[str, Any]]:
        return [{"size": 3.0}]

    method = changed(Readings=Careless, examples=examples, compute=lambda *_: [Outcome("sound.size", 1.0)])
    assert "size keeps nan" in failing(testing.check_absurd_readings, method)


def test_random_readings_find_what_examples_do_not() -> None:
    """A gap in the middle of the range is met."""

    def answer(readings: Any) -> list[Outcome]:
        size = nominal(size_of(readings))
        return [Outcome("sound.size", float("inf") if 10 < size < 1000 else size)]

    assert "sound.size is inf" in failing(testing.check_random_readings, answering(answer))


def test_a_method_that_remembers_is_found() -> None:
    """Threads and repeats must get the same answer."""
    numbers = counted()
    method = answering(lambda _: [Outcome("sound.size", next(numbers))])
    assert "otherwise in threads" in failing(testing.check_threads, method)


def test_a_method_that_writes_into_its_readings_is_found() -> None:
    """Raw readings belong to the book."""

    def figure(_: Any, readings: Any, *__: Any) -> None:
        object.__setattr__(readings, "size", 4.0)

    assert "changes its readings" in failing(testing.check_readings_untouched, changed(figure=figure))


def test_values_leave_refused_quantities_out() -> None:
    """What has no number is not zero."""
    assert testing.values(Sound(), {}) == {}
    assert testing.values(Sound(), {"size": 2.0}) == {"sound.size": 2.0}


def test_outcomes_carry_uncertainty() -> None:
    """As the manager would hand them on."""
    assert testing.outcomes(Sound(), {"size": 2.0})["sound.size"].value.std_dev == approx(0.1 / 12**0.5)
