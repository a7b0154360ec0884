"""A form that writes: its act is done once, and the page of what it made follows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Final
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.acts import DoneBefore
from tracker.browse import entry_of, last_entry
from tracker.desk.doubts import Done, doubt
from tracker.desk.voiding import undo
from tracker.errors import Refused
from tracker.web.bench import ActMessage, Bench
from tracker.web.inputs import key_of, scanned_into, text_of
from tracker.web.render import own_path, page, there
from tracker.web.visitors import Form, Here, Writer, anyone

_BEFORE = "It was stored before; nothing was stored twice."


def is_sure(form: FormData) -> bool:
    """Return whether the person answered yes to what was asked about."""
    return form.get("sure") == "1"


def check_no_scan(bench: Bench, form: FormData) -> None:
    """Ask about a form into whose text a label was scanned.

    Raises:
        Doubt: A field that takes no ID ends in the text of a label of this book.
    """
    field, ident = scanned_into(form, bench.book.code)
    if field:
        doubt(
            f"The label of {ident} was scanned into the field {field.removeprefix('r-').replace('_', ' ')!r}",
            why="the cursor was there",
            sure=is_sure(form),
        )


def acted(
    request: Request,
    bench: Bench,
    form: FormData,
    where: str | Callable[[str], str],
    act: Callable[[], Done],
    again: Callable[[Refused], Response],
) -> Response:
    """Do an act once under its form's key, and go where it can be seen; refused, show ``again``.

    Args:
        request: What it answers.
        bench: The running page.
        form: What was sent.
        where: ID of the record whose page follows, or what makes a path of the ID or name that was made.
        act: Does it on ``bench.book``.
        again: Makes the page on which a refused form stands again.
    """
    key = key_of(form, request.url.path)
    try:
        check_no_scan(bench, form)
        done = done_once(bench, key, act)
    except Refused as refusal:
        return again(refusal)
    path = where(done.id) if callable(where) else f"/{quote(where)}"
    return there(followed(request, bench, form, path, *(done.notes or ["Stored."])))


def followed(request: Request, bench: Bench, form: FormData, path: str, *notes: str) -> str:
    """Return the address of the page that follows an act, with what it shows of it.

    Args:
        request: What it answers.
        bench: The running page.
        form: What was sent.
        path: Of the page.
        notes: Sentences to show there.
    """
    visitor = anyone(request, bench)
    into, back = text_of(form, "into")[:60], text_of(form, "back")[:400]
    # A form at the rig goes back there. A label scanned while it was open: its page follows.
    if back.startswith("/rig?"):
        path = f"{back}&{urlencode({'of': into})}" if into else back
    elif into:
        path = f"/{quote(into)}"
    shown = {
        "done": bench.keep_words(
            ActMessage(notes, 0 if notes[:1] == (_BEFORE,) else last_entry(bench.book, visitor.who))
        ),
        # The key tells the browser which half-filled form it need not keep any longer.
        "key": str(form.get("key") or "")[:60],
    }
    return f"{path}{'&' if '?' in path else '?'}{urlencode(shown)}"


def done_once(bench: Bench, key: str, act: Callable[[], Done]) -> Done:
    """Do an act under a key; a second time it is said that it was done."""
    try:
        bench.book.check_new(key)
        with bench.storing(key):
            return act()
    except DoneBefore as before:
        return Done(before.id, [_BEFORE])


UNDO_S: Final = 60
"""An act is undone by one press for so long; after that a correction with a reason is asked for."""

router = APIRouter()


@router.post("/undo")
def undone(request: Request, bench: Here, visitor: Writer, form: Form) -> Response:
    """Undo the act that was just done: a correction of its own, with the reason "slip"."""
    entry = text_of(form, "entry")
    where = own_path(text_of(form, "where"))
    try:
        done = undo_slip(bench, visitor.who, int(entry) if entry.isdecimal() else 0, sure=is_sure(form))
    except Refused as refusal:
        return page(
            request, bench, visitor, "refused", refusal=refusal, words="", sent=True, inputs=(), kept=()
        )
    kept = bench.keep_words(ActMessage(tuple(done)))
    return there(f"{where}{'&' if '?' in where else '?'}{urlencode({'done': kept})}")


def undo_slip(bench: Bench, who: str, entry: int, *, sure: bool) -> list[str]:
    """Undo an act of one's own that was done within the last minute; returns what is to be said.

    Raises:
        Refused: It is another's, or too long ago.
    """
    found = entry_of(bench.book, entry)
    late = bench.book.clock() - dt.timedelta(seconds=UNDO_S)
    if found is None or found.who != who or found.at < late:
        raise Refused(
            "That cannot be undone by one press any more", do="Correct it, or take it back with a reason"
        )
    done = undo(bench.book, who, bench.plugged, entry=entry, reason="slip", sure=sure)
    return done.notes or ["Undone."]
