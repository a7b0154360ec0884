"""The problem: two groups of results of one quantity, and everything comparable that the book holds.

A group is named by IDs, a material or a filter. IDs are resolved first: of jobs, spools, specimens and
measurements the material is known, and only results of these materials (of their families, where that is
asked) and only their factors are read.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.api import FactorValue
from tracker.book import Book
from tracker.errors import Refused, did_you_mean
from tracker.factors import REGISTRY, factor_named, factors_of, unit_of
from tracker.ids import Ident, IdError, job_id, read_id
from tracker.kinds import resolve
from tracker.model import BookRecord, Job, JobInForce, JobSpool, Material, Measurement, Specimen, Spool
from tracker.moments import local_day
from tracker.orientation import oriented
from tracker.plugins import Plugged
from tracker.selection import (
    Filter,
    FilterError,
    ResultRow,
    check_asked,
    check_quantities,
    parse_filter,
    pieces_of,
    result_rows,
    selected,
    why_not,
    with_factors,
)
from tracker.selection.rows import OWN_NAMES, other_rows
from tracker.stating import shown
from tracker.stored_rows import batched
from tracker.why import Factor, Observation, Problem, Question, Value

Settings = Callable[[str], Mapping[str, str]]
"""Gives the raw settings of a job's plate file by the job's ID; empty where there are none."""

_SEPARATORS: Final = re.compile(r"[\s,;]+")
_PEOPLE: Final = frozenset({"operator", "printed_by"})
_ERRORS: Final = {"print_room_rh": 3.0, "room_rh": 3.0, "print_room_c": 0.5, "room_c": 0.5}
"""Standard errors of the room's instruments (common practice, no source). What is set on a printer is off by
the same on both sides and cancels; what is estimated carries its own bounds."""
SECTION: Final = Factor("section", "mm²", 0.8, 10.0, label="section of the piece")
"""Width by thickness as measured; two callipers differ by some hundredths of a millimetre on each."""
_LISTED: Final = (
    Factor("note", kind="category", label="note on job, piece or measurement", settable=False, listed=True),
    Factor("printed_on", kind="category", label="printed on", settable=False, listed=True),
    Factor("tested_on", kind="category", label="tested on", settable=False, listed=True),
)
"""What is listed where it differs and is no factor: it says where to look and explains nothing by itself."""


@dataclass(frozen=True)
class Scope:
    """What is looked at beside the two groups.

    Attributes:
        family: Other materials of the same polymer family too.
        since: Only what was measured at or after this moment.
        until: Only what was measured before this moment.
        only_counted: Leave out what a verdict set aside.
        settings: Where raw settings come from, or None.
        matters: Smallest difference that matters: a number with ``%`` or in the quantity's unit; None for
            the usual one.
        benches: What other benches published too, with the bench as a factor.
        others: Results of other books that are read together with this one, likewise.
    """

    family: bool = False
    since: dt.datetime | None = None
    until: dt.datetime | None = None
    only_counted: bool = True
    settings: Settings | None = None
    matters: str | None = None
    benches: bool = False
    others: Sequence[ResultRow] = ()


@dataclass(frozen=True)
class Named:
    """What a text names, before any result is read.

    Attributes:
        text: As it was typed.
        material: The material, where it names one; else empty.
        wanted: The filter, where it is one.
        names: IDs of jobs, specimens and measurements that results hang on, where it names IDs.
        materials: Materials that its results can be of; None where only reading can tell.
        jobs: Jobs that its results hang on, where it names IDs.
    """

    text: str
    material: str = ""
    wanted: Filter | None = None
    names: frozenset[str] = frozenset()
    materials: frozenset[str] | None = None
    jobs: frozenset[int] = frozenset()

    @property
    def asks_of_factors(self) -> bool:
        """Whether factors must be read before its results are known."""
        return self.wanted is not None and not self.wanted.names() <= OWN_NAMES


@dataclass
class _Sides:
    """The two groups and the rest, by quantity and orientation.

    Attributes:
        a: Results of A.
        b: Results of B.
        rest: Other results in scope.
        bounded: Words of what was looked at where a material has more plates than are read; else empty.
        zone: The bench's zone.
        excluded: Why results of A and B were left out, with their number.
        aside: Results of A and of B that a verdict set aside.
        costs: Job to hours and grams.
    """

    a: list[ResultRow]
    b: list[ResultRow]
    rest: list[ResultRow]
    zone: dt.tzinfo
    excluded: Counter[str] = field(default_factory=Counter)
    aside: tuple[list[ResultRow], list[ResultRow]] = field(default_factory=lambda: ([], []))
    costs: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)
    bounded: str = ""


def problems(
    book: Book, plugged: Plugged, a: str, b: str, quantity: str | None = None, scope: Scope | None = None
) -> list[Problem]:
    """Return a problem for every quantity, and orientation, that both groups have results of.

    Args:
        book: To be read.
        plugged: Says of each quantity whether larger is better and whether it is a grade.
        a: What group A is: IDs, a material, or a filter.
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
        named = [name_group(book, session, text) for text in (a, b)]
        rows, bounded = _rows_in_scope(session, named, quantity, scope)
        # A filter may ask of any factor, and so of every result; IDs need the factors of what is compared.
        early = any(each.asks_of_factors for each in named)
        if early:
            _put_factors(session, plugged, rows)
        side_a, side_b = (_tested(each, rows, quantity, scope, book.zone) for each in named)
        sides = _within_scope(side_a, side_b, rows, scope, book.zone)
        if not early:
            _put_factors(session, plugged, [*sides.a, *sides.b, *sides.rest])
        _put_sections_and_notes(session, [*sides.a, *sides.b, *sides.rest, *sides.aside[0], *sides.aside[1]])
        sides.bounded = bounded
        sides.costs = _costs(session, [*sides.a, *sides.b])
    shared = {row.quantity for row in sides.a} & {row.quantity for row in sides.b}
    return [
        _problem(declared.get(name), name, way, sides, scope, (a, b))
        for name in sorted(shared)
        for way in _orientations(name, sides)
    ]


