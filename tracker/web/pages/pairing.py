"""Letting devices in, and out again."""

from __future__ import annotations

import io
from typing import Annotated

import qrcode
import qrcode.image.svg
from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from tracker.book import DoneBefore
from tracker.desk.devices import end_device, pair_device, paired
from tracker.errors import Refused
from tracker.records import listed
from tracker.web.bench import Bench
from tracker.web.inputs import key_of
from tracker.web.refusals import status_of
from tracker.web.render import page, picture, there
from tracker.web.visitors import (
    Anyone,
    Form,
    Here,
    NotAllowedError,
    Reader,
    Visitor,
    Writer,
    check_form,
    keep_session,
)

router = APIRouter()


@router.get("/pair")
def ask_code(
    request: Request,
    bench: Here,
    visitor: Anyone,
    code: Annotated[str, Query(max_length=20)] = "",
    following: Annotated[str, Query(alias="next", max_length=500)] = "/",
) -> Response:
    """Ask a device for the code and its name."""
    return _asked(request, bench, visitor, code, following)


def _asked(
    request: Request,
    bench: Bench,
    visitor: Visitor,
    code: str,
    following: str,
    status: int = 200,
    problem: str = "",
) -> Response:
    return page(
        request, bench, visitor, "pair", status=status, code=code, following=_ours(following), problem=problem
    )


def _ours(path: str) -> str:
    """Return a path of this page; anything else becomes the first page."""
    plain = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if plain else "/"


@router.post("/pair")
def pair(request: Request, bench: Here, visitor: Anyone, form: Form) -> Response:
    """Let a device in that knows the code."""
    check_form(visitor, form)
    code, name, following = (str(form.get(field) or "") for field in ("code", "name", "next"))
    try:
        _check_name(name)
        bench.code.use(code, request.client.host if request.client else "")
        _, secret = pair_device(bench.book, bench.serving.who, name, read_only=bench.serving.read_only)
    except Refused as refusal:
        return _asked(request, bench, visitor, "", following, status_of(refusal), str(refusal))
    answer = there(_ours(following))
    keep_session(bench, request, answer, sid=visitor.sid, secret=secret)
    return answer


def _check_name(name: str) -> None:
    """Refuse an empty name before the code is used up by it."""
    if not name.strip():
        raise Refused("The device has no name", do="Give it one: the journal will say it")


@router.get("/devices")
def devices(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show the devices that are let in, and how to let in another."""
    return _listed(request, bench, visitor)


def _listed(request: Request, bench: Bench, visitor: Visitor, token: str = "") -> Response:
    with bench.book.connect() as connection:
        rigs = list(listed(connection, "rigs"))
    may_show = visitor.writes and bench.serving.shared
    return page(
        request, bench, visitor, "devices",
        devices=paired(bench.book), rigs=rigs, token=token, address=bench.serving.address,
        code=bench.code.current() if may_show else "",
    )  # fmt: skip


@router.get("/devices/code.svg")
def code_picture(request: Request, bench: Here, visitor: Reader) -> Response:
    """Draw the code for another device's camera."""
    if not (visitor.writes and bench.serving.shared):
        raise NotAllowedError("This device shows no pairing code")
    return picture(request, pairing_svg(pairing_url(bench.serving.address, bench.code.current())))


def pairing_url(address: str, code: str) -> str:
    """Return the address that a device is paired at, in the letters that make a small code."""
    return f"HTTP://{address}/PAIR?CODE={code}".upper()


def pairing_svg(url: str) -> bytes:
    """Return a QR code as SVG."""
    drawn = io.BytesIO()
    qrcode.make(url, image_factory=qrcode.image.svg.SvgPathFillImage, box_size=14, border=4).save(drawn)
    return drawn.getvalue()


@router.get("/PAIR", include_in_schema=False)
def from_picture(code: Annotated[str, Query(alias="CODE", max_length=20)] = "") -> Response:
    """Take what the picture says, which knows upper case only."""
    plain = "".join(c for c in code if c.isascii() and c.isalnum())
    return there(f"/pair?code={plain}")


@router.post("/devices/token")
def give_token(request: Request, bench: Here, visitor: Writer, form: Form) -> Response:
    """Make the token of a rig's computer; it is shown this once."""
    name, rig = str(form.get("name") or ""), str(form.get("rig") or "")
    try:
        with bench.storing(key_of(form, request.url.path)):
            _, secret = pair_device(bench.book, visitor.who, name, rig=rig)
    except DoneBefore:
        # Kept nowhere, it cannot be shown again; whoever did not see it makes another.
        return _listed(request, bench, visitor)
    return _listed(request, bench, visitor, secret)


@router.post("/devices/{number}/end")
def shut_out(bench: Here, visitor: Writer, number: int) -> Response:
    """Shut a device out."""
    end_device(bench.book, visitor.who, number)
    return there("/devices")
