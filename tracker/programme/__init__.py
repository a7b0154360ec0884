"""What a complete material needs, what of it is there, and what falls due."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from sqlalchemy import Connection, Integer, cast, func, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.api import Method, validate
from tracker.book import Book
from tracker.errors import Refused
from tracker.kinds import material_named
from tracker.lazy_modules import lazy
from tracker.lineage import among_all_made_of, material_of_specimen
from tracker.model import Calibration, Drying, Job, Material, Measurement, Result, Rig, Specimen
from tracker.model import Programme as ProgrammeRecord
from tracker.moments import local_midnight
from tracker.orientation import checked_letters, in_words
from tracker.plugins import Plugged

if TYPE_CHECKING:
    from tracker import plugins
else:
    plugins = lazy("tracker.plugins")


@dataclass(frozen=True)
class Need:
    """One line of a programme, and how far it is.

    Attributes:
        method: Id of the method.
        orientation: In letters or words.
        wanted: Counted pieces it takes.
        shelf: Pieces that fit, came off the bed fit for testing and are not used up or tested by it; a
            piece that could serve several lines is named at each.
        tested: Pieces measured by the method.
        counted: Pieces with a counted result.
        missing: Counted pieces still wanted.
        to_print: Pieces that have to be printed, after those on the shelf were shared out line by line.
    """

    method: str
    orientation: str
    wanted: int
    shelf: int
    tested: int
    counted: int
    missing: int
    to_print: int


@dataclass(frozen=True)
class Standing:
    """A material's programme and how far it is."""

    material: str
    programme: str
    needs: tuple[Need, ...]
    tests: tuple[WantedTest, ...] = ()

    @property
    def next_plate(self) -> tuple[tuple[str, int], ...]:
        """Orientations with the number of specimens to print next."""
        wanted: Counter[str] = Counter()
        for need in self.needs:
            wanted[need.orientation] += need.to_print
        return tuple((each, count) for each, count in wanted.items() if count)

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        return {
            "material": self.material,
            "programme": self.programme,
            "needs": [asdict(need) for need in self.needs],
            "next_plate": [{"orientation": each, "specimens": count} for each, count in self.next_plate],
        }


def still_wanted(session: Session, row: Specimen, titles: Mapping[str, str] | None = None) -> str:
    """Return in one line what the programme of its material still wants of specimens like one.

    Args:
        session: To read with.
        row: The specimen; without a known material nothing is wanted, and the line is empty.
        titles: What people read for a method's id; the id where there is none.
    """
    material = material_of_specimen(row)
    if material is None:
        return ""
    programme = programme_of(session, material)
    rows = session.execute(
        select(Specimen.orientation, Measurement.method, func.count(Specimen.id.distinct()))
        .join(Measurement, Measurement.specimen_id == Specimen.id)
        .join(Result, Result.measurement_id == Measurement.id)
        .where(among_all_made_of(material.id), Specimen.dummy.is_not(True), Result.counted)
        .group_by(Specimen.orientation, Measurement.method)
    )
    counted = {(orientation, method): count for orientation, method, count in rows}
    wanted = [
        f"{(titles or {}).get(test.method, test.method)} {missing} more"
        for test in programme.tests
        if test.fits(row.orientation) and (missing := test.missing(counted))
    ]
    return f"programme {programme.name!r}: {', '.join(wanted) or 'nothing more of such pieces'}"


class _Piece(NamedTuple):
    """A specimen as a programme sees it; ``fit`` where it came off the bed well and is not used up."""

    row: int
    orientation: str | None
    fit: bool
    tested: set[str]
    counted: set[str]


def programme_of(session: Session, material: Material) -> Programme:
    """Return the programme of a material: its own, else the usual one."""
    record = session.get(ProgrammeRecord, material.programme_id) if material.programme_id else None
    return read_programme(record.text) if record is not None else usual()


def standing(book: Book, material: str) -> Standing:
    """Return how far a material's programme is.

    Args:
        book: To be read.
        material: Name of the material, upper and lower case alike.

    Raises:
        NotFoundError: There is no such material; near names are offered.
    """
    with book.read() as session:
        return _standing(session, material_named(session, material))


