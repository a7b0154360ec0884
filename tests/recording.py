"""Record what every command and published file says of a scripted bench day, and compare two recordings.

    python -m tests.recording FOLDER [--postgres]     record into a folder
    python -m tests.recording --compare OLD NEW       list what differs, file by file

A change that is meant to alter no answer is compared with a recording made before it. What may differ from
run to run (moments, hashes, book code, durations, folders) is replaced by a word. Real input is recorded
where ``shared/data`` is beside the checkout.
"""

from __future__ import annotations

import argparse
import difflib
import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.databases import Server
from tests.realdata import real_data
from tracker.cli import strandbook

_COMMAND = Path(sys.executable).with_name("strandbook")
_ASKED = (
    "list materials", "list spools", "list dryings", "list jobs", "list specimens", "list measurements",
    "list results", "list rigs", "list specimens --factors",
    "methods", "methods tensile", "due", "programme {material}", "table", "watch", "label --stocks",
    "table --markdown", "table --csv", "table --html", "list specimens {filter}", "list results {filter}",
)  # fmt: skip
_DEMO = (
    "show J0001-J", "show S0001-R", "show D0001-Q", "show R0001-M", "show J0001-01-Z", "trace J0001-01-Z",
    "job show J0001-J", "spool show S0001-R", "scan J0001-01-Z",
    "why J0001-J J0004-D --of tensile.strength", "why J0001-J J0004-D --of tensile.strength --until 2026-04-01",  # noqa: E501
    "followup J0001-J J0004-D", "verify", "show J9999", "show nonsense", "list nonsense", "trace J0001-01-X",
    "measure J0001-01-Z tensile max_force=banana --no-input", "spool add Nobody", "choose",
    "due --at 2026-06-01",
)  # fmt: skip
_NO_JSON = ("--csv", "--markdown", "--html")
_MASKS = (
    (re.compile(r"\b[0-9a-f]{64}\b"), "HASH"),
    (re.compile(r"\b[0-9a-f]{12,16}\b"), "HASH"),
    (re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)?"), "MOMENT"),
    (re.compile(r"(?<=\.)[0-9A-Z]{3}(?=\b)(?<![0-9]{3})"), "BOK"),
    (re.compile(r"\b\d+(\.\d+)? m?s\b"), "SECONDS"),
)


def _mask(text: str, folders: dict[str, str]) -> str:
    for path, name in folders.items():
        text = text.replace(path, name)
    for pattern, word in _MASKS:
        text = pattern.sub(word, text)
    return text


class _Recorder:
    """Runs commands on one book and keeps what each says."""

    def __init__(self, book: str, into: Path, folders: dict[str, str]) -> None:
        self._book, self._into, self._folders = book, into, folders
        into.mkdir(parents=True, exist_ok=True)

    def run(self, line: str, *, keep: bool = True) -> str:
        """Run one command line; keep exit code, stdout and stderr in a file named after it."""
        words = [word.replace("\x00", " ") for word in re.sub(r'"([^"]*)"', _glued, line).split(" ")]
        done = CliRunner().invoke(
            strandbook, ["--book", self._book, "--no-input", *words], prog_name="strandbook",
            env={"COLUMNS": "100", "NO_COLOR": "1"},
        )  # fmt: skip
        if keep:
            said = f"$ strandbook {line}\nexit {done.exit_code}\n{done.stdout}"
            said += "".join(f"! {part}\n" for part in done.stderr.splitlines())
            (self._into / (re.sub(r"[^\w.=-]+", "_", line)[:120] + ".txt")).write_text(
                _mask(said, self._folders), encoding="utf-8"
            )
        return done.stdout

    def ask(self, line: str) -> None:
        """Ask as a person and as a program."""
        self.run(line)
        if not any(word in line for word in _NO_JSON):
            self.run(f"{line} --json")

    def ids(self, kind: str) -> list[str]:
        """Return the IDs of all records of a kind."""
        return [row["id"] for row in json.loads(self.run(f"list {kind} --json", keep=False)) if "id" in row]

    def published(self, folder: Path) -> None:
        """Keep every text file that publishing writes."""
        self.run(f"publish {folder}")
        for path in sorted(folder.rglob("*")):
            if path.suffix in {".html", ".csv", ".json", ".md", ".txt", ".svg"}:
                kept = self._into / "published" / path.relative_to(folder)
                kept.parent.mkdir(parents=True, exist_ok=True)
                kept.write_text(_mask(path.read_text(encoding="utf-8"), self._folders), encoding="utf-8")


