"""Means by material and orientation."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from typing import Any

import pytest

from tracker.book import Book
from tracker.model import Job, JobSpool, Material, Measurement, Result, Specimen, Spool
from tracker.table.means import Mean, means_by

QUANTITY = "tensile.strength"


@pytest.fixture
def bench(book: Book) -> Book:
    """Give a book with two materials: one printed from a spool, one of which only the name is known."""
    with book.act("test", "Ada Bench") as act:
        add = act.session.add_all
        add([Material(name="Quarzit ASA"), Material(name="Basalt PA")])
        act.session.flush()
        add([Spool(material_id=1), Spool(material_id=2)])
        add([Job(material_id=None), Job(material_id=2), Job(material_id=None)])
        act.session.flush()
        add([JobSpool(job_id=1, spool_id=1, tool=0), JobSpool(job_id=1, spool_id=2, tool=1)])
        act.session.flush()
    return book


def pulled(book: Book, job: int, orientation: str | None, values: Sequence[float | None], **how: Any) -> None:
    """Add pieces to a job, each with one result."""
    with book.act("test", "Ada Bench") as act:
        for value in values:
            taken = act.session.query(Specimen).filter_by(job_id=job).count()
            specimen = Specimen(job_id=job, piece=taken + 1, orientation=orientation)
            act.session.add(specimen)
            act.session.flush()
            measurement = Measurement(specimen_id=specimen.id, method="tensile", source="typed")
            act.session.add(measurement)
            act.session.flush()
            fields = {"quantity": QUANTITY, "unit": "MPa", "counted": True, "remarks": []} | how
            act.session.add(Result(measurement_id=measurement.id, value=value, **fields))
            act.session.flush()


def test_a_mean_is_that_of_its_values(bench: Book) -> None:
    """Mean and standard deviation are those of the statistics module."""
    values = [48.2, 47.5, 49.1, 48.8, 47.9]
    pulled(bench, 1, "XY", values)
    (mean,) = means_by(bench, QUANTITY)

    assert mean.count == 5
    assert mean.mean == pytest.approx(statistics.fmean(values), rel=1e-12)
    assert mean.sd == pytest.approx(statistics.stdev(values), rel=1e-9)


def test_a_small_scatter_about_a_large_value_is_not_lost(bench: Book) -> None:
    """A scatter in the tenth digit is found: sums of squares about zero would give nothing."""
    values = [3e9 + 0.1, 3e9 + 0.2, 3e9 + 0.3]
    pulled(bench, 1, "XY", values)

    assert means_by(bench, QUANTITY)[0].sd == pytest.approx(0.1, rel=1e-4)


def test_the_material_is_that_of_the_first_tools_spool(bench: Book) -> None:
    """A job with two spools counts once, under the material of its first tool."""
    pulled(bench, 1, "XY", [48.0])

    assert [(mean.material, mean.count) for mean in means_by(bench, QUANTITY)] == [("Quarzit ASA", 1)]


def test_without_spool_the_jobs_own_material_counts(bench: Book) -> None:
    """A job whose spool is not recorded has the material it names; one without either has none."""
    pulled(bench, 2, "Z", [20.0])
    pulled(bench, 3, None, [30.0])

    assert [(mean.material, mean.orientation) for mean in means_by(bench, QUANTITY)] == [
        (None, None), ("Basalt PA", "Z"),
    ]  # fmt: skip


def test_orientations_are_kept_apart(bench: Book) -> None:
    """One material, two orientations, two means, in order of their letters, over several plates."""
    pulled(bench, 2, "Z", [20.0, 22.0])
    pulled(bench, 2, "XY", [40.0])

    assert [(mean.orientation, mean.mean, mean.sd) for mean in means_by(bench, QUANTITY)] == [
        ("XY", 40.0, None), ("Z", 21.0, pytest.approx(2**0.5)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "how", [{"counted": False}, {"quantity": "tensile.modulus"}, {"value": None, "refused": "no section"}]
)
def test_what_does_not_count_is_not_in_it(bench: Book, how: dict[str, Any]) -> None:
    """Results set aside, of another quantity, or refused leave the mean as it was."""
    pulled(bench, 1, "XY", [48.0])
    pulled(bench, 1, "XY", [how.get("value", 1.0)], **{key: how[key] for key in how if key != "value"})

    assert means_by(bench, QUANTITY)[0].mean == 48.0


def test_limits_are_counted_apart(bench: Book) -> None:
    """A piece that did not break says "more than": it is counted and not averaged."""
    pulled(bench, 1, "XY", [48.0])
    pulled(bench, 1, "XY", [60.0], relation=">")

    assert means_by(bench, QUANTITY) == [Mean("Quarzit ASA", "XY", "MPa", 1, 48.0, None, 1)]


def test_limits_alone_have_no_mean(bench: Book) -> None:
    """Where all are limits there is a row without a mean."""
    pulled(bench, 1, "XY", [60.0, 61.0], relation=">")

    assert means_by(bench, QUANTITY) == [Mean("Quarzit ASA", "XY", "MPa", 0, None, None, 2)]


def test_nothing_measured_is_an_empty_list(bench: Book) -> None:
    """A quantity that nothing has makes no rows."""
    assert means_by(bench, QUANTITY) == []