def _standing(session: Session, material: Material) -> Standing:
    wanted, pieces = programme_of(session, material), _pieces(session.connection(), material.id)
    counted = Counter((piece.orientation, method) for piece in pieces for method in piece.counted)
    # A bar can be pulled once: shared out line by line, or every line would count the same bar as its own
    # and too few would be printed.
    free = {piece.row for piece in pieces if piece.fit}
    needs = []
    for test in wanted.tests:
        need, taken = _need(test, pieces, counted, free)
        free -= taken
        needs.append(need)
    return Standing(material.name, wanted.name, tuple(needs), wanted.tests)


def _need(
    test: WantedTest, pieces: Sequence[_Piece], counted: Mapping[Counted, int], free: set[int]
) -> tuple[Need, set[int]]:
    """Return one line's standing, and the pieces on the shelf that are kept for it."""
    # A thousand pieces have few orientations among them, and each page of a piece asks.
    orientations = {each for each in {piece.orientation for piece in pieces} if test.fits(each)}
    fitting = [piece for piece in pieces if piece.orientation in orientations]
    waiting = [piece.row for piece in fitting if piece.fit and test.method not in piece.tested]
    missing = test.missing(counted)
    # No more than the line wants, so that the rest is left for the lines below it.
    taken = set([row for row in waiting if row in free][:missing])
    need = Need(
        method=test.method,
        orientation=test.orientation,
        wanted=test.replicates,
        shelf=len(waiting),
        tested=sum(1 for piece in fitting if test.method in piece.tested),
        counted=sum(1 for piece in fitting if test.method in piece.counted),
        missing=missing,
        to_print=missing - len(taken),
    )
    return need, taken


def _pieces(connection: Connection, material: int) -> list[_Piece]:
    # PostgreSQL has no max of booleans.
    has_counted = func.max(cast(Result.counted, Integer)).label("has_counted")
    rows = connection.execute(
        select(
            Specimen.id, Specimen.orientation, Specimen.outcome, Specimen.broken_at,
            Measurement.method, has_counted,
        )
        .outerjoin(Measurement, Measurement.specimen_id == Specimen.id)
        .outerjoin(Result, Result.measurement_id == Measurement.id)
        # A dummy was printed for the others' layer times and is nobody's test piece; old rows say nothing,
        # so "is not true".
        .where(among_all_made_of(material), Specimen.dummy.is_not(True))
        .group_by(Specimen.id, Measurement.method)
        .order_by(Specimen.job_id, Specimen.piece)
    )  # fmt: skip
    pieces: dict[int, _Piece] = {}
    for row in rows:
        fit = row.outcome in ("good", "usable") and row.broken_at is None
        piece = pieces.setdefault(row.id, _Piece(row.id, row.orientation, fit, set(), set()))
        if row.method is not None:
            piece.tested.add(row.method)
        # Set-aside results do not fill a programme, or a slipped grip would stand for a tested piece.
        if row.has_counted:
            piece.counted.add(row.method)
    return list(pieces.values())


Counted = tuple[str | None, str]
"""Orientation and method of specimens with a counted result."""

_WORDS: Final = ("flat", "on edge", "upright", "")
_KEYS: Final = frozenset({"method", "orientation", "lie", "replicates"})
"""``lie`` is how programmes of earlier versions call an orientation in words; they are kept in books."""
_MOST: Final = 1000


class ProgrammeError(Refused, ValueError):
    """A text is no programme."""


@dataclass(frozen=True)
class WantedTest:
    """One line of a programme.

    Attributes:
        method: Id of the method.
        words: ``flat``, ``on edge``, ``upright``, or empty where it does not matter.
        letters: Where they must be exact; else None.
        replicates: How many counted results it takes.
    """

    method: str
    words: str
    letters: str | None
    replicates: int

    def fits(self, orientation: str | None) -> bool:
        """Whether a piece of an orientation serves it."""
        if self.letters is not None:
            return orientation == self.letters
        # A piece of unknown orientation serves no line that asks for one: an upright bar taken for a flat
        # one is the largest error there is.
        return not self.words or (orientation is not None and in_words(orientation) == self.words)

    def missing(self, counted: Mapping[Counted, int]) -> int:
        """Return how many counted specimens it still wants."""
        has = sum(
            count
            for (orientation, method), count in counted.items()
            if method == self.method and self.fits(orientation)
        )
        return max(0, self.replicates - has)

    @property
    def orientation(self) -> str:
        """The letters, or the words, or "any"."""
        return self.letters or self.words or "any"


