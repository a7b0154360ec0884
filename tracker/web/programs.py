"""For programs: a rig's own computer posts measurements and reads the book back, with a token.

What is refused here is refused as on the pages, and in one shape: ``refused``, ``do``, ``fields``.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal, TypeVar

from fastapi import APIRouter, Depends, FastAPI, Path, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.responses import JSONResponse, Response

from tracker.api import ReadingsError, Recording, fields, schema
from tracker.day import day_board
from tracker.desk.devices import Known, device_of, posted_key
from tracker.desk.measuring import Measured, measure
from tracker.errors import Doubt, Refused
from tracker.kinds import card_of, find, ident_of, listed_after
from tracker.stating import state_row
from tracker.trace import trace
from tracker.web.bench import Bench
from tracker.web.refusals import NotAllowedError, NotPairedError, TooLargeError
from tracker.web.uploads import MOST_TEXT, check_unpacked
from tracker.web.visitors import Here, reader

_MOST_FILE = 30_000_000
_bearer = HTTPBearer(auto_error=False, description="The token that was shown when it was made.")
Token = Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)]
Id = Annotated[str, Path(max_length=400, description="An ID, or a label's text.", examples=["J0012-04-K"])]


class Refusal(BaseModel):
    """Why something was not done, and what to do instead."""

    refused: str = Field(description="What and why, one line for a person.")
    do: str = Field(description="What to change; may be empty.")
    fields: list[dict[str, str]] = Field(
        description="For each reading or part at fault: field, value, problem."
    )
    questions: list[str] = Field(
        default_factory=list,
        description="With 409: each thing that is asked about. Sent again with ``sure`` it is stored.",
    )


class File(BaseModel):
    """A recording that belongs to a reading: a curve, a sound, a log."""

    model_config = ConfigDict(extra="forbid")
    name: str = Field(max_length=200, description="File name with its ending.", examples=["pull.csv"])
    text: str | None = Field(None, max_length=_MOST_FILE, description="Its text; or else:")
    base64: str | None = Field(None, max_length=_MOST_FILE, description="its bytes in Base64.")


class Post(BaseModel):
    """A measurement as a rig's computer sends it."""

    model_config = ConfigDict(extra="forbid")
    specimen: str = Field(max_length=400, description="ID or label text of the specimen or spool.")
    method: str = Field(max_length=100, description="Id of the method.", examples=["tensile"])
    readings: dict[str, Any] = Field(
        default_factory=dict,
        description="By field: numbers in the field's unit, texts such as '5 kg', lists.",
    )
    files: dict[str, File] = Field(default_factory=dict, max_length=20, description="Recordings by field.")
    rigs: list[Annotated[str, Field(max_length=100)]] = Field(
        default_factory=list, max_length=20, description="IDs; the token's own rig where empty."
    )
    at: str | None = Field(None, max_length=60, description="When, RFC 3339; else now.")
    operator: str | None = Field(None, max_length=100)
    room_c: float | None = None
    room_rh_pct: float | None = None
    remark: str | None = Field(None, max_length=2000)
    key: str | None = Field(
        None, min_length=1, max_length=100,
        description="Made by the sender for each measurement. Sent again as it was, it is stored once and"
        " answered with 200; another measurement under the same key is refused with 409. Keys of other tokens"
        " are others.",
    )  # fmt: skip
    incomplete: bool = Field(False, description="Readings that give no result yet are kept.")
    sure: bool = Field(
        False,
        description="Assume yes to what would be asked: a failed or used-up specimen, an unusual value.",
    )


class ResultOut(BaseModel):
    """One quantity of a measurement."""

    quantity: str
    value: float | None
    unit: str
    uncertainty: float | None
    dof: float | None
    expanded_uncertainty: float | None
    k: float | None
    coverage: float | None
    low: float | None
    high: float | None
    relation: str
    stated: str
    group: str | None
    remarks: list[str]
    refused: str


