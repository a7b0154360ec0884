"""Labels handed to a print queue of the computer."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from pypdf import PdfReader

from tests.cli.bench import Filled
from tracker.desk import labelling

LPSTAT = "#!/bin/sh\necho desk_printer\necho tape_printer\n"
LP = """#!/bin/sh
echo "$@" > {folder}/asked
for last in "$@"; do :; done
cp "$last" {folder}/printed.pdf
echo "request id is desk_printer-1"
"""


@pytest.fixture
def queues(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Give a computer with two print queues, and the folder where what is printed ends up."""
    folder = tmp_path / "bin"
    folder.mkdir()
    for name, text in (("lpstat", LPSTAT), ("lp", LP.format(folder=folder))):
        (folder / name).write_text(text)
        (folder / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")
    monkeypatch.setattr(labelling, "_WAIT_S", 300.0)
    labelling._queues.cache_clear()
    yield folder
    # The next test's computer has none, within the same minute too.
    labelling._queues.cache_clear()


def test_labels_go_to_the_queue_at_their_own_size(filled: Filled, queues: Path, tmp_path: Path) -> None:
    """The queue gets the stock's page and is told not to scale it; no file is left behind."""
    result = filled("label", filled.spool, "--stock", "tape-12", "--print", "tape_printer")

    assert result.exit_code == 0, result.output
    asked = (queues / "asked").read_text()
    assert "-d tape_printer" in asked
    assert "print-scaling=none" in asked
    page = PdfReader(queues / "printed.pdf").pages[0].mediabox
    assert float(page.height) / 72 * 25.4 == pytest.approx(12, abs=0.01)
    assert not (tmp_path / "labels.pdf").exists()


def test_a_queue_that_is_not_there_is_refused_with_those_there_are(filled: Filled, queues: Path) -> None:
    """A slip in its name is one line."""
    assert "desk_printer, tape_printer" in filled.refused("label", filled.spool, "--print", "desk")
    assert not (queues / "asked").exists()