def quantities_of(plugged: Plugged) -> dict[str, Any]:
    """Return the quantities that the installed methods declare, by name."""
    return {q.name: q for each in plugged.methods.values() for q in each.method.quantities}


def name_group(book: Book, session: Session, text: str) -> Named:
    """Return what a text names: a material, a filter, or IDs.

    Args:
        book: The book.
        session: To read with.
        text: IDs of jobs, spools, specimens or measurements; the name of a material; or a filter.

    Raises:
        Refused: It names nothing in this book; near names are reported.
    """
    wanted = text.strip()
    if not wanted:
        raise Refused(
            "A group is empty", do="Name IDs, a material, or a filter such as material=X nozzle_c>260"
        )
    # A material's name first, as it may hold what reads like an ID or a filter.
    names = list(session.scalars(select(Material.name)))
    material = next((name for name in names if name.casefold() == wanted.casefold()), None)
    if material is not None:
        return Named(text, material=material, materials=frozenset({material}))
    if any(sign in text for sign in "=<>"):
        return _filter_named(text, names)
    return _ids_named(book, session, text, names)


def _filter_named(text: str, names: Sequence[str]) -> Named:
    found = parse_filter(text)
    asked = {t.value.casefold() for t in found.terms if t.name == "material" and t.sign == "="}
    materials = frozenset(name for name in names if name.casefold() in asked) if asked else None
    # A material that is not in the list may be given outright with its results, and a misspelt one is
    # answered with what there is: both need the results.
    return Named(text, wanted=found, materials=materials or None)


def _ids_named(book: Book, session: Session, text: str, materials: Sequence[str]) -> Named:
    names: set[str] = set()
    jobs: set[int] = set()
    spools: set[int] = set()
    for word in filter(None, _SEPARATORS.split(text.strip())):
        try:
            ident = resolve(book, session, word)
        except IdError as error:
            raise _no_name(text, materials, error) from error
        names.add(str(ident))
        if ident.kind == "spool":
            spools.add(ident.number)
            # Results hang on plates; a spool stands for all plates printed from it.
            own = set(session.scalars(select(JobSpool.job_id).where(JobSpool.spool_id == ident.number)))
            jobs |= own
            names |= {job_id(number) for number in own}
        jobs |= _jobs_behind(session, ident, spools)
    found = _materials_of(session, jobs, spools)
    return Named(text, names=frozenset(names), materials=found, jobs=frozenset(jobs))


