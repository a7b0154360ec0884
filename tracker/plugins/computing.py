"""One computation by one method, from which nothing but facts comes back."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
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
    fields,
    nominal,
    recordings,
    remarks_of,
    with_uncertainty,
)
from tracker.api.maths import dof_of
from tracker.api.uncertainty import contributions

_WIDE = 0.3
_DRAWS = 400
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
    found = _sorted_out(method, plugin, made, remarks_of(carried))
    return _drawn_where_wide(method, carried, piece, found)


def _drawn_where_wide(method: Method, carried: Readings, piece: Piece, found: Computation) -> Computation:
    """Put an interval by Monte Carlo (JCGM 101) beside results whose linear budget fails.

    It fails near a bound: where a quantity that cannot be negative has a standard uncertainty of more than
    three tenths of its value, ± U would reach below nothing. Readings are drawn and the method computes each
    draw; a recording cannot be drawn, so its results keep their linear budget.
    """
    positive = {quantity.name for quantity in method.quantities if quantity.positive}
    wide = {
        each.quantity
        for each in found.outcomes
        if each.quantity in positive
        and each.value is not None
        and each.uncertainty is not None
        and each.uncertainty > _WIDE * abs(each.value)
    }
    if not wide or recordings(carried):
        return found
    draws = _draws_of(method, carried, piece, wide)
    outcomes = []
    for each in found.outcomes:
        values = sorted(draws.get(each.quantity, ()))
        if each.quantity in wide and len(values) >= _DRAWS // 2:
            low, high = (values[round(part * (len(values) - 1))] for part in (0.025, 0.975))
            remark = f"Wide for its value: the interval is by Monte Carlo, {len(values)} draws (JCGM 101)."
            each = replace(each, low=low, high=high, remarks=(*each.remarks, remark))  # noqa: PLW2901
        outcomes.append(each)
    return replace(found, outcomes=tuple(outcomes))


def _draws_of(method: Method, carried: Readings, piece: Piece, wanted: set[str]) -> dict[str, list[float]]:
    """Compute the method with readings drawn from what is not known of them, the same draws each time."""
    source = random.Random(20_080_901)  # noqa: S311 - no secret is made here
    drawn: dict[str, list[float]] = {}
    for _ in range(_DRAWS):
        moves: dict[Any, float] = {}
        copy = carried.model_copy(
            update={
                each.name: _moved(getattr(carried, each.name), moves, source)
                for each in fields(type(carried))
            }
        )
        try:
            made = list(method.compute(copy, piece))
        except Exception:  # noqa: BLE001, S112 - a draw for which there is no number is left out
            continue
        for outcome in made:
            value = None if outcome.value is None else nominal(outcome.value)
            if outcome.quantity in wanted and value is not None and math.isfinite(value):
                drawn.setdefault(outcome.quantity, []).append(value)
    return drawn


def _moved(value: Any, moves: dict[Any, float], source: random.Random) -> Any:
    """Return a reading with what is not known of it drawn; what two readings share is drawn once."""
    if isinstance(value, tuple):
        return tuple(_moved(part, moves, source) for part in value)
    if not hasattr(value, "derivatives"):
        return value
    total = float(value.nominal_value)
    for variable, slope in value.derivatives.items():
        if variable not in moves:
            # A rounding is as likely at either end of its step; what a certificate says is normal.
            flat = str(variable.tag or "").endswith(": resolution")
            step = source.uniform(-(3**0.5), 3**0.5) if flat else source.gauss(0.0, 1.0)
            moves[variable] = step * variable.std_dev
        total += slope * moves[variable]
    return total


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
    # The first stands; which of two was meant nobody can say, so the fault is reported.
    if outcome.quantity in kept:
        raise _NonsenseError(f"it returned {outcome.quantity} twice")
    if outcome.relation not in _RELATIONS:
        raise _NonsenseError(f"{outcome.quantity} has the relation {outcome.relation!r:.20}")
    # One remark is one line, whatever line breaks the plugin wrote.
    words = tuple(" ".join(str(remark).split()) for remark in (*_listed(outcome.remarks), *remarks))
    if outcome.value is None:
        why = " ".join(str(outcome.refused).split())
        if not why:
            raise _NonsenseError(f"{outcome.quantity} has neither a value nor a reason for having none")
        group = " ".join(str(outcome.group).split())
        return Computed(quantity.name, None, quantity.unit, remarks=words, refused=why, group=group)
    u, parts, doubt = _uncertainty(outcome)
    return Computed(
        quantity=quantity.name,
        value=_finite(outcome.value, quantity.name),
        unit=quantity.unit,
        uncertainty=u,
        relation=outcome.relation,
        remarks=(*words, *doubt),
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


def _uncertainty(outcome: Outcome) -> tuple[float | None, tuple[Contribution, ...], tuple[str, ...]]:
    """Return the standard uncertainty, None where nothing is known, its budget, and a remark if lost."""
    value, components = outcome.value, None
    given: Any = outcome.uncertainty
    if given is None and hasattr(value, "error_components"):
        # Asked for once: a number works them out again for its own standard deviation, which is the root of
        # the sum of these squares. A variable's is what it was made with.
        components = value.error_components()
        alone = len(components) == 1 and next(iter(components)) is value
        given = value.std_dev if alone else math.sqrt(sum(part**2 for part in components.values()))
    elif given is None:
        given = getattr(value, "std_dev", None)
    if given is None:
        return None, (), ()
    u = float(given)
    if not math.isfinite(u) or u < 0:
        return None, (), ("Its uncertainty could not be propagated.",)
    if u == 0:
        # Zero means that nothing was known against the readings, not that the result is exact.
        return None, (), ()
    if outcome.uncertainty is None:
        return u, contributions(components or {}), ()
    return u, tuple(part for part in outcome.budget if isinstance(part, Contribution)), ()
