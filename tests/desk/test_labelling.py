"""Labels: what the book knows of a thing, short enough to be read at an arm's length."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from tracker_labels import Label, stocks

from tests.desk.bench import WHO, a_job, a_material, a_piece, a_pull, a_rig, a_spool, row_of
from tests.desk.test_logs import a_plate_job
from tracker.api import LabelDesign
from tracker.book import Book
from tracker.desk import labelling
from tracker.desk.dryings import start_drying
from tracker.desk.labelling import (
    DESIGNS,
    Design,
    LabelRefusedError,
    PrintError,
    label_of,
    label_sheet,
    plate_picture,
    print_pdf,
    stock_named,
)
from tracker.desk.offbed import PieceOutcome, take_off
from tracker.kinds import NotFoundError, find

STOCK = "a4-3x8"


def label(book: Book, target: str, line: str = "", design: Design = DESIGNS[0]) -> Label:
    """Return what is on the label of one thing."""
    with book.read() as session:
        return label_of(book, session, find(book, session, target), line, design)


def words(made: Label) -> Sequence[str]:
    """Return the four lines beside the code."""
    return made.material, made.orientation, made.date, made.line


def test_a_piece_shows_material_name_orientation_in_words_date_and_ones_own_line(book: Book) -> None:
    """What tells it from its neighbours on the shelf."""
    job = a_job(book, started_at="2026-03-02 07:00")
    made = label(book, job.also[0], "chamber 60")
    assert (made.id_text, *words(made)) == (
        job.also[0],
        "Nordlicht ASA",
        "bar · upright (ZXY)",
        "2026-03-02",
        "chamber 60",
    )


def test_the_code_holds_id_and_book(book: Book) -> None:
    """So that a label of another book is known as such."""
    piece = a_piece(book)
    assert label(book, piece).payload == f"{piece}.{book.code}"


def test_a_spool_shows_lot_and_day_received(book: Book) -> None:
    """A spool has no orientation."""
    a_material(book)
    spool = a_spool(book, lot="7731", received_on="2026-02-03")
    assert words(label(book, spool)) == ("Nordlicht ASA", "lot 7731", "2026-02-03", "")


def test_what_is_not_recorded_is_left_blank(book: Book) -> None:
    """A label guesses nothing."""
    assert words(label(book, a_piece(book))) == ("Nordlicht ASA", "bar · upright (ZXY)", "", "")


def test_a_drying_shows_heat_and_hours(book: Book) -> None:
    """What is on the tape on the oven."""
    a_material(book)
    done = start_drying(book, WHO, [a_spool(book)], {"set_c": 80, "planned_h": 6})
    assert words(label(book, done.id)) == ("Nordlicht ASA", "80 °C 6 h", "2026-03-02", "")


def test_a_rig_shows_its_name(book: Book) -> None:
    """To be scanned before the piece."""
    assert words(label(book, a_rig(book)))[:2] == ("Gantry", "rig")


def test_a_measurement_has_no_label(book: Book) -> None:
    """Its specimen has."""
    done = a_pull(book, a_piece(book))
    with pytest.raises(LabelRefusedError, match="Label its specimen"):
        label_sheet(book, [done.id], STOCK)


def test_a_design_by_lot_shows_the_lot_of_the_piece(book: Book) -> None:
    """Two lots side by side want their lot in large letters."""
    job = a_job(book)
    assert words(label(book, job.also[0], design=DESIGNS[1]))[1] == "L-17"


def test_a_design_of_a_plugin_is_used(book: Book) -> None:
    """It gets the facts and gives the lines."""
    design = LabelDesign("mine", "mine", lambda facts: [facts["job"], facts["name"]])
    job = a_job(book)
    assert words(label(book, job.also[0], design=design)) == (job.id, "bar", "", "")


def test_a_design_that_fails_is_refused_by_name(book: Book) -> None:
    """A plugin's fault is one line."""
    design = LabelDesign("mine", "mine", lambda facts: [facts["weather"]])
    piece = a_piece(book)
    with pytest.raises(LabelRefusedError, match="'mine' failed"):
        label(book, piece, design=design)


