"""What an import would make, before it is written: rows read into pieces, kept on the disk plate by plate."""

from __future__ import annotations

import hashlib
import os
import pickle
import re
import tempfile
from array import array
from collections import defaultdict
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import Path
from typing import Any, Final, NamedTuple, overload

from tracker.api import Piece, Quantity, Recording, dump, units_of, validate
from tracker.desk.importing.binding import Binding, Bound, BoundMethod
from tracker.desk.importing.sheet import Besides, ImportRefusedError, Sheet, SheetRow
from tracker.errors import Refused
from tracker.inputs import read_input
from tracker.orientation import OrientationError, checked_letters
from tracker.plugins import Computed, Plugged
from tracker.stored_rows import batched

ROWS_TOGETHER: Final = 250
"""Rows that are read together, by one process or another."""

_AT_ONCE: Final = 1000
_CHARACTERS: Final = 2_000_000
"""Specimens, and characters of their texts, that are held in memory before they go to the disk."""


class FileDraft(NamedTuple):
    """A file of a measurement, as it lay there when the plan was made.

    Attributes:
        field: Field of the readings it belongs to.
        place: Where it lies.
        name: Its file name.
        sha256: Digest of its bytes, hexadecimal.
        size: Bytes.
    """

    field: str
    place: Path
    name: str
    sha256: str
    size: int


class FactorDraft(NamedTuple):
    """A factor of a specimen: a number in the unit its name ends in, or a word."""

    name: str
    number: float | None
    text: str | None


class MeasurementDraft(NamedTuple):
    """A measurement and what its method made of it.

    Attributes:
        method: Id of the method.
        version: Of the method; None for a value without readings.
        readings: Raw readings in the method's units; None for a value without readings.
        units: Of the readings.
        source: ``imported``, or ``given`` for a value without readings.
        results: With value, or refused with the reason.
        problem: What went wrong in the plugin.
        files: Recordings.
    """

    method: str
    version: str | None
    readings: Mapping[str, Any] | None
    source: str
    results: tuple[Computed, ...]
    problem: str | None = None
    units: Mapping[str, str] | None = None
    files: tuple[FileDraft, ...] = ()


class SpecimenDraft(NamedTuple):
    """A piece, from one line of the sheet; ``texts`` are its columns in the store.

    ``characters`` is how long the cells of its line are together, and so about how long all of it is.
    """

    line: int
    texts: Mapping[str, str]
    factors: tuple[FactorDraft, ...]
    measurements: tuple[MeasurementDraft, ...]
    characters: int


class JobDraft(NamedTuple):
    """A plate: the pieces that were printed together, in the order of the sheet."""

    name: str | None
    material: str
    line: int
    specimens: Sequence[SpecimenDraft] = ()

    def measurements(self) -> Iterator[MeasurementDraft]:
        """Yield the measurements of all its pieces."""
        for specimen in self.specimens:
            yield from specimen.measurements


class Drafts(Sequence[JobDraft]):
    """The plates of a sheet in its order, their pieces in a temporary file that goes with this object.

    A sheet of a hundred thousand rows would else take a gigabyte of memory until it is written.
    """

    def __init__(self) -> None:
        self._jobs: list[JobDraft] = []
        self._waiting: dict[int, list[SpecimenDraft]] = defaultdict(list)
        self._count = self._characters = 0
        # No database: a process that is forked meanwhile reads it as well.
        self._kept = tempfile.TemporaryFile()  # noqa: SIM115 - it goes with this object
        self._of, self._from, self._length = array("q"), array("q"), array("q")
        """Of each part in the file: the place of its plate, where it begins, and its length in bytes."""

    def add_job(self, name: str | None, material: str, line: int) -> int:
        """Add a plate, and return its place."""
        self._jobs.append(JobDraft(name, material, line))
        return len(self._jobs) - 1

    def add(self, job: int, specimen: SpecimenDraft) -> None:
        """Put a piece on the plate of a place."""
        self._waiting[job].append(specimen)
        self._count += 1
        self._characters += specimen.characters
        if self._count % _AT_ONCE == 0 or self._characters > _CHARACTERS:
            self._let_go()

    def _let_go(self) -> None:
        """Write what waits to the disk."""
        place = self._kept.seek(0, os.SEEK_END)
        for job, some in self._waiting.items():
            self._of.append(job)
            self._from.append(place)
            self._length.append(self._kept.write(pickle.dumps(some, 5)))
            place += self._length[-1]
        self._kept.flush()
        self._waiting.clear()
        self._characters = 0

    def bare(self) -> Sequence[JobDraft]:
        """Return the plates without their pieces."""
        return self._jobs

    @property
    def specimens(self) -> int:
        """Number of the pieces of all plates."""
        return self._count

    def __len__(self) -> int:
        """Number of the plates."""
        return len(self._jobs)

    @overload
    def __getitem__(self, place: int) -> JobDraft: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[JobDraft]: ...
    def __getitem__(self, place: int | slice) -> JobDraft | Sequence[JobDraft]:
        """Return a plate with its pieces."""
        if isinstance(place, slice):
            return [self[each] for each in range(*place.indices(len(self)))]
        job = range(len(self))[place]
        parts = [part for part, of in enumerate(self._all()) if of == job]
        return self._jobs[job]._replace(specimens=[piece for part in parts for piece in self._read(part)])

    def __iter__(self) -> Iterator[JobDraft]:
        """Yield each plate with its pieces, read from the disk one after the other."""
        of = self._all()
        for job, parts in groupby(sorted(range(len(of)), key=of.__getitem__), key=of.__getitem__):
            pieces = [piece for part in parts for piece in self._read(part)]
            yield self._jobs[job]._replace(specimens=pieces)

    def _all(self) -> array[int]:
        """Return of which plate each part in the file is, all pieces being there."""
        if self._waiting:
            self._let_go()
        return self._of

    def _read(self, part: int) -> list[SpecimenDraft]:
        self._kept.seek(self._from[part])
        # Written above by this very process into a file that nobody else can open.
        pieces: list[SpecimenDraft] = pickle.loads(self._kept.read(self._length[part]))  # noqa: S301
        return pieces


