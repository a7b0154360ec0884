"""Outlines of a job's pieces, as its plate file tells of them."""

from __future__ import annotations

from tests.desk.bench import WHO, a_job, a_material, a_spool, row_of
from tests.desk.test_logs import a_plate_job
from tests.realdata import real_data
from tracker.book import Book
from tracker.desk.jobplates import PlateFile
from tracker.desk.jobs import add_job
from tracker.desk.platemaps import outlines_of


def test_a_piece_is_outlined_where_its_plate_file_lays_it(book: Book) -> None:
    """The tower at x 20 mm, 9.6 mm along its middle line and a line wider, has that box's corners."""
    row = row_of(book, a_plate_job(book))
    outline = next(iter(outlines_of(row).values()))
    box = row.specimens[0].plate_facts["box_mm"]
    assert outline == ((box[0], box[1]), (box[3], box[1]), (box[3], box[4]), (box[0], box[4]))


def test_without_a_plate_file_nothing_is_outlined(book: Book) -> None:
    """Pieces typed by hand lie nowhere."""
    assert outlines_of(row_of(book, a_job(book).id)) == {}


def test_the_pieces_of_a_real_plate_lie_apart(book: Book) -> None:
    """Four objects of a sliced plate have four outlines of which no two middles coincide."""
    a_material(book)
    file = PlateFile("plate.gcode", real_data("plates", "four-objects-m486.gcode").read_bytes())
    row = row_of(book, add_job(book, WHO, {}, spools=[a_spool(book)], plate=file).id)
    middles = {
        tuple(round(sum(axis) / 4) for axis in zip(*each, strict=True)) for each in outlines_of(row).values()
    }
    assert len(middles) == 4
