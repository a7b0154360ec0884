"""Filters put to the database: the conditions that it can decide, and the terms that are left to Python.

What a term means is said once, by :meth:`tracker.selection.filters.Term.holds`. Words are not compared by the
database, whose rules for capitals are not Python's: the different words that are recorded are read, which are
few, ``holds`` is asked of each, and the statement names those of which it holds. Numbers are compared by the
database.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from sqlalchemy import (
    ColumnElement,
    Connection,
    Float,
    Integer,
    ScalarSelect,
    Select,
    String,
    and_,
    exists,
    false,
    func,
    not_,
    or_,
    select,
    true,
)
from sqlalchemy.sql import visitors
from sqlalchemy.sql.elements import False_

from tracker import ids
from tracker.errors import Refused, did_you_mean
from tracker.factors import REGISTRY
from tracker.factors.kept import OF_DAYS, OF_JOB, OF_SPECIMEN
from tracker.model import (
    OWN_MATERIAL,
    DryingSpool,
    FactorInForce,
    FactorRecord,
    Job,
    JobInForce,
    Material,
    Measurement,
    MeasurementRig,
    Result,
    Rig,
    Specimen,
    Spool,
    StoragePeriod,
)
from tracker.selection.filters import ORIENTATION, Filter, FilterError, Term

Of = Literal["results", "specimens"]
_MOST_WORDS: Final = 20_000
"""More different words of one name are not handed over in a statement."""
_FEW: Final = 2_000
"""Up to so many jobs or specimens the database begins with a condition; above, it checks it on the way."""
OF_A_PIECE: Final = Specimen.id > 0
"""Tells SQLite that an outer join to specimens is as good as an inner one. From an IN it does not conclude
that, and it begins with no table right of an outer join: it would walk through all results of the book."""


def begins_with_few(conditions: Iterable[ColumnElement[bool]]) -> bool:
    """Whether one of these leads to a few jobs or specimens, with which the database can begin."""
    return any(part is OF_A_PIECE for each in conditions for part in visitors.iterate(each))


_OF_RESULTS: Final = frozenset({"quantity", "counted", "value"})


@dataclass(frozen=True)
class Narrowed:
    """A filter, as far as the database decides it.

    Attributes:
        conditions: Of a statement over ``Specimen`` and, of results, over ``Measurement``.
        of_results: Of results, those over ``Result``.
        rest: What Python has to ask of each record that they let through; no terms where that is nothing.
    """

    conditions: tuple[ColumnElement[bool], ...]
    of_results: tuple[ColumnElement[bool], ...]
    rest: Filter

    @property
    def whole(self) -> bool:
        """Whether the database decides all of it."""
        return not self.rest.terms


def narrowed(connection: Connection, wanted: Filter, of: Of, *, plugins_add: bool = False) -> Narrowed:
    """Return a filter as conditions of a statement, exactly as strict as the filter itself.

    Args:
        connection: To the book.
        wanted: The filter.
        of: What is asked for: results, with what is known of piece and measurement, or specimens as listed.
        plugins_add: A plugin has factors of its own, which only asking it tells.
    """
    asking = _Asking(connection, of)
    conditions: list[ColumnElement[bool]] = []
    of_results: list[ColumnElement[bool]] = []
    rest = []
    for term in wanted.terms:
        # A plugin may add a factor of any name where the book has none: only own names are sure then.
        found = None if plugins_add and term.name not in asking.own else asking.condition(term)
        if found is None:
            rest.append(term)
        else:
            (of_results if of == "results" and term.name in _OF_RESULTS else conditions).append(found)
    return Narrowed(tuple(conditions), tuple(of_results), Filter(tuple(rest)))


def recorded_names(connection: Connection) -> set[str]:
    """Return the names of all factors that were given for any specimen, or are kept of any."""
    found: set[str] = set()
    for model in (FactorRecord, FactorInForce):
        table: Any = model.__table__
        found.update(_along(connection, table.c.name))
    return found


def names_in_force(connection: Connection) -> set[str]:
    """Return the names of all factors that any specimen of a book may have; those of plugins left out."""
    found = recorded_names(connection) - {OWN_MATERIAL} | {"attempt"}
    columns: dict[str, tuple[Any, ...]] = {name: (getattr(Specimen, name),) for name in OF_SPECIMEN}
    columns |= {name: tuple(getattr(Job, each) for each in own) for name, own in OF_JOB.items()}
    columns |= {"spool": (JobInForce.spool_id,), "lot": (Spool.lot,)}
    # Hours, water and drying of a spool: which of them follow only its days tell.
    columns |= dict.fromkeys(OF_DAYS, (StoragePeriod.id, DryingSpool.spool_id))
    for name, own in columns.items():
        if name not in found and any(
            connection.scalar(select(each).where(each.is_not(None)).limit(1)) is not None for each in own
        ):
            found.add(name)
    return found


def quantities_of(connection: Connection) -> list[str]:
    """Return the names of the quantities that a book has results of."""
    return list(_along(connection, Result.quantity))


def _along(connection: Connection, column: Any) -> Iterator[str]:
    """Yield the words of a column that an index begins with: a DISTINCT would walk through every row."""
    least = select(func.min(column))
    word = connection.scalar(least)
    while word is not None:
        yield word
        word = connection.scalar(least.where(column > word))


def check_filter(
    connection: Connection, wanted: Filter, own: Iterable[str], *, plugins_add: bool = False
) -> bool:
    """Hold the names that a filter asks of against those that are recorded anywhere in the book.

    Args:
        connection: To the book.
        wanted: The filter.
        own: Names that are columns.
        plugins_add: A plugin has factors of its own.

    Returns:
        Whether the names are known; False where only asking plugins of every record could tell.

    Raises:
        FilterError: A name is none of them; near ones are named.
    """
    names = {*own, *(factor.name for factor in REGISTRY)}
    if wanted.names() <= names:
        return True
    names |= recorded_names(connection)
    if plugins_add and not wanted.names() <= names:
        return False
    check_names(wanted, names)
    return True


def term_without(
    connection: Connection,
    wanted: Filter,
    of: Of,
    *,
    rest: Filter | None = None,
    held: Collection[Term] = (),
    led: Term | None = None,
) -> str:
    """Return in a sentence which condition of a filter holds of nothing; for a book too large to say more.

    Args:
        connection: To the book.
        wanted: The filter.
        of: What is asked for.
        rest: What Python asked of each record that the other conditions let through; None where it is not
            known what came of it.
        held: Conditions among them that held of one of these records at least.
        led: That condition among them by which the records were narrowed too.
    """
    left = [] if rest is None else list(rest.terms)
    sure, unsure = [], False
    for term in wanted.terms:
        if term in left:
            continue
        alone = narrowed(connection, Filter((term,)), of)
        unsure = unsure or not alone.whole
        sure.append(term)
        asked = select(Specimen.id) if of == "specimens" else _TESTED
        found = asked.where(*alone.conditions, *alone.of_results).limit(1)
        if connection.execute(found).first() is None:
            return f"{term} holds of nothing."
    if led is not None and led in held:
        sure.append(led)
    lacking = led if led not in (None, *held) else next((term for term in left if term not in held), None)
    if lacking is not None:
        return (
            f"{lacking} holds of {f'nothing that {Filter(tuple(sure))} lets through' if sure else 'nothing'}."
        )
    if unsure:
        return f"{wanted} holds of nothing."
    return _all_together(wanted)


def measured_on(connection: Connection, term: Term) -> ColumnElement[bool] | None:
    """Return a condition over measurements that lets through all on whose rigs a term may hold.

    Args:
        connection: To the book.
        term: Of the factor ``rig``: the names of all rigs of a measurement, between commas.

    Returns:
        None where a piece may have a rig of its own, or where the term holds without any.
    """
    if term.sign == "!=" or any(
        connection.scalar(select(model.specimen_id).where(model.name == term.name).limit(1)) is not None
        for model in (FactorRecord, FactorInForce)
    ):
        return None
    value = term.value.casefold()
    rigs = [
        number
        for number, name in connection.execute(select(Rig.id, Rig.name))
        if term.holds(name) or (term.sign == "=" and name.casefold() in value)
    ]
    if not rigs:
        return false()
    on = exists().where(MeasurementRig.measurement_id == Measurement.id, MeasurementRig.rig_id.in_(rigs))
    return on.correlate(Measurement)


def narrowed_columns(connection: Connection, wanted: Filter, listing: Select[Any]) -> Narrowed:
    """Return a filter by the columns of a list as conditions of it, exactly as strict as the filter itself.

    Args:
        connection: To the book.
        wanted: The filter.
        listing: The statement of the list, which shows its words and numbers as they are.
    """
    found: list[ColumnElement[bool]] = []
    rest = []
    for term in wanted.terms:
        column = _plain_column(listing, term.name)
        condition = None if column is None else _column_holds(connection, listing, column, term)
        if condition is None:
            rest.append(term)
        else:
            found.append(condition)
    return Narrowed(tuple(found), (), Filter(tuple(rest)))


def _column_holds(
    connection: Connection, listing: Select[Any], column: Any, term: Term
) -> ColumnElement[bool] | None:
    """Return the condition that a column of a list fulfils a term; None where too many words do."""
    if not isinstance(column.type, String):
        if term.sign != "!=":
            return _number_holds(column, term)
        return not_(_sure(_number_holds(column, Term(term.name, "=", term.value))))
    held, all_held = [], True
    for word in _words_listed(connection, listing, column):
        holds = term.holds(word)
        all_held = all_held and holds
        if holds:
            held.append(word)
    if all_held and held:
        return true() if term.holds(None) else column.is_not(None)
    if len(held) > _MOST_WORDS:
        return None
    known: ColumnElement[bool] = column.in_(held) if held else false()
    return or_(known, column.is_(None)) if term.holds(None) else known


def column_without(connection: Connection, wanted: Filter, listing: Select[Any]) -> str:
    """Return why a filter by the columns of a list holds of nothing; empty where only its records tell.

    The sentence is that of :func:`why_none`.
    """
    for term in wanted.terms:
        column = _plain_column(listing, term.name)
        if column is None or term.sign == "!=":
            return ""
        if isinstance(column.type, String):
            known = list(_words_listed(connection, listing, column))
        else:
            ends = listing.with_only_columns(func.min(column), func.max(column), maintain_column_froms=True)
            known = list(connection.execute(ends.order_by(None)).one())
            asked = listing.with_only_columns(column, maintain_column_froms=True).order_by(None)
            if connection.execute(asked.where(_number_holds(column, term)).limit(1)).first() is not None:
                continue
        if not any(term.holds(each) for each in known):
            return why_none(Filter((term,)), [{term.name: each} for each in known] or [{}])
    return _all_together(wanted)


def _all_together(wanted: Filter) -> str:
    return f"{wanted}: each of these holds of something, all together of nothing."


def _plain_column(listing: Select[Any], name: str) -> Any:
    """Return what a list shows under a name as it is, words or a number or a count; or None."""
    column: Any = None if name == "id" else listing.selected_columns.get(name)
    column = getattr(column, "element", column)
    words_or_number = column is not None and isinstance(column.type, (String, Float, Integer))
    counted = isinstance(column, ScalarSelect)
    return column if words_or_number and (counted or getattr(column, "table", None) is not None) else None


def _words_listed(connection: Connection, listing: Select[Any], column: Any) -> Iterator[str]:
    only = listing.with_only_columns(column, maintain_column_froms=True).order_by(None)
    yield from connection.scalars(only.where(column.is_not(None)).distinct())


def measured_where(narrowed: Narrowed) -> tuple[ColumnElement[bool], ...]:
    """Return the conditions of a list of measurements, of which any result is let through."""
    if not narrowed.of_results:
        any_result = exists().where(Result.measurement_id == Measurement.id)
    else:
        any_result = exists().where(Result.measurement_id == Measurement.id, *narrowed.of_results)
    return (*narrowed.conditions, any_result.correlate(Measurement))


_TESTED: Final = (
    select(Result.id)
    .join(Measurement, Measurement.id == Result.measurement_id)
    .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
)


class _Asking:
    """Makes conditions of terms; a term that it cannot put exactly gives None.

    Attributes:
        own: Names that are columns and no factors.
    """

    def __init__(self, connection: Connection, of: Of) -> None:
        self._connection = connection
        self._by_name: dict[str, Callable[[Term], ColumnElement[bool] | None]] = {
            "material": self._material(Material.name),
            "orientation": self._words(Specimen.orientation),
            "outcome": self._words(Specimen.outcome),
            "job": self._job,
        }
        if of == "results":
            self._by_name |= {
                "family": self._material(Material.family),
                "geometry": self._words(Specimen.geometry),
                "method": self._words(Measurement.method),
                "source": self._words(Measurement.source),
                "quantity": self._quantity,
                "counted": self._counted,
                "value": lambda term: _number_holds(Result.value, term),
                "specimen": self._specimen,
                "measurement": self._measurement,
            }
        else:
            self._by_name |= {
                "id": self._specimen,
                "name": self._words(Specimen.name),
                "remark": self._words(func.coalesce(Specimen.remark, Specimen.cause)),
            }
        self.own = frozenset(self._by_name)
        # Whether the condition that is being made begins with few pieces or jobs.
        self._leads = False
        self._beside: Mapping[str, Any] = {}
        self._left: frozenset[str] = OF_DAYS
        if of == "results":
            self._beside = {
                "operator": Measurement.operator,
                "method_version": Measurement.method_version,
                "room_c": Measurement.room_c,
                "room_rh": Measurement.room_rh_pct,
            }
            # Several rigs of one measurement are one word, and an age is a difference of moments.
            self._left |= {"rig", "age_h"}

    def condition(self, term: Term) -> ColumnElement[bool] | None:
        """Return the condition of a term, or None where only Python can tell."""
        if term.name in self._left:
            return None
        make = self._by_name.get(term.name, self._factor)
        if term.sign != "!=":
            self._leads = False
            found: ColumnElement[bool] | None = make(term)
            # What a measurement says itself may be of a spool as well.
            leads = self._leads and term.name not in self._beside
            return and_(OF_A_PIECE, found) if found is not None and leads else found
        # Of what is not recorded no sign holds but this: so it is what "=" does not hold of, whatever it is.
        alike = make(Term(term.name, "=", term.value))
        if alike is None:
            return None
        beside = self._beside.get(term.name)
        # Where all of them say the same word it is looked for in their table alone whether one says nothing:
        # for a list that stays empty a database walks through all results with what they came from.
        if beside is not None and alike.compare(beside.is_not(None)) and not self._any_without(beside):
            return false()
        return not_(_sure(alike))

    def _any_without(self, column: Any) -> bool:
        return self._connection.scalar(select(Measurement.id).where(column.is_(None)).limit(1)) is not None

    def _distinct(self, column: Any, *where: ColumnElement[bool]) -> list[str] | None:
        asked = select(column).where(column.is_not(None), *where).distinct().limit(_MOST_WORDS + 1)
        found = list(self._connection.scalars(asked))
        return found if len(found) <= _MOST_WORDS else None

    def _word_holds(self, column: Any, term: Term, *where: ColumnElement[bool]) -> ColumnElement[bool] | None:
        words = self._distinct(column, *where)
        if words is None:
            return None
        held = [word for word in words if term.holds(word)]
        if not held:
            return false()
        wanted: ColumnElement[bool] = column.is_not(None) if len(held) == len(words) else column.in_(held)
        return wanted

    def _words(self, column: Any) -> Callable[[Term], ColumnElement[bool] | None]:
        return lambda term: self._word_holds(column, term)

    def _quantity(self, term: Term) -> ColumnElement[bool]:
        names = quantities_of(self._connection)
        held = [name for name in names if term.holds(name)]
        if len(held) in (0, len(names)):
            return true() if held else false()
        few = select(Result.id).where(Result.quantity.in_(held)).limit(_FEW + 1).subquery()
        much = (self._connection.scalar(select(func.count()).select_from(few)) or 0) > _FEW
        # As in _within: there is an index of quantities, and none of them in the order of a list.
        return (Result.quantity + "" if much else Result.quantity).in_(held)

    def _within(self, column: Any, found: Select[Any]) -> ColumnElement[bool]:
        """Return that a column is among what a statement finds.

        Where that is much, the column is hidden from the planner: led by it, it would look up and sort half
        the book before the first record, and read in the order wanted it has the first at once.
        """
        few = select(func.count()).select_from(found.limit(_FEW + 1).subquery())
        many = self._connection.scalar(few) or 0
        if not many:
            return false()
        wanted: ColumnElement[int] = column + 0 if many > _FEW else column
        self._leads |= many <= _FEW
        return wanted.in_(found.correlate(None))

    def _material(self, column: Any) -> Callable[[Term], ColumnElement[bool] | None]:
        def condition(term: Term) -> ColumnElement[bool]:
            rows = self._connection.execute(select(Material.id, column)).all()
            held = [number for number, word in rows if term.holds(word)]
            if not held:
                return false()
            of_jobs = self._within(
                Specimen.job_id, select(JobInForce.job_id).where(JobInForce.material_id.in_(held))
            )
            if self._connection.scalar(
                select(FactorInForce.specimen_id).where(FactorInForce.name == OWN_MATERIAL).limit(1)
            ):
                of_jobs = _first(*_own_material(held), of_jobs)
            spools = select(Spool.id).where(Spool.material_id.in_(held))
            if "measurement" not in self._by_name or not self._connection.scalar(
                select(Measurement.id).where(Measurement.spool_id.in_(spools)).limit(1)
            ):
                return of_jobs
            # What was measured on a spool has no piece.
            self._leads = False
            return or_(_sure(of_jobs), _sure(Measurement.spool_id.in_(spools.correlate(None))))

        return condition

    def _counted(self, term: Term) -> ColumnElement[bool]:
        parts = [
            cond for word, cond in (("yes", Result.counted), ("no", ~Result.counted)) if term.holds(word)
        ]
        return or_(false(), *parts)

    def _specimen(self, term: Term) -> ColumnElement[bool]:
        found = _named(term, "specimen")
        if found is not None:
            self._leads = True
            return and_(Specimen.job_id == found.number, Specimen.piece == found.piece)
        spool = _named(term, "spool") if "measurement" in self._by_name else None
        return false() if spool is None else Measurement.spool_id == spool.number

    def _measurement(self, term: Term) -> ColumnElement[bool]:
        found = _named(term, "measurement")
        return false() if found is None else Measurement.id == found.number

    def _job(self, term: Term) -> ColumnElement[bool] | None:
        numbers = {
            number for number, name in self._connection.execute(
                select(Job.id, Job.name).where(Job.name.is_not(None))
            ) if term.holds(name)
        }  # fmt: skip
        found = _named(term, "job")
        if found is not None:
            numbers.add(found.number)
        if len(numbers) > _FEW:
            table: Any = Job.__table__
            names = self._distinct(table.c.name)
            if names is None:
                return None
            held = [name for name in names if term.holds(name)]
            return self._within(Specimen.job_id, select(table.c.id).where(table.c.name.in_(held)))
        self._leads = bool(numbers)
        return Specimen.job_id.in_(sorted(numbers)) if numbers else false()

    def _factor(self, term: Term) -> ColumnElement[bool] | None:
        """Return the condition that a factor's value in force fulfils a term (see its module ``kept``)."""
        holds = self._of_job(term)
        if term.name in OF_SPECIMEN:
            column = getattr(Specimen, term.name)
            own = self._one_column(column, term)
            if own is None:
                return None
            holds = _first(column.is_not(None), own, holds)
        for model in (FactorRecord, FactorInForce):
            layer = self._layer(model, term)
            if layer is None:
                return None
            present, held = layer
            if present is not None:
                holds = _first(present, held, holds)
        beside = self._beside.get(term.name)
        if beside is not None:
            own = self._one_column(beside, term)
            if own is None:
                return None
            holds = _first(beside.is_not(None), own, holds)
        return holds

    def _one_column(self, column: Any, term: Term) -> ColumnElement[bool] | None:
        textual = column.type.python_type is str
        return self._word_holds(column, term) if textual else _number_holds(column, term)

    def _layer(
        self, model: type[FactorRecord | FactorInForce], term: Term
    ) -> tuple[ColumnElement[bool] | None, ColumnElement[bool]] | None:
        """Return that a table has a row of this factor (None: it never has), and that it fulfils a term."""
        live = [model.name == term.name]
        own = live
        if model is FactorRecord:
            live = [*live, FactorRecord.voided.is_(None)]
            own = [*live, or_(model.number.is_not(None), model.text.is_not(None))]
        if not self._connection.scalar(select(model.specimen_id).where(*own).limit(1)):
            return None, false()
        words = self._word_holds(model.text, term, *own)
        if words is None:
            return None
        # Of numbers alone, so that an index leads to those that fit; beside an OR none is used.
        fits = _number_holds(model.number, term)
        if not isinstance(words, False_):
            fits = or_(fits, and_(model.number.is_(None), words))
        found = select(model.specimen_id).where(*live, fits)
        few = select(func.count()).select_from(found.limit(_FEW + 1).subquery())
        here = model.specimen_id == Specimen.id
        there = exists().where(here, *own).correlate(Specimen)
        many = self._connection.scalar(few) or 0
        if not many:
            return there, false()
        if many <= _FEW:
            self._leads = True
            return there, Specimen.id.in_(found.correlate(None))
        return there, exists().where(here, *live, fits).correlate(Specimen)

    def _of_job(self, term: Term) -> ColumnElement[bool]:
        kept = select(JobInForce.job_id)
        if term.name == "attempt":
            return self._within(Specimen.job_id, kept.where(_number_holds(JobInForce.attempt, term)))
        if term.name == "spool":
            found = _named(term, "spool")
            return false() if found is None else self._within(
                Specimen.job_id, kept.where(JobInForce.spool_id == found.number)
            )  # fmt: skip
        if term.name == "lot":
            lots = self._word_holds(Spool.lot, term)
            spools = select(Spool.id).where(false() if lots is None else lots)
            return self._within(Specimen.job_id, kept.where(JobInForce.spool_id.in_(spools.correlate(None))))
        columns = [getattr(Job, name) for name in OF_JOB.get(term.name, ())]
        if not columns:
            return false()
        value = func.coalesce(*columns) if len(columns) > 1 else columns[0]
        held = self._one_column(value, term)
        return self._within(Specimen.job_id, select(Job.id).where(false() if held is None else held))