def _jobs_behind(session: Session, ident: Ident, spools: set[int]) -> set[int]:
    """Return the job that a job, specimen or measurement is of; a spool's own measurement adds the spool."""
    if ident.kind in ("job", "specimen"):
        return {ident.number}
    if ident.kind != "measurement":
        return set()
    row = session.execute(
        select(Specimen.job_id, Measurement.spool_id)
        .select_from(Measurement)
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .where(Measurement.id == ident.number)
    ).first()
    if row is not None and row.spool_id is not None:
        spools.add(row.spool_id)
    return set() if row is None or row.job_id is None else {row.job_id}


def _materials_of(session: Session, jobs: set[int], spools: set[int]) -> frozenset[str] | None:
    """Return the materials of jobs and spools; None where a job has none by which to find its results."""
    of_spools = (
        select(JobSpool.job_id, Material.name)
        .join(Spool, Spool.id == JobSpool.spool_id)
        .join(Material, Material.id == Spool.material_id)
    )
    of_jobs = select(Job.id.label("job_id"), Material.name).join(Material, Material.id == Job.material_id)
    found = [
        *session.execute(of_spools.where(JobSpool.job_id.in_(jobs))),
        *session.execute(of_jobs.where(Job.id.in_(jobs))),
    ]
    own = select(Material.name).join(Spool, Spool.material_id == Material.id).where(Spool.id.in_(spools))
    names = {name for _, name in found} | set(session.scalars(own))
    return frozenset(names) if {job for job, _ in found} >= jobs and names else None


def _no_name(text: str, materials: Iterable[str], error: IdError) -> Refused:
    """Return what to say of a text that is no ID: it may be a material's name with a slip in it."""
    meant = did_you_mean(text, set(materials))
    if meant:
        return Refused(f"{text!r} names no results", do=meant)
    return Refused(
        f"{text!r} names no results", why=str(error).rstrip("."),
        do='Name IDs, a material, or a filter such as "material=X nozzle_c>260"',
    )  # fmt: skip


def group(named: Named, rows: Sequence[ResultRow]) -> list[ResultRow]:
    """Return the results among ``rows`` that a group names.

    Raises:
        Refused: A filter asks of what nobody records, or holds of nothing.
    """
    if named.material:
        return [row for row in rows if row.material == named.material]
    if named.wanted is None:
        return [row for row in rows if named.names & {row.job, row.specimen, row.measurement}]
    if rows:
        check_asked(rows, named.wanted, (factor.name for factor in REGISTRY))
    found = selected(rows, named.wanted)
    if not found:
        raise FilterError(f"{named.text!r} names no results", why=why_not(rows, named.wanted))
    return found


def _rows_in_scope(
    session: Session, named: Sequence[Named], quantity: str | None, scope: Scope
) -> tuple[list[ResultRow], str]:
    """Return the results of the materials that A and B name, or of all where only reading can tell.

    With them what was left out in words, where plates were named of a material that has very many.
    """
    materials = _materials_in_scope(session, named, family=scope.family)
    jobs, bounded = None, ""
    if materials is not None and all(each.jobs for each in named):
        jobs, bounded = _jobs_near(session, materials, frozenset().union(*(each.jobs for each in named)))
    rows = result_rows(
        session.connection(),
        quantities=[quantity] if quantity else None,
        materials=materials,
        since=scope.since,
        jobs=jobs,
    )
    own = [row for row in rows if _in_time(row, scope)]
    # A material is the same where its name is: another bench's results are read by it.
    others = _of_others(session, quantity, scope)
    return own + [row for row in others if materials is None or row.material in materials], bounded


def _materials_in_scope(session: Session, named: Sequence[Named], *, family: bool) -> list[str] | None:
    """Return the materials of A and B, or of their families, by name; None where only reading can tell."""
    if any(each.materials is None for each in named):
        return None
    wanted = {name for each in named for name in each.materials or ()}
    if family:
        families = select(Material.family).where(Material.name.in_(wanted), Material.family.is_not(None))
        wanted |= set(session.scalars(select(Material.name).where(Material.family.in_(families))))
    return sorted(wanted)


def _of_others(session: Session, quantity: str | None, scope: Scope) -> list[ResultRow]:
    """Return what other benches published and was brought in, where asked for, and what other books hold."""
    quantities = [quantity] if quantity else None
    return [
        *(other_rows(session.connection(), quantities=quantities) if scope.benches else ()),
        *(
            row
            for row in scope.others
            if (quantity is None or row.quantity == quantity)
            and _in_time(row, scope)
            and (scope.since is None or (row.at is not None and row.at >= scope.since))
        ),
    ]