@dataclass(frozen=True)
class Programme:
    """A programme.

    Attributes:
        name: What it is called.
        conditioning_h: Hours from the end of a print to its first test.
        tests: Its lines.
    """

    name: str
    conditioning_h: float
    tests: tuple[WantedTest, ...]


def read_programme(text: str) -> Programme:
    """Return the programme that a TOML text says.

    Raises:
        ProgrammeError: It is no TOML, or a key or value is not what it should be.
    """
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ProgrammeError("The programme is no TOML", why=str(error)) from error
    # A misspelt key would else be passed over, and the programme would want less than its author meant.
    strangers = set(document) - {"name", "conditioning_h", "test"}
    if strangers:
        raise ProgrammeError(
            f"{', '.join(sorted(strangers))}: unknown", do="There are name, conditioning_h, [[test]]"
        )
    name, hours = document.get("name"), document.get("conditioning_h", 0.0)
    if not isinstance(name, str) or not name.strip():
        raise ProgrammeError("The programme has no name", do='Begin it with name = "…"')
    if not isinstance(hours, int | float) or isinstance(hours, bool) or not 0 <= hours < 10_000:  # noqa: PLR2004 - a year
        raise ProgrammeError(f"conditioning_h = {hours!r} is no number of hours")
    tests = tuple(_test(number, each) for number, each in enumerate(document.get("test", ()), start=1))
    if not tests:
        raise ProgrammeError(
            "The programme has no tests", do="Add [[test]] with method, orientation and replicates"
        )
    return Programme(name.strip(), float(hours), tests)


def _test(number: int, typed: Any) -> WantedTest:
    where = f"test {number}"
    if not isinstance(typed, dict) or set(typed) - _KEYS:
        raise ProgrammeError(f"{where}: unknown keys", do=f"There are {', '.join(sorted(_KEYS))}")
    method, count = typed.get("method"), typed.get("replicates", 1)
    asked = str(typed.get("orientation") or typed.get("lie") or "").strip()
    if not isinstance(method, str) or not method:
        raise ProgrammeError(f"{where} has no method")
    if not isinstance(count, int) or isinstance(count, bool) or not 1 <= count <= _MOST:
        raise ProgrammeError(f"{where}: replicates = {count!r} is no count from 1 to {_MOST}")
    if asked in _WORDS:
        return WantedTest(method, asked, None, count)
    try:
        return WantedTest(method, "", checked_letters(asked), count)
    except Refused as error:
        raise ProgrammeError(
            f"{where}: orientation = {asked!r}",
            do="Write flat, on edge, upright, letters such as ZXY, or nothing",
        ) from error


def usual() -> Programme:
    """Return the programme that comes with the program."""
    return read_programme(resources.files("tracker.programme").joinpath("usual.toml").read_text("utf-8"))


_SOON: Final = dt.timedelta(days=14)


@dataclass(frozen=True)
class DueItem:
    """One thing that waits.

    Attributes:
        at: When it falls due; None for something that is simply open.
        late: Whether that is past.
        id: Whom it concerns.
        what: What is to be done, a few words.
    """

    at: dt.datetime | None
    late: bool
    id: str
    what: str

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        return {
            "at": self.at.isoformat() if self.at else None,
            "late": self.late,
            "id": self.id,
            "what": self.what,
        }


def due(book: Book, plugged: Plugged | None = None) -> list[DueItem]:
    """Return what waits, the most overdue first, open things last.

    Args:
        book: The book.
        plugged: The methods, which say when a test over time wants its next reading; loaded where not given.
    """
    now = book.clock()
    with book.connect() as connection:
        found = [
            *_readings(connection, plugged or _methods(), now),
            *_rested(connection, now),
            *_calibrations(connection, now, book.zone),
            *_open(connection),
        ]
    return sorted(found, key=lambda item: (item.at is None, item.at or now, item.id))