def _own_material(materials: Sequence[int]) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    """Return that a specimen has another material than its plate, and that it is one of these."""
    own = (FactorInForce.specimen_id == Specimen.id, FactorInForce.name == OWN_MATERIAL)
    there = exists().where(*own).correlate(Specimen)
    return there, exists().where(*own, FactorInForce.number.in_(materials)).correlate(Specimen)


def _first(present: ColumnElement[bool], held: ColumnElement[bool], otherwise: ColumnElement[bool]) -> Any:
    """Return that a value fulfils a term: of the first layer where that has one, else of the next."""
    if isinstance(otherwise, False_):
        return held
    return or_(held, and_(not_(present), otherwise))


def _sure(condition: ColumnElement[bool]) -> ColumnElement[bool]:
    """Return a condition that is false where it would be unknown, so that it can be negated."""
    return condition if isinstance(condition, False_) else func.coalesce(condition, false())


def _number_holds(column: Any, term: Term) -> ColumnElement[bool]:
    """Return that a column of numbers fulfils a term; a word is no number, and unequal to all of them."""
    try:
        wanted = float(term.value)
    except ValueError:
        return false()
    if math.isnan(wanted):
        return false()
    compared: dict[str, ColumnElement[bool]] = {
        "=": column == wanted, "<": column < wanted, "<=": column <= wanted, ">": column > wanted,
        ">=": column >= wanted,
    }  # fmt: skip
    return compared[term.sign]


