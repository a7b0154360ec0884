"""Results as sums of plates: the same table as from every result by itself."""

from __future__ import annotations

import gc
import random
import statistics
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from tracker.book import Book
from tracker.model import (
    FactorRecord,
    Job,
    JobSpool,
    Material,
    Measurement,
    Result,
    Specimen,
    Spool,
)
from tracker.selection import parse_filter, quantities_of, result_rows
from tracker.table import summary_table
from tracker.table.results import Column, Note, _merged, notes

QUANTITY = "tensile.strength"
ORIENTATIONS = ("XY", "XYZ", "YXZ", "XZY", "ZXY", None)


@pytest.fixture
def bench(book: Book) -> Book:
    """Give a book with two materials, two spools and three jobs: one from two spools, one without."""
    with book.act("prepare", "Ada Bench") as act:
        act.session.add_all(Material(name=name, family="ASA") for name in ("Quarzit ASA", "Basalt PA"))
        act.session.flush()
        act.session.add_all([Spool(material_id=1), Spool(material_id=2)])
        act.session.add_all(Job(name=f"plate {n}", material_id=2 if n == 2 else None) for n in (1, 2, 3))
        act.session.flush()
        act.session.add_all([JobSpool(job_id=1, spool_id=1, tool=0), JobSpool(job_id=1, spool_id=2, tool=1)])
    return book


def pulled(
    book: Book, job: int, orientation: str | None, values: Sequence[float | None], **how: Any
) -> list[int]:
    """Add pieces to a job, each with one result; returns their numbers."""
    made = []
    with book.act("test", "Ada Bench") as act:
        for value in values:
            taken = act.session.query(Specimen).filter_by(job_id=job).count()
            specimen = Specimen(job_id=job, piece=taken + 1, orientation=orientation)
            act.session.add(specimen)
            act.session.flush()
            read(act.session, specimen.id, value, **how)
            made.append(specimen.id)
    return made


def read(session: Any, specimen: int, value: float | None, **how: Any) -> None:
    """Add a measurement with one result to a piece."""
    beside = {name: how.pop(name) for name in ("water_pct", "conditioned_rh_pct") if name in how}
    measurement = Measurement(specimen_id=specimen, method="tensile", source="typed", **beside)
    session.add(measurement)
    session.flush()
    fields = {"quantity": QUANTITY, "unit": "MPa", "counted": True, "remarks": []} | how
    session.add(Result(measurement_id=measurement.id, value=value, **fields))
    session.flush()


def means(book: Book) -> list[tuple[str, str, int, float | None]]:
    """Return material, orientation, pieces and mean of every cell."""
    return [
        (row.material, column.orientation, cell.n, cell.mean)
        for row in summary_table(book).rows
        for column, cell in row.cells.items()
    ]


def test_a_mean_is_that_of_its_values(bench: Book) -> None:
    """Mean and standard deviation are those of Python's own statistics module."""
    values = [48.2, 47.5, 49.1, 48.8, 47.9]
    pulled(bench, 1, "XY", values)
    ((_, cell),) = summary_table(bench).rows[0].cells.items()

    assert cell.n == 5
    assert cell.mean == pytest.approx(statistics.fmean(values), rel=1e-12)
    assert cell.sd == pytest.approx(statistics.stdev(values), rel=1e-9)


def test_a_small_scatter_about_a_large_value_is_not_lost(bench: Book) -> None:
    """A scatter in the tenth digit is found: sums of squares about zero would give nothing."""
    pulled(bench, 1, "XY", [3e9 + 0.1, 3e9 + 0.2, 3e9 + 0.3])
    ((_, cell),) = summary_table(bench).rows[0].cells.items()

    assert cell.sd == pytest.approx(0.1, rel=1e-4)


def test_pieces_alike_have_no_scatter_where_a_filter_sums_them_up(bench: Book) -> None:
    """Summed up about the first value, 10.0, squares of three times 3.1 come out 4e-15 below zero."""
    pulled(bench, 1, "XY", [10.0])
    pulled(bench, 2, "XY", [13.1, 13.1, 13.1])
    cells = {
        row.material: cell
        for row in summary_table(bench, where=parse_filter("counted=yes")).rows
        for cell in row.cells.values()
    }

    assert (cells["Basalt PA"].n, cells["Basalt PA"].sd) == (3, pytest.approx(0.0, abs=1e-6))
    assert cells["Basalt PA"].mean == pytest.approx(13.1)


