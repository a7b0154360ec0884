"""A new job from a page: its plate file looked at and checked before it is entered, or pieces typed."""

from __future__ import annotations

import re
from base64 import b64encode
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from tracker.desk.doubts import Done
from tracker.desk.jobplates import PieceWanted, PlateFile, read_job_plate
from tracker.desk.jobs import add_job
from tracker.desk.photographs import picture_kind
from tracker.errors import Refused
from tracker.forms import FormError, when_at
from tracker.kinds.job import MEASURED_FORM, SET_FORM
from tracker.lazy_modules import lazy
from tracker.orientation import NOTATIONS, checked_letters
from tracker.web.acting import acted, is_sure
from tracker.web.bench import Bench
from tracker.web.inputs import MOST_CHOICES, asked, offered, text_of, typed_asks
from tracker.web.platemap import Mini, PlateMap, mini_of, plate_map
from tracker.web.refusals import UploadError, plainly
from tracker.web.render import page
from tracker.web.uploads import MOST_RECORDING, bytes_of, sent_file
from tracker.web.visitors import Form, Here, Keeper, Reader, Visitor

if TYPE_CHECKING:
    from tracker import platefile
    from tracker import preflight as _preflight
    from tracker.desk import platemaps, plates
    from tracker.desk.plates import PlatePiece, PlateRead
    from tracker.platefile import PlateObject
else:
    platemaps = lazy("tracker.desk.platemaps")
    _preflight = lazy("tracker.preflight")
    plates = lazy("tracker.desk.plates")
    platefile = lazy("tracker.platefile")

router = APIRouter()

_FORM: Final = (*SET_FORM, *MEASURED_FORM)
_SPOOLS: Final = ("spool", "spool2", "spool3")
_ROWS: Final = 5


@dataclass(frozen=True)
class Looked:
    """A plate that was looked at.

    Attributes:
        plate: The file.
        held: Word by which its sender finds it again.
        read: What was read; None where it is the file of the job that is repeated, or has to be chosen.
        choices: The plates of a container of several, of which none is chosen yet.
    """

    plate: PlateFile
    held: str
    read: PlateRead | None
    choices: list[Offered] = field(default_factory=list)


@dataclass(frozen=True)
class Offered:
    """One plate of a container: its number, what is on it, its own picture as a data address, and its map."""

    number: int
    words: str
    picture: str
    map: Mini | None


@router.get("/new/job")
def ask(
    request: Request, bench: Here, visitor: Reader,
    again: Annotated[str, Query(max_length=40)] = "", spool: Annotated[str, Query(max_length=40)] = "",
) -> Response:  # fmt: skip
    """Show the form of a job; ``again`` names the one of which it is another attempt."""
    return _asked(request, bench, visitor, FormData({"again": again, "spool": spool}))


@router.post("/new/job")
def sent(request: Request, bench: Here, visitor: Keeper, form: Form) -> Response:
    """Look at a plate, check it before the print, or enter the job."""
    # Only what is entered is asked about; the button that answers the question names no step.
    if form.get("step") == "keep" or is_sure(form):
        return acted(
            request, bench, form, lambda name: f"/{quote(name)}",
            lambda: _keep(bench, visitor, form),
            lambda refusal: _asked(request, bench, visitor, form, refusal=refusal),
        )  # fmt: skip
    try:
        looked = _look(bench, visitor, form)
        if looked is None:
            raise FormError("No plate file was chosen", do="Choose it; or name specimens and enter the job")
        check = form.get("step") == "check" and not looked.choices
        report = _check(bench, form, looked.plate) if check else None
    except Refused as refusal:
        return _asked(request, bench, visitor, form, refusal=refusal)
    return _asked(request, bench, visitor, form, looked=looked, report=report)


def _look(bench: Bench, visitor: Visitor, form: FormData) -> Looked | None:
    """Read the plate that was sent, or the one that is held since it was looked at; None for neither."""
    file = sent_file(form, "plate")
    if file is not None:
        file.file.seek(0)
        data = bytes_of(file, MOST_RECORDING)
        if not data:
            raise UploadError("The plate file is empty", do="Send it again from the slicer")
        name = (file.filename or "plate").replace("\\", "/").rsplit("/", maxsplit=1)[-1][:120]
        # A number that was chosen is that of a plate in the file before.
        plate = PlateFile(name, data, _read_as(form, chosen=False))
        held = bench.held.put(plate.name, data, visitor.sid)
    elif held := text_of(form, "held"):
        found = bench.held.get(held, visitor.sid)
        if found is None:
            raise FormError(
                "The plate file is not here any more",
                why="it waits for an hour, and not over a restart",
                do="Choose it again",
            )
        plate = PlateFile(found.name, found.data, _read_as(form))
    else:
        return None
    choices = [] if "plate" in plate.read_as else _choices(plate)
    if choices:
        return Looked(plate, held, None, choices)
    read = read_job_plate(
        bench.book, plate, spools=_spools(form), material=text_of(form, "material") or None,
        again=text_of(form, "again") or None,
    )  # fmt: skip
    return Looked(plate, held, read)


def _read_as(form: FormData, *, chosen: bool = True) -> dict[str, Any]:
    """Return how the plate is to be read, as far as the form says."""
    number = text_of(form, "of") if chosen else ""
    found: dict[str, Any] = {"plate": int(number)} if re.fullmatch(r"[0-9]{1,6}", number) else {}
    return found | {name: True for name in ("separate", "g90_sets_e") if name in form}


def _choices(plate: PlateFile) -> list[Offered]:
    return [
        Offered(
            each.number, each.words, _data_address(each.picture),
            mini_of(each.read.plate.objects) if each.read is not None else None,
        )
        for each in platemaps.choices_in(plate)
    ]  # fmt: skip