def _named(term: Term, kind: str) -> ids.Ident | None:
    """Return the record that a term names by its ID as it is written, or None."""
    try:
        readings = ids.read_id(term.value)
    except Refused:
        return None
    return next((each for each in readings if each.kind == kind and term.holds(str(each))), None)


_LISTED: Final = 6
"""So many values are listed whole."""

_FACTORS: Final = "strandbook list specimens --factors shows what is recorded"


def check_names(wanted: Filter, known: Iterable[str]) -> None:
    """Hold the names of a filter against what can be asked of.

    A misspelt name is recorded nowhere: ``=`` of it would hold of nothing and ``!=`` of everything.

    Args:
        wanted: The filter.
        known: Names that there are.

    Raises:
        FilterError: A name is none of them; near ones are named.
    """
    names = frozenset(known)
    for term in wanted.terms:
        if term.name not in names:
            raise FilterError(
                f"Nothing is recorded under the name {term.name!r}",
                do=did_you_mean(term.name, names, _FACTORS),
            )


def why_none(wanted: Filter, known: Sequence[Mapping[str, Any]]) -> str:
    """Return in a sentence why a filter holds of nothing.

    Args:
        wanted: The filter.
        known: What is known of each record by name; none of them fulfils the filter.
    """
    if not known:
        return "There is nothing to choose from yet."
    for term in wanted.terms:
        if not any(term.holds(each.get(term.name)) for each in known):
            return f"{term} holds of nothing. {_instead(term, known)}".rstrip()
    return _all_together(wanted)


