"""Imports whose rows other processes read and make ready: as by one process, or nothing at all."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from tests.databases import BEGUN_BY
from tests.desk.importing.sheets import CURVE, MAP, plan_of
from tracker.acts import Act
from tracker.book import Book
from tracker.desk.importing import carry_out, carrying, drafts, plan_json, planning
from tracker.desk.importing.carrying import _made_ready, _Rows
from tracker.desk.importing.drafts import RowReader
from tracker.errors import Refused
from tracker.files import Files, FilesError
from tracker.model import JournalRecord, Specimen
from tracker.plugins import Plugged

if sys.platform != "linux":  # pragma: no cover - elsewhere one process does all of it
    pytest.skip("no process is forked here", allow_module_level=True)

HERE = os.getpid()
ODD = (
    "quarzit asa,XY,1,left,0.2,bad,25,,",  # the first spelling of a material, refused with its row
    "Quarzit ASA,XY,1,left,0.2,1000,25,,",
    "Quarzit ASA,XY,1,left,0.2,1100,25,odd sound,pull.csv",
    "QUARZIT ASA,Z,1,right,0.16,500,,,pull.csv",
    ",Z,1,right,0.16,500,25,,",
    "Quarzit ASA,45°,2,right,0.16,1010,25,,",
    "Lehm PETG,XY,,Ω,0.2,0.00001,25,,below.csv",
    "Quarzit ASA,XY,1,left,0.2,1e3,25,,absent.csv",
    "Lehm PETG,XY,1,left,0.2,900,25,,",
    "Quarzit ASA,XY,1,left,0.2,1050,25,,",
)
TWO_MATERIALS = MAP.replace('["material", "orientation", "session"]', '["orientation", "session"]')


def divide(monkeypatch: pytest.MonkeyPatch, of: int) -> None:
    """Have rows read and made ready by so many processes."""
    for module in (planning, carrying):
        monkeypatch.setattr(module, "processes_for", lambda _rows: of)


@pytest.fixture(autouse=True)
def by_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have even a few rows read by two processes, three at a time."""
    divide(monkeypatch, 2)
    monkeypatch.setattr(drafts, "ROWS_TOGETHER", 3)


def odd_plan(book: Book, plugged: Plugged, folder: Path) -> Any:
    """Plan a sheet of rows that leave all kinds of traces in a plan."""
    (folder / "more").mkdir(exist_ok=True)
    (folder / "more" / "below.csv").write_text(CURVE)
    return plan_of(book, plugged, folder, *ODD, columns=TWO_MATERIALS)


@pytest.mark.parametrize("of", [2, 3])
def test_a_plan_by_several_processes_is_that_of_one(
    book: Book, plugged: Plugged, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, of: int
) -> None:
    """Pieces, refusals, notes and questions are the same and in the same order."""
    divide(monkeypatch, of)
    found = odd_plan(book, plugged, tmp_path)
    divide(monkeypatch, 1)
    plain = odd_plan(book, plugged, tmp_path)

    assert plan_json(found) == plan_json(plain)
    assert list(found.jobs) == list(plain.jobs)
    assert [each.line for each in plain.refused_rows] == [2, 6, 9, 10]
    assert {"Files were found in more/", "Line 5: its recording is byte for byte that of line 4"} <= {
        *plain.notes
    }


def test_rows_made_ready_by_another_process_are_those_of_this_one(
    book: Book, plugged: Plugged, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Statements, what they take, manifests and what is touched are the same, table by table."""
    rows = _Rows(odd_plan(book, plugged, tmp_path))
    with book.act("import", BEGUN_BY) as act:
        rows.new_materials(act)
        rows.number(act)
        by_another = [repr(bulk) for bulk in _made_ready(rows, act)]
        divide(monkeypatch, 1)
        by_this = [repr(bulk) for bulk in _made_ready(rows, act)]

    assert by_another == by_this
    assert len(by_this) == 6


@pytest.mark.parametrize("fault", ["killed in planning", "killed in carrying", "disk full"])
def test_a_fault_leaves_nothing_half_written(
    book: Book, plugged: Plugged, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    """A helper that the system ends, or a disk that fills up, leaves no row, and is told in words."""
    put, before = Files.put, len(list(book.files.stored()))

    def killed(*_: Any) -> Any:
        assert os.getpid() != HERE, "only the other process is killed"
        os.kill(os.getpid(), signal.SIGKILL)

    def full(self: Files, data: bytes) -> str:
        if data[:2] == b"\x1f\x8b" and len(list(self.stored())) > before + 2:
            raise FilesError("No space left on the disk")
        return put(self, data)

    def whole() -> int:
        plan = odd_plan(book, plugged, tmp_path)
        return carry_out(book, plan, BEGUN_BY, sure=True, leave_out=True).counts["specimens"]

    faults = {
        "killed in planning": (RowReader, "specimen", killed),
        "killed in carrying": (carrying, "bulk_of", killed),
        "disk full": (Files, "put", full),
    }
    with monkeypatch.context() as faulty:
        faulty.setattr(*faults[fault])
        with pytest.raises(Refused, match=r"was written|No space left"):
            whole()
    with book.read() as session:
        assert session.scalar(select(func.count()).select_from(Specimen)) == 0
        assert session.scalar(select(func.count()).select_from(JournalRecord)) == 1

    assert whole() == 6


def test_what_follows_is_worked_out_once_for_each_part(
    book: Book, plugged: Plugged, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the rows of a part are at hand; at the end of the act nothing is left of it."""
    left: list[bool] = []
    work_out = Act.work_out

    def noted(self: Act) -> None:
        left.append(bool(self.touched))
        work_out(self)

    monkeypatch.setattr(carrying, "_AT_ONCE", 2)
    monkeypatch.setattr(Act, "work_out", noted)
    carry_out(book, odd_plan(book, plugged, tmp_path), BEGUN_BY, sure=True, leave_out=True)

    assert left[0]
    assert not left[-1]