OUTCOMES: Final = ("good", "usable", "failed")
AS_WRITTEN: Final = "orientation_as_written"
"""Factor that keeps an orientation which the notation does not know."""

GIVEN_REMARK: Final = "Given as a value; its readings were not recorded."


_MOST_ALIKE: Final = 4096


@dataclass
class RowReader:
    """Reads rows by a binding.

    Attributes:
        binding: Which cell is what.
        plugged: Computes results.
        besides: Finds files named in cells.
        alike: Factors and units of earlier rows.
    """

    binding: Binding
    plugged: Plugged
    besides: Besides
    alike: dict[Hashable, Any] = field(default_factory=dict)

    def material(self, row: SheetRow) -> str:
        """Return the material's name.

        Raises:
            ImportRefusedError: The cell is blank.
        """
        name = _line(row.cells[self.binding.material])
        if not name:
            raise ImportRefusedError("no material", do="Fill in its cell")
        return name

    def plate(self, row: SheetRow) -> tuple[str, ...]:
        """Return what names the plate of a row; rows with equal parts were printed together."""
        return tuple(_line(row.cells[index]) for index in self.binding.plate)

    def specimen(self, row: SheetRow, material: str) -> SpecimenDraft:
        """Return the piece of a row with its factors, measurements and results.

        Raises:
            Refused: A cell holds what cannot be; the text names its column and what would mend it.
        """
        texts = {
            key: _line(row.cells[index]) for key, index in self.binding.texts.items() if row.cells[index]
        }
        factors = list(self._factors(row))
        factors += self._orientation(texts)
        if "outcome" in texts:
            texts["outcome"] = _outcome(texts["outcome"])
        piece = Piece(
            name=texts.get("name", ""),
            orientation=texts.get("orientation"),
            outcome=texts.get("outcome"),
            geometry=texts.get("geometry"),
            material=material,
            factors={factor.name: _either(factor) for factor in factors},
        )
        measured = [draft for method in self.binding.methods if (draft := self._measured(row, method, piece))]
        found = tuple(factors)
        measurements = (*measured, *self._given(row))
        return SpecimenDraft(row.line, texts, self.held(found, found), measurements, sum(map(len, row.cells)))

    def held(self, key: Hashable, made: Any) -> Any:
        """Return what was made of the same before, so that a hundred thousand rows alike hold it once."""
        if len(self.alike) < _MOST_ALIKE:
            return self.alike.setdefault(key, made)
        return self.alike.get(key, made)

    def _factors(self, row: SheetRow) -> Iterator[FactorDraft]:
        for name, bound in self.binding.factors.items():
            value = _value(row, bound)
            if isinstance(value, str):
                yield FactorDraft(name, None, value)
            elif value is not None:
                yield FactorDraft(name, value, None)

    def _orientation(self, texts: dict[str, str]) -> Iterator[FactorDraft]:
        """Bring the orientation into the notation, or move it among the factors as it was written."""
        written = texts.get("orientation")
        if written is None:
            return
        try:
            texts["orientation"] = checked_letters(written)
        except OrientationError:
            # Kept as it was written, among the factors: "45" is no orientation of the notation, yet it says
            # something.
            del texts["orientation"]
            yield FactorDraft(AS_WRITTEN, None, written)

    def _measured(self, row: SheetRow, bound: BoundMethod, piece: Piece) -> MeasurementDraft | None:
        """Return a measurement by one method; None where none of its cells holds anything."""
        raw = {name: value for name, each in bound.values.items() if (value := _value(row, each)) is not None}
        files: list[FileDraft] = []
        for name, index in bound.files.items():
            if row.cells[index]:
                raw[name], draft = self._recording(name, row.cells[index])
                files.append(draft)
        # No cell of this method holds anything: the piece was not tested by it, which is no measurement.
        if not raw:
            return None
        readings = validate(bound.method, bound.with_uncertainties(raw))
        units = units_of(readings)
        computation = self.plugged.compute(bound.method.id, readings, piece)
        return MeasurementDraft(
            method=bound.method.id,
            version=bound.method.version,
            readings=dump(readings),
            units=self.held((bound.method.id, *units.items()), units),
            source="imported",
            results=_explained(computation.outcomes, row, bound),
            problem=computation.problem,
            files=tuple(files),
        )

    def _recording(self, name: str, written: str) -> tuple[Recording, FileDraft]:
        place = self.besides.find(written)
        try:
            data = read_input(place, "recording")
        except OSError as error:
            raise ImportRefusedError(
                f"{written!r} cannot be read", why=error.strerror or str(error)
            ) from error
        digest = hashlib.sha256(data).hexdigest()
        return Recording(place.name, data), FileDraft(name, place, place.name, digest, len(data))

    def _given(self, row: SheetRow) -> Iterator[MeasurementDraft]:
        """Yield values that came without readings, one measurement for each method they belong to."""
        by_method: dict[str, list[Computed]] = {}
        for quantity, bound in self.binding.quantities:
            value = _value(row, bound)
            if value is not None:
                given = Computed(
                    quantity.name, _possible(quantity, value), quantity.unit, remarks=(GIVEN_REMARK,)
                )
                by_method.setdefault(quantity.name.partition(".")[0], []).append(given)
        for method, results in by_method.items():
            yield MeasurementDraft(method, None, None, "given", tuple(results))