def _data_address(picture: bytes | None) -> str:
    if picture is None or not picture_kind(picture):
        return ""
    return f"data:{picture_kind(picture)};base64,{b64encode(picture).decode()}"


def _check(bench: Bench, form: FormData, plate: PlateFile) -> Any:
    spools = _spools(form)
    if not spools:
        raise FormError("A check needs the spool it will be printed from", do="Choose it")
    # A job and never a path: the name of a plan from the network would be a file of this computer.
    again = text_of(form, "again")
    return _preflight.preflight(bench.book, plate, spools, None if again.endswith(".toml") else again or None)


def _keep(bench: Bench, visitor: Visitor, form: FormData) -> Done:
    looked = _look(bench, visitor, form)
    if looked is not None and looked.choices:
        raise FormError("The file holds several plates", do="Choose the one that is printed, and look at it")
    read = looked.read if looked is not None else None
    # Pieces in the form are those of a plate that was looked at; one chosen since then has its own.
    if read is not None and sent_file(form, "plate") is None:
        plates.settle(read, _typed_pieces(form))
    return add_job(
        bench.book, visitor.who, typed_asks(form, _FORM), spools=_spools(form),
        material=text_of(form, "material") or None, plate=looked.plate if looked is not None else None,
        pieces=_wanted(form) if read is None else (), again=text_of(form, "again") or None, read=read,
        sure=is_sure(form),
    )  # fmt: skip


def _typed_pieces(form: FormData) -> list[Any]:
    found: list[Any] = []
    while (geometry := form.get(f"g{len(found) + 1}")) is not None:
        n = len(found) + 1
        found.append(
            plates.PieceInput(text_of(form, f"n{n}"), text_of(form, f"o{n}"), str(geometry), f"d{n}" in form)
        )
    return found


def _wanted(form: FormData) -> list[PieceWanted]:
    """Return the pieces that were named by hand; rows without a name are left out."""
    found = []
    for n in range(1, _rows(form) + 1):
        name, letters, count = (text_of(form, f"{what}{n}").strip() for what in ("name", "lay", "count"))
        if name:
            if count and not re.fullmatch(r"[1-9][0-9]{0,2}", count):
                raise FormError(f"{count} is no number of pieces", do="Give a whole number")
            found.append(PieceWanted(name, checked_letters(letters) if letters else None, int(count or 1)))
    return found


def _rows(form: FormData) -> int:
    return _ROWS * (4 if text_of(form, "rows") == "more" or f"name{_ROWS + 1}" in form else 1)


def _spools(form: FormData) -> list[str]:
    return [text for name in _SPOOLS if (text := text_of(form, name))]


def _asked(
    request: Request, bench: Bench, visitor: Visitor, form: FormData,
    looked: Looked | None = None, report: Any = None, refusal: Refused | None = None,
) -> Response:  # fmt: skip
    _, problems = plainly(refusal)
    if refusal is not None and looked is None:
        looked = _still_held(bench, visitor, form)
    read = looked.read if looked is not None else None
    answers = typed_asks(form, _FORM)
    if read is not None:
        answers = _commanded(read) | {name: text for name, text in answers.items() if text.strip()}
    return page(
        request, bench, visitor, "job", refusal=refusal,
        form={name: value for name, value in form.items() if isinstance(value, str)},
        inputs=asked(_FORM, when_at(bench.book), answers, problems), offered=offered(bench),
        most_choices=MOST_CHOICES,
        looked=looked, pieces=_shown(read, form), map=_map(read), templates=_templates() if read else (),
        letters=sorted(NOTATIONS), rows=_rows(form), report=report, key=text_of(form, "key"),
    )  # fmt: skip


def _still_held(bench: Bench, visitor: Visitor, form: FormData) -> Looked | None:
    """Return the plate of a refused form, so that it need not be chosen again; None where it is the fault."""
    try:
        return _look(bench, visitor, form)
    except Refused:
        return None


def _commanded(read: PlateRead) -> dict[str, str]:
    """Return what the plate commands, as it could be typed."""
    names = {each.name for each in _FORM}
    columns = plates.job_columns(read.plate).items()
    return {name: f"{value:g}" for name, value in columns if name in names and value is not None}


def _shown(read: PlateRead | None, form: FormData) -> list[dict[str, Any]]:
    """Return the pieces as they are in the form: as a person left them, else as they were derived."""
    if read is None:
        return []
    typed = _typed_pieces(form) if sent_file(form, "plate") is None else []
    pairs: list[Any] = typed if len(typed) == len(read.pieces) else list(read.pieces)
    return [
        {"name": each.name, "orientation": each.orientation, "geometry": each.geometry,
         "dummy": each.dummy, "words": piece.words}
        for piece, each in zip(read.pieces, pairs, strict=True)
    ]  # fmt: skip


def _map(read: PlateRead | None) -> PlateMap | None:
    if read is None:
        return None
    # By number: two pieces may share a name before they have IDs.
    pieces = {str(number): each for number, each in enumerate(read.pieces, 1)}
    return plate_map(
        [_spot(number, each) for number, each in pieces.items()],
        things={number: _with_gauge(each) for number, each in pieces.items()}, bed=read.plate.bed_mm,
    )  # fmt: skip


def _spot(number: str, piece: PlatePiece) -> dict[str, Any]:
    return {"id": number, "name": piece.name, "outcome": None, "box_mm": piece.thing.box_mm,
            "orientation": piece.orientation}  # fmt: skip


def _with_gauge(piece: PlatePiece) -> PlateObject:
    return replace(piece.thing, gauge_mm=plates.gauge_corners(piece))


def _templates() -> list[str]:
    return [each.id for each in platefile.pieces()]
