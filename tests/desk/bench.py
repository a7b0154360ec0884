"""A bench in a test: the desk's acts with their usual answers, so that a test says only what differs."""

from __future__ import annotations

import datetime as dt
import functools
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar

from pydantic import Field
from sqlalchemy import inspect, select

from tracker.api import Method, Outcome, Quantity, Reading, Readings, Recording, hookimpl
from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.desk.entering import add_record
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job
from tracker.desk.measuring import Measured, measure
from tracker.kinds import find
from tracker.model import JournalRecord
from tracker.plugins import Plugged, load

WHO = "Ada Bench"
PULL = {"max_force": "1 830 N", "width": "10.00", "thickness": "4.00"}
"""1830 N on 40 mm² are 45.75 MPa."""
DAY_MAP = """
[day]
id = "piece"
at = "when"
operator = "who"
rig = "rig"
remark = "note"

[readings.tensile]
max_force = { column = "F", unit = "kN" }
width = { column = "b", unit = "mm" }
thickness = { column = "h", unit = "mm" }
curve = { column = "file", file = true }
"""
"""Columns of a day's sheet."""
PULL_CURVE = "time s,force N\n" + "".join(
    f"{i / 10:.1f},{min(i * 60, 1500) if i < 28 else 5}\n" for i in range(30)
)
"""Its greatest force is 1500 N."""


def add_material(book: Book, who: str, typed: Mapping[str, Any]) -> Done:
    """Enter a material."""
    return add_record(book, who, "material", typed)


def add_spool(book: Book, who: str, material: str, typed: Mapping[str, Any]) -> Done:
    """Take a spool in."""
    return add_record(book, who, "spool", {**typed, "material": material})


def weigh_spool(book: Book, who: str, spool: str, typed: Mapping[str, Any], *, sure: bool = False) -> Done:
    """Enter a weighing."""
    return add_record(book, who, "weighing", {**typed, "spool": spool}, sure=sure)


def add_rig(book: Book, who: str, typed: Mapping[str, Any]) -> Done:
    """Enter a rig."""
    return add_record(book, who, "rig", typed)


def calibrate(book: Book, who: str, rig: str, typed: Mapping[str, Any]) -> Done:
    """Enter a calibration."""
    return add_record(book, who, "calibration", {**typed, "rig": rig})


def a_material(book: Book, name: str = "Nordlicht ASA", **typed: Any) -> str:
    """Enter a material that stands 85 °C and return its name."""
    return add_material(book, WHO, {"name": name, "drying_max_c": 85, **typed}).id


def a_spool(book: Book, material: str = "Nordlicht ASA", **typed: Any) -> str:
    """Enter a spool and return its ID."""
    return add_spool(book, WHO, material, typed).id


def a_job(book: Book, *pieces: str, spools: tuple[str, ...] = (), **typed: Any) -> Done:
    """Enter a job of ``bar:ZXY:3`` unless pieces are named, from a material and spool of its own."""
    if not spools:
        a_material(book)
        spools = (a_spool(book, lot="L-17"),)
    wanted = [read_piece(piece) for piece in pieces or ("bar:ZXY:3",)]
    # Odd set-points are the business of their own tests.
    return add_job(book, WHO, typed, spools=spools, pieces=wanted, sure=True)


def a_piece(book: Book) -> str:
    """Enter a job and return the ID of its first piece."""
    return a_job(book).also[0]


def a_rig(book: Book, name: str = "Gantry", **typed: Any) -> str:
    """Enter a rig that reads force to 0.1 N and return its ID."""
    answers = {"name": name, "role": "rig", "measures": "force", "capacity": "5 kN", "resolution": "0.1 N"}
    return add_rig(book, WHO, {**answers, **typed}).id


def a_calibrated_rig(book: Book, uncertainty: str = "2 N", **typed: Any) -> str:
    """Enter a rig with a calibration and return its ID."""
    rig = a_rig(book)
    calibrate(book, WHO, rig, {"uncertainty": uncertainty, **typed})
    return rig


@functools.cache
def _plugged() -> Plugged:
    return load()


def a_pull(book: Book, piece: str, typed: Mapping[str, Any] = PULL, **more: Any) -> Measured:
    """Enter a tensile measurement."""
    return measure(book, WHO, more.pop("plugged", None) or _plugged(), piece, "tensile", typed, **more)


def row_of(book: Book, target: str) -> Any:
    """Return the row of an ID, with what hangs on it and on that, read and let go."""
    with book.read() as session:
        row = find(book, session, target)
        for each in _hanging_on(row):
            for _ in _hanging_on(each):
                pass
    return row


def _hanging_on(row: Any) -> list[Any]:
    found: list[Any] = []
    for relation in inspect(row).mapper.relationships:
        value = getattr(row, relation.key)
        found += value if isinstance(value, list) else [value] if value is not None else []
    return found


def last_entry(book: Book) -> JournalRecord:
    """Return the newest entry of the journal."""
    with book.read() as session:
        return session.scalars(select(JournalRecord).order_by(JournalRecord.seq.desc()).limit(1)).one()


def entries(book: Book) -> int:
    """Return how many acts the book has seen."""
    return last_entry(book).seq


def at(text: str) -> dt.datetime:
    """Return a moment in UTC."""
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


class PlainReadings(Readings):
    """One number and one file."""

    load: Annotated[float | None, Reading("N", "load", resolution=1.0), Field(gt=0)] = None
    trace: Annotated[Recording | None, Reading(help="a recording")] = None


class Plain(Method):
    """A method that gives its reading back, or fails as it is told."""

    id = "plain"
    title = "Plain"
    version = "1"
    standard = "none; for tests"
    Readings = PlainReadings
    quantities = (Quantity("plain.load", "N", None, "load"),)
    fault: ClassVar[Exception | None] = None

    def compute(self, readings: Any, piece: Any) -> Iterator[Outcome]:
        """Give the load back."""
        del piece
        if self.fault is not None:
            raise self.fault
        yield Outcome("plain.load", readings.load)


class Spooled(Plain):
    """The same, on spools."""

    id = "spooled"
    title = "On spools"
    subject = "spool"
    quantities = (Quantity("spooled.load", "N", None, "load"),)

    def compute(self, readings: Any, piece: Any) -> Iterator[Outcome]:
        """Give the load back."""
        del piece
        yield Outcome("spooled.load", readings.load)


def plugged_with(*methods: Method) -> Plugged:
    """Return a manager whose only plugin supplies these methods."""

    class Plugin:
        """Supplies them."""

        @hookimpl
        def strandbook_methods(self) -> list[Method]:
            """Return the methods."""
            return list(methods)

    manager = Plugged()
    assert manager.add("plain plugin", Plugin()), manager.problems
    return manager
