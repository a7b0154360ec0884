"""Which files and functions a command goes through: ``python -m tests.hops [COMMAND…]``.

Runs a command of the program on a small book of its own and follows the calls: a file counts where a function
of it was executed, not where it was only imported. ``python -m tests.hops`` alone follows ``table`` and
``scan`` and prints their counts beside what they are meant to stay below.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import tracker

_ROOT = Path(tracker.__file__).parents[1]
_OURS = ("tracker", "labels", "demo_db")
"""The bundled methods are left out: the manager of plugins asks each for its list, as anybody's."""
_GOALS = {"table": (28, None), "scan": (14, 70)}


def followed(words: Sequence[str], book: Path, *, quiet: bool = True) -> dict[str, set[str]]:
    """Run a command on a book; return the functions that were executed, by file.

    Args:
        words: The command as it is typed, without the program's name.
        book: Folder of the book.
        quiet: Whether what it prints is kept away.
    """
    from tracker.cli import main  # noqa: PLC0415 - the program is loaded before it is followed

    seen: set[CodeType] = set()

    def note(frame: FrameType, event: str, _: Any) -> None:
        if event == "call":
            seen.add(frame.f_code)

    before = sys.argv
    sys.argv = ["strandbook", "--book", str(book), *words]
    sys.setprofile(note)
    try:
        out = contextlib.redirect_stdout(io.StringIO()) if quiet else contextlib.nullcontext()
        with out, contextlib.suppress(SystemExit):
            main()
    finally:
        sys.setprofile(None)
        sys.argv = before
    return _by_file(seen)


def _by_file(seen: set[CodeType]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for code in seen:
        path = Path(code.co_filename)
        # Modules and class bodies run when they are imported; comprehensions are a part of their function.
        if not path.is_relative_to(_ROOT) or code.co_name.startswith("<"):
            continue
        name = path.relative_to(_ROOT).as_posix()
        is_class = not code.co_flags & 0x2  # CO_NEWLOCALS
        if name.split("/")[0] in _OURS and not is_class:
            found.setdefault(name, set()).add(
                code.co_qualname if hasattr(code, "co_qualname") else code.co_name
            )
    return found


def done(words: Sequence[str], book: Path) -> str:
    """Run a command on a book and return the ID it made, which is on its last line."""
    ran = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'strandbook'; from tracker.cli import main; main()",
         "--book", str(book), *words],
        env={**os.environ, "STRANDBOOK_WHO": "bench"}, check=True, capture_output=True, text=True,
    )  # fmt: skip
    return ran.stdout.splitlines()[-1].strip()


def a_book(folder: Path) -> tuple[Path, str]:
    """Make a book of one plate with three pulled pieces, by the program's own commands; name one piece."""
    book = folder / "book"
    done(("init", str(book), "--zone", "UTC"), book)
    spool = done(("spool", "add", done(("material", "add", "Nordlicht ASA"), book)), book)
    job = done(("job", "add", "--spool", spool, "--piece", "bar:ZXY:3"), book)
    listed = json.loads(_out(("list", "specimens", "--json"), book))
    pieces = [row["id"] for row in listed]
    assert job
    for piece, force in zip(pieces, (1800, 1790, 1805), strict=True):
        done(("measure", piece, "tensile", "-y", "--incomplete", f"max_force={force}", "area=40"), book)
    return book, str(pieces[0])


def _out(words: Sequence[str], book: Path) -> str:
    text = io.StringIO()
    with contextlib.redirect_stdout(text):
        followed(words, book, quiet=False)
    return text.getvalue()


def main(words: Sequence[str]) -> int:
    """Follow a command, or those with a goal; 1 where one goes through more than it should."""
    failed = False
    with tempfile.TemporaryDirectory() as kept:
        book, piece = a_book(Path(kept))
        for each in [list(words)] if words else [["table"], ["scan", piece]]:
            # Once before: what runs while modules are imported is no part of the command's way.
            followed(each, book)
            failed |= _told(each, followed(each, book), whole=bool(words))
    return int(failed)


def _told(words: Sequence[str], found: dict[str, set[str]], *, whole: bool) -> bool:
    """Print what a command went through; whether that is more than it should be."""
    counts = (len(found), sum(map(len, found.values())))
    goals = _GOALS.get(words[0], (None, None))
    beside = [
        f"at most {bound} {what}" for bound, what in zip(goals, ("files", "functions"), strict=True) if bound
    ]
    print(
        f"{' '.join(words)}: {counts[0]} files, {counts[1]} functions",
        f"({', '.join(beside)})" if beside else "",
    )
    if whole:
        for name, names in sorted(found.items()):
            print(f"  {name}: {', '.join(sorted(names))}")
    return any(bound is not None and count > bound for bound, count in zip(goals, counts, strict=True))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
