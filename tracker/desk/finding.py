"""From what was typed or scanned to the row that is meant."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.errors import Refused
from tracker.ids import Ident, IdError, near_misses, read_payload, unchecked
from tracker.model import Drying, Job, Material, Measurement, Rig, Specimen, Spool
from tracker.suggest import did_you_mean

_MODELS: Final[dict[str, Any]] = {
    "spool": Spool,
    "drying": Drying,
    "job": Job,
    "specimen": Specimen,
    "rig": Rig,
    "measurement": Measurement,
}


_LONGEST: Final = 400
"""More characters than any label's text has, its bench address included."""

_GREATEST: Final = 2**63 - 1
"""Greatest number that a database can be asked for."""


class NotFoundError(Refused, LookupError):
    """Nothing in this book has that ID or name."""


class WrongKindError(Refused, ValueError):
    """The ID is right, but names another kind of thing than was asked for."""


def find(book: Book, session: Session, text: str, *kinds: str) -> Any:
    """Return the row that an ID or a label's text names; a rig also goes by its name where only a rig fits.

    Args:
        book: Whose code the label must carry, if it carries one.
        session: To read with.
        text: Typed or scanned.
        kinds: Kinds allowed; all where empty.

    Raises:
        IdError: It is no ID; the nearest that exist are named.
        NotFoundError: It belongs to another book, or there is no such row.
        WrongKindError: It is a row of another kind.
    """
    try:
        ident = resolve(book, session, text)
    except IdError:
        rig = _rig_named(session, text) if kinds == ("rig",) else None
        if rig is None:
            raise
        return rig
    if kinds and ident.kind not in kinds:
        raise WrongKindError(f"{ident} is a {ident.kind}", do=f"Here a {' or '.join(kinds)} is wanted")
    return fetch(session, ident)


def resolve(book: Book, session: Session, text: str) -> Ident:
    """Return which existing ID a text names.

    Raises:
        IdError: It is none; the nearest that exist are named.
        NotFoundError: It is of another book, or nothing has it.
    """
    if len(text) > _LONGEST:
        raise IdError(f"{text[:20]!r}… is too long for an ID", do="Scan a label, or type an ID: J0012-04-K")
    try:
        scanned = read_payload(text)
    except IdError as error:
        raise _with_neighbours(session, text, error) from error
    # Two benches both have an S0007; without the book's code a borrowed spool would be taken for one's own.
    if scanned.book and scanned.book != book.code:
        raise NotFoundError(
            f"{scanned.readings[0]} is a label of another book ({scanned.book}); this one is {book.code}",
            do="Open the other book with --book, or scan a label of this one",
        )
    # Typed without dashes it may be a piece or a job: what exists is meant.
    for ident in scanned.readings:
        if fetch(session, ident) is not None:
            return ident
    raise NotFoundError(
        f"There is no {scanned.readings[0]} in this book",
        do=f"strandbook list {_plural(scanned.readings[0].kind)} shows what there is",
    )


def fetch(session: Session, ident: Ident) -> Any:
    """Return the row of an ID, or None."""
    if max(ident.number, ident.piece) > _GREATEST:
        return None
    if ident.kind == "specimen":
        return session.scalar(
            select(Specimen).where(Specimen.job_id == ident.number, Specimen.piece == ident.piece)
        )
    return session.get(_MODELS[ident.kind], ident.number)


def ident_of(row: Any) -> Ident:
    """Return the ID of a row."""
    if isinstance(row, Specimen):
        return Ident("specimen", row.job_id, row.piece)
    kind = next(kind for kind, model in _MODELS.items() if isinstance(row, model))
    return Ident(kind, row.id)


def material_named(session: Session, name: str) -> Material:
    """Return a material by its name, upper and lower case alike.

    Raises:
        NotFoundError: There is none; near names are offered.
    """
    names = {row.name: row.id for row in session.execute(select(Material.name, Material.id))}
    by_folded = {known.casefold(): known for known in names}
    exact = name if name in names else by_folded.get(name.strip().casefold())
    if exact is not None:
        return session.get_one(Material, names[exact])
    hint = "strandbook list materials shows what there is; strandbook material add enters one"
    raise NotFoundError(f"There is no material {name!r} in this book", do=did_you_mean(name, names, hint))


def _rig_named(session: Session, name: str) -> Rig | None:
    """Return a rig by its name, upper and lower case alike: its label hangs where the hand is not."""
    wanted = name.strip().casefold()
    rows = session.execute(select(Rig.id, Rig.name))
    return next((session.get_one(Rig, row.id) for row in rows if row.name.casefold() == wanted), None)


def _with_neighbours(session: Session, text: str, error: IdError) -> IdError:
    meant = unchecked(text)
    if meant is not None and fetch(session, meant) is not None:
        return IdError(f"{text.strip()!r} lacks its check character", do=f"Did you mean {meant}?")
    existing = [ident for ident in near_misses(text) if fetch(session, ident) is not None]
    if not existing:
        return error
    return IdError(error.what, do=f"Nearest in this book: {', '.join(map(str, existing[:4]))}")


def _plural(kind: str) -> str:
    return {"drying": "dryings"}.get(kind, kind + "s")
