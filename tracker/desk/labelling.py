"""Labels for records, drawn on a stock and handed to a print queue."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any, Final, Protocol

from sqlalchemy.orm import Session
from tracker_labels import (
    Label,
    LabelError,
    PlatePicture,
    Sheet,
    Stock,
    draw_sheet,
    find_stock,
    load_stock,
)

from tracker.book import Book
from tracker.errors import Refused
from tracker.ids import payload
from tracker.kinds import find, ident_of, kind_of, name_of
from tracker.lazy_modules import lazy
from tracker.model import Job

if TYPE_CHECKING:
    from tracker.desk import platemaps
else:
    platemaps = lazy("tracker.desk.platemaps")

_AROUND_MM: Final = 5.0
"""Free room around the pieces in the picture of a plate."""


class LabelRefusedError(Refused, ValueError):
    """Labels cannot be drawn as asked."""


class Design(Protocol):
    """What is on a label beside the code: one of ours, or a plugin's ``LabelDesign``."""

    @property
    def name(self) -> str:
        """How it is chosen."""

    @property
    def lines(self) -> Callable[[Mapping[str, str]], Sequence[str]]:
        """From the facts of a record to at most four short lines, the ID excluded."""


@dataclass(frozen=True)
class _Ours:
    """A bundled design; made without the plugins' base, which takes longer to load than a label to draw."""

    name: str
    help: str
    lines: Callable[[Mapping[str, str]], Sequence[str]]


def _usual(facts: Mapping[str, str]) -> Sequence[str]:
    what = facts.get("described") or facts["orientation"] or facts["lot"]
    return facts["material"], what, facts["date"], facts["line"]


def _by_lot(facts: Mapping[str, str]) -> Sequence[str]:
    return facts["material"], facts["lot"], facts["date"], facts["line"]


DESIGNS: Final[tuple[Design, ...]] = (
    _Ours("usual", "material, name and orientation (or lot), date, your line", _usual),
    _Ours("lot", "material, lot, date, your line", _by_lot),
)


def label_sheet(
    book: Book,
    targets: Sequence[str],
    stock: str,
    *,
    line: str = "",
    design: Design = DESIGNS[0],
    start_at: int = 1,
    offset_mm: tuple[float, float] = (0.0, 0.0),
    dpi: float | None = None,
    plate: bool = True,
    address: str = "",
) -> Sheet:
    """Return drawn labels; a job stands for its pieces that did not fail, in the order of the plate.

    Args:
        book: The book.
        targets: IDs.
        stock: Name of a bundled stock, or path of a TOML file of one's own.
        line: A line of the person's choice on each.
        design: What is shown beside the code.
        start_at: First free place of a part-used sheet.
        offset_mm: Shift to the right and down.
        dpi: Dots per inch; the stock's own where None.
        address: What the codes lead to: HOST:PORT of a bench page, or ``https://example.org`` where the
            published site stands; the book's own where empty.
        plate: Whether a job's plate stands in small behind its labels, with the numbers of its pieces.

    Raises:
        LabelRefusedError: No such stock, or a code that it cannot hold.
        NotFoundError: A target is not in the book.
    """
    with book.read() as session:
        found = [find(book, session, target) for target in targets]
        rows = [row for each in found for row in _labelled(each)]
        jobs = [each for each in found if plate and isinstance(each, Job)]
        plates = [picture for job in jobs if (picture := plate_picture(job)) is not None]
        labels = [label_of(book, session, row, line, design, address) for row in rows]
    if not labels:
        raise LabelRefusedError("There is nothing to label", do="Name spools, dryings, jobs or specimens")
    try:
        return draw_sheet(
            labels, stock_named(stock), start_at=start_at, offset_mm=offset_mm, dpi=dpi, plates=plates
        )
    except LabelError as error:
        raise LabelRefusedError(str(error)) from error


def plate_picture(row: Job) -> PlatePicture | None:
    """Return a job's plate in small, as far as its pieces reach; None where no plate file tells of it."""
    if not any(piece.plate_facts for piece in row.specimens):
        return None

    outlines = platemaps.outlines_of(row)
    if not outlines:
        return None
    points = [point for outline in outlines.values() for point in outline]
    left, front = (min(point[axis] for point in points) - _AROUND_MM for axis in (0, 1))
    right, back = (max(point[axis] for point in points) + _AROUND_MM for axis in (0, 1))
    pieces = tuple(
        (str(piece.piece), tuple((x - left, y - front) for x, y in outlines[name_of(piece)]))
        for piece in row.specimens
        if name_of(piece) in outlines
    )
    return PlatePicture(name_of(row), right - left, back - front, pieces)


