"""The problem: two groups of results of one quantity, and everything comparable that the book holds."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.comparing.groups import group
from tracker.errors import Refused
from tracker.factors import REGISTRY, factor_named, factors_of, measurement_factors
from tracker.ids import read_id
from tracker.orientation import in_words
from tracker.plugins import Plugged
from tracker.selection import ResultRow, check_quantities, result_rows, with_factors
from tracker.units import shown
from tracker.why import Factor, Observation, Problem, Question, Value

Settings = Callable[[str], Mapping[str, str]]
"""Gives the raw settings of a job's plate file by the job's ID; empty where there are none."""


@dataclass(frozen=True)
class Scope:
    """What is looked at beside the two groups.

    Attributes:
        family: Other materials of the same polymer family too.
        since: Only what was measured at or after this moment.
        until: Only what was measured before this moment.
        only_counted: Leave out what a verdict set aside.
        settings: Where raw settings come from, or None.
    """

    family: bool = False
    since: dt.datetime | None = None
    until: dt.datetime | None = None
    only_counted: bool = True
    settings: Settings | None = None


@dataclass
class _Sides:
    """The two groups and the rest, by quantity and way of lying."""

    a: list[ResultRow]
    b: list[ResultRow]
    rest: list[ResultRow]
    zone: dt.tzinfo
    excluded: Counter[str] = field(default_factory=Counter)


def problems(
    book: Book, plugged: Plugged, a: str, b: str, quantity: str | None = None, scope: Scope | None = None
) -> list[Problem]:
    """Return a problem for every quantity, and way of lying, that both groups have results of.

    Args:
        book: To be read.
        plugged: Says of each quantity whether larger is better and whether it is a grade.
        a: What group A is; see :func:`tracker.comparing.groups.group`.
        b: What group B is.
        quantity: Only this; every shared one where None.
        scope: What else is looked at.

    Raises:
        Refused: A or B names nothing, or nothing that was tested; or there is no such quantity.
    """
    scope = scope or Scope()
    declared = quantities_of(plugged)
    with book.read() as session:
        check_quantities(session.connection(), [quantity] if quantity else [], declared)
        rows = result_rows(
            session.connection(), quantities=[quantity] if quantity else None, since=scope.since
        )
        rows = [row for row in rows if _in_time(row, scope)]
        # Before the groups are made: a filter may ask of any factor.
        _put_factors(session, plugged, rows)
        side_a, side_b = (_tested(book, session, text, rows, quantity, scope) for text in (a, b))
    sides = _kept(side_a, side_b, rows, scope, book.zone)
    shared = {row.quantity for row in sides.a} & {row.quantity for row in sides.b}
    return [
        _problem(declared.get(name), name, lie, sides, scope, (a, b))
        for name in sorted(shared)
        for lie in _ways(name, sides)
    ]


def _tested(
    book: Book, session: Session, text: str, rows: Sequence[ResultRow], quantity: str | None, scope: Scope
) -> list[ResultRow]:
    """Return one side.

    Raises:
        Refused: It names nothing, or nothing that was tested for this in this time.
    """
    found = group(book, session, text, rows)
    if not found:
        of = f" of {quantity}" if quantity else ""
        when = ", ".join(_when(scope, book.zone))
        raise Refused(
            f"{text} has no results{of}{f' {when}' if when else ''}",
            do="strandbook list results shows what was tested",
        )
    return found


def _when(scope: Scope, zone: dt.tzinfo) -> list[str]:
    """Return the time looked at, in words."""
    limits = (("since", scope.since), ("before", scope.until))
    return [f"{word} {moment.astimezone(zone):%Y-%m-%d}" for word, moment in limits if moment is not None]


def _in_time(row: ResultRow, scope: Scope) -> bool:
    return scope.until is None or (row.at is not None and row.at < scope.until)


def everything(book: Book, plugged: Plugged, names: Sequence[str]) -> list[Problem]:
    """Return every counted result of quantities, by way of lying, as problems whose two sides are empty."""
    with book.read() as session:
        rows = [row for row in result_rows(session.connection(), quantities=names) if row.value is not None]
        rows = [row for row in rows if row.counted]
        _put_factors(session, plugged, rows)
    declared = quantities_of(plugged)
    keys = sorted({(row.quantity, _way(row)) for row in rows})
    sides = _Sides([], [], rows, book.zone)
    return [_problem(declared.get(name), name, lie, sides, Scope(), ("", "")) for name, lie in keys]


def quantities_of(plugged: Plugged) -> dict[str, Any]:
    """Return the quantities that the installed methods declare, by name."""
    return {q.name: q for each in plugged.methods.values() for q in each.method.quantities}


def _put_factors(session: Session, plugged: Plugged, rows: Sequence[ResultRow]) -> None:
    pieces = {row.specimen_row for row in rows if row.specimen_row is not None}
    numbers = {read_id(row.measurement)[0].number: row.measurement for row in rows}
    own = measurement_factors(session, numbers)
    with_factors(
        rows,
        factors_of(session, sorted(pieces), plugged),
        {numbers[n]: factors for n, factors in own.items()},
    )


def _kept(
    side_a: Sequence[ResultRow],
    side_b: Sequence[ResultRow],
    rows: Sequence[ResultRow],
    scope: Scope,
    zone: dt.tzinfo,
) -> _Sides:
    chosen = (*side_a, *side_b)
    # Only what the person named is told as left out: of the rest nobody knows how much there is anyway.
    excluded = Counter(reason for row in chosen if (reason := _why_left_out(row, scope)))
    a, b, rest = (
        [row for row in side if not _why_left_out(row, scope)]
        for side in (side_a, side_b, _others(chosen, rows, scope))
    )
    return _Sides(a, b, rest, zone, excluded)


def _why_left_out(row: ResultRow, scope: Scope) -> str:
    """Return why a result cannot be compared, or nothing."""
    if row.value is None:
        return "the method gave no value"
    return "set aside by a verdict" if scope.only_counted and not row.counted else ""


def _others(chosen: Sequence[ResultRow], rows: Sequence[ResultRow], scope: Scope) -> list[ResultRow]:
    """Return the results that nobody named and that may teach something of the same material or family."""
    named = {row.result for row in chosen}
    materials = {row.material for row in chosen}
    families = {row.family for row in chosen} - {None} if scope.family else set()
    return [
        row
        for row in rows
        if row.result not in named and (row.material in materials or row.family in families)
    ]


def _way(row: ResultRow) -> str:
    return in_words(row.orientation) if row.orientation else ""


def _ways(quantity: str, sides: _Sides) -> list[str | None]:
    """Return the ways of lying to be answered one by one; None where orientation is itself in question."""
    of_a = {_way(row) for row in sides.a if row.quantity == quantity}
    of_b = {_way(row) for row in sides.b if row.quantity == quantity}
    # Where the groups share no way of lying, orientation is the difference asked about and must not be held
    # fixed.
    return [*sorted(of_a & of_b)] if of_a & of_b else [None]


def _problem(
    declared: Any, name: str, lie: str | None, sides: _Sides, scope: Scope, labels: tuple[str, str]
) -> Problem:
    def of(rows: Iterable[ResultRow]) -> list[ResultRow]:
        return [row for row in rows if row.quantity == name and (lie is None or _way(row) == lie)]

    a, b, rest = of(sides.a), of(sides.b), of(sides.rest)
    # Once each, whatever the groups: an overlap is refused later as an overlap, not as a result given twice.
    every = list({row.result: row for row in (*a, *b, *rest)}.values())
    question = Question(
        quantity=name,
        unit=every[0].unit,
        larger_is_better=declared.larger_is_better if declared else None,
        positive=_positive(declared, every),
        ordinal=bool(declared and declared.scale == "ordinal"),
        # The published directions of effect are told for these two; on edge is neither, and gets no note
        # rather than a wrong one.
        about={"upright": "interlayer", "flat": "in-plane"}.get(lie or "", ""),
        pieces=lie or "",
    )
    return Problem(
        question=question,
        factors=_registry(every),
        observations=tuple(_observation(row) for row in every),
        a=frozenset(row.measurement for row in a),
        b=frozenset(row.measurement for row in b),
        label_a=labels[0],
        label_b=labels[1],
        settings_a=_settings(a, scope),
        settings_b=_settings(b, scope),
        excluded=dict(sides.excluded),
        scope=_scope_words(every, lie, scope, sides.zone),
    )


def _positive(declared: Any, rows: Sequence[ResultRow]) -> bool:
    # Logarithms are taken only where every value has one: a shrinkage may be declared positive and still
    # come out below zero.
    above = all((row.value or 0.0) > 0 for row in rows)
    return bool(declared.positive) and above if declared is not None else above


def _registry(rows: Sequence[ResultRow]) -> tuple[Factor, ...]:
    """Return the factors that occur, in the registry's order: the earlier of one cause is preferred."""
    values: dict[str, list[Any]] = {}
    for row in rows:
        for name, factor in row.factors.items():
            values.setdefault(name, []).append(factor.value)
    order = {each.name: place for place, each in enumerate(REGISTRY)}
    names = sorted(values, key=lambda name: (order.get(name, len(order)), name))
    return tuple(_factor(name, values[name]) for name in names if name != "material")