_NEAREST: Final = 150
_SPREAD: Final = 100
"""Plates beside the named ones: those printed next to them know the day's spool and rig, those spread over
all the others know settings long past. More of them hardly narrow what is known of scatter and effects."""


def _jobs_near(
    session: Session, materials: Sequence[str], named: frozenset[int]
) -> tuple[list[int] | None, str]:
    """Return the jobs that are looked at beside those named, and words for it; None for all there are.

    They are chosen by their numbers alone, so that no result has a say in which results are looked at.
    """
    of = select(JobInForce.job_id).join(Material, Material.id == JobInForce.material_id)
    every = set(session.scalars(of.where(Material.name.in_(materials)))) - named
    if len(every) <= _NEAREST + _SPREAD:
        return None, ""
    by_distance = sorted(every, key=lambda job: (min(abs(job - each) for each in named), job))
    far = sorted(by_distance[_NEAREST:])
    spread = [far[place * len(far) // _SPREAD] for place in range(_SPREAD)]
    others = f"the {_NEAREST} printed nearest to these and {_SPREAD} spread over the rest"
    words = f"of {len(every):,} other plates {others}"
    return [*named, *by_distance[:_NEAREST], *spread], words


def _in_time(row: ResultRow, scope: Scope) -> bool:
    return scope.until is None or (row.at is not None and row.at < scope.until)


def _tested(
    named: Named, rows: Sequence[ResultRow], quantity: str | None, scope: Scope, zone: dt.tzinfo
) -> list[ResultRow]:
    """Return one side.

    Raises:
        Refused: It names nothing, or nothing that was tested for this in this time.
    """
    found = group(named, rows)
    if not found:
        of = f" of {quantity}" if quantity else ""
        when = ", ".join(_when(scope, zone))
        raise Refused(
            f"{named.text} has no results{of}{f' {when}' if when else ''}",
            do="strandbook list results shows what was tested",
        )
    return found


def _when(scope: Scope, zone: dt.tzinfo) -> list[str]:
    """Return the time looked at, in words."""
    limits = (("since", scope.since), ("before", scope.until))
    return [f"{word} {local_day(moment, zone)}" for word, moment in limits if moment is not None]


def _put_factors(session: Session, plugged: Plugged, rows: Sequence[ResultRow]) -> None:
    ours = [row for row in rows if not row.bench]
    with_factors(session, ours, factors_of(session, pieces_of(ours), plugged))
    if len(ours) < len(rows):
        _put_benches(session, rows)


def _put_sections_and_notes(session: Session, rows: Sequence[ResultRow]) -> None:
    """Make the section that was measured a factor, and add notes on job and measurement to the piece's."""
    numbers = {read_id(row.measurement)[0].number: row.measurement for row in rows if not row.bench}
    found: dict[str, Any] = {}
    asked = (
        select(Measurement.id, Measurement.readings, Measurement.remark, Job.note)
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .outerjoin(Job, Job.id == Specimen.job_id)
    )
    for some in batched(sorted(numbers)):
        found |= {numbers[row.id]: row for row in session.execute(asked.where(Measurement.id.in_(some)))}
    for row in rows:
        if row.bench:
            continue
        read = found[row.measurement]
        section = _section(read.readings or {})
        if section is not None:
            value = FactorValue(SECTION.name, section, SECTION.unit, "measured", "measurement")
            row.factors = {**row.factors, SECTION.name: value}
        row.remark = "; ".join(dict.fromkeys(filter(None, (row.remark, read.note, read.remark)))) or None


def _section(readings: Mapping[str, Any]) -> float | None:
    """Return the section in mm² that readings of a piece state or give."""
    area, width, thickness = (readings.get(name) for name in ("area", "width", "thickness"))
    try:
        return float(area) if area is not None else float(width or "") * float(thickness or "")
    except (TypeError, ValueError):
        return None


def _put_benches(session: Session, rows: Sequence[ResultRow]) -> None:
    """Make the bench a factor of every result, and of what other sites tell factors as ours are."""
    code = session.scalar(select(BookRecord.code)) or ""
    for row in rows:
        factors = dict(row.factors) if row.bench else {"bench": code}
        source = f"published by {row.bench}" if row.bench else "book"
        made = {
            name: FactorValue(
                name, value, unit_of(name) if isinstance(value, (int, float)) else "", "stated", source
            )
            for name, value in factors.items()
            if not isinstance(value, FactorValue)
        }
        row.factors = {**row.factors, **made}


def _costs(session: Session, rows: Sequence[ResultRow]) -> dict[str, tuple[float | None, float | None]]:
    """Return hours and grams of filament of the jobs of results, as far as their plates state them."""
    numbers = {read_id(row.job)[0].number for row in rows if row.job is not None and not row.bench}
    statement = select(Job.id, Job.time_s, Job.filament_g).where(Job.id.in_(numbers))
    return {
        job_id(row.id): (row.time_s / 3600 if row.time_s else None, row.filament_g)
        for row in session.execute(statement)
    }


def _within_scope(
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
    aside = tuple(
        [row for row in side if row.value is not None and _why_left_out(row, scope)]
        for side in (side_a, side_b)
    )
    return _Sides(a, b, rest, zone, excluded, (aside[0], aside[1]))


def _why_left_out(row: ResultRow, scope: Scope) -> str:
    """Return why a result cannot be compared, or nothing."""
    if row.value is None:
        return "the method gave no value"
    return "set aside by a verdict" if scope.only_counted and not row.counted else ""


def _others(chosen: Sequence[ResultRow], rows: Sequence[ResultRow], scope: Scope) -> list[ResultRow]:
    """Return the results that nobody named and that may teach something of the same material or family."""
    taken = {row.result for row in chosen}
    materials = {row.material for row in chosen}
    families = {row.family for row in chosen} - {None} if scope.family else set()
    return [
        row
        for row in rows
        if row.result not in taken and (row.material in materials or row.family in families)
    ]


def _orientations(quantity: str, sides: _Sides) -> list[str | None]:
    """Return the orientations to be answered one by one; None where orientation is itself in question."""
    of_a = {oriented(row.orientation) for row in sides.a if row.quantity == quantity}
    of_b = {oriented(row.orientation) for row in sides.b if row.quantity == quantity}
    # Where the groups share no orientation, it is the difference asked about and must not be held fixed.
    return [*sorted(of_a & of_b)] if of_a & of_b else [None]


def _problem(
    declared: Any, name: str, way: str | None, sides: _Sides, scope: Scope, labels: tuple[str, str]
) -> Problem:
    def of(rows: Iterable[ResultRow]) -> list[ResultRow]:
        return [row for row in rows if row.quantity == name and way in (None, oriented(row.orientation))]

    a, b, rest = of(sides.a), of(sides.b), of(sides.rest)
    aside_a, aside_b = (of(side) for side in sides.aside)
    # Once each, whatever the groups: an overlap is refused later as an overlap, not as a result given twice.
    every = list({row.result: row for row in (*a, *b, *rest)}.values())
    question = question_of(declared, name, every[0].unit, way or "", [row.value or 0.0 for row in every])
    return Problem(
        question=question,
        factors=_registry(every),
        observations=tuple(_observation(row, sides.zone) for row in every),
        a=frozenset(row.measurement for row in a),
        b=frozenset(row.measurement for row in b),
        label_a=labels[0],
        label_b=labels[1],
        settings_a=_settings(a, scope),
        settings_b=_settings(b, scope),
        excluded=dict(sides.excluded),
        scope="; ".join(filter(None, (_scope_words(every, way, scope, sides.zone), sides.bounded))),
        aside=tuple(_observation(row, sides.zone) for row in (*aside_a, *aside_b)),
        aside_a=frozenset(row.measurement for row in aside_a),
        **_matters(scope.matters, question),
        nowhere=_nowhere([*a, *b]),
        costs=sides.costs,
    )


def question_of(declared: Any, name: str, unit: str, way: str, values: Sequence[float]) -> Question:
    """Return the question of a quantity.

    Args:
        declared: What its method declares of it, or None.
        name: Its name.
        unit: Its unit.
        way: Orientation of the pieces, in words; empty for any.
        values: Of all results looked at.
    """
    # Below zero a quantity has no logarithm: a shrinkage may be declared positive and still come out there.
    # A piece that reads exactly zero is another matter, and compared as a share of its own.
    positive = bool(declared.positive if declared is not None else True) and min(values) >= 0 < max(values)
    return Question(
        quantity=name,
        unit=unit,
        larger_is_better=declared.larger_is_better if declared else None,
        positive=positive,
        ordinal=bool(declared and declared.scale == "ordinal"),
        # The published directions of effect are reported for these two; on edge is neither, and gets no note
        # rather than a wrong one.
        about={"upright": "interlayer", "flat": "in-plane"}.get(way, ""),
        pieces=way,
        title=declared.title if declared else "",
    )


def _matters(text: str | None, question: Question) -> dict[str, Any]:
    """Return the smallest difference that matters and whether it is in the unit, as fields of a problem.

    Raises:
        Refused: It is no number, or per cent of a quantity that has no fraction.
    """
    if text is None:
        return {}
    number, sign, _ = text.strip().partition("%")
    try:
        value = float(number.strip().removesuffix(question.unit).strip())
    except ValueError as error:
        raise Refused(f"{text!r} is no difference", do="Write 5 % or 2 MPa") from error
    if not math.isfinite(value) or value <= 0:
        raise Refused(f"{text!r} is no difference", why="it must be above zero", do="Write 5 % or 2 MPa")
    if sign and not question.positive:
        raise Refused(
            f"{question.called} has no per cent",
            why="it may be zero or negative",
            do=f"Write it in {question.unit}",
        )
    return {"matters": value / 100 if sign else value, "matters_in_unit": not sign}


def _registry(rows: Sequence[ResultRow]) -> tuple[Factor, ...]:
    """Return the factors that occur, in the registry's order, and what is only listed."""
    values: dict[str, list[Any]] = {}
    for row in rows:
        for name, factor in row.factors.items():
            values.setdefault(name, []).append(factor.value)
    listed = {each.name for each in _LISTED}
    names = [name for name in in_registry(values) if name != "material" and name not in listed]
    return (*(factor_of(name, values[name]) for name in names), *_LISTED)


def in_registry(names: Iterable[str]) -> list[str]:
    """Return names of factors in the registry's order, those it does not know last."""
    order = {each.name: place for place, each in enumerate(REGISTRY)}
    return sorted(names, key=lambda name: (order.get(name, len(order)), name))


def factor_of(name: str, values: Sequence[Any]) -> Factor:
    """Return what the computation needs to know of a factor; ``values`` tell of one nobody declared."""
    if name == SECTION.name:
        return SECTION
    known = factor_named(name, values)
    return Factor(
        name=name, unit=shown(known.unit), resolution=known.resolution, span=known.span, kind=known.kind,
        same_cause=known.same_cause, label=known.words, settable=known.settable, of_test=known.of_test,
        person=name in _PEOPLE, error=_ERRORS.get(name, 0.0),
    )  # fmt: skip


def _nowhere(rows: Sequence[ResultRow]) -> tuple[str, ...]:
    """Return what the book can record of a piece and nobody did on any of these."""
    recorded = {name for row in rows for name in row.factors}
    # Of two measures of one cause one is enough.
    causes = {each.same_cause for each in REGISTRY if each.name in recorded and each.same_cause}
    return tuple(
        each.words for each in REGISTRY if each.name not in recorded and each.same_cause not in causes - {""}
    )


def _observation(row: ResultRow, zone: dt.tzinfo) -> Observation:
    factors: dict[str, Value] = {name: value_of(each) for name, each in row.factors.items()}
    factors |= {
        "note": row.remark or "none",
        "printed_on": str(local_day(row.printed_at, zone)) if row.printed_at is not None else None,
        "tested_on": str(local_day(row.at, zone)) if row.at is not None else None,
    }
    # Plates stand in the order in which they were printed; where that is not recorded, tested.
    moment = row.printed_at or row.at
    return Observation(
        result_id=row.measurement,
        quantity=row.quantity,
        value=float(row.value if row.value is not None else "nan"),
        material=row.material or "not recorded",
        plate=row.job or row.specimen,
        specimen=row.specimen,
        factors=factors,
        censored={">": "above", "<": "below"}.get(row.relation),  # type: ignore[arg-type] # the two words it knows
        note="without readings" if row.source == "given" else "",
        order=moment.timestamp() if moment is not None else None,
    )


def value_of(factor: Any) -> Value:
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


def _scope_words(rows: Sequence[ResultRow], way: str | None, scope: Scope, zone: dt.tzinfo) -> str:
    materials = sorted({row.material or "not recorded" for row in rows})
    methods = sorted({row.method for row in rows})
    parts = [
        f"method {', '.join(methods)}",
        f"pieces {way}" if way else "every orientation" if way is None else "orientation not recorded",
        f"{len(materials)} materials of the family" if scope.family else f"material {', '.join(materials)}",
    ]
    return "; ".join([*parts, *_when(scope, zone)])