class MeasuredOut(BaseModel):
    """A measurement that was stored, with what it gave."""

    id: str
    specimen: str
    method: str
    version: str
    results: list[ResultOut]
    notes: list[str]
    problem: str | None


REFUSALS: dict[int | str, dict[str, Any]] = {
    status: {"model": Refusal} for status in (400, 401, 403, 404, 409, 413, 422)
}
router = APIRouter(responses=REFUSALS)


def as_json(refusal: Refused) -> dict[str, Any]:
    """Return a refusal as programs read it."""
    found = (
        [{"field": each.field, "value": each.value, "problem": each.problem} for each in refusal.errors]
        if isinstance(refusal, ReadingsError)
        else []
    )
    questions = {"questions": list(refusal.questions)} if isinstance(refusal, Doubt) else {}
    return {"refused": str(refusal), "do": refusal.do, "fields": found, **questions}


WARNING: Final = "Strandbook-Warning"
"""Header of an answer that reads the book while its attachments are away; an array has no other place."""

_AWAY: Final = "attachments are away; nothing is stored until they are there"
"""Without the name of the folder, which stands on the pages of those who read them."""


def asking(request: Request, bench: Here, token: Token, response: Response) -> Known | None:
    """Let in whoever has a token, and who may read the pages; say in a header where attachments are away.

    Raises:
        NotPairedError: Neither a token that holds, nor a paired browser.
    """
    if token is None:
        device = reader(request, bench).device
    else:
        device = device_of(bench.book, token.credentials)
        if device is None:
            raise NotPairedError("That token lets nobody in", do="Make one on the page of devices")
    if bench.away():
        response.headers[WARNING] = _AWAY
    return device


Asking = Annotated[Known | None, Depends(asking)]


def rig_of(bench: Here, token: Token) -> Known:
    """Let in whoever writes: only with a token.

    A browser's cookie does not do: somebody else's page might make the browser send it.

    Raises:
        NotPairedError: There is no token that holds.
        NotAllowedError: It may only read.
    """
    device = None if token is None else device_of(bench.book, token.credentials)
    if device is None:
        raise NotPairedError("A token is needed to post", do="Make one on the page of devices")
    if device.read_only or bench.serving.read_only:
        raise NotAllowedError("This device is read-only")
    bench.seen.note(device.number, bench.book.clock())
    return device


Rig = Annotated[Known, Depends(rig_of)]


def described(model: type[BaseModel]) -> dict[str, Any]:
    """Return a model's JSON schema in one piece: what it refers to stands where it is referred to."""
    schema = model.model_json_schema()
    parts = schema.pop("$defs", {})

    def whole(node: Any) -> Any:
        if isinstance(node, dict):
            if "$ref" in node:
                return whole(parts[str(node["$ref"]).rpartition("/")[2]])
            return {key: whole(value) for key, value in node.items()}
        return [whole(each) for each in node] if isinstance(node, list) else node

    described: dict[str, Any] = whole(schema)
    return described


async def _posted(request: Request, rig: Rig) -> Post:
    """Read what a program sends; only then, when its token was found to hold: a stranger's is not read.

    Raises:
        RequestValidationError: It is not what is described.
    """
    del rig
    return read_body(Post, await request.body())


Model = TypeVar("Model", bound=BaseModel)


