"""Gauge sections that a person states, and pieces cut anew from the kept plate file."""

from __future__ import annotations

from collections.abc import Sequence

from tracker.book import Book
from tracker.desk.doubts import Done, doubt
from tracker.desk.logs import refresh
from tracker.desk.plates import cut_again, gauge_words, thing_of
from tracker.forms import FormError
from tracker.ids import job_id, specimen_id
from tracker.kinds import find
from tracker.model import Job, Specimen
from tracker.platefile import read_gauge
from tracker.plugins import Plugged

TEMPLATE = "template"
"""What is typed to take a stated gauge section back."""


def state_gauge(
    book: Book, who: str, plugged: Plugged, job: str, stated: str, names: Sequence[str] = (), *, sure: bool
) -> Done:
    """State the gauge section of pieces of a job; all that was taken over it is read anew.

    Args:
        book: The book.
        who: Who states it.
        plugged: The readers of logs, which are cut anew too.
        job: ID of the job.
        stated: ``x:20-60``, ``x:20-60,y:3-7``, ``z:10-30``, or ``template`` to take it back.
        names: Names or numbers of pieces; all but dummies where empty.
        sure: Whether what it holds was confirmed.

    Raises:
        Doubt: It was not; tells what the gauge section holds.
        Refused: It cannot be read or misses a piece, no such piece, or no plate file.
    """
    gauge = None if stated.strip().lower() == TEMPLATE else read_gauge(stated).text
    with book.act("job gauge", who) as act:
        row = find(book, act.session, job, "job")
        pieces = _pieces(row, names)
        doubt(_question(book, row, pieces, gauge), sure=sure)
        for piece in pieces:
            piece.gauge = gauge
            cut_again(book, piece, who)
        refresh(act, book, plugged, row)
        ids = [specimen_id(row.id, piece.piece) for piece in pieces]
        act.about += [job_id(row.id), *ids]
        return Done(job_id(row.id), also=ids)


def _pieces(row: Job, names: Sequence[str]) -> list[Specimen]:
    if not names:
        return [piece for piece in row.specimens if not piece.dummy]
    found = [piece for piece in row.specimens if any(_is(piece, name) for name in names)]
    strange = [name for name in names if not any(_is(piece, name) for piece in row.specimens)]
    if strange:
        known = ", ".join(f"{piece.piece} {piece.name or ''}".strip() for piece in row.specimens)
        raise FormError(f"{job_id(row.id)} has no piece {strange[0]!r}", do=f"It has {known}")
    return found


def _is(piece: Specimen, name: str) -> bool:
    """Whether a name means a piece: its number, its ID, its name, or the name without its own number."""
    word, own = name.strip().casefold(), (piece.name or "").casefold()
    named = {
        str(piece.piece),
        specimen_id(piece.job_id, piece.piece).casefold(),
        own,
        own.rpartition(" #")[0],
    }
    return bool(word) and word in named


def _question(book: Book, row: Job, pieces: Sequence[Specimen], gauge: str | None) -> str:
    names = ", ".join(specimen_id(row.id, piece.piece) for piece in pieces)
    if gauge is None:
        return f"{names}: gauge section of the template again"
    said = dict.fromkeys(gauge_words(thing_of(book, piece), gauge) for piece in pieces)
    return f"{names}: {' / '.join(said)}"
