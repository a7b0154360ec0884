"""The pictures of README and of the manual, made by the demonstration: ``python -m tracker_demo.pictures``.

Labels and the answer to why are drawn by the program itself; pages are photographed by the Chromium of the
system. All are small: few colours, no more pixels than are looked at.
"""

from __future__ import annotations

import datetime as dt
import io
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from PIL import Image

from tracker.book import Book, open_book
from tracker.comparing import why
from tracker.desk.labelling import label_sheet
from tracker.errors import Refused
from tracker.kinds import listed
from tracker.plugins import load
from tracker_demo.building import build

KEPT: Final = Path(__file__).resolve().parents[2] / "tracker" / "manual" / "pictures"
PAGES: Final = {
    # Name: where on the page, width and height in pixels.
    "day": ("/", 720, 560),
    "phone": ("/J0004-01-D", 360, 640),
    "bed": ("/J0003-F/bed", 360, 640),
}
_CHROMIUM: Final = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
_NOW: Final = dt.datetime(2026, 4, 14, 13, 20, tzinfo=dt.UTC)
"""A moment of the demonstration's last test day."""


def drawn(book: Book) -> Iterator[tuple[str, bytes]]:
    """Yield the pictures that need no browser, as PNG by name."""
    with book.connect() as connection:
        pieces = [row["id"] for row in listed(connection, "specimens") if row["job"] == "J0001-J"]
    sheet = Image.open(io.BytesIO(label_sheet(book, pieces, "a4-3x8").pages_png()[0]))
    # The first two rows of the sheet: what follows is empty.
    yield "labels", _small(sheet.crop((0, 0, sheet.width, round(sheet.height * 0.245))), 760, 16)
    found = why(book, load(), "J0001-J", "J0004-D", "tensile.strength")
    if found.answer is None:
        raise Refused("The demonstration's two plates have no answer")
    yield "why", _small(Image.open(io.BytesIO(found.answer.picture_png())), 760, 128)


def photographed(book: Book) -> Iterator[tuple[str, bytes]]:
    """Yield the pictures of pages, as PNG by name.

    Raises:
        Refused: There is no Chromium here.
    """
    browser = shutil.which("chromium")
    if browser is None:
        raise Refused("There is no Chromium here", do="apt-get install chromium")
    with _served(book) as address, tempfile.TemporaryDirectory() as folder:
        for name, (path, width, height) in PAGES.items():
            shot = Path(folder) / f"{name}.png"
            size, out = f"--window-size={width},{height}", f"--screenshot={shot}"
            command = [browser, *_CHROMIUM, size, out, address + path]
            subprocess.run(command, check=True, capture_output=True, timeout=600)  # noqa: S603 - found above
            yield name, _small(Image.open(shot), width, 48)


def _small(picture: Image.Image, width: int, colours: int) -> bytes:
    """Return a picture of that width in so many colours, as PNG."""
    plain = picture.convert("RGB")
    height = round(plain.height * width / plain.width)
    scaled = plain if plain.width == width else plain.resize((width, height), Image.Resampling.LANCZOS)
    made = io.BytesIO()
    scaled.quantize(colours, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(
        made, "PNG", optimize=True
    )
    return made.getvalue()


@contextmanager
def _served(book: Book) -> Iterator[str]:
    """Serve the bench page of a book to this computer while its pictures are taken."""
    import uvicorn  # noqa: PLC0415 - only pages need a server

    from tracker.web import Serving, make_app  # noqa: PLC0415 - the same

    # Kept open, for a port that was let go may be another's by the time the page begins. Named as TCP: only
    # then asyncio sends the parts of an answer at once.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.bind(("127.0.0.1", 0))
    here = frozenset({"127.0.0.1"})
    app = make_app(Serving(book=book, plugged=load(), who="Mira", key=b"only for pictures", hosts=here))
    server = uvicorn.Server(uvicorn.Config(app, log_level="error"))
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    thread.start()
    while not server.started and thread.is_alive():
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(timeout=20)


def main(folder: Path = KEPT) -> None:
    """Make all pictures and write them into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        build(f"{place}/bench").close()
        with open_book(f"{place}/bench", lambda: _NOW) as book:
            for name, data in (*drawn(book), *photographed(book)):
                (folder / f"{name}.png").write_bytes(data)
                print(f"{folder / name}.png: {len(data)} bytes")  # noqa: T201 - for whoever makes them


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