def _instead(term: Term, known: Sequence[Mapping[str, Any]]) -> str:
    """Return what would have been found under the name of a condition."""
    values = [value for value in (each.get(term.name) for each in known) if value is not None]
    if not values:
        return f"{term.name} is not recorded of any."
    if all(isinstance(value, (int, float)) for value in values):
        return f"Recorded is {min(values):g} to {max(values):g}."
    texts = sorted({str(value) for value in values})
    few = texts if len(texts) <= _LISTED else []
    listed = f"There is {', '.join(few)}." if few else ""
    return listed if term.name == ORIENTATION else did_you_mean(term.value, texts, listed)


def check_quantities(connection: Connection, asked: Iterable[str], declared: Iterable[str]) -> None:
    """Hold names of quantities against those that methods give and that the book has results of.

    Args:
        connection: To the book.
        asked: What was typed.
        declared: Quantities of the installed methods.

    Raises:
        Refused: A name is none of them; near ones are named.
    """
    names = set(declared)
    if names.issuperset(asked):
        return
    # Numbers may come by import without any method.
    names |= set(quantities_of(connection))
    for name in asked:
        if name not in names:
            raise Refused(
                f"There is no quantity {name!r}",
                do=did_you_mean(name, names, "strandbook methods shows what is measured"),
            )
