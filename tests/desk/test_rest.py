"""Acts that few tests see: plates of a container, logs, recordings, sheets that changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.books import fill
from tests.desk.bench import PULL, WHO, Plain, a_calibrated_rig, a_job, calibrate, plugged_with, row_of
from tests.desk.importing.sheets import MAP, bring_in, plan_of
from tests.desk.importing.test_planning import row
from tests.desk.test_logs import a_plate_job, rising
from tests.plates import FLAT, UPRIGHT, plate
from tests.platetext.packing import PNG, container
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.importing import ImportRefusedError, MapError, carry_out, plan_lines
from tracker.desk.importing.sheet import Besides
from tracker.desk.jobplates import PlateFile
from tracker.desk.jobs import end_job
from tracker.desk.logs import LogFile, add_log, look_at_log
from tracker.desk.measuring import measure
from tracker.desk.platemaps import choices_in
from tracker.desk.voiding import undo, void
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.kinds import find
from tracker.plugins import load


def test_plates_of_a_container_are_chosen_by_number_words_and_picture() -> None:
    """What is on each, how long it takes, its file and its map; one that cannot be read says why."""
    file = container({
        "Metadata/plate_1.gcode": plate(UPRIGHT), "Metadata/plate_1.png": PNG,
        "Metadata/plate_2.gcode": plate(FLAT, layers=20), "Metadata/plate_3.gcode": b"G28\n",
    })  # fmt: skip
    first, second, third = choices_in(PlateFile("plates.3mf", file), 30)

    assert (first.number, first.picture, second.picture) == (1, PNG, None)
    assert first.read is not None
    minutes = f"{first.read.plate.time_s / 60:.0f}"
    assert first.words.startswith(f"1 tower, 1 tower_#2, 1 cube; {minutes} min; ")
    assert second.words.startswith("1 second, 1 bar; ")
    assert 1 < max(map(len, first.drawn.splitlines())) <= 30
    assert "tower" not in first.drawn
    assert (third.read, third.drawn) == (None, "")
    assert ": " in third.words


def test_a_log_of_the_disk_is_read_with_its_columns_and_zone(tmp_path: Path) -> None:
    """A file that is not there is refused by its path."""
    (tmp_path / "log.csv").write_bytes(rising())
    found = LogFile.read(tmp_path / "log.csv", ["chamber=2"], "Europe/Vienna")
    assert (found.name, found.data, found.columns, found.zone) == (
        "log.csv", rising(), {"chamber": "2"}, "Europe/Vienna",
    )  # fmt: skip
    with pytest.raises(FormError, match=r"no\.csv cannot be read: No such file or directory"):
        LogFile.read(tmp_path / "no.csv")
    with pytest.raises(Refused, match="'Nowhere/Land' is no time zone"):
        LogFile.read(tmp_path / "log.csv", zone="Nowhere/Land")


def test_where_a_piece_broke_the_log_is_cut_to_that_layer(book: Book) -> None:
    """Of a degree a minute the mean of one layer lies within its first and last second."""
    job = a_plate_job(book)
    add_log(book, WHO, load(), job, LogFile("log.csv", rising()))
    piece = "J0001-01-Z"
    assert "at_break" not in row_of(book, piece).log_facts
    correct(book, WHO, load(), piece, ["broken_height_mm=10.1"], "measured")
    facts = row_of(book, piece)
    spans = facts.plate_facts["spans_s"]
    layer = next(n for n, top in enumerate(facts.plate_facts["tops_mm"]) if top > 10.1)
    minutes = [(each / 60) for each in spans[layer]]
    assert 40 + minutes[0] - 0.1 <= facts.log_facts["at_break"]["chamber"]["mean"] <= 40 + minutes[1] + 0.1
    correct(book, WHO, load(), piece, ["broken_height_mm="], "it did not")
    assert "at_break" not in row_of(book, piece).log_facts


def test_a_first_layer_that_is_told_at_the_end_moves_the_log(book: Book) -> None:
    """As a correction would; a look at a log is told in the same words."""
    job = a_plate_job(book)
    log = LogFile("log.csv", rising())
    add_log(book, WHO, load(), job, log)
    before = row_of(book, job).specimens[0].log_facts["section"]["chamber"]["mean"]
    end_job(
        book, WHO, job,
        {"outcome": "finished", "ended_at": "2026-03-02 07:50", "first_layer_at": "2026-03-02 07:10"},
        sure=True,
    )  # fmt: skip
    assert row_of(book, job).specimens[0].log_facts["section"]["chamber"]["mean"] > before + 5
    look = look_at_log(book, load(), job, log).as_json()
    assert (look["job"], look["offset_s"], look["refusal"]) == (job, 0.0, "")


@pytest.mark.parametrize("target", ["M0001-Y.video", "J0001-01-Z.curve", ".curve", "M0001-Y."])
def test_what_names_no_recording_is_no_part(book: Book, target: str) -> None:
    """Nothing is taken back."""
    fill(book)
    with pytest.raises(Refused, match="is not a label of this bench"):
        void(book, WHO, load(), target, "a slip", sure=True)
    assert row_of(book, "M0001-Y").files


def test_a_measurement_keeps_its_results_where_its_method_is_gone(book: Book) -> None:
    """The calibration is another one all the same, and it is said."""
    rig = a_calibrated_rig(book, "20 N", done_on="2026-02-01")
    calibrate(book, WHO, rig, {"uncertainty": "40 N", "done_on": "2026-02-20"})
    gone, here = plugged_with(Plain()), load()
    pull = measure(book, WHO, gone, a_job(book).also[0], "plain", {"load": "5"}, rigs=[rig]).id
    (note,) = void(book, WHO, here, "calibration2", "wrong rig").notes
    assert note.startswith(f"{pull} keeps its results: ")
    with book.read() as session:
        assert find(book, session, pull).rigs[0].calibration.id == 1
    assert void(book, WHO, gone, "calibration1", "wrong rig").notes == [f"{pull} is computed again."]


def test_what_rests_on_an_act_bars_its_undoing(book: Book) -> None:
    """It is named, with what to do; a row that was changed since too."""
    piece = a_job(book).also[0]
    measure(book, "Ben", load(), piece, "tensile", PULL)
    with pytest.raises(Refused) as refusal:
        undo(book, WHO, load())
    assert "strandbook void" in str(refusal.value)
    correct(book, "Ben", load(), piece, ["orientation=XZY"], "lay on edge")
    with pytest.raises(Refused, match=f"{piece} was changed since"):
        undo(book, WHO, load())
    with pytest.raises(Doubt, match="was done by Ben"):
        undo(book, WHO, load(), entry=6)


def test_a_plate_of_which_a_part_has_no_name_is_told(book: Book, tmp_path: Path) -> None:
    """Rows alike in the rest are one plate; the first of them is named. Without any part each is its own."""
    plan = plan_of(book, load(), tmp_path, row(session=""), row(session=""), row(session="2"))
    assert [len(job.specimens) for job in plan.jobs] == [2, 1]
    assert "Line 2: part of the plate's name is empty; rows alike in the rest are one plate" in plan.notes
    columns = MAP.replace('["material", "orientation", "session"]', '["session"]')
    bare = plan_of(book, load(), tmp_path, row(session=""), row(session=""), columns=columns)
    assert [job.name for job in bare.jobs] == [None, None]
    assert not any("part of the plate's name" in note for note in bare.notes)


def test_a_plan_tells_of_an_earlier_import(book: Book, tmp_path: Path) -> None:
    """By day, person and entry."""
    done = bring_in(book, load(), tmp_path)
    (line,) = (
        each for each in plan_lines(plan_of(book, load(), tmp_path)) if each.startswith("This file was")
    )
    assert line.startswith("This file was brought in before, on 2026-03-02 by ")
    assert line.endswith(f"(journal entry {done.entry})")


def test_a_plan_names_the_folder_in_which_files_were_found(book: Book, tmp_path: Path) -> None:
    """The sheet names them without it."""
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "far.csv").write_text("time_ms,force_N\n0,0\n10,250\n20,497.5\n30,3\n")
    plan = plan_of(book, load(), tmp_path, row(curve="far.csv"))
    assert "Files were found in runs/" in plan.notes


def test_a_sheet_that_changed_or_went_is_not_brought_in(book: Book, tmp_path: Path) -> None:
    """Nor one whose recording went."""
    plan = plan_of(book, load(), tmp_path)
    sheet, text = plan.sheet, plan.sheet.read_bytes()
    sheet.write_bytes(text + b"\n")
    with pytest.raises(ImportRefusedError, match=r"old\.csv has changed while it was brought in"):
        carry_out(book, plan, WHO)
    sheet.unlink()
    with pytest.raises(ImportRefusedError, match=r"old\.csv cannot be read"):
        carry_out(book, plan, WHO)
    sheet.write_bytes(text)
    (tmp_path / "pull.csv").unlink()
    with pytest.raises(ImportRefusedError, match=r"pull\.csv cannot be read"):
        carry_out(book, plan, WHO)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('printer = "printer"', 'printer = { column = "printer", file = true }',
         "factors.printer.file: a factor is a number or a word, not a file"),
        ('"force", unit = "N" }', '"force", unit = "N", u = 2 }',
         "readings.tensile.max_force.u: max_force has its uncertainty from its step and instrument"),
        ('"force", unit = "N" }', '"force" }',
         'readings.tensile.max_force.unit is missing: write unit = "N", or what the sheet has'),
        ('"force", unit = "N" }', '"force", unit = "kg" }',
         "readings.tensile.max_force.unit 'kg' cannot be converted to N; allowed is any unit of that kind"),
        ('"curve", file = true }', '"curve" }', "readings.tensile.curve is a file: write file = true"),
        ('"force", unit = "N" }', '"force", unit = "N", file = true }',
         "readings.tensile.max_force is not a file: leave out file = true"),
        ('printer = "printer"', 'printer = { column = "printer", unit = "mm" }',
         "factors.printer.unit is 'mm', and the name 'printer' does not end in the unit"),
    ],
)  # fmt: skip
def test_what_does_not_fit_a_map_is_said_by_its_key(
    book: Book, tmp_path: Path, old: str, new: str, said: str
) -> None:
    """With what to write."""
    with pytest.raises(MapError) as refusal:
        plan_of(book, load(), tmp_path, columns=MAP.replace(old, new))
    assert [line for line in refusal.value.lines if line.startswith(said)]


def test_a_recording_beside_the_sheet_is_read_whole(tmp_path: Path) -> None:
    """With the name of its file; below a folder that folder is remembered."""
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "pull.csv").write_bytes(b"1;2")
    besides = Besides(tmp_path)
    found = besides.recording("pull.csv")
    assert (found.name, found.data, besides.below) == ("pull.csv", b"1;2", {"runs"})
