"""Answers to published numbers, kept in the book and published beside them: a maker's, a reader's."""

from __future__ import annotations

from sqlalchemy import select

from tracker.book import Book
from tracker.errors import Refused
from tracker.ids import IdError
from tracker.kinds import material_named
from tracker.kinds.registry import find
from tracker.model import Dispute, Measurement


def dispute(book: Book, who: str, about: str, text: str, by: str, address: str = "") -> int:
    """Record an answer that is published beside a number or a material; return its number.

    Args:
        book: Where to.
        who: Who enters it; not published.
        about: ID of a measurement, or the name of a material.
        text: What is answered.
        by: Who answers, as it is to be published.
        address: Where more is said; a URL.

    Raises:
        Refused: There is no such measurement or material, or nothing is said.
    """
    if not text.strip() or not by.strip():
        raise Refused(
            "An answer needs its words and who says them", do="Add --by NAME and the text in quotes"
        )
    if address and not address.startswith(("https://", "http://")):
        raise Refused(f"{address} is no address", do="Write it as https://example.org/answer")
    with book.act("dispute", who) as act:
        session = act.session
        measurement = material = None
        try:
            row: Measurement = find(book, session, about, "measurement")
            measurement = row.id
        except IdError:
            material = material_named(session, about).id
        answer = Dispute(
            measurement_id=measurement, material_id=material, text=text.strip(), by=by.strip(),
            address=address or None, at=act.at,
        )  # fmt: skip
        session.add(answer)
        session.flush()
        number: int = session.scalars(select(Dispute.id).order_by(Dispute.id.desc()).limit(1)).one()
    return number
