"""The manual on the page: one task at the bench each, and where it speaks of something."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Annotated, Final

from fastapi import APIRouter, Path, Query, Request
from markupsafe import Markup
from starlette.responses import Response

from tracker import manual
from tracker.lazy_modules import lazy
from tracker.manual import search, topic, topics
from tracker.web.render import page, picture
from tracker.web.visitors import Here, Reader

if TYPE_CHECKING:
    import markdown_it
else:
    markdown_it = lazy("markdown_it")

router = APIRouter()


@router.get("/help")
def contents(
    request: Request, bench: Here, visitor: Reader, words: Annotated[str, Query(max_length=100)] = ""
) -> Response:
    """Show the pages of the manual, and the lines in which some words stand."""
    found = list(search(words, bench.reference))[:_FOUND] if words.strip() else []
    return page(
        request, bench, visitor, "help", topics=topics(), words=words, found=found, text="", title="Help"
    )


_FOUND: Final = 60


@router.get("/help/{name}")
def opened(
    request: Request, bench: Here, visitor: Reader, name: Annotated[str, Path(max_length=60)]
) -> Response:
    """Show a page of the manual."""
    chosen = bench.reference if name == "reference" else topic(name)
    return page(
        request, bench, visitor, "help", topics=topics(), words="", found=(), title=chosen.title,
        text=_drawn(chosen.text.partition("\n")[2]),
    )  # fmt: skip


@router.get("/help/pictures/{name}")
def shown(
    request: Request, bench: Here, visitor: Reader, name: Annotated[str, Path(max_length=60)]
) -> Response:
    """Show a picture of the manual."""
    del bench, visitor
    return picture(request, manual.picture(name), "image/png")


@cache
def _drawn(text: str) -> Markup:
    """Return a page of ours as HTML; markup in it is shown as text all the same."""
    return Markup(markdown_it.MarkdownIt("commonmark", {"html": False}).enable("table").render(text))  # noqa: S704 - made from a page of our own, with raw markup switched off