def test_the_material_is_that_of_the_first_tools_spool(bench: Book) -> None:
    """A job with two spools counts once, under the material of its first tool."""
    pulled(bench, 1, "XY", [48.0])

    assert means(bench) == [("Quarzit ASA", "flat", 1, 48.0)]


def test_without_spool_the_jobs_own_material_counts(bench: Book) -> None:
    """A job whose spool is not recorded has the material it names; one without either has none."""
    pulled(bench, 2, "Z", [20.0])
    pulled(bench, 3, None, [30.0])

    assert means(bench) == [("Basalt PA", "upright", 1, 20.0), ("not recorded", "", 1, 30.0)]


@pytest.mark.parametrize(
    "how", [{"counted": False}, {"quantity": "tensile.modulus"}, {"value": None, "refused": "no section"}]
)
def test_what_does_not_count_is_not_in_it(bench: Book, how: dict[str, Any]) -> None:
    """Results set aside, of another quantity, or refused leave the mean as it was."""
    pulled(bench, 1, "XY", [48.0])
    pulled(bench, 1, "XY", [how.get("value", 1.0)], **{key: how[key] for key in how if key != "value"})

    assert summary_table(bench).rows[0].cells[QUANTITY, "flat", ""].mean == 48.0


def test_limits_are_counted_apart(bench: Book) -> None:
    """A piece that did not break says "more than": it is counted and not averaged."""
    pulled(bench, 1, "XY", [48.0])
    pulled(bench, 1, "XY", [60.0], relation=">")
    ((_, cell),) = summary_table(bench).rows[0].cells.items()

    assert (cell.n, cell.mean, cell.sd, cell.limits) == (1, 48.0, None, ("> 60 MPa",))


def test_limits_alone_have_no_mean(bench: Book) -> None:
    """Where all are limits there is a row without a mean."""
    pulled(bench, 1, "XY", [60.0, 61.0], relation=">")
    ((_, cell),) = summary_table(bench).rows[0].cells.items()

    assert (cell.n, cell.mean, len(cell.limits)) == (0, None, 2)


def test_quantities_are_found_by_name(bench: Book) -> None:
    """Each quantity once, in order, however many results it has."""
    for quantity in ("b.two", "a.one", "b.two", "a.one", "c.three"):
        pulled(bench, 1, "XY", [1.0], quantity=quantity)
    with bench.connect() as connection:
        assert quantities_of(connection) == ["a.one", "b.two", "c.three"]


def a_book_of_everything(book: Book, seed: int) -> None:
    """Fill a book at random with all that a table has to tell apart."""
    rng = random.Random(seed)
    with book.act("more plates", "Ada Bench") as act:
        for number in range(4, 10):
            heat = {"chamber_set_c": 60.0, "chamber_measured_c": rng.choice([None, 39.0, 58.0, 61.0])}
            act.session.add(Job(name=f"plate {number}", material_id=rng.choice([1, 2]), **heat))
    for _ in range(14):
        job, orientation = rng.randint(1, 9), rng.choice(ORIENTATIONS)
        how: dict[str, Any] = {"quantity": rng.choice([QUANTITY, "impact.strength", "heat.t"])}
        if how["quantity"] == "impact.strength":
            how["group"] = rng.choice(["C", "H"])
        if how["quantity"] == "heat.t":
            how["unit"] = "degC"
        how["relation"] = rng.choice(["=", "=", "=", "=", ">"])
        how["counted"] = rng.random() < 0.9
        if rng.random() < 0.2:
            how["conditioned_rh_pct"] = rng.choice([50.0, 51.0, 23.0])
        values = [round(rng.gauss(40, 4), 1) for _ in range(rng.randint(1, 4))]
        pieces = pulled(book, job, orientation, values, **how)
        with book.act("more of a piece", "Ada Bench") as act:
            if rng.random() < 0.3:
                read(act.session, pieces[0], rng.gauss(40, 4), **how)
            if rng.random() < 0.3:
                wet = FactorRecord(
                    specimen_id=pieces[-1], name="treatment", text="wet", basis="typed", source="test"
                )
                act.session.add(wet)
    pulled(book, 1, "ZXY", [None], quantity="impact.strength", group="N")


