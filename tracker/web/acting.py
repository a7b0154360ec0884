"""A form that writes: its act is done once, and the page of what it made follows."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import quote, urlencode

from fastapi import Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.book import DoneBefore
from tracker.desk.doubts import Done, doubt
from tracker.errors import Refused
from tracker.web.bench import Bench
from tracker.web.inputs import key_of, scanned_into
from tracker.web.render import there

_BEFORE = "It was stored before; nothing was stored twice."


def meant(form: FormData) -> bool:
    """Return whether the person said that what was asked about is meant."""
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
            sure=meant(form),
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
        done = _once(bench, key, act)
    except Refused as refusal:
        return again(refusal)
    path = where(done.id) if callable(where) else f"/{quote(where)}"
    return there(followed(bench, form, path, *(done.says or ["Stored."])))


def followed(bench: Bench, form: FormData, path: str, *says: str) -> str:
    """Return the address of the page that follows an act, with what it shows of it.

    Args:
        bench: The running page.
        form: What was sent.
        path: Of the page.
        says: Sentences to show there.
    """
    into = form.get("into")
    # A label scanned while the form was open: its page follows, with the word that this was stored.
    if isinstance(into, str) and into:
        path = f"/{quote(into[:60])}"
    shown = {
        "done": bench.keep_words(*says),
        # The key tells the browser which half-filled form it need not keep any longer.
        "key": str(form.get("key") or "")[:60],
    }
    return f"{path}{'&' if '?' in path else '?'}{urlencode(shown)}"


def _once(bench: Bench, key: str, act: Callable[[], Done]) -> Done:
    try:
        bench.book.check_new(key)
        with bench.storing(key):
            return act()
    except DoneBefore as before:
        return Done(before.id, [_BEFORE])