def test_a_job_stands_for_its_pieces_that_did_not_fail(book: Book) -> None:
    """What goes into the bin gets no label."""
    job = a_job(book)
    take_off(book, WHO, job.id, [PieceOutcome(2, "failed", "came loose")])
    sheet = label_sheet(book, [job.id], STOCK)
    both = label_sheet(book, [job.also[0], job.also[2]], STOCK)
    assert sheet.pages_png() == both.pages_png()


def test_a_job_of_failures_has_nothing_to_label(book: Book) -> None:
    """An empty sheet is not drawn."""
    job = a_job(book)
    take_off(book, WHO, job.id, [PieceOutcome(number, "failed", "loose") for number in (1, 2, 3)])
    with pytest.raises(LabelRefusedError, match="nothing to label"):
        label_sheet(book, [job.id], STOCK)


def test_a_stock_that_is_not_there_is_refused(book: Book) -> None:
    """With the names of those that are."""
    piece = a_piece(book)
    with pytest.raises(LabelRefusedError, match="a4-3x8"):
        label_sheet(book, [piece], "a4-3x9")


def test_a_thing_that_is_not_there_is_refused(book: Book) -> None:
    """No label is drawn of what nobody entered."""
    with pytest.raises(NotFoundError, match="There is no J0001-01-Z in this book"):
        label_sheet(book, ["J0001-01-Z"], STOCK)


@pytest.mark.parametrize("how", [{"start_at": 0}, {"start_at": 25}, {"dpi": 0.0}, {"dpi": -300.0}])
def test_places_and_dots_that_cannot_be_are_refused(book: Book, how: dict[str, float]) -> None:
    """A sheet of 24 has no 25th place."""
    piece = a_piece(book)
    with pytest.raises(LabelRefusedError, match=r"dpi is no printer's|a4-3x8 has no place"):
        label_sheet(book, [piece], STOCK, **how)  # type: ignore[arg-type] # as the command line may pass them


def test_a_stock_of_ones_own_that_is_not_there_is_refused() -> None:
    """The path is named."""
    with pytest.raises(LabelRefusedError, match=r"mine\.toml"):
        stock_named("mine.toml")


@pytest.mark.one_database("drawn after the name was read; that names come back as typed is tested on both")
@pytest.mark.parametrize("stock", sorted(stocks()))
@pytest.mark.parametrize("name", ["x" * 500, 'אסא "3" 🧪', "'; DROP TABLE"])
def test_any_name_fits_on_every_stock(book: Book, stock: str, name: str) -> None:
    """Text that does not fit is shortened; nothing fails."""
    a_material(book, name)
    spool = a_spool(book, name)
    assert label_sheet(book, [spool], stock, line=name).pages


def test_a_plate_is_in_small_behind_its_labels(book: Book) -> None:
    """Who sticks the labels sees which piece is which: each has its number in its outline."""
    job = row_of(book, a_plate_job(book))
    picture = plate_picture(job)

    assert picture is not None
    assert [number for number, _ in picture.pieces] == [str(piece.piece) for piece in job.specimens]
    corners = [corner for _, outline in picture.pieces for corner in outline]
    assert min(x for x, _ in corners) == pytest.approx(5)
    assert max(y for _, y in corners) == pytest.approx(picture.depth_mm - 5)


def test_the_picture_takes_the_place_after_the_last_label(book: Book) -> None:
    """Three pieces and their plate take four places; without the plate three."""
    job = a_plate_job(book)
    with_plate, without = (label_sheet(book, [job], STOCK, plate=each) for each in (True, False))

    assert len(with_plate.codes) == len(without.codes) == 3
    assert len(with_plate.pages[0].marks) > len(without.pages[0].marks)


def test_without_a_plate_file_there_is_no_picture(book: Book) -> None:
    """Pieces typed by hand lie nowhere."""
    assert plate_picture(row_of(book, a_job(book).id)) is None


