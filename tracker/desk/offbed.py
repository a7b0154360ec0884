"""Off the bed: what became of each piece."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tracker.acts import Act
from tracker.book import Book
from tracker.desk.doubts import Done
from tracker.forms import FormError, read, when_at
from tracker.ids import job_id, specimen_id
from tracker.kinds import KINDS, find
from tracker.kinds.base import plausible_end
from tracker.kinds.job import END_FORM, planned_h
from tracker.kinds.specimen import check_outcome
from tracker.lazy_modules import lazy
from tracker.model import Job, Specimen
from tracker.moments import local_time

if TYPE_CHECKING:
    from tracker.desk import platemaps
else:
    platemaps = lazy("tracker.desk.platemaps")


@dataclass(frozen=True)
class PieceOutcome:
    """What became of one piece: ``usable`` wants a remark, ``failed`` a cause."""

    piece: int
    outcome: str
    words: str = ""


_MORE: Final = re.compile(r"[,;]\s*(?=\d{1,3}(?:\s*[-,]\s*\d{1,3})*\s*=)")
"""Between the words of some pieces and the numbers of the next ones."""


def read_outcomes(outcome: str, text: str) -> list[PieceOutcome]:
    """Return what ``1-4,7``, ``5=came loose`` or ``5=came loose,17=warped`` says for an outcome.

    Raises:
        FormError: It names no pieces.
    """
    pieces, _, words = text.partition("=")
    # Else the cause of piece 5 would be "came loose,17=warped", and piece 17 would be called good.
    words, *more = _MORE.split(words, maxsplit=1)
    first = [PieceOutcome(number, outcome, words.strip()) for number in _numbers(pieces)]
    return first + [each for rest in more for each in read_outcomes(outcome, rest)]


def _numbers(text: str) -> Iterable[int]:
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d{1,3})(?:\s*-\s*(\d{1,3}))?\s*", part)
        if match is None:
            raise FormError(f"{text!r} names no pieces", do="Write 1-4,7 or 5=came loose")
        first, last = int(match[1]), int(match[2] or match[1])
        if last < first:
            raise FormError(f"{text!r} runs backwards", do=f"Write {last}-{first}")
        yield from range(first, last + 1)


def take_off(
    book: Book,
    who: str,
    job: str,
    outcomes: Sequence[PieceOutcome],
    *,
    rest: str = "",
    end: bool = False,
    ended: str = "",
    ready: Callable[[], None] | None = None,
) -> Done:
    """Enter the outcome of pieces, and with the last of them that the job is over.

    Args:
        book: The book.
        who: Who took them off.
        job: ID of the job.
        outcomes: One for each piece that is named.
        rest: Outcome of every piece that has none yet and is not named; empty leaves them open.
        end: A job that still counts as running is finished when its last piece is off the bed.
        ended: When it ended; else now, where that can be by its plan; else it is said that nobody knows.
        ready: Called when nothing is wrong with it, before it is stored.

    Returns:
        The job, with the IDs of the pieces that are fit to be tested in ``also``.

    Raises:
        FormError: A piece that is not on the plate, one named twice, a missing remark or cause.
    """
    named = _by_piece(outcomes)
    with book.act("offbed", who) as act:
        row = find(book, act.session, job, "job")
        known = {piece.piece: piece for piece in row.specimens}
        _refuse_strangers(row.id, named, known)
        for number, piece in known.items():
            if number in named:
                _enter(piece, named[number])
            elif rest and piece.outcome is None and not piece.dummy:
                _enter(piece, PieceOutcome(number, rest))
        act.about += [job_id(row.id), *(specimen_id(row.id, number) for number in named)]
        fit = _with_outcome(known.values(), ("good", "usable"))
        still = _with_outcome(known.values(), (None,))
        notes = [f"Without an outcome yet: {', '.join(still)}."] if still else []
        if ended or (end and fit and not still):
            notes += _end(book, act, row, ended)
        if ready is not None:
            ready()
    return Done(job_id(row.id), notes, fit)


def _end(book: Book, act: Act, job: Job, ended: str) -> list[str]:
    """Finish a job whose pieces are off the bed; return what is to be said of it.

    Raises:
        FormError: The end that was named cannot be read, or lies before the start.
    """
    if job.ended_at is not None or job.outcome not in (None, "running"):
        return []
    when = when_at(book, job.started_at)
    at = read(_ENDED, ended, when)
    latest = plausible_end(job.started_at, planned_h(job))
    if at is None and (latest is None or when.now > latest):
        return [
            (
                f"{job_id(job.id)} still counts as running: strandbook job end {job_id(job.id)}"
                " --outcome finished --ended TIME"
            )
        ]
    job.outcome, job.ended_at = "finished", at or when.now
    KINDS["job"].check(act.session, job, when)
    return [f"{job_id(job.id)} finished {local_time(job.ended_at, book.zone)}."]


_ENDED: Final = next(ask for ask in END_FORM if ask.name == "ended_at")


def _refuse_strangers(job: int, named: Iterable[int], known: Collection[int]) -> None:
    strangers = sorted(set(named) - set(known))
    if strangers:
        raise FormError(
            f"{job_id(job)} has no piece {', '.join(map(str, strangers))}",
            do=f"Its pieces are 1 to {max(known, default=0)}",
        )


def _with_outcome(pieces: Iterable[Specimen], outcomes: Collection[str | None]) -> list[str]:
    """Return the IDs of pieces of certain outcomes; a dummy is thrown away and needs none, nor a label."""
    wanted = (each for each in pieces if not each.dummy and each.outcome in outcomes)
    return [specimen_id(each.job_id, each.piece) for each in wanted]


def _by_piece(outcomes: Sequence[PieceOutcome]) -> dict[int, PieceOutcome]:
    named: dict[int, PieceOutcome] = {}
    for each in outcomes:
        if each.piece in named:
            raise FormError(f"Piece {each.piece} is named twice", do="Give each piece one outcome")
        named[each.piece] = each
    return named


def _enter(piece: Specimen, given: PieceOutcome) -> None:
    check_outcome(given.piece, given.outcome, given.words)
    if piece.outcome is not None and piece.outcome != given.outcome:
        name = specimen_id(piece.job_id, piece.piece)
        raise FormError(
            f"{name} is recorded as {piece.outcome} already",
            do=f"Correct it with its reason: strandbook correct {name} outcome={given.outcome} --reason WHY",
        )
    piece.outcome = given.outcome
    piece.remark = given.words or None if given.outcome != "failed" else None
    piece.cause = given.words if given.outcome == "failed" else None


def open_pieces(book: Book, job: str) -> list[tuple[int, str]]:
    """Return number and words of each piece of a job that has no outcome yet, in the order of the plate.

    Raises:
        NotFoundError: There is no such job.
    """
    with book.read() as session:
        row = find(book, session, job, "job")
        return [
            (piece.piece, f"{specimen_id(row.id, piece.piece)}  {piece.name or ''} {piece.orientation or ''}")
            for piece in row.specimens
            if piece.outcome is None and not piece.dummy
        ]


def plate_map(book: Book, job: str, width: int) -> str:
    """Return the map of a job's plate in block characters; empty where its plate is not known.

    Raises:
        NotFoundError: There is no such job.
    """
    with book.read() as session:
        row = find(book, session, job, "job")
        if not any(piece.plate_facts for piece in row.specimens):
            return ""

        return platemaps.map_of_row(row, width) if platemaps.has_map(row) else ""
