"""Photographs of plates and of single specimens."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.cards import Card
from tracker.forms import Ask
from tracker.kinds.base import Kind, Listing, add_note, plain, struck_or_plain
from tracker.model import Photograph, Specimen
from tracker.moments import local_time


class PhotographKind(Kind):
    """A photograph of a plate or of one piece."""

    name, plural, model, place = "photograph", "photographs", Photograph, 46
    owner, part = ("specimen_id", "job_id"), "photograph"
    form = (Ask("note", "What is to be seen"),)

    def listing(self) -> Listing:
        """With whose it is."""
        return (
            select(
                Photograph.id, Photograph.job_id, Specimen.piece, Photograph.name, Photograph.at,
                Photograph.by, Photograph.note,
            )
            .outerjoin(Specimen, Specimen.id == Photograph.specimen_id)
            .order_by(Photograph.id)
        )  # fmt: skip

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Under the ID of the job or piece."""
        named = super().listed(row)
        piece, job = named.pop("piece"), named.pop("job_id")
        of = ids.job_id(job) if piece is None else ids.specimen_id(job, piece)
        return {"id": named.pop("id"), "of": of, **named}

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """File, time and note."""
        card = self.begun(session, row, zone)
        card.add("file", row.name)
        card.add("taken in", f"{local_time(row.at, zone)} by {row.by}")
        add_note(card, row.note)
        return card


def add_photographs(session: Session, which: Any, card: Card, zone: dt.tzinfo) -> None:
    """Add photographs; a job's are those of its pieces too, each with whose it is."""
    asked = (
        select(Photograph, Specimen.piece)
        .outerjoin(Specimen, Specimen.id == Photograph.specimen_id)
        .where(which)
        .order_by(Photograph.id)
    )
    own = card.data["id"]
    rows = [
        (photo, own if piece is None else ids.specimen_id(photo.job_id, piece))
        for photo, piece in session.execute(asked)
    ]
    words = []
    for photo, of in rows:
        whose = "" if of == own else f", of {of}"
        note = f": {photo.note}" if photo.note else ""
        words.append(f"{photo.name}, {local_time(photo.at, zone)} by {photo.by}{whose}{note}")
    card.add_all("photographs", struck_or_plain([photo for photo, _ in rows], words))
    card.data["photographs"] = [
        {
            "id": photo.id, "of": of, "name": photo.name, "kind": photo.kind, "at": plain(photo.at),
            "by": photo.by, "note": photo.note, "sha256": photo.sha256,
        }
        for photo, of in rows
        if photo.voided is None
    ]  # fmt: skip


KINDS = (PhotographKind(),)
