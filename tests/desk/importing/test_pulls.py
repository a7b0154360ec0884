"""A real tester's 254 pulls, brought in by the column map of the documentation. Skipped without them.

Facts: ``tests/desk/importing/SOURCES.md``.
"""

from __future__ import annotations

import csv

import pytest
from sqlalchemy import select

from tests.conftest import BenchClock
from tests.databases import BEGUN_BY, Kept, Places
from tests.realdata import real_data
from tracker.book import Book, open_book
from tracker.desk.importing import Imported, Plan, carry_out, plan_import, read_map
from tracker.model import Measurement, MeasurementFile, Result, Specimen
from tracker.plugins import load

MAP = """
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


def bring_in(place: str) -> tuple[Plan, Imported]:
    """Bring the pulls into the empty book of a place; return what was planned and what was done."""
    table = real_data("pulls", "pulls.csv")
    with open_book(place, BenchClock()) as book:
        planned = plan_import(book, load(), table, read_map(MAP.encode(), "pulls.toml"))
        return planned, carry_out(book, planned, BEGUN_BY, sure=True)


@pytest.fixture
def pulls(places: Places, kind: str, kept: Kept) -> tuple[str, tuple[Plan, Imported]]:
    """Give the place of a book with the pulls, and how they came in: once a session, and copied."""
    return kept.copied(kind, bring_in, places)


@pytest.fixture
def book_place(pulls: tuple[str, tuple[Plan, Imported]]) -> str:
    """Give the place of a book with the pulls."""
    return pulls[0]


@pytest.fixture
def plan(pulls: tuple[str, tuple[Plan, Imported]]) -> Plan:
    """Give the plan of the pulls, made with an empty book."""
    return pulls[1][0]


@pytest.fixture
def done(pulls: tuple[str, tuple[Plan, Imported]]) -> Imported:
    """Give what bringing them in told."""
    return pulls[1][1]


@pytest.fixture
def written() -> list[dict[str, str]]:
    """Give the rows as the tester wrote them."""
    with real_data("pulls", "pulls.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_all_pieces_and_curves_are_there(done: Imported) -> None:
    """254 specimens and 209 curves; no line is left out."""
    assert (done.counts["specimens"], done.counts["files"], done.left_out) == (254, 209, 0)


def test_the_lines_without_area_are_named(plan: Plan, written: list[dict[str, str]]) -> None:
    """Exactly the 20 rows without area have their strength refused, each with its line."""
    without = [line for line, row in enumerate(written, start=2) if not row["area_mm2"]]
    refused = [each.line for each in plan.refused_quantities if each.quantity == "tensile.strength"]

    assert len(without) == 20
    assert refused == without


def test_strength_agrees_with_the_testers_own_figures(
    book: Book, done: Imported, written: list[dict[str, str]]
) -> None:
    """Strength from each curve's maximum is the written maximum over the area, within 0.01 MPa."""
    del done
    with book.read() as session:
        strengths = session.scalars(
            select(Result).where(Result.quantity == "tensile.strength").order_by(Result.measurement_id)
        ).all()
    compared = 0
    for row, result in zip(written, strengths, strict=True):
        if row["area_mm2"]:
            compared += 1
            expected = float(row["written_max_force_N"]) / float(row["area_mm2"])
            assert result.value == pytest.approx(expected, abs=0.01)
    assert compared == 234


def test_refused_strengths_keep_their_curves(book: Book, done: Imported) -> None:
    """The raw curves of pulls without area wait in the book: ten of the twenty were recorded."""
    del done
    with book.read() as session:
        waiting = session.scalars(
            select(MeasurementFile.sha256)
            .join(Result, Result.measurement_id == MeasurementFile.measurement_id)
            .where(Result.quantity == "tensile.strength", Result.value.is_(None))
        ).all()

    assert len(waiting) == 10
    assert all(book.files.unchanged(digest) for digest in waiting)


def test_the_moist_filament_is_a_factor(book: Book, done: Imported) -> None:
    """Four materials were printed moist; it is in the note and as a factor."""
    del done
    with book.read() as session:
        noted = session.scalars(select(Specimen.id).where(Specimen.note.contains("humidity"))).all()

    assert len(noted) == 40


def test_few_of_the_lines_are_asked_about(plan: Plan) -> None:
    """What the testers wrote is rarely doubted: each question is one more line to look at."""
    asked = plan.questions()

    assert 0 < len(asked) <= 8
    assert all("where the other" in each.question for each in asked)


def test_plates_are_named_by_their_columns(plan: Plan) -> None:
    """51 plates, each named by material, orientation and session."""
    assert len(plan.jobs) == 51
    assert "PETG-2 Z 1" in {job.name for job in plan.jobs}


def test_every_measurement_names_its_line(book: Book) -> None:
    """The last measurement says the file and the last line it came from."""
    with book.read() as session:
        last = session.scalars(select(Measurement).order_by(Measurement.id.desc())).first()

    assert last is not None
    assert last.remark == "From pulls.csv line 255."
