"""The book itself: verified with progress, backed up, published into a file; an old sheet brought in."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import APIRouter, Request
from fastapi import Path as PathPart
from starlette.datastructures import FormData
from starlette.responses import FileResponse, Response

from tracker.backup import backup
from tracker.desk.doubts import Done
from tracker.desk.importing import carry_out, counted, plan_import, plan_lines, read_map
from tracker.desk.measuring import recomputing
from tracker.errors import Refused
from tracker.progress import Progress
from tracker.publish import Choice, publish
from tracker.selection import parse_filter
from tracker.verify import verify
from tracker.web.acting import acted, is_sure
from tracker.web.bench import Bench, HeldFile
from tracker.web.inputs import text_of
from tracker.web.refusals import UploadError
from tracker.web.render import page, there
from tracker.web.tasks import Task
from tracker.web.uploads import MOST_RECORDING, bytes_of, plain_name, sent_file
from tracker.web.visitors import Form, Here, Keeper, Reader, Visitor

router = APIRouter()

LEAVES: Final[Mapping[str, str]] = {
    "names": "names of people, who are pseudonyms otherwise",
    "notes": "notes",
    "headers": "comments at the head of recordings",
    "plates": "plate files and logs, whole",
}
"""What leaves only where it is ticked."""

_WAYS: Final = ("verify", "backup", "leaving", "publish")


@router.get("/care")
def care(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show how the book was kept last, and start a verification or a backup."""
    return _care(request, bench, visitor)


def _care(request: Request, bench: Bench, visitor: Visitor, refusal: Refused | None = None) -> Response:
    tasks = {way: bench.tasks.find((way, "now")) for way in _WAYS}
    answers = {way: _answer(task) for way, task in tasks.items()}
    return page(request, bench, visitor, "care", refusal=refusal, tasks=tasks, answers=answers, leaves=LEAVES,
                working=any(task is not None and not task.ready(0) for task in tasks.values()))  # fmt: skip


def _answer(task: Task | None) -> Any:
    """Return what a task gave, or the words why it gave nothing; None while it is at work."""
    if task is None or not task.ready(0):
        return None
    try:
        return task.answer()
    except Refused as refusal:
        return str(refusal)
    except Exception as error:  # noqa: BLE001 - shown to whoever asked, not to the log alone
        return f"It ended in an error: {type(error).__name__}"


@router.post("/care/verify")
def verified(bench: Here, visitor: Keeper) -> Response:
    """Begin to hold the book against its journal."""
    del visitor
    book, plugged = bench.book, bench.plugged

    def work(progress: Progress) -> Any:
        return verify(book, recomputing(book, plugged), progress)

    bench.tasks.renew(("verify", "now"), work)
    return there("/care")


@router.post("/care/backup")
def saved(bench: Here, visitor: Keeper) -> Response:
    """Begin to write the whole book into one file."""
    del visitor
    book = bench.book

    def work(progress: Progress) -> Path:
        folder = Path(tempfile.mkdtemp(prefix="strandbook-"))
        file = folder / f"{book.code}-{book.clock().astimezone(book.zone):%Y-%m-%d-%H%M}.strandbook"
        try:
            backup(book, file, progress)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return file

    _forget(bench, "backup")
    bench.tasks.renew(("backup", "now"), work)
    return there("/care")


@router.post("/care/publish")
def published(request: Request, bench: Here, visitor: Keeper, form: Form) -> Response:
    """Begin to write the summary as a site, packed into one file; or to list every text that would leave."""
    book, plugged = bench.book, bench.plugged
    choice = Choice(**{name: form.get(name) == "1" for name in LEAVES})
    dry = form.get("step") == "leaving"
    try:
        where = parse_filter(text_of(form, "where")) if text_of(form, "where").strip() else None
    except Refused as refusal:
        return _care(request, bench, visitor, refusal)

    def work(progress: Progress) -> Any:
        def step(done: int, total: int) -> None:
            progress("Publishing", done, total)

        folder = Path(tempfile.mkdtemp(prefix="strandbook-"))
        try:
            made = publish(book, plugged, folder / "site", where, step, choice=choice, dry=dry)
            if dry:
                return made.leaving
            progress("Packing", 0, 0)
            packed = shutil.make_archive(str(folder / f"{book.code}-site"), "zip", folder / "site")
            shutil.rmtree(folder / "site")
            return Path(packed)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise

    way = "leaving" if dry else "publish"
    _forget(bench, way)
    bench.tasks.renew((way, "now"), work)
    return there("/care#publish")


def _forget(bench: Bench, way: str) -> None:
    """Remove the file that was made before; there is room for one."""
    old = _answer(bench.tasks.find((way, "now")))
    if isinstance(old, Path):
        shutil.rmtree(old.parent, ignore_errors=True)