def test_what_a_print_queue_says_when_it_refuses_is_passed_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The queue's own words are the reason, in text and without the line's end."""
    command = tmp_path / "lp"
    command.write_text("#!/bin/sh\necho 'tray 2 is empty' >&2\nexit 1\n", "utf-8")
    command.chmod(0o755)
    monkeypatch.setattr(labelling, "print_queues", lambda: ("bench",))
    monkeypatch.setattr(labelling.shutil, "which", lambda _name: str(command))
    with pytest.raises(PrintError) as refused:
        print_pdf(b"%PDF-1.7", "bench", "labels")
    assert refused.value.why == "tray 2 is empty"


def test_a_plate_in_small_reaches_five_millimetres_beyond_its_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bar of 80 by 10 mm that is at 100, 50 is drawn at 5, 5 on 90 by 20 mm."""
    bar = ((100.0, 50.0), (180.0, 50.0), (180.0, 60.0), (100.0, 60.0))
    monkeypatch.setattr(labelling, "name_of", lambda thing: thing.name)
    monkeypatch.setattr(labelling.platemaps, "outlines_of", lambda _job: {"bar": bar})
    job: Any = SimpleNamespace(
        name="J", specimens=[SimpleNamespace(name="bar", piece=1, plate_facts={"a": 1})]
    )
    picture = plate_picture(job)
    assert picture is not None
    assert [getattr(picture, each) for each in picture.__dataclass_fields__] == [
        "J", 90.0, 20.0, (("1", ((5.0, 5.0), (85.0, 5.0), (85.0, 15.0), (5.0, 15.0))),)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("there", "told", "queues"),
    [
        ({"lp", "lpstat"}, "bench\n  office_2 \n\nno name!\n", ("bench", "office_2")),
        ({"lpstat"}, "bench\n", ()),
        ({"lp"}, "bench\n", ()),
        (set(), "bench\n", ()),
        ({"lp", "lpstat"}, OSError(), ()),
        ({"lp", "lpstat"}, subprocess.TimeoutExpired("lpstat", 10), ()),
    ],
)
def test_print_queues_are_those_the_system_names(
    monkeypatch: pytest.MonkeyPatch, there: set[str], told: Any, queues: tuple[str, ...]
) -> None:
    """Where it can both name them and print; a line that is no name is none."""

    def answers(command: list[str], **how: Any) -> Any:
        assert how == {"capture_output": True, "text": True, "timeout": 10.0, "check": False}
        if isinstance(told, Exception):
            raise told
        assert command == ["/bin/lpstat", "-e"]
        return SimpleNamespace(stdout=told)

    monkeypatch.setattr(labelling.shutil, "which", lambda name: f"/bin/{name}" if name in there else None)
    monkeypatch.setattr(labelling.subprocess, "run", answers)
    labelling._queues.cache_clear()
    try:
        assert labelling.print_queues() == queues
    finally:
        labelling._queues.cache_clear()


def test_labels_are_printed_at_their_size(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the printer would fit them to; the file is the one handed over."""
    seen: list[Any] = []

    def prints(command: list[str], **how: Any) -> Any:
        assert how == {"capture_output": True, "text": True, "timeout": 10.0, "check": False}
        seen.append((command[:-1], Path(command[-1]).read_bytes()))
        return SimpleNamespace(returncode=0, stderr="")

    monkeypatch.setattr(labelling, "print_queues", lambda: ("bench",))
    monkeypatch.setattr(labelling.shutil, "which", lambda name: f"/bin/{name}")
    monkeypatch.setattr(labelling.subprocess, "run", prints)
    assert print_pdf(b"%PDF-1.7", "bench", "J0001") == "Sent to bench."
    command = ["/bin/lp", "-d", "bench", "-t", "J0001", "-o", "print-scaling=none", "-o", "fit-to-page=false"]
    assert seen == [(command, b"%PDF-1.7")]
    with pytest.raises(PrintError, match="There is no printer 'other' here"):
        print_pdf(b"", "other", "x")
    monkeypatch.setattr(labelling.shutil, "which", lambda _name: None)
    with pytest.raises(PrintError, match="This computer has no print queue"):
        print_pdf(b"", "bench", "x")
