"""The worked example of DEVELOPERS.md, carried out in a copy: a kind of record in five files."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from tracker.ids import check_character

ROOT = Path(__file__).resolve().parents[2]
BLOCK = re.compile(r"^ +```python\n(?P<code>.*?)^ +```$", re.MULTILINE | re.DOTALL)
RUNNER = """
import json, sys
from click.testing import CliRunner
from tracker.cli import strandbook
answers = []
for words in json.loads(sys.argv[1]):
    done = CliRunner().invoke(strandbook, words, prog_name="strandbook")
    answers.append([done.exit_code, done.stdout, done.stderr])
print(json.dumps(answers))
"""


def _blocks() -> dict[str, str]:
    """Return the code of the example by the words of its first line: the file, and where in it."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    section = text.split("## A kind of record\n", 1)[1].split("\n## ", 1)[0]
    found = {}
    for block in BLOCK.finditer(section):
        head, _, code = textwrap.dedent(block["code"]).partition("\n")
        found[head.removeprefix("# ")] = code
    return found


def _put(folder: Path, where: str, code: str, last: str) -> tuple[str, int]:
    """Put a block where it belongs; returns the file and how many lines it took."""
    code = code.replace("NNNN", f"{int(last) + 1:04d}").replace("LAST", last)
    name, _, place = where.replace("NNNN", f"{int(last) + 1:04d}").partition(", ")
    file = folder / name
    if place == "in KINDS":
        text = file.read_text("utf-8")
        file.write_text(text.replace("KINDS: Final = {", f"KINDS: Final = {{{code.strip()} ", 1), "utf-8")
    elif place == "in the place of SCHEMA":
        file.write_text(
            re.sub(r'^SCHEMA: Final = "\d+"$', code.strip(), file.read_text("utf-8"), flags=re.MULTILINE),
            "utf-8",
        )
    elif place == "at the end":
        file.write_text(f"{file.read_text('utf-8')}\n\n{code}", "utf-8")
    else:
        assert not file.exists()
        file.write_text(code, "utf-8")
    return name, len(code.strip().splitlines())


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a copy of the program with the example carried out."""
    folder = tmp_path_factory.mktemp("copy")
    left_out = shutil.ignore_patterns("__pycache__", "*.pyc")
    for package in ("tracker", "plugins/tracker_methods", "labels/tracker_labels"):
        shutil.copytree(ROOT / package, folder / package, ignore=left_out)
    last = re.search(r'SCHEMA: Final = "(\d+)"', (folder / "tracker/model/base.py").read_text("utf-8"))
    assert last is not None
    put = [_put(folder, where, code, last[1]) for where, code in _blocks().items()]
    assert len({name for name, _ in put}) <= 5
    assert sum(lines for _, lines in put) <= 100
    return folder


def _run(copy: Path, book: Path, commands: list[list[str]]) -> list[str]:
    """Run commands of the copy, all in one process of its own, and return what each says."""
    paths = [str(copy), str(copy / "plugins"), str(copy / "labels")]
    # In the copy's folder: Python looks for packages where it comes first.
    done = subprocess.run(
        [sys.executable, "-c", RUNNER, json.dumps(commands)],
        cwd=copy, capture_output=True, text=True, check=False,
        env={
            **os.environ, "PYTHONPATH": os.pathsep.join(paths), "STRANDBOOK": str(book),
            "STRANDBOOK_WHO": "Ada Bench",
        },
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answers = json.loads(done.stdout)
    for words, (code, said, errors) in zip(commands, answers, strict=True):
        assert code == 0, (words, said, errors)
    return [said for _, said, _ in answers]


def test_a_printer_with_an_id_is_a_kind_like_any_other(copy: Path, tmp_path: Path) -> None:
    """Entered, listed, filtered, shown, labelled, corrected, taken back and undone, by its form alone."""
    name, book = f"P0001-{check_character('P0001')}", tmp_path / "book"
    said = _run(
        copy, book,
        [
            ["--help"],
            ["init", str(book), "--zone", "UTC"],
            ["printer", "add", "Corner machine", "--maker", "Beispielwerk", "--bed", "0.3 m"],
            ["list", "printers", "bed_mm>200", "--json"],
            ["show", name],
            ["label", name, "-o", str(tmp_path / "label.pdf")],
            ["correct", name, "maker=Musterbau", "--reason", "misread"],
            ["show", "corner machine", "--json"],
            ["void", name, "--reason", "sold"],
            ["list", "printers", "--json"],
            ["undo"],
            ["list", "printers"],
            ["verify"],
        ],
    )  # fmt: skip
    assert "printer" in said[0]
    assert said[2].split()[-1] == name
    assert [row["id"] for row in json.loads(said[3])] == [name]
    assert ("Corner machine" in said[4], "300 mm" in said[4]) == (True, True)
    assert json.loads(said[7])["maker"] == "Musterbau"
    assert json.loads(said[9]) == []
    assert "Musterbau" in said[11]