def close(ours: Any, plain: Any) -> None:
    """Hold two answers to each other, numbers to nine digits."""
    if isinstance(ours, dict):
        assert ours.keys() == plain.keys()
        for key, value in ours.items():
            close(value, plain[key])
    elif isinstance(ours, list):
        assert len(ours) == len(plain)
        for one, other in zip(ours, plain, strict=True):
            close(one, other)
    elif isinstance(ours, float) and plain is not None:
        assert ours == pytest.approx(plain, rel=1e-9, abs=1e-9)
    else:
        assert ours == plain


@pytest.mark.parametrize("seed", range(5))
def test_sums_and_single_results_give_the_same_table(bench: Book, seed: int) -> None:
    """Whatever a book holds, the table from sums by plate is the plain one."""
    a_book_of_everything(bench, seed)
    grades = ["heat.t"] if seed == 0 else []

    def order(table: Any) -> list[Any]:
        rows = table.as_json()["rows"]
        for row in rows:
            row["cells"].sort(key=lambda cell: (cell["quantity"], cell["lie"], cell["group"] or ""))
            for cell in row["cells"]:
                both = sorted(zip(cell["results"], cell["values"], strict=True))
                cell["results"], cell["values"] = [a for a, _ in both], [b for _, b in both]
                cell["limits"].sort()
                cell["stated"] = ""
        return list(rows)

    # Filters that let in whole plates, some pieces of a plate, or what only a measurement tells.
    filters = (
        "",
        "chamber_c>50",
        "chamber_c!=58",
        "treatment=wet",
        "treatment!=wet",
        "orientation=XYZ",
        "counted=yes",
    )
    for text in filters:
        where = parse_filter(text) if text else None
        fast, plain = (
            summary_table(bench, where=where, ordinal=grades, plain=each) for each in (False, True)
        )
        close(order(fast), order(plain))
        assert fast.columns == plain.columns


def test_a_piece_of_another_material_than_its_plates_is_under_its_own(book: Book) -> None:
    """Of a plate printed from two spools each piece counts for its own material, by sums and one by one."""
    with book.act("bench", "Ada Bench") as act:
        for number, name in ((1, "Nordlicht ASA"), (2, "Heide PETG")):
            act.session.add(Material(id=number, name=name))
            act.session.flush()
            act.session.add(Spool(id=number, material_id=number))
        act.session.add(Job(id=1))
        act.session.flush()
        for number in (1, 2):
            act.session.add(JobSpool(job_id=1, spool_id=number, tool=number - 1, pieces=[number]))
            act.session.add(Specimen(id=number, job_id=1, piece=number, orientation="XYZ"))
            act.session.flush()
            act.session.add(Measurement(id=number, specimen_id=number, method="tensile", source="given"))
            act.session.flush()
            act.session.add(
                Result(
                    measurement_id=number, quantity="tensile.strength", value=40.0 + number, unit="MPa",
                    remarks=[], counted=True,
                )
            )  # fmt: skip

    for plain in (False, True):
        rows = summary_table(book, plain=plain).rows
        means = {row.material: next(iter(row.cells.values())).mean for row in rows}
        assert means == {"Nordlicht ASA": 41.0, "Heide PETG": 42.0}
    with book.connect() as connection:
        found = result_rows(connection, materials=["Heide PETG"])
    assert [row.material for row in found] == ["Heide PETG"]


def test_sums_of_one_plate_are_put_together() -> None:
    """Two pieces and one of plate 7: n, mean, squares about it, least and greatest are those of all three."""
    rows = np.array(
        [[7, 2, 11.0, 2.0, 10.0, 12.0], [7, 1, 17.0, 0.0, 17.0, 17.0], [9, 1, 5.0, 0.0, 5.0, 5.0]]
    )

    # 10, 12 and 17: mean 13, squares 9 + 1 + 16.
    assert _merged(rows).tolist() == [[7, 3, 13.0, 26.0, 10.0, 17.0], [9, 1, 5.0, 0.0, 5.0, 5.0]]


