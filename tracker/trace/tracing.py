"""A trace: one number, piece or job with the whole way back, to be shown in several forms."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from tracker.book import Book
from tracker.ids import Ident, IdError, read_payload
from tracker.journal import plain
from tracker.trace import facts
from tracker.trace.describing import Describe
from tracker.trace.hanging import from_drying, from_rig, from_spool
from tracker.trace.history import journal_of
from tracker.trace.lines import lines
from tracker.trace.picture import picture
from tracker.trace.prov import prov
from tracker.trace.reading import Reader, Row
from tracker.trace.walk import Measured, Path, TraceError, walk
from tracker.trace.way import Way


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
        taken = next((told for each, told in paired if each is self.chosen), None)
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
        return {
            "specimen": None if path.specimen is None else facts.specimen_facts(path.specimen),
            "job": None if path.job is None else facts.job_facts(path, path.job),
            "spools": [facts.spool_facts(spool) for spool in path.spools],
            "stays": list(facts.stay_facts(path.spools)),
            "dryings": list(facts.drying_facts(path.spools)) or facts.alone(path.drying),
            "material": None if path.material is None else facts.told(path.material),
            "factors": self.factors
            if self.factors is not None
            else [facts.factor_facts(factor) for factor in path.factors],
        }


def trace(
    book: Book, ident: Ident | str, quantity: str | None = None, describe: Describe | None = None
) -> Trace:
    """Walk back from a measurement, specimen or job; or say what hangs on a spool, a drying or a rig.

    Args:
        book: Read only.
        ident: What to begin at, as an ID or as typed or scanned.
        quantity: Which result is meant; None takes the only one, or the first that has a value.
        describe: Says more of a method than the book knows.

    Raises:
        IdError: The text is no ID.
        TraceError: There is nothing of that ID, or it has no such quantity.
    """
    path = _walked(book, ident)
    chosen, number = _chosen(path, quantity)
    made = Trace(book.code, path, chosen, number, zone=book.zone)
    if describe is not None and chosen is not None:
        made.described = describe(chosen.measurement["method"])
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
        from tracker.kinds import resolve  # noqa: PLC0415

        with book.read() as session:
            resolve(book, session, ident)
        raise
    if scanned.book and scanned.book != book.code:
        raise TraceError(
            f"{scanned.readings[0]} is a label of another book ({scanned.book}); this one is {book.code}",
            do="Open the other book with --book",
        )
    return scanned.readings


_WALKS: Final[Mapping[str, Callable[[Reader, Ident], Path | None]]] = {
    **dict.fromkeys(("measurement", "specimen", "job"), walk),
    "spool": from_spool,
    "drying": from_drying,
    "rig": from_rig,
}


def _walked(book: Book, ident: Ident | str) -> Path:
    readings = idents(book, ident)
    with Reader(book.engine) as reader:
        for each in readings:
            path = _WALKS[each.kind](reader, each)
            if path is not None:
                path.journal = journal_of(reader, list(path.touched()))
                return path
    raise TraceError(f"There is no {readings[0]} in this book", do=f"strandbook list {readings[0].kind}s")


def _chosen(path: Path, quantity: str | None) -> tuple[Measured | None, Row | None]:
    """Return the measurement and the result that are meant.

    Raises:
        TraceError: Nothing has that quantity; those that are there are named.
    """
    if quantity is None:
        if len(path.measured) != 1:
            return None, None
        only = path.measured[0]
        valued = [result for result in only.results if result["value"] is not None]
        return only, next(iter([*valued, *only.results]), None)
    # The newest measurement of a quantity is the one that is meant by its name alone.
    for each in reversed(path.measured):
        for result in each.results:
            if result["quantity"] == quantity:
                return each, result
    there = {result["quantity"] for each in path.measured for result in each.results}
    raise TraceError(
        f"{path.ident} has no {quantity}", do=f"It has {', '.join(sorted(there)) or 'no results'}"
    )
