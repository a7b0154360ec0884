"""Plans carried out: whole, in one act, with the way back to the sheet, or not at all."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from tests.databases import BEGUN_BY
from tests.desk.importing.sheets import MAP, ROWS, bring_in, plan_of
from tracker import ids
from tracker.acts import Act, Bulk
from tracker.book import Book
from tracker.desk.doubts import Doubt
from tracker.desk.importing import ImportRefusedError, carry_out
from tracker.desk.importing.carrying import _row
from tracker.desk.jobs import add_job
from tracker.desk.measuring import recomputing
from tracker.desk.voiding import undo
from tracker.errors import Refused
from tracker.model import (
    Attachment,
    Base,
    BookRecord,
    FactorRecord,
    Job,
    JournalRecord,
    Material,
    Measurement,
    MeasurementFile,
    Result,
    Specimen,
)
from tracker.plugins import Plugged
from tracker.verify import verify


def count(book: Book, model: type[Base]) -> int:
    """Return how many rows of a kind a book holds."""
    with book.read() as session:
        return int(session.scalar(select(func.count()).select_from(model)) or 0)


def everything(book: Book, model: type[Any]) -> list[Any]:
    """Return all rows of a kind, in the order of their keys."""
    with book.read() as session:
        return list(session.scalars(select(model).order_by(*model.__table__.primary_key)))


def test_a_row_is_whole_and_what_is_not_given_is_not_recorded() -> None:
    """Every column but the entry's, which the act writes."""
    for model in (Material, Job, Specimen, Measurement):
        made = _row(model, id=3)
        columns = {column.name for column in model.__table__.columns}
        assert made == {name: 3 if name == "id" else None for name in columns - {"entry"}}
        assert "entry" in columns