def _factor(name: str, values: Sequence[Any]) -> Factor:
    known = factor_named(name, values)
    return Factor(
        name=name, unit=shown(known.unit), resolution=known.resolution, span=known.span, kind=known.kind,
        same_cause=known.same_cause, label=known.words, settable=known.settable,
    )  # fmt: skip


def _observation(row: ResultRow) -> Observation:
    return Observation(
        result_id=row.measurement,
        quantity=row.quantity,
        value=float(row.value if row.value is not None else "nan"),
        material=row.material or "not recorded",
        plate=row.job or row.specimen,
        specimen=row.specimen,
        factors={name: _value(each) for name, each in row.factors.items()},
        censored={">": "above", "<": "below"}.get(row.relation),  # type: ignore[arg-type] # the two words it knows
        note="without readings" if row.source == "given" else "",
        order=row.at.timestamp() if row.at is not None else None,
    )


def _value(factor: Any) -> Value:
    """Return a factor as number, word, or interval where it is known as one only."""
    # An estimate is its interval; its middle alone would make two overlapping guesses look different.
    if factor.low is not None and factor.high is not None and factor.basis == "estimated":
        return float(factor.low), float(factor.high)
    value: Value = factor.value
    return value


def _settings(rows: Sequence[ResultRow], scope: Scope) -> dict[str, str]:
    """Return the raw settings of a group's plates; one that differs within the group shows all its texts."""
    if scope.settings is None:
        return {}
    texts: dict[str, list[str]] = {}
    for job in dict.fromkeys(row.job for row in rows if row.job is not None):
        for key, text in scope.settings(job).items():
            if text not in texts.setdefault(key, []):
                texts[key].append(text)
    return {key: " / ".join(found) for key, found in texts.items()}


def _scope_words(rows: Sequence[ResultRow], lie: str | None, scope: Scope, zone: dt.tzinfo) -> str:
    materials = sorted({row.material or "not recorded" for row in rows})
    methods = sorted({row.method for row in rows})
    parts = [
        f"method {', '.join(methods)}",
        f"pieces {lie}" if lie else "every orientation" if lie is None else "orientation not recorded",
        f"{len(materials)} materials of the family" if scope.family else f"material {', '.join(materials)}",
    ]
    return "; ".join([*parts, *_when(scope, zone)])