def stock_named(name: str) -> Stock:
    """Return a stock by its name, or from a person's own file.

    Raises:
        LabelRefusedError: There is none, or the file is wrong.
    """
    try:
        return load_stock(Path(name)) if name.endswith(".toml") else find_stock(name)
    except LabelError as error:
        raise LabelRefusedError(str(error)) from error


def _labelled(row: Any) -> list[Any]:
    if isinstance(row, Job):
        # A label on a piece that is not to be tested invites somebody to test it.
        return [piece for piece in row.specimens if piece.outcome != "failed" and not piece.dummy]
    return [row]


def label_of(book: Book, session: Session, row: Any, line: str, design: Design, address: str = "") -> Label:
    """Return what is on the label of one row.

    Raises:
        LabelRefusedError: A measurement has no label, or the design fails.
    """
    del session
    own = kind_of(row).label(row, book.zone)
    if own is None:
        raise LabelRefusedError(
            f"{name_of(row)} is a {kind_of(row).name}; it has no label", do="Label its specimen"
        )
    facts = {"id": name_of(row), "line": line, **own}
    try:
        lines = [str(each or "") for each in design.lines(facts)][:4]
    except Exception as error:  # a plugin's design may fail in any way
        raise LabelRefusedError(f"The label design {design.name!r} failed", why=str(error)) from error
    lines += [""] * (4 - len(lines))
    # The ID is on the label in letters too: a scratched code can still be typed.
    return Label(payload(ident_of(row), book.code, address or book.address), facts["id"], *lines)


_WAIT_S: Final = 10.0
_FRESH_S: Final = 60.0
_NAME: Final = re.compile(r"[A-Za-z0-9_.@+-]{1,127}")


class PrintError(Refused):
    """Something cannot be printed here."""


def print_queues() -> tuple[str, ...]:
    """Return the names of the print queues; empty where this computer has none."""
    return _queues(int(monotonic() / _FRESH_S))


@lru_cache(maxsize=1)
def _queues(minute: int) -> tuple[str, ...]:
    """Return the queues, asked for once a minute: the answer may take a second where a printer sleeps."""
    del minute
    asking = shutil.which("lpstat")
    if asking is None or shutil.which("lp") is None:
        return ()
    try:
        answer = subprocess.run(  # noqa: S603 - a fixed command of the system, without anything typed
            [asking, "-e"], capture_output=True, text=True, timeout=_WAIT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return ()
    return tuple(line.strip() for line in answer.stdout.splitlines() if _NAME.fullmatch(line.strip()))


def print_pdf(pdf: bytes, queue: str, title: str) -> str:
    """Hand a PDF to a print queue at 100 %, and return what the queue says.

    Args:
        pdf: The document; its page is the stock's.
        queue: One of :func:`print_queues`.
        title: Of the print job.

    Raises:
        PrintError: There is no such queue, or it refuses.
    """
    if queue not in print_queues():
        raise PrintError(
            f"There is no printer {queue!r} here", do=f"There are {', '.join(print_queues()) or 'none'}"
        )
    command = shutil.which("lp")
    if command is None:
        raise PrintError("This computer has no print queue", do="Save the labels and print them elsewhere")
    with tempfile.TemporaryDirectory(prefix="labels-") as folder:
        file = Path(folder) / "labels.pdf"
        file.write_bytes(pdf)
        # Without "print-scaling=none" the queue would fit the page to its margins, and no label would sit.
        options = ["-o", "print-scaling=none", "-o", "fit-to-page=false"]
        try:
            answer = subprocess.run(  # noqa: S603 - the queue is one of those that exist
                [command, "-d", queue, "-t", title, *options, str(file)],
                capture_output=True, text=True, timeout=_WAIT_S, check=False,
            )  # fmt: skip
        except (OSError, subprocess.TimeoutExpired) as error:
            raise PrintError(f"The printer {queue} does not answer", do="Look whether it is on") from error
    if answer.returncode != 0:
        raise PrintError(f"The printer {queue} refused", why=answer.stderr.strip()[:200], do="Look at it")
    return f"Sent to {queue}."