@pytest.mark.parametrize(
    ("letters", "method", "concerned"),
    [
        (None, None, {"flat", "upright", "on edge", "modulus", "impact"}),
        ("XYZ", None, {"flat", "modulus", "impact"}),
        ("ZXY", None, {"upright"}),
        ("XZY", None, {"on edge"}),
        (None, "tensile", {"flat", "upright", "on edge", "modulus"}),
        ("XYZ", "impact", {"impact"}),
        ("ZXY", "impact", set()),
        (None, "imp", set()),
    ],
)
def test_a_note_concerns_the_columns_of_its_piece_and_its_method(
    letters: str | None, method: str | None, concerned: set[str]
) -> None:
    """On a plate all of them; on a piece those of its orientation; beside a measurement its method's."""
    columns = {
        "flat": Column(QUANTITY, "flat"), "upright": Column(QUANTITY, "upright"),
        "on edge": Column(QUANTITY, "on edge"), "modulus": Column("tensile.modulus", "flat"),
        "impact": Column("impact.strength", "flat", "C"),
    }  # fmt: skip
    note = Note("stringy", 1, None if letters is None else 3, letters, method)

    assert {name for name, column in columns.items() if note.concerns(column)} == concerned


def test_notes_of_jobs_pieces_and_measurements_are_read(bench: Book) -> None:
    """Each with what it stands beside; an empty one says nothing; of some jobs alone where they are named."""
    (piece,) = pulled(bench, 1, "XY", [48.0])
    pulled(bench, 2, "Z", [20.0])
    with bench.act("note", "Ada Bench") as act:
        act.session.get_one(Job, 1).note, act.session.get_one(Job, 2).note = "stringy", ""
        specimen = act.session.get_one(Specimen, piece)
        specimen.remark, specimen.note = "a blob", "weighed twice"
        for number, remark in ((1, "slipped"), (2, "late")):
            act.session.get_one(Measurement, number).remark = remark
    with bench.connect() as connection:
        every, one = notes(connection), notes(connection, [2])

    assert sorted(every, key=lambda note: note.text) == [
        ("a blob", 1, piece, "XY", None), ("late", 2, piece + 1, "Z", "tensile"),
        ("slipped", 1, piece, "XY", "tensile"), ("stringy", 1, None, None, None),
        ("weighed twice", 1, piece, "XY", None),
    ]  # fmt: skip
    assert one == [("late", 2, piece + 1, "Z", "tensile")]
    with bench.connect() as connection:
        assert notes(connection, []) == []


def spool_tested(book: Book, spool: int, values: Sequence[float]) -> None:
    """Add measurements of a spool itself."""
    with book.act("test", "Ada Bench") as act:
        for value in values:
            row = Measurement(spool_id=spool, method="moisture", source="typed")
            act.session.add(row)
            act.session.flush()
            act.session.add(
                Result(
                    measurement_id=row.id, quantity="moisture.loss", value=value, unit="percent", remarks=[],
                    counted=True,
                )
            )  # fmt: skip


def test_what_was_measured_of_a_spool_stands_under_its_material(bench: Book) -> None:
    """Without a plate or a condition; the numbers and the spool behind it are named as of a piece."""
    with bench.act("test", "Ada Bench") as act:
        act.session.get_one(Spool, 2).supplied = "given"
    pulled(bench, 1, "XY", [48.0])
    spool_tested(bench, 2, [0.4, 0.6])
    for plain in (False, True):
        (row,) = (each for each in summary_table(bench, plain=plain).rows if each.material == "Basalt PA")
        (cell,) = row.cells.values()

        assert (row.spools, row.jobs, row.supply) == ({2}, frozenset(), ("given",))
        assert (cell.mean, cell.values) == (pytest.approx(0.5), (0.4, 0.6))
        assert cell.numbers == (2, 3)


@pytest.mark.parametrize("on", [True, False])
def test_the_collector_of_cycles_is_left_as_it_was(bench: Book, on: bool) -> None:
    """Kept away while a table is built, and never switched on for a program that had switched it off."""
    pulled(bench, 1, "XY", [48.0])
    was = gc.isenabled()
    try:
        (gc.enable if on else gc.disable)()
        summary_table(bench)
        assert gc.isenabled() is on
    finally:
        (gc.enable if was else gc.disable)()
