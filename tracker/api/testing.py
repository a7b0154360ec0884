"""For the tests of plugin authors: compute in one line, and the checks that every method must pass.

    from tracker.api import testing

    def test_hardness():
        assert testing.values(Hardness(), {"depth": 1.2})["hardness.shore_d"] == 52.0

    @pytest.mark.parametrize("check", testing.CHECKS)
    def test_like_every_method(check):
        check(Hardness())

A check returns nothing, and raises ``AssertionError`` with a sentence where a method fails it.
"""

from __future__ import annotations

import csv
import io
import json
import math
import random
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from tracker.api.method import Method, Outcome, Piece, schema
from tracker.api.readings import Readings, fields
from tracker.api.uncertainty import Instrument, nominal, with_uncertainty
from tracker.api.units import readable
from tracker.api.validate import ReadingsError, dump, recordings, row, validate

_ABSURD = (0.0, -1.0, 1e-9, 1e9, math.nan, math.inf, -math.inf)
_THREADS = 4
_RANDOM_CASES = 60
# Moving a reading by a whole u is not quite the slope there: a tenth is allowed for the bend.
_MOST_LOST = 0.9
_LEAST_SHIFT = 1e-9


def outcomes(
    method: Method,
    raw: Mapping[str, Any],
    piece: Piece | None = None,
    instruments: Mapping[str, Instrument] | None = None,
) -> dict[str, Outcome]:
    """Return what a method makes of raw readings, by quantity, uncertainty carried along.

    Raises:
        ReadingsError: The readings cannot be kept.
    """
    carried = with_uncertainty(validate(method, raw), instruments or {})
    return {outcome.quantity: outcome for outcome in method.compute(carried, piece or Piece())}


def values(method: Method, raw: Mapping[str, Any], piece: Piece | None = None) -> dict[str, float]:
    """Return the plain numbers a method answers, by quantity; refused quantities are left out."""
    found = outcomes(method, raw, piece)
    return {name: nominal(outcome.value) for name, outcome in found.items() if outcome.value is not None}


def check_declarations(method: Method) -> None:
    """It says what it is, what it follows and where it departs, and what it answers."""
    for word in ("id", "title", "version", "standard"):
        _hold(str(getattr(method, word, "")).strip(), f"{method.id} has no {word}")
    _hold(
        method.id == method.id.lower() and method.id.isidentifier(),
        f"id {method.id!r} is not one lower-case word",
    )
    _hold("epart" in method.standard, f"{method.id} does not say how a bench rig departs from its standard")
    _hold(method.cautions, f"{method.id} has no cautions; say so in one if there is no hazard")
    for quantity in method.quantities:
        _hold(quantity.name.startswith(f"{method.id}."), f"{quantity.name} does not begin with {method.id}.")
        _hold(
            readable(quantity.unit), f"{quantity.name} has the unit {quantity.unit!r}, which cannot be read"
        )


def check_fields(method: Method) -> None:
    """Every reading has a line of help, a unit that can be read where it is a number, and a hint."""
    for field in fields(method.Readings):
        _hold(field.help, f"reading {field.name} has no help")
        _hold(field.kind != "number" or readable(field.unit), f"reading {field.name} has no unit")
        _hold(
            all(readable(unit) for unit in field.units if unit),
            f"a part of {field.name} has no readable unit",
        )
        _hold(
            field.kind in {"file", "text"} or field.hint, f"reading {field.name} gives no hint what to type"
        )


def check_schema(method: Method) -> None:
    """Its JSON schema names every reading but files, and can be written as JSON."""
    made = json.loads(json.dumps(schema(method)))
    wanted = {field.name for field in fields(method.Readings) if field.kind != "file"}
    _hold(set(made["properties"]) == wanted, f"the schema of {method.id} lacks readings")


def check_examples(method: Method) -> None:
    """It has examples, and each gives outcomes it declares: a finite number, or a reason for none."""
    examples = method.examples()
    _hold(examples, f"{method.id} has no examples()")
    found = [outcome for raw in examples for outcome in outcomes(method, raw).values()]
    _hold(any(outcome.value is not None for outcome in found), f"no example of {method.id} gives a number")
    for outcome in found:
        _sound(method, outcome)


def check_json_round_trip(method: Method) -> None:
    """Readings written as JSON and read again are the same readings."""
    for raw in method.examples():
        readings = validate(method, raw)
        again = json.loads(json.dumps(dump(readings)))
        _hold(
            validate(method, {**again, **recordings(readings)}) == readings,
            f"{method.id} changed through JSON",
        )