def _glued(match: re.Match[str]) -> str:
    return match[1].replace(" ", "\x00")


def _record_book(recorder: _Recorder, material: str, condition: str, work: Path) -> None:
    for line in _ASKED:
        recorder.ask(line.format(material=f'"{material}"', filter=condition))
    recorder.published(work / "site")


def record(into: Path, *, postgres: bool) -> None:
    """Record the demonstration and, where they are at hand, the real pulls."""
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        folders = {name: "WORK", str(Path.cwd()): "HERE"}
        subprocess.run([_COMMAND, "demo", work / "demo"], check=True, capture_output=True)
        books = {"demo": str(work / "demo")}
        server = Server("recording") if postgres else None
        if server:
            books["demo-postgres"] = _on_postgres(server, work, folders)
        for label, book in books.items():
            recorder = _Recorder(book, into / label, folders)
            _record_book(recorder, "Tarnholm ASA 40", "orientation=Z", work / label)
            for line in _DEMO:
                recorder.ask(line)
            for kind in ("jobs", "spools", "dryings", "rigs", "specimens", "measurements"):
                for identity in recorder.ids(kind):
                    recorder.ask(f"show {identity}")
            for identity in recorder.ids("measurements"):
                recorder.ask(f"trace {identity}")
        if server:
            server.stop()
        try:
            pulls = real_data("pulls")
        except pytest.skip.Exception as absent:
            print(absent)
        else:
            _record_pulls(pulls, into / "pulls", work, folders)


def _on_postgres(server: Server, work: Path, folders: dict[str, str]) -> str:
    """Carry the demonstration to a server by backup and restore; return where it is."""
    url = server.empty(work / "files")
    folders[url] = "SERVER"
    for words in (["--book", work / "demo", "backup", work / "copy"], ["restore", work / "copy", url]):
        subprocess.run([_COMMAND, *words], check=True, capture_output=True)
    return url


def _record_pulls(pulls: Path, into: Path, work: Path, folders: dict[str, str]) -> None:
    folder = work / "data"
    shutil.copytree(pulls, folder)
    (folder / "pulls.toml").write_text(_MAP, encoding="utf-8")
    subprocess.run([_COMMAND, "init", work / "pulls"], check=True, capture_output=True)
    recorder = _Recorder(str(work / "pulls"), into, folders)
    recorder.run(f"import {folder / 'pulls.csv'} --columns {folder / 'pulls.toml'} --dry-run")
    recorder.run(f"import {folder / 'pulls.csv'} --columns {folder / 'pulls.toml'}")
    _record_book(recorder, "PETG-2", "material=PETG-2", work / "pulls-site")
    recorder.ask('why "material=PETG-2 orientation=Z" "material=PETG-1 orientation=Z" --of tensile.strength')


_MAP = """
[specimen]
material = "material"
orientation = "orientation"
plate = ["material", "orientation", "session"]
note = "note"
[factors]
printer = "printer"
treatment = "treatment"
layer_height_mm = "layer_height_mm"
line_width_mm = "extrusion_width_mm"
[readings.tensile]
max_force = { column = "written_max_force_N", unit = "N" }
area = { column = "area_mm2", unit = "mm^2", u = "exact" }
curve = { column = "curve", file = true }
"""


def compare(old: Path, new: Path) -> int:
    """Print a unified difference of every file of two recordings; return how many differ."""
    names = sorted({p.relative_to(root) for root in (old, new) for p in root.rglob("*") if p.is_file()})
    differing = 0
    for name in names:
        before, after = (
            (root / name).read_text(encoding="utf-8").splitlines() if (root / name).exists() else []
            for root in (old, new)
        )
        lines = list(difflib.unified_diff(before, after, f"old/{name}", f"new/{name}", n=1, lineterm=""))
        differing += bool(lines)
        print("\n".join(lines), end="\n" if lines else "")
    print(f"{differing} of {len(names)} files differ")
    return differing


def main() -> None:
    """Record or compare, as asked."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--postgres", action="store_true", help="the demonstration on PostgreSQL too")
    parser.add_argument("--compare", type=Path, nargs=2, metavar=("OLD", "NEW"))
    given = parser.parse_args()
    if given.compare:
        sys.exit(min(compare(*given.compare), 1))
    if given.folder is None:
        parser.error("name a folder to record into")
    record(given.folder, postgres=given.postgres)


if __name__ == "__main__":
    main()
