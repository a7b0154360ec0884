"""One computation by one method, from which nothing but facts comes back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tracker.api import (
    Contribution,
    Instrument,
    Method,
    Outcome,
    Piece,
    Quantity,
    Readings,
    Refused,
    remarks_of,
    with_uncertainty,
)
from tracker.api.maths import budget, dof_of

_RELATIONS = ("=", ">", "<")


@dataclass(frozen=True)
class Computed:
    """One quantity as computed; plain values only.

    Attributes:
        quantity: Its name.
        value: In ``unit``; None where it is refused.
        unit: Unit of value and uncertainty.
        uncertainty: Standard uncertainty; None where nothing is known of it.
        relation: ``=``, or ``>`` / ``<`` for a limit that was not reached.
        remarks: Sentences kept beside it.
        refused: Why there is no value.
        budget: What its uncertainty is made of, largest first.
        group: Results of another group are never averaged with it.
        dof: Effective degrees of freedom of the uncertainty; None for infinite.
        low: With ``high`` the 95 % interval drawn by Monte Carlo, where the linear budget fails.
        high: Its upper end.
    """

    quantity: str
    value: float | None
    unit: str
    uncertainty: float | None = None
    relation: str = "="
    remarks: tuple[str, ...] = ()
    refused: str = ""
    budget: tuple[Contribution, ...] = ()
    group: str = ""
    dof: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Computation:
    """All that a method says of one measurement.

    Attributes:
        outcomes: In the order the method declares its quantities.
        problem: What went wrong in the plugin, with its name; None if nothing did. Outcomes beside
            a problem are sound: the problem concerns others.
        version: Version of the method; empty where it is not installed.
        standard: What it follows, as it said when this was computed.
    """

    outcomes: tuple[Computed, ...]
    problem: str | None = None
    version: str = ""
    standard: str = ""


class _NonsenseError(Exception):
    """An outcome that cannot be kept; the text says why."""


def compute(
    method: Method, plugin: str, readings: Readings, piece: Piece, instruments: Mapping[str, Instrument]
) -> Computation:
    """Let a method compute, whatever it does; see ``Plugged.compute``."""
    try:
        # Inside the guard: an instrument of a foreign unit may fail here, on account of the plugin's own
        # declarations.
        carried = with_uncertainty(readings, instruments)
        # Run to its end here: a generator fails while it is read, not when it is called.
        made = list(method.compute(carried, piece))
    except Refused as refusal:
        return _nothing(method, f"method {method.id} of plugin {plugin}: {refusal}")
    except (Exception, SystemExit) as fault:  # noqa: BLE001 - a plugin's fault is a message, never ours
        return _nothing(method, f"method {method.id} of plugin {plugin} failed: {one_line(fault)}")
    return _sorted_out(method, plugin, made, remarks_of(carried))


def one_line(fault: BaseException) -> str:
    """Return an exception as one line: its type and text."""
    return " ".join(f"{type(fault).__name__}: {fault}".split())[:300]


def _nothing(method: Method, problem: str) -> Computation:
    return Computation((), problem, method.version, method.standard)


def _sorted_out(method: Method, plugin: str, made: list[Any], remarks: tuple[str, ...]) -> Computation:
    declared = {quantity.name: quantity for quantity in method.quantities}
    # A sound outcome stays although another is nonsense: it cost a test piece.
    kept: dict[str, Computed] = {}
    wrong: list[str] = []
    for outcome in made:
        try:
            computed = _checked(outcome, declared, kept, remarks)
        except (Exception, SystemExit) as fault:  # noqa: BLE001 - a value may lie in any of its methods
            wrong.append(str(fault) if isinstance(fault, _NonsenseError) else one_line(fault))
        else:
            kept[computed.quantity] = computed
    order = [kept[name] for name in declared if name in kept]
    problem = f"method {method.id} of plugin {plugin}: {'; '.join(wrong)}" if wrong else None
    return Computation(tuple(order), problem, method.version, method.standard)


def _checked(
    outcome: Any, declared: Mapping[str, Quantity], kept: Mapping[str, Computed], remarks: tuple[str, ...]
) -> Computed:
    if not isinstance(outcome, Outcome):
        raise _NonsenseError(f"it returned {outcome!r:.60}, which is not a tracker.api.Outcome")
    quantity = declared.get(outcome.quantity)
    if quantity is None:
        raise _NonsenseError(f"it returned {outcome.quantity!r:.60}, which it does not declare")
    # The first stands; which of two was meant nobody can say, so the fault is told.
    if outcome.quantity in kept:
        raise _NonsenseError(f"it returned {outcome.quantity} twice")
    if outcome.relation not in _RELATIONS:
        raise _NonsenseError(f"{outcome.quantity} has the relation {outcome.relation!r:.20}")
    # One remark is one line, whatever line breaks the plugin wrote.
    said = tuple(" ".join(str(remark).split()) for remark in (*_listed(outcome.remarks), *remarks))
    if outcome.value is None:
        why = " ".join(str(outcome.refused).split())
        if not why:
            raise _NonsenseError(f"{outcome.quantity} has neither a value nor a reason for having none")
        group = " ".join(str(outcome.group).split())
        return Computed(quantity.name, None, quantity.unit, remarks=said, refused=why, group=group)
    u, doubt = _uncertainty(outcome)
    parts = _parts(outcome) if u is not None else ()
    return Computed(
        quantity=quantity.name,
        value=_finite(outcome.value, quantity.name),
        unit=quantity.unit,
        uncertainty=u,
        relation=outcome.relation,
        remarks=(*said, *doubt),
        budget=parts,
        group=" ".join(str(outcome.group).split()),
        dof=dof_of(parts),
    )


def _listed(remarks: Any) -> tuple[Any, ...]:
    """A lone sentence is one remark, not one for each of its letters."""
    return (remarks,) if isinstance(remarks, str) else tuple(remarks)


def _finite(value: Any, name: str) -> float:
    # float() would take them; none of them is a measured number.
    if isinstance(value, bool | str | bytes):
        raise _NonsenseError(f"{name} is {value!r:.40}, which is no number")
    try:
        number = float(getattr(value, "nominal_value", value))
    except (TypeError, ValueError) as error:
        raise _NonsenseError(f"{name} is {value!r:.40}, which is no number") from error
    if not math.isfinite(number):
        raise _NonsenseError(f"{name} came out as {number}, which is not a finite number")
    return number


def _uncertainty(outcome: Outcome) -> tuple[float | None, tuple[str, ...]]:
    """Return the standard uncertainty, None where nothing is known, and a remark where it got lost."""
    given = (
        outcome.uncertainty if outcome.uncertainty is not None else getattr(outcome.value, "std_dev", None)
    )
    if given is None:
        return None, ()
    u = float(given)
    if math.isfinite(u) and u >= 0:
        # Zero means that nothing was known against the readings, not that the result is exact.
        return (u, ()) if u > 0 else (None, ())
    return None, ("Its uncertainty could not be propagated.",)


def _parts(outcome: Outcome) -> tuple[Contribution, ...]:
    if outcome.uncertainty is None:
        return budget(outcome.value)
    return tuple(part for part in outcome.budget if isinstance(part, Contribution))