@router.get("/care/{way}")
def fetched(
    bench: Here, visitor: Reader, way: Annotated[str, PathPart(pattern="^(backup|publish)$")]
) -> Response:
    """Give the backup or the packed site that was made."""
    if not visitor.keeps:
        raise Refused("This file is given to a device that keeps the book", do="Use one")
    file = _answer(bench.tasks.find((way, "now")))
    if not isinstance(file, Path) or not file.exists():
        raise Refused("There is no such file yet", do="Begin one")
    return FileResponse(file, filename=file.name, media_type="application/octet-stream")


@router.get("/import")
def ask_import(request: Request, bench: Here, visitor: Reader) -> Response:
    """Show what an old spreadsheet is brought in by."""
    return _import_page(request, bench, visitor)


@router.post("/import/look")
def looked_at(request: Request, bench: Here, visitor: Keeper, form: Form) -> Response:
    """Show what an import would make, line by line; nothing is written."""
    return _looked_at(request, bench, visitor, form)


def _looked_at(
    request: Request, bench: Bench, visitor: Visitor, form: FormData, refusal: Refused | None = None
) -> Response:
    held: dict[str, tuple[str, HeldFile]] = {}
    lines: list[str] = []
    try:
        # One by one: a fault in the one must not cost the choosing of the other.
        for name in ("sheet", "columns"):
            held[name] = _held(bench, visitor, form, name)
        lines = _planned(bench, held["sheet"][1], held["columns"][1], lambda plan: list(plan_lines(plan)))
    except Refused as fault:
        return _import_page(request, bench, visitor, held, refusal=refusal or fault, form=form)
    return _import_page(request, bench, visitor, held, lines, refusal, form)


def _import_page(
    request: Request, bench: Bench, visitor: Visitor, held: Mapping[str, tuple[str, HeldFile]] | None = None,
    lines: Sequence[str] = (), refusal: Refused | None = None, form: FormData | None = None,
) -> Response:  # fmt: skip
    here = held or {}
    sheet, columns = (here[name][0] if name in here else "" for name in ("sheet", "columns"))
    return page(
        request, bench, visitor, "import", refusal=refusal, lines=lines, sheet=sheet, columns=columns,
        names=[here[name][1].name if name in here else "" for name in ("sheet", "columns")],
        columns_text=text_of(form, "columns_text"),
    )  # fmt: skip


def _held(bench: Bench, visitor: Visitor, form: FormData, name: str) -> tuple[str, HeldFile]:
    """Return a file that was sent now, or one that is held since it was looked at, with its word."""
    file = sent_file(form, name)
    word = text_of(form, f"held-{name}")
    if file is not None:
        data = bytes_of(file, MOST_RECORDING)
        word = bench.held.put(plain_name(file), data, visitor.sid)
    elif name == "columns" and (typed := text_of(form, "columns_text")).strip():
        word = bench.held.put("columns.toml", typed.encode(), visitor.sid)
    found = bench.held.get(word, visitor.sid)
    if found is None:
        what, do = {
            "sheet": ("spreadsheet", "Choose its file"),
            "columns": ("column map", "Choose its file, or write it below"),
        }[name]
        raise UploadError(f"The {what} is not here", do=do)
    return word, found


def _planned(bench: Bench, sheet: HeldFile, columns: HeldFile, then: Any) -> Any:
    """Plan an import from files that were sent, and do something with the plan while they are on the disk."""
    with tempfile.TemporaryDirectory(prefix="import-") as folder:
        file = Path(folder) / (sheet.name if not sheet.name.startswith(".") else "sheet.csv")
        file.write_bytes(sheet.data)
        return then(plan_import(bench.book, bench.plugged, file, read_map(columns.data, columns.name)))


@router.post("/import")
def brought_in(request: Request, bench: Here, visitor: Keeper, form: Form) -> Response:
    """Bring a spreadsheet in, whole or not at all."""

    def act() -> Done:
        held = [_held(bench, visitor, form, name) for name in ("sheet", "columns")]
        leave_out = form.get("leave_out") == "1"
        made = _planned(
            bench, held[0][1], held[1][1],
            lambda plan: carry_out(bench.book, plan, visitor.who, sure=is_sure(form), leave_out=leave_out),
        )  # fmt: skip
        counts = counted({thing: count for thing, count in made.counts.items() if count})
        return Done(
            made.jobs[0] if made.jobs else "", [f"Brought in: {counts or 'nothing'}."], list(made.jobs[1:])
        )

    def again(refusal: Refused) -> Response:
        return _looked_at(request, bench, visitor, form, refusal)

    return acted(request, bench, form, lambda name: f"/{name}" if name else "/list/jobs", act, again)