class RowRead(NamedTuple):
    """What one row of a sheet holds.

    Attributes:
        row: The row.
        material: What its piece was taken to be of.
        piece: Its piece; None where it is not read yet.
        refused: Why it has none; empty else.
        below: Folders in which its files were found.
    """

    row: SheetRow
    material: str = ""
    piece: SpecimenDraft | None = None
    refused: str = ""
    below: frozenset[str] = frozenset()


def rows_read(reader: RowReader, table: Sheet, share: int = 0, of: int = 1) -> Iterator[list[RowRead]]:
    """Yield the rows of a sheet with their pieces, some hundred at a time.

    Args:
        reader: Reads them; it belongs to this work alone.
        table: The sheet.
        share: Only the share of this number, counted from 0.
        of: Among so many processes the rows are divided.
    """
    spelled: dict[str, str] = {}
    for number, rows in enumerate(batched(table.rows, ROWS_TOGETHER)):
        # Of the shares of others too: the first row of a material says how it is spelled.
        named = [(row, _first_spelled(reader, row, spelled)) for row in rows]
        if number % of == share:
            yield [row_read(reader, row, material) for row, material in named]


def _first_spelled(reader: RowReader, row: SheetRow, spelled: dict[str, str]) -> str:
    try:
        written = reader.material(row)
    except ImportRefusedError:
        return ""
    return spelled.setdefault(written.casefold(), written)


def row_read(reader: RowReader, row: SheetRow, material: str) -> RowRead:
    """Return a row with its piece, or with why it has none; a row that names no material is not read."""
    if not material:
        return RowRead(row)
    piece, refused = None, ""
    try:
        piece = reader.specimen(row, material)
    except Refused as refusal:
        refused = str(refusal)
    below = frozenset(reader.besides.below)
    reader.besides.below.clear()
    return RowRead(row, material, piece, refused, below)


def _value(row: SheetRow, bound: Bound) -> Any:
    cell = row.cells[bound.index]
    return bound.read(cell) if cell else None


def _line(cell: str) -> str:
    return " ".join(cell.split())


def _either(factor: FactorDraft) -> float | str | None:
    return factor.text if factor.number is None else factor.number


def _outcome(word: str) -> str:
    if word.lower() not in OUTCOMES:
        raise ImportRefusedError(f"outcome {word!r} is none of {', '.join(OUTCOMES)}")
    return word.lower()


def _possible(quantity: Quantity, value: float) -> float:
    # A zero in an old table mostly means "not measured"; taken as a strength it would have no logarithm.
    if quantity.positive and value <= 0:
        raise ImportRefusedError(f"{quantity.name}: {value:g} {quantity.unit} must be greater than 0")
    return value


def _explained(outcomes: tuple[Computed, ...], row: SheetRow, bound: BoundMethod) -> tuple[Computed, ...]:
    """Add to each refusal which cells it asks for are blank: that is what the person can fill in."""
    blank = [name for name, each in bound.values.items() if not row.cells[each.index]]
    blank += [name for name, index in bound.files.items() if not row.cells[index]]
    return tuple(_with_blanks(outcome, blank) for outcome in outcomes) if blank else outcomes


def _with_blanks(outcome: Computed, blank: list[str]) -> Computed:
    asked = [name for name in blank if re.search(rf"\b{re.escape(name)}\b", outcome.refused)]
    if not asked:
        return outcome
    tail = f"({', '.join(asked)} {'is' if len(asked) == 1 else 'are'} empty)"
    return replace(outcome, refused=f"{outcome.refused} {tail}")