def test_an_import_is_one_entry_of_the_journal(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """All rows of an import were written by one entry, the second of the book."""
    done = bring_in(book, plugged, tmp_path)

    assert done.entry == 2
    for model in (Material, Job, Specimen, FactorRecord, Measurement, MeasurementFile, Result, Attachment):
        assert {row.entry for row in everything(book, model)} == {2}


def test_the_entry_holds_manifests_and_names_the_jobs(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """The entry names each table's manifest instead of its rows, and the jobs it made."""
    done = bring_in(book, plugged, tmp_path)
    body = json.loads(everything(book, JournalRecord)[-1].body)

    assert body["rows"] == []
    assert {(each["table"], each["rows"]) for each in body["bulk"]} >= {("specimen", 3), ("job", 2)}
    assert body["about"] == list(done.jobs)


def test_sheet_and_map_are_kept_and_named_by_digest(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """The reason of the entry names both files by digest, and both are attachments."""
    plan = plan_of(book, plugged, tmp_path)
    carry_out(book, plan, BEGUN_BY)
    body = json.loads(everything(book, JournalRecord)[-1].body)

    assert plan.sha256 in body["reason"]
    assert book.files.get(plan.sha256) == plan.sheet.read_bytes()
    assert {row.name for row in everything(book, Attachment)} == {"old.csv", "columns.toml", "pull.csv"}


def test_a_job_has_name_and_material_and_no_spool(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """The job carries the plate's name and the material; the spool is not recorded."""
    bring_in(book, plugged, tmp_path)
    with book.read() as session:
        job = session.get_one(Job, 1)

        assert (job.name, job.material.name if job.material else None, job.spools) == (
            "Quarzit ASA XY 1", "Quarzit ASA", [],
        )  # fmt: skip


def test_pieces_count_within_their_job(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Numbers of pieces begin at 1 on each plate."""
    bring_in(book, plugged, tmp_path)

    assert [(row.job_id, row.piece) for row in everything(book, Specimen)] == [(1, 1), (1, 2), (2, 1)]


def test_note_goes_to_the_piece(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """What the sheet's note says is the specimen's note."""
    bring_in(book, plugged, tmp_path)

    assert [row.note for row in everything(book, Specimen)] == [None, "odd sound", None]


def test_factors_name_file_and_line(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Each factor says where it was read."""
    bring_in(book, plugged, tmp_path)
    last = everything(book, FactorRecord)[-1]

    assert (last.name, last.text, last.basis, last.source) == ("printer", "right", "stated", "old.csv line 4")


def test_results_carry_method_version_and_budget(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A computed result is as good as one taken at the bench: version, uncertainty, budget."""
    bring_in(book, plugged, tmp_path)
    strength = everything(book, Result)[0]

    assert (strength.quantity, strength.value, strength.counted) == (
        "tensile.strength",
        pytest.approx(40),
        True,
    )
    assert strength.method_version == plugged.method("tensile").version
    assert strength.budget
    assert {"source", "u", "share", "dof"} == set(strength.budget[0])


def test_a_refused_quantity_is_kept_with_its_reason(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """The strength without area is in the book as refused, not counted, with its curve."""
    bring_in(book, plugged, tmp_path, ROWS[2])
    strength = everything(book, Result)[0]

    assert (strength.value, strength.counted) == (None, False)
    assert "area is empty" in strength.refused
    assert everything(book, MeasurementFile)[0].field == "curve"


def test_numbers_go_on_from_those_in_the_book(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A second sheet takes the following numbers and the materials that are there."""
    bring_in(book, plugged, tmp_path, ROWS[0])
    bring_in(book, plugged, tmp_path, ROWS[1].lower())

    assert [row.id for row in everything(book, Job)] == [1, 2]
    assert [row.name for row in everything(book, Material)] == ["Quarzit ASA"]


def test_the_same_file_is_doubted(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Bringing a file in again is a question first, with when and by whom it was done."""
    bring_in(book, plugged, tmp_path)

    with pytest.raises(Doubt, match=rf"old\.csv was brought in before, on 2026-03-02 by {BEGUN_BY}"):
        bring_in(book, plugged, tmp_path)


def test_the_day_of_an_earlier_import_is_the_benchs(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A morning in Greenwich is the evening before where the bench is."""
    bring_in(book, plugged, tmp_path)
    with book.act("settings", BEGUN_BY) as act:
        act.session.get_one(BookRecord, 1).zone = "Etc/GMT+12"

    with pytest.raises(Doubt, match=r"old\.csv was brought in before, on 2026-03-01"):
        bring_in(book, plugged, tmp_path)


def test_the_same_file_is_doubted_though_the_plan_is_old(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """A plan made before somebody else brought the file in is no way around the question."""
    plan = plan_of(book, plugged, tmp_path)
    carry_out(book, plan, BEGUN_BY)

    with pytest.raises(Doubt, match="brought in before"):
        carry_out(book, plan, BEGUN_BY)


def test_the_same_file_is_brought_in_again_when_meant(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Told that it is meant, the pieces are made a second time; files are not kept twice."""
    bring_in(book, plugged, tmp_path)
    carry_out(book, plan_of(book, plugged, tmp_path), BEGUN_BY, sure=True)

    assert (count(book, Specimen), count(book, Attachment)) == (6, 3)


def test_refused_lines_stop_the_whole(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """One bad line and nothing is written; the first is named with the way out."""
    plan = plan_of(book, plugged, tmp_path, *ROWS, ROWS[0].replace(",25,", ",-25,"))

    with pytest.raises(ImportRefusedError, match="1 of 4 lines is refused: first line 5 refused"):
        carry_out(book, plan, BEGUN_BY)
    assert count(book, Job) == 0


def test_refused_lines_are_left_out_when_asked(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Told to leave them out, the others come in and the number left out is said."""
    plan = plan_of(book, plugged, tmp_path, *ROWS, ROWS[0].replace(",25,", ",-25,"))
    done = carry_out(book, plan, BEGUN_BY, leave_out=True)

    assert (done.left_out, count(book, Specimen)) == (1, 3)


def test_nothing_left_is_refused(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A sheet of bad lines alone makes no empty act."""
    plan = plan_of(book, plugged, tmp_path, ROWS[0].replace(",25,", ",-25,"))

    with pytest.raises(ImportRefusedError, match="no line is left"):
        carry_out(book, plan, BEGUN_BY, leave_out=True)


def test_a_recording_that_changed_stops_the_whole(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Bytes other than those computed from are not kept in their place."""
    plan = plan_of(book, plugged, tmp_path)
    (tmp_path / "pull.csv").write_bytes(b"something else")

    with pytest.raises(ImportRefusedError, match="has changed while it was brought in"):
        carry_out(book, plan, BEGUN_BY)
    assert count(book, Job) == 0


def test_a_failure_in_the_middle_leaves_nothing(
    book: Book, plugged: Plugged, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the last table fails, no row of the others is there, and no entry."""
    write = Act.insert

    def failing(self: Act, bulk: Bulk) -> None:
        if bulk.table == "result":
            raise RuntimeError("power cut")
        write(self, bulk)

    monkeypatch.setattr(Act, "insert", failing)
    with pytest.raises(RuntimeError):
        bring_in(book, plugged, tmp_path)

    assert [count(book, model) for model in (Job, Specimen, Measurement, Attachment)] == [0] * 4
    assert count(book, JournalRecord) == 1


def test_names_that_are_code_elsewhere_are_names_here(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Quotes, SQL, shell characters, emoji, right-to-left text and 500 characters come in as written."""
    names = ["O'Brien; DROP TABLE job;--", "$(rm -rf /)`x`", "🧵 שָׁלוֹם", "x" * 500]
    bring_in(book, plugged, tmp_path, *[ROWS[0].replace("Quarzit ASA", name) for name in names])

    assert [row.name for row in everything(book, Material)] == names


def test_progress_tells_of_files_and_tables(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Whoever waits is told what is being written."""
    told: list[str] = []
    plan = plan_of(book, plugged, tmp_path)
    carry_out(book, plan, BEGUN_BY, lambda _done, _whole, what: told.append(what))

    assert "recordings kept" in told
    assert "3 rows: specimen" in told


def test_map_without_readings_makes_pieces(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A map of pieces and factors alone makes no measurement."""
    bring_in(book, plugged, tmp_path, columns=MAP.partition("[readings")[0])

    assert (count(book, Specimen), count(book, Measurement)) == (3, 0)


def test_an_import_is_undone_whole_and_comes_back_whole(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Every row of it is taken back by one word, counts nowhere, and is there again when that is undone."""
    bring_in(book, plugged, tmp_path)
    kinds = (Job, Specimen, Measurement, Result)
    before = [count(book, each) for each in kinds]
    assert 0 not in before
    undo(book, BEGUN_BY, plugged, sure=True)
    assert [count(book, each) for each in kinds] == [0, 0, 0, 0]
    undo(book, BEGUN_BY, plugged, entry=3, sure=True)
    assert [count(book, each) for each in kinds] == before
    assert verify(book, recomputing(book, plugged)).found == []


def test_an_import_on_which_something_rests_is_not_undone(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """What was built on it since is named."""
    bring_in(book, plugged, tmp_path)
    job = everything(book, Job)[0]
    add_job(book, BEGUN_BY, {}, material=everything(book, Material)[0].name, again=f"{ids.job_id(job.id)}")
    with pytest.raises(Refused, match="J0003-F rests on"):
        undo(book, BEGUN_BY, plugged, entry=2, sure=True)