# To the end where a text is never closed: looked for again behind each of its quotes it would take hours.
_TEXT: Final = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+(?:"|\Z)', re.DOTALL)
_MOST_PARTS: Final = 100_000


def read_body(model: type[Model], body: bytes) -> Model:
    """Return what a program sent, held to its description.

    Raises:
        RequestValidationError: It is not what is described.
    """
    # Outside texts, which are recordings: a list in a list takes twenty times its bytes in memory.
    parts = _TEXT.sub(b"", body)
    if sum(map(parts.count, (b"[", b"{", b","))) > _MOST_PARTS:
        wrong = {"loc": ("body",), "msg": f"more than {_MOST_PARTS} values; send a series as a recording"}
        raise RequestValidationError([wrong])
    try:
        return model.model_validate_json(body)
    except ValidationError as error:
        found = [
            {**each, "loc": ("body", *each["loc"])}
            for each in error.errors(include_url=False, include_context=False)
        ]
        raise RequestValidationError(found) from error


@router.post(
    "/api/measurements", status_code=201, tags=["measurements"], response_model=MeasuredOut,
    responses={200: {"model": MeasuredOut, "description": "It was stored before."}},
    openapi_extra={
        "requestBody": {"required": True, "content": {"application/json": {"schema": described(Post)}}}
    },
)  # fmt: skip
async def post_measurement(
    bench: Here, rig: Rig, post: Annotated[Post, Depends(_posted)], response: Response
) -> MeasuredOut:
    """Store a measurement, and answer with its results and their uncertainty."""
    act = await run_in_threadpool(_stored, bench, rig, post)
    response.status_code = 200 if act.again else 201
    return measured_out(act)


def _stored(bench: Bench, rig: Known, post: Post) -> Measured:
    about = {"at": post.at, "operator": post.operator, "room_c": post.room_c,
             "room_rh_pct": post.room_rh_pct, "remark": post.remark}  # fmt: skip
    long = next(
        (name for name, each in post.readings.items() if isinstance(each, str) and len(each) > MOST_TEXT),
        None,
    )
    if long is not None:
        raise TooLargeError(f"{long[:60]}: the text is too long", do="Send it as a file")
    key = None if post.key is None else posted_key(f"device {rig.number}", post.key, _content(post))
    return measure(
        bench.book, rig.name, bench.plugged, post.specimen, post.method, post.readings,
        files=_recordings(bench, post), rigs=post.rigs or ([rig.rig] if rig.rig else []),
        about=about, source="posted", key=key, incomplete=post.incomplete,
        sure=post.sure,
    )  # fmt: skip


def _content(post: Post) -> bytes:
    """Return what is sent in one canonical form; being sure of it makes it no other measurement."""
    return json.dumps(post.model_dump(exclude={"key", "sure", "incomplete"}), sort_keys=True).encode()


def _recordings(bench: Bench, post: Post) -> dict[str, Recording]:
    taken = {each.name for each in fields(bench.plugged.method(post.method).Readings) if each.kind == "file"}
    strangers = sorted(set(post.files) - taken)
    if strangers:
        raise Refused(
            f"{post.method} has no file {strangers[0]!r}", do=f"It has {', '.join(sorted(taken)) or 'none'}"
        )
    found = {name: Recording(each.name, file_bytes(name, each)) for name, each in post.files.items()}
    for each in found.values():
        check_unpacked(each.name, each.data)
    return found


def file_bytes(name: str, file: File) -> bytes:
    """Return the bytes of a file that a program sent.

    Raises:
        Refused: It has no content, two, or none that is Base64.
    """
    if (file.text is None) == (file.base64 is None):
        raise Refused(f"File {name} has no content, or two", do="Give text or base64")
    try:
        return (
            file.text.encode()
            if file.text is not None
            else base64.b64decode(file.base64 or "", validate=True)
        )
    except (binascii.Error, UnicodeEncodeError, ValueError) as error:
        raise Refused(f"File {name} cannot be read", why=str(error)) from error


def measured_out(act: Measured) -> MeasuredOut:
    """Return a measurement as programs read it."""
    results = [
        ResultOut(
            quantity=each.quantity, **state_row(each).data(),
            group=each.group or None, remarks=list(each.remarks), refused=each.refused,
        )
        for each in act.results
    ]  # fmt: skip
    return MeasuredOut(
        id=act.id, specimen=act.subject, method=act.method, version=act.version, results=results,
        notes=act.notes, problem=act.problem,
    )  # fmt: skip


class Offered(BaseModel):
    """A recording that a rig has just finished: it waits at the rig's page for its specimen."""

    model_config = ConfigDict(extra="forbid")
    file: File
    rig: str | None = Field(None, max_length=100, description="ID; the token's own rig where empty.")


class OfferOut(BaseModel):
    """A recording that was taken in, to be offered."""

    number: int
    rig: str


@router.post(
    "/api/recordings", status_code=202, tags=["measurements"], response_model=OfferOut,
    openapi_extra={
        "requestBody": {"required": True, "content": {"application/json": {"schema": described(Offered)}}}
    },
)  # fmt: skip
async def offer_recording(request: Request, bench: Here, rig: Rig) -> OfferOut:
    """Offer a recording to the specimen that is scanned at the rig; nothing is stored by it."""
    sent = read_body(Offered, await request.body())
    of = sent.rig or rig.rig
    if not of:
        raise Refused(
            "It is not known of which rig it is", do="Name the rig, or use the token of its computer"
        )
    data = file_bytes("file", sent.file)
    check_unpacked(sent.file.name, data)
    offer = bench.offers.put(await run_in_threadpool(_rig_of_book, bench, of), sent.file.name, data)
    return OfferOut(number=offer.number, rig=of)


def _rig_of_book(bench: Bench, name: str) -> str:
    with bench.book.read() as session:
        return str(ident_of(find(bench.book, session, name, "rig")))


@router.get("/api/today", tags=["records"])
def today(bench: Here, asker: Asking) -> dict[str, Any]:
    """Give the day board: what runs, what waits, what is due, what was measured."""
    del asker
    return day_board(bench.book, bench.plugged).as_json()


@router.get("/api/methods", tags=["methods"])
def methods(bench: Here, asker: Asking) -> list[dict[str, Any]]:
    """List the methods, each with the JSON schema of its readings and the files it takes."""
    del asker
    return [
        {
            "id": each.method.id, "title": each.method.title, "version": each.method.version,
            "subject": each.method.subject, "cautions": list(each.method.cautions),
            "readings": schema(each.method),
            "files": [field.name for field in fields(each.method.Readings) if field.kind == "file"],
            "quantities": [{"name": q.name, "unit": q.unit} for q in each.method.quantities],
        }
        for each in bench.plugged.methods.values()
    ]  # fmt: skip


Kind = Literal["materials", "spools", "dryings", "jobs", "specimens", "rigs", "measurements", "results"]


@router.get("/api/list/{kind}", tags=["records"])
def list_kind(
    request: Request,
    response: Response,
    bench: Here,
    asker: Asking,
    kind: Kind,
    after: Annotated[
        int, Query(ge=0, le=2**53, description="As the link to the next part has it; 0 for the first part.")
    ] = 0,
    most: Annotated[int, Query(ge=1, le=10_000, description="Give at most so many.")] = 1000,
) -> list[dict[str, Any]]:
    """List records of a kind, oldest first; where there are more, a Link header (RFC 8288) leads to them."""
    del asker
    with bench.book.connect() as connection:
        rows, last = listed_after(connection, kind, after, most)
    if last is not None:
        response.headers["Link"] = f'<{request.url.path}?after={last}&most={most}>; rel="next"'
    return rows


@router.get("/api/show/{name}", tags=["records"])
def show(bench: Here, asker: Asking, name: Id) -> dict[str, Any]:
    """Show one record."""
    del asker
    with bench.book.read() as session:
        data: Mapping[str, Any] = card_of(session, find(bench.book, session, name), bench.book.zone).data
    return dict(data)


@router.get("/api/trace/{name}", tags=["records"])
def trace_id(
    bench: Here,
    asker: Asking,
    name: Id,
    of: Annotated[str | None, Query(max_length=200)] = None,
) -> dict[str, Any]:
    """Walk back from a result, measurement, specimen or job."""
    del asker
    return trace(bench.book, name, of).as_json()


@router.get("/openapi.json", include_in_schema=False)
def document(request: Request, asker: Asking) -> Response:
    """Describe all this for programs; a device that was not let in reads not even that."""
    del asker
    app: FastAPI = request.app
    return JSONResponse(app.openapi())
