"""Pieces cut out of their kept plate file anew: for another template, or a stated gauge section."""

from __future__ import annotations

from tracker.book import Book
from tracker.desk.platefacts import facts_of
from tracker.desk.plates import plate_of
from tracker.errors import Refused
from tracker.model import Specimen
from tracker.platefile import PlateObject, piece_named


def cut_again(book: Book, piece: Specimen, by: str = "") -> None:
    """Cut a piece's gauge section anew from the kept plate file, for another template or a stated one.

    Args:
        book: The book.
        piece: The piece, with its template and stated gauge section as they are to be.
        by: Who stated the gauge section; empty for who did before.

    Raises:
        Refused: There is no plate file, the piece is not on it, or the gauge section misses it.
    """
    thing, plate = thing_of(book, piece), plate_of(book, piece.job)
    geometry = piece_named(piece.geometry or "free").id
    before = (piece.plate_facts or {}).get("section") or {}
    piece.geometry = geometry
    piece.plate_facts = facts_of(thing, geometry, plate, piece.gauge, by or before.get("by", ""))


def thing_of(book: Book, piece: Specimen) -> PlateObject:
    """Return the object on the plate that a piece is.

    Raises:
        Refused: There is no plate file, or the piece is not on it.
    """
    key = (piece.plate_facts or {}).get("key")
    objects = plate_of(book, piece.job).objects
    thing = next((each for each in objects if each.key == key), None)
    if thing is None:
        raise Refused("The piece is not on its plate any more", do="strandbook verify")
    return thing
