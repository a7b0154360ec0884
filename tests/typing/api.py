"""How plugin authors write against ``tracker.api``; this file only has to type-check."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import pydantic

from tracker.api import (
    Contribution,
    Curve,
    FactorValue,
    Field,
    Instrument,
    LabelDesign,
    Method,
    Outcome,
    Piece,
    Quantity,
    Reading,
    Readings,
    ReadLog,
    Recording,
    ResultFacts,
    dump,
    fields,
    hookimpl,
    measured,
    read_curve,
    schema,
    testing,
    validate,
    with_uncertainty,
)
from tracker.api.maths import Simulated, Spread, budget, monte_carlo, range_remarks


class OwnReadings(Readings):
    """A number, a choice, a series and a file."""

    depth: Annotated[float, Reading("mm", "depth", resolution=0.01), pydantic.Field(gt=0)]
    side: Annotated[Literal["a", "b"], Reading(help="side")] = "a"
    rows: Annotated[tuple[tuple[float, float], ...], Reading(columns=("t", "d"), units=("s", "mm"))] = ()
    curve: Annotated[Recording | None, Reading(help="curve")] = None


class Own(Method):
    """A method as anybody writes one."""

    id = "own"
    title = "Own"
    version = "1"
    standard = "None"
    Readings = OwnReadings
    quantities = (Quantity("own.depth", "mm"),)

    def compute(self, readings: OwnReadings, piece: Piece) -> Iterable[Outcome]:
        """Readings may be typed with the method's own model."""
        limit: float | None = piece.nominal_mm.get("thickness")
        curve: Curve | None = None if readings.curve is None else read_curve(readings.curve)
        if curve is not None and limit is not None:
            yield Outcome("own.depth", measured(readings, "curve", limit, "mm"))
        yield Outcome("own.depth", readings.depth, remarks=("as read",), relation=">")


@hookimpl
def strandbook_methods() -> list[Method]:
    """Return methods."""
    return [Own()]


@hookimpl
def strandbook_factors(specimen: Mapping[str, Any]) -> list[FactorValue]:
    """Return factors."""
    return [FactorValue("shelf", str(specimen["id"]), basis="stated")]


@hookimpl
def strandbook_read_log(path: Path) -> ReadLog | None:
    """Return a log."""
    return ReadLog({"chamber_c": [60.0]}, [0.0], absolute=False) if path.suffix == ".own" else None


@hookimpl
def strandbook_label_designs() -> list[LabelDesign]:
    """Return designs."""
    return [LabelDesign("own", "mine", lambda facts: [facts["material"]])]


@hookimpl
def strandbook_after_result(result: ResultFacts) -> None:
    """Hear of a result."""
    del result


def use() -> tuple[Any, ...]:
    """Call what plugin authors and the book call."""
    readings: Readings = validate(Own, {"depth": 1.0})
    rig = Instrument("R0001-A", "mm", u_abs=0.01)
    carried: Readings = with_uncertainty(readings, {"length": rig})
    said: tuple[str, ...] = range_remarks(readings, {"length": rig})
    form: tuple[Field, ...] = fields(OwnReadings)
    plain: dict[str, Any] = dump(readings)
    parts: tuple[Contribution, ...] = budget(1.0)
    drawn: Simulated = monte_carlo(lambda a, b: a * b, {"a": Spread(1.0, 0.1), "b": 2.0})
    numbers: dict[str, float] = testing.values(Own(), plain)
    return carried, said, form, parts, drawn.u, numbers, schema(Own)