def check_table_round_trip(method: Method) -> None:
    """Readings written as a row of a CSV file and read again are the same readings."""
    for raw in method.examples():
        readings = validate(method, raw)
        buffer = io.StringIO()
        # Through the csv module itself: quoting and line ends are part of the way.
        writer = csv.DictWriter(buffer, [field.name for field in fields(method.Readings)])
        writer.writeheader()
        writer.writerow(row(readings))
        (cells,) = csv.DictReader(io.StringIO(buffer.getvalue()))
        again = validate(method, {**cells, **dict.fromkeys(_files(method)), **recordings(readings)})
        _hold(again == readings, f"{method.id} changed through CSV: {cells}")


def check_uncertainty(method: Method) -> None:
    """A coarser instrument never gives a smaller uncertainty."""
    for raw in method.examples():
        fine, coarse = (outcomes(method, raw, instruments=_rigs(u)) for u in (0.001, 0.02))
        for name, outcome in fine.items():
            small, large = _u(outcome), _u(coarse[name])
            _hold(
                large >= small * 0.999, f"{name}: u falls from {small} to {large} with a coarser instrument"
            )


def check_no_doubt_is_lost(method: Method) -> None:
    """The uncertainty of a result holds what every reading's own rounding does to it.

    Each reading is moved by its own standard uncertainty, alone, and the method computes again with
    plain numbers; a method that turns a reading into a plain number on the way is found by this.
    """
    for raw in method.examples():
        readings = validate(method, raw)
        found = {o.quantity: o for o in method.compute(with_uncertainty(readings, {}), Piece())}
        moved = _moved_by_each_reading(method, readings)
        for name, outcome in found.items():
            if outcome.value is not None and moved.get(name, 0.0) > _LEAST_SHIFT * abs(
                nominal(outcome.value)
            ):
                _hold(
                    _u(outcome) > _MOST_LOST * moved[name],
                    f"{name}: u = {_u(outcome):.3g}, but rounding alone moves it by {moved[name]:.3g}",
                )


def check_figure(method: Method) -> None:
    """Some example has a picture, and every picture can be written as SVG."""
    drawn = 0
    for raw in method.examples():
        readings = validate(method, raw)
        figure = method.figure(readings, Piece(), tuple(outcomes(method, raw).values()))
        if figure is not None:
            buffer = io.BytesIO()
            figure.savefig(buffer, format="svg")
            drawn += b"<svg" in buffer.getvalue()
    _hold(drawn, f"no example of {method.id} has a picture")


def check_nothing_read(method: Method) -> None:
    """With nothing read it answers reasons, not numbers; or the readings are refused."""
    try:
        found = outcomes(method, {})
    except ReadingsError:
        return
    _hold(found, f"{method.id} is silent when nothing was read")
    _hold(all(outcome.value is None for outcome in found.values()), f"{method.id} makes numbers of nothing")
    _hold(
        all(outcome.refused for outcome in found.values()),
        f"{method.id} gives no reason for having no number",
    )


def check_absurd_readings(method: Method) -> None:
    """Zero, negative, tiny, huge and non-finite readings are refused, or give sound outcomes."""
    for raw in method.examples():
        for field in fields(method.Readings):
            for value in _ABSURD if field.kind == "number" else ():
                _survives(method, {**raw, field.name: value})
                _hold(
                    math.isfinite(value) or not _kept(method, {field.name: value}),
                    f"{field.name} keeps {value}",
                )


def check_random_readings(method: Method) -> None:
    """Any mixture of readings that can be kept gives sound outcomes (seeded, the same each time)."""
    source = random.Random(method.id)  # noqa: S311 - no secret is made here
    # Readings of several examples mixed, so that combinations nobody thought of occur.
    pool = {name: value for raw in method.examples() for name, value in raw.items()}
    for _ in range(_RANDOM_CASES):
        raw = {name: value for name, value in pool.items() if source.random() < 0.6}  # noqa: PLR2004 - most of them
        for field in fields(method.Readings):
            if field.kind == "number" and source.random() < 0.4:  # noqa: PLR2004 - some of them
                raw[field.name] = 10 ** source.uniform(-3, 5)
        _survives(method, raw)


def check_threads(method: Method) -> None:
    """Several threads at once get what one gets alone."""
    for raw in method.examples():
        alone = _digest(outcomes(method, raw))
        with ThreadPoolExecutor(_THREADS) as pool:
            # More tasks than threads, so that each thread computes several times.
            together = list(pool.map(lambda raw: _digest(outcomes(method, raw)), [raw] * (3 * _THREADS)))
        _hold(all(each == alone for each in together), f"{method.id} answers otherwise in threads")


