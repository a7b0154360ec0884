"""Devices: paired by a code, given a role, removed one by one; tokens for the computers of rigs."""

from __future__ import annotations

import io
from typing import Annotated

import qrcode
import qrcode.image.svg
from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from tracker.acts import DoneBefore
from tracker.desk.devices import ROLES, Role, end_device, pair_device, paired
from tracker.errors import Refused
from tracker.kinds import listed
from tracker.web.acting import followed
from tracker.web.bench import Bench
from tracker.web.inputs import key_of, text_of
from tracker.web.refusals import NotAllowedError
from tracker.web.render import own_path, page, picture, there
from tracker.web.visitors import Anyone, Form, Here, Keeper, Reader, Visitor, check_form, keep_session

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
    request: Request, bench: Bench, visitor: Visitor, code: str, following: str,
    refusal: Refused | None = None,
) -> Response:  # fmt: skip
    return page(request, bench, visitor, "pair", refusal=refusal, code=code, following=own_path(following))


@router.post("/pair")
def pair(request: Request, bench: Here, visitor: Anyone, form: Form) -> Response:
    """Pair a device that knows the code."""
    check_form(visitor, form)
    code, name, following = (text_of(form, field) for field in ("code", "name", "next"))
    try:
        _check_name(name)
        role = bench.codes.use(code, request.client.host if request.client else "")
        _, secret = pair_device(bench.book, bench.serving.who, name, role=role)
    except Refused as refusal:
        return _asked(request, bench, visitor, "", following, refusal)
    answer = there(own_path(following))
    keep_session(bench, request, answer, sid=visitor.sid, secret=secret)
    return answer


def _check_name(name: str) -> None:
    """Refuse an empty name before the code is used up by it."""
    if not name.strip():
        raise Refused("The device has no name", do="Give it one: the journal will say it")


@router.get("/devices")
def devices(request: Request, bench: Here, visitor: Reader, role: Role = "measures") -> Response:
    """Show the paired devices, and how to pair another."""
    return _listed(request, bench, visitor, role)


def _listed(
    request: Request, bench: Bench, visitor: Visitor, role: Role = "measures", token: str = "",
    refusal: Refused | None = None,
) -> Response:  # fmt: skip
    with bench.book.connect() as connection:
        rigs = list(listed(connection, "rigs"))
    return page(
        request, bench, visitor, "devices", refusal=refusal,
        devices=[(each, bench.seen.of(each.number)) for each in paired(bench.book)],
        rigs=rigs, token=token, address=bench.serving.address, roles=ROLES, role=role,
        fingerprint=bench.serving.fingerprint,
        pairing=bench.codes.current(role) if _may_pair(bench, visitor) else "",
    )  # fmt: skip


def _may_pair(bench: Bench, visitor: Visitor) -> bool:
    return visitor.keeps and bench.serving.shared


@router.get("/devices/code.svg")
def code_picture(request: Request, bench: Here, visitor: Reader, role: Role = "measures") -> Response:
    """Draw the code for another device's camera."""
    if not _may_pair(bench, visitor):
        raise NotAllowedError("This device shows no pairing code")
    url = pairing_url(bench.serving.address, bench.codes.current(role), secure=bench.serving.secure)
    return picture(request, pairing_svg(url))


def pairing_url(address: str, code: str, *, secure: bool = False) -> str:
    """Return the address that a device is paired at, in the letters that make a small code."""
    return f"HTTP{'S' if secure else ''}://{address}/PAIR?CODE={code}".upper()


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
def give_token(request: Request, bench: Here, visitor: Keeper, form: Form) -> Response:
    """Make the token of a rig's computer; it is shown this once."""
    role: Role = next((each for each in ROLES if each == text_of(form, "role")), "measures")
    try:
        with bench.storing(key_of(form, request.url.path)):
            _, secret = pair_device(
                bench.book, visitor.who, text_of(form, "name"), rig=text_of(form, "rig") or None, role=role
            )
    except DoneBefore:
        # Kept nowhere, it cannot be shown again; whoever did not see it makes another.
        return _listed(request, bench, visitor)
    except Refused as refusal:
        return _listed(request, bench, visitor, refusal=refusal)
    return _listed(request, bench, visitor, token=secret)


@router.post("/devices/{number}/end")
def remove(request: Request, bench: Here, visitor: Keeper, form: Form, number: int) -> Response:
    """Remove a device."""
    done = end_device(bench.book, visitor.who, number)
    return there(followed(request, bench, form, "/devices", f"{done.id} reads and writes no more."))