def _methods() -> Plugged:
    """Load the installed methods, where nobody has them yet."""
    return plugins.load()


def _readings(connection: Connection, plugged: Plugged, now: dt.datetime) -> Iterator[DueItem]:
    """Yield the next reading of every test over time that has not had its last one."""
    over_time = {
        name: loaded.method
        for name, loaded in plugged.methods.items()
        if type(loaded.method).next_due is not Method.next_due
    }
    rows = connection.execute(
        select(
            Measurement.id, Measurement.at, Measurement.method, Measurement.readings, Measurement.spool_id,
            Specimen.job_id, Specimen.piece,
        )
        .outerjoin(Specimen, Specimen.id == Measurement.specimen_id)
        .where(Measurement.method.in_(over_time), Measurement.at.is_not(None))
    )  # fmt: skip
    for row in rows:
        method = over_time[row.method]
        try:
            coming = method.next_due(validate(method, row.readings or {}))
        except Exception:  # noqa: BLE001, S112 - a plugin's fault must not hide what else is due
            continue
        if coming is not None:
            at = row.at + dt.timedelta(seconds=coming.after_s)
            on = ids.spool_id(row.spool_id) if row.job_id is None else ids.specimen_id(row.job_id, row.piece)
            yield DueItem(at, at < now, ids.measurement_id(row.id), f"{coming.what} on {on}")


def _rested(connection: Connection, now: dt.datetime) -> Iterator[DueItem]:
    """Yield jobs whose pieces wait to be tested, with the time from which they may be."""
    hours = usual().conditioning_h
    tested = select(Measurement.id).where(Measurement.specimen_id == Specimen.id).exists()
    rows = connection.execute(
        select(Job.id, Job.ended_at, func.count())
        .join(Specimen, Specimen.job_id == Job.id)
        .where(Job.ended_at.is_not(None), Specimen.outcome.in_(("good", "usable")), ~tested)
        .group_by(Job.id, Job.ended_at)
    )
    for job, ended, count in rows:
        if ended is not None:
            at = ended + dt.timedelta(hours=hours)
            yield DueItem(at, at < now, ids.job_id(job), f"test {_counted(count)} that rested {hours:g} h")


def _calibrations(connection: Connection, now: dt.datetime, zone: dt.tzinfo) -> Iterator[DueItem]:
    rows = connection.execute(
        select(Rig.id, Rig.name, Rig.unit, Rig.recalibrate_days, func.max(Calibration.done_on))
        .outerjoin(Calibration, Calibration.rig_id == Rig.id)
        .group_by(Rig.id, Rig.name, Rig.unit, Rig.recalibrate_days)
    )
    for rig, name, unit, days, last in rows:
        if unit is not None and last is None:
            yield DueItem(
                None, True, ids.rig_id(rig), f"calibrate {name}: never calibrated, as far as is recorded"
            )
        elif last is not None and days is not None:
            day = last + dt.timedelta(days=days)
            # A day is the bench's day; in UTC it would fall due the evening before, or at breakfast.
            at = local_midnight(day, zone)
            if at < now + _SOON:
                yield DueItem(at, at < now, ids.rig_id(rig), f"calibrate {name}: {days} days are over")


def _open(connection: Connection) -> Iterator[DueItem]:
    for (job,) in connection.execute(select(Job.id).where(Job.outcome == "running")):
        yield DueItem(None, False, ids.job_id(job), "end the job, as it is still entered as running")
    on_bed = (
        select(Job.id, func.count())
        .join(Specimen, Specimen.job_id == Job.id)
        .where(Job.outcome != "running", Job.ended_at.is_not(None), Specimen.outcome.is_(None))
        .group_by(Job.id)
    )
    for job, count in connection.execute(on_bed):
        yield DueItem(None, False, ids.job_id(job), f"say what became of {_counted(count)}")
    for (drying,) in connection.execute(select(Drying.id).where(Drying.ended_at.is_(None))):
        yield DueItem(None, False, ids.drying_id(drying), "end the drying")


def _counted(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"