def check_readings_untouched(method: Method) -> None:
    """Computing and drawing change nothing of the readings."""
    for raw in method.examples():
        readings = validate(method, raw)
        before = json.dumps(dump(readings))
        list(method.compute(with_uncertainty(readings, {}), Piece()))
        method.figure(readings, Piece(), ())
        _hold(json.dumps(dump(readings)) == before, f"{method.id} changes its readings")


CHECKS: tuple[Callable[[Method], None], ...] = (
    check_declarations,
    check_fields,
    check_schema,
    check_examples,
    check_json_round_trip,
    check_table_round_trip,
    check_uncertainty,
    check_no_doubt_is_lost,
    check_figure,
    check_nothing_read,
    check_absurd_readings,
    check_random_readings,
    check_threads,
    check_readings_untouched,
)


def _moved_by_each_reading(method: Method, readings: Readings) -> dict[str, float]:
    """Return by quantity how far all roundings move it, each alone, added in quadrature."""
    start = _plain_values(method, readings)
    squares: dict[str, float] = {}
    for shifted in _shifted(readings):
        after = _plain_values(method, shifted)
        for name in start.keys() & after.keys():
            squares[name] = squares.get(name, 0.0) + (after[name] - start[name]) ** 2
    return {name: math.sqrt(square) for name, square in squares.items()}


def _plain_values(method: Method, readings: Readings) -> dict[str, float]:
    found = method.compute(readings, Piece())
    return {outcome.quantity: nominal(outcome.value) for outcome in found if outcome.value is not None}


def _shifted(readings: Readings) -> Iterator[Readings]:
    """Yield copies of readings, in each one number moved by its standard uncertainty."""
    carried = with_uncertainty(readings, {})
    for field in fields(type(readings)):
        value = getattr(carried, field.name)
        if field.kind == "number" and hasattr(value, "std_dev"):
            yield readings.model_copy(update={field.name: value.nominal_value + value.std_dev})
        if field.kind == "series":
            plain = getattr(readings, field.name)
            for i, entry in enumerate(value):
                for j, part in enumerate(entry):
                    if hasattr(part, "std_dev"):
                        moved = (*plain[i][:j], part.nominal_value + part.std_dev, *plain[i][j + 1 :])
                        yield readings.model_copy(update={field.name: (*plain[:i], moved, *plain[i + 1 :])})


def _hold(fact: Any, otherwise: str) -> None:
    if not fact:
        raise AssertionError(otherwise)


def _files(method: Method) -> list[str]:
    return [field.name for field in fields(method.Readings) if field.kind == "file"]


def _rigs(u_rel: float) -> dict[str, Instrument]:
    return {
        "force": Instrument("rig", "N", u_rel=u_rel),
        "length": Instrument("caliper", "mm", u_rel=u_rel),
        "mass": Instrument("balance", "g", u_rel=u_rel),
    }


def _u(outcome: Outcome) -> float:
    given = outcome.uncertainty if outcome.uncertainty is not None else getattr(outcome.value, "std_dev", 0.0)
    return float(given)


def _sound(method: Method, outcome: Outcome) -> None:
    """Hold an outcome to what the manager takes."""
    declared = {quantity.name for quantity in method.quantities}
    _hold(outcome.quantity in declared, f"{method.id} answers {outcome.quantity}, which it does not declare")
    if outcome.value is None:
        _hold(outcome.refused, f"{outcome.quantity} has neither a value nor a reason")
        return
    _hold(math.isfinite(nominal(outcome.value)), f"{outcome.quantity} is {outcome.value}")
    _hold(_u(outcome) >= 0 or math.isnan(_u(outcome)), f"{outcome.quantity} has a negative uncertainty")


def _kept(method: Method, raw: Mapping[str, Any]) -> Readings | None:
    try:
        return validate(method, raw)
    except ReadingsError:
        return None


def _survives(method: Method, raw: Mapping[str, Any]) -> None:
    if _kept(method, raw) is None:
        return
    try:
        found = outcomes(method, raw)
    except Exception as fault:
        raise AssertionError(f"{method.id} raises {fault!r} on {_without_files(raw)}") from fault
    for outcome in found.values():
        _sound(method, outcome)


def _without_files(raw: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in raw.items() if isinstance(value, str | float | int | list)}


def _digest(found: Mapping[str, Outcome]) -> list[tuple[str, float | None, float, str]]:
    return list(_digested(found))


def _digested(found: Mapping[str, Outcome]) -> Iterator[tuple[str, float | None, float, str]]:
    for name, outcome in found.items():
        yield name, None if outcome.value is None else nominal(outcome.value), _u(outcome), outcome.refused
