"""A form that writes: its act is done once, and the page of what it made follows."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import quote, urlencode

from fastapi import Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.book import DoneBefore
from tracker.desk.doubts import Done
from tracker.errors import Refused
from tracker.web.bench import Bench
from tracker.web.inputs import key_of
from tracker.web.render import there

_BEFORE = "It was stored before; nothing was stored twice."


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
        done = _once(bench, key, act)
    except Refused as refusal:
        return again(refusal)
    path = where(done.id) if callable(where) else f"/{quote(where)}"
    # The key tells the browser which half-filled form it need not keep any longer.
    told = {
        "said": bench.keep_words(" ".join(done.says) or "Stored."),
        "key": str(form.get("key") or "")[:60],
    }
    return there(f"{path}{'&' if '?' in path else '?'}{urlencode(told)}")


def _once(bench: Bench, key: str, act: Callable[[], Done]) -> Done:
    try:
        bench.book.check_new(key)
        with bench.storing(key):
            return act()
    except DoneBefore as before:
        return Done(before.id, [_BEFORE])
