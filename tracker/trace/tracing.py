"""A trace: one number, piece or job with the whole way back, to be shown in several forms."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

from tracker.book import Book
from tracker.ids import Ident, IdError, read_payload
from tracker.journal import plain
from tracker.lazy_modules import lazy
from tracker.lineage import Judged, Measured, Reader
from tracker.trace import facts
from tracker.trace.history import journal_of
from tracker.trace.picture import picture
from tracker.trace.prov import prov
from tracker.trace.stations import stations
from tracker.trace.walk import Path, TraceError, walk
from tracker.trace.way import WORDS, Describe, Station, Way, correction_lines, journal_lines, kept_together

if TYPE_CHECKING:
    from tracker import kinds
else:
    kinds = lazy("tracker.kinds")


class Trace(Way):
    """The whole way back from one thing, to be shown in several forms."""

    def lines(self, width: int = 80) -> list[str]:
        """Return the way back as text for a terminal of so many columns."""
        return lines(self, width)

    def svg(self) -> str:
        """Return the way back as a graph, an SVG document."""
        return picture(self)

    def prov(self) -> dict[str, Any]:
        """Return the way back as a W3C PROV-JSON document."""
        return prov(self)

    def as_json(self) -> dict[str, Any]:
        """Return the trace as plain JSON values.

        The first keys are a contract with other people's scripts: ``number`` to ``not_recorded``. What
        is not known is None or an empty list, and named in ``not_recorded``.
        """
        measurements = [facts.measured_facts(each) for each in self.path.measured]
        return {
            "id": self.id,
            "book": self.book,
            **self._tested(measurements),
            **self._printed(),
            "exposure": self.exposure,
            "measurements": measurements,
            "specimens": [facts.specimen_facts(piece) for piece in self.path.pieces],
            "hangs": [{name: plain(value) for name, value in each.items()} for each in self.path.hangs],
            "journal": facts.journal_facts(self.path.journal),
            "not_recorded": self.missing,
        }

    def _tested(self, measurements: list[dict[str, Any]]) -> dict[str, Any]:
        """Return the number and what it was computed from."""
        path = self.path
        paired = zip(path.measured, measurements, strict=True)
        taken = next((text for each, text in paired if each is self.chosen), None)
        alone = None if path.rig is None else facts.rig_row(path.rig, path.calibrations)
        number = None if self.number is None else facts.number_facts(self.number)
        if taken is None:
            return {
                "number": number,
                "method": None,
                "readings": None,
                "files": [],
                "rig": alone,
                "instruments": [],
            }
        return {
            "number": number,
            "method": {"id": taken["method"], "version": taken["version"], **self.described},
            **{key: taken[key] for key in ("readings", "files", "rig", "instruments")},
        }

    def _printed(self) -> dict[str, Any]:
        """Return the piece, its print and what it was printed from."""
        path = self.path
        storage = list(facts.storage_facts(path.spools))
        return {
            "specimen": None if path.specimen is None else facts.specimen_facts(path.specimen),
            "job": None if path.job is None else facts.job_facts(path, path.job),
            "spools": [facts.spool_facts(spool) for spool in path.spools],
            "storage": storage,
            # The same by the name it had first, which other people's scripts read.
            "stays": storage,
            "dryings": list(facts.drying_facts(path.spools)) or facts.alone(path.drying),
            "material": None if path.material is None else facts.row_data(path.material),
            "factors": self.factors
            if self.factors is not None
            else [facts.factor_facts(factor) for factor in path.factors],
        }


def trace(
    book: Book,
    ident: Ident | str,
    quantity: str | None = None,
    describe: Describe | None = None,
    titles: Mapping[str, str] | None = None,
) -> Trace:
    """Walk back from a measurement, specimen or job; or say what hangs on a spool, a drying or a rig.

    Args:
        book: Read only.
        ident: What to begin at, as an ID or as typed or scanned.
        quantity: Which result is meant; None takes the only one, or the first that has a value.
        describe: Says more of a method than the book knows.
        titles: What people call quantities, by name; their names are shown where None.

    Raises:
        IdError: The text is no ID.
        TraceError: There is nothing of that ID, or it has no such quantity.
    """
    path = _walked(book, ident)
    chosen, number = _chosen(path, quantity)
    made = Trace(book.code, path, chosen, number, zone=book.zone, titles=titles or {})
    if describe is not None and chosen is not None:
        made.described = describe(chosen.measurement.method)
    return made


def idents(book: Book, ident: Ident | str) -> tuple[Ident, ...]:
    """Return what an ID, typed or scanned, can mean in a book.

    Raises:
        IdError: It is no ID; the nearest that exist are named.
        TraceError: It is a label of another book.
    """
    if isinstance(ident, Ident):
        return (ident,)
    try:
        scanned = read_payload(ident)
    except IdError:
        # Loaded only after a slip, which the desk answers with what is near in this book.

        with book.read() as session:
            kinds.resolve(book, session, ident)
        raise
    if scanned.book and scanned.book != book.code:
        raise TraceError(
            f"{scanned.readings[0]} is a label of another book ({scanned.book}); this one is {book.code}",
            do="Open the other book with --book",
        )
    return scanned.readings


def _walked(book: Book, ident: Ident | str) -> Path:
    readings = idents(book, ident)
    with Reader(book.engine) as reader:
        for each in readings:
            path = walk(reader, each)
            if path is not None:
                path.journal = journal_of(reader, path.touched())
                return path
    raise TraceError(f"There is no {readings[0]} in this book", do=f"strandbook list {readings[0].kind}s")


def _chosen(path: Path, quantity: str | None) -> tuple[Measured | None, Judged | None]:
    """Return the measurement and the result that are meant.

    Raises:
        TraceError: Nothing has that quantity; those that are there are named.
    """
    if quantity is None:
        if len(path.measured) != 1:
            return None, None
        only = path.measured[0]
        valued = [judged for judged in only.results if judged.result.value is not None]
        return only, next(iter([*valued, *only.results]), None)
    # The newest measurement of a quantity is the one that is meant by its name alone.
    for each in reversed(path.measured):
        for judged in each.results:
            if judged.result.quantity == quantity:
                return each, judged
    there = {judged.result.quantity for each in path.measured for judged in each.results}
    raise TraceError(
        f"{path.ident} has no {quantity}", do=f"It has {', '.join(sorted(there)) or 'no results'}"
    )


_LABEL: Final = 13
_NARROWEST: Final = 40


def lines(way: Way, width: int = 80) -> list[str]:
    """Return the whole way back as text.

    Args:
        way: What to show.
        width: Columns of the terminal; below 40 counts as 40.
    """
    width = max(width, _NARROWEST)
    found = [way.id]
    for station in stations(way):
        found += _station_lines(station, width)
        for side in station.sides:
            found += _station_lines(side, width, indent="  ")
    if way.exposure is not None:
        found += _paragraph("exposure", str(way.exposure.get("text", way.exposure)), width)
    for entry in journal_lines(way):
        found += _paragraph("journal", entry, width)
    for correction in correction_lines(way):
        found += _paragraph("corrected", correction, width)
    gaps = ", ".join(WORDS[place] for place in way.missing)
    found += _paragraph("not recorded", gaps or "nothing is missing", width)
    return list(_merged(found))


def _station_lines(station: Station, width: int, indent: str = "") -> list[str]:
    text = "; ".join((station.head, *station.facts))
    return _paragraph(f"{indent}{station.label}", text, width)


def _paragraph(label: str, text: str, width: int) -> list[str]:
    wrapped = textwrap.wrap(
        kept_together(" ".join(text.split())),
        width,
        initial_indent=f"{label:<{_LABEL}} ",
        subsequent_indent=" " * (_LABEL + 1),
        break_on_hyphens=False,
    )
    # The no-break spaces have done their work; whoever copies a line wants plain ones.
    return [line.replace("\u00a0", " ") for line in wrapped]


def _merged(found: list[str]) -> Iterator[str]:
    """Leave out a label that the paragraph before it had as well."""
    last = ""
    for line in found:
        label = line[:_LABEL]
        if label.strip() and label == last:
            yield " " * _LABEL + line[_LABEL:]
        else:
            yield line
        last = label if label.strip() else last
