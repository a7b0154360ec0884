"""Lists: one statement each, the same rows for people and for machines."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from typing import Any

import pytest

from tests.books import fill
from tests.desk.bench import (
    WHO,
    Spooled,
    a_calibrated_rig,
    a_job,
    a_material,
    a_pull,
    a_spool,
    plugged_with,
)
from tracker.book import Book
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job
from tracker.desk.measuring import measure
from tracker.desk.voiding import judge
from tracker.kinds import LISTS, listed
from tracker.stating import state_row


def rows(book: Book, kind: str, zone: dt.tzinfo | None = None) -> list[dict[str, Any]]:
    """Return a list."""
    with book.connect() as connection:
        return list(listed(connection, kind, zone))


@pytest.mark.parametrize("kind", LISTS)
def test_an_empty_book_has_empty_lists(book: Book, kind: str) -> None:
    """Nothing is made up."""
    assert rows(book, kind) == []


@pytest.mark.parametrize("kind", LISTS)
def test_a_filled_book_lists_every_kind(book: Book, kind: str) -> None:
    """One row of each at least."""
    fill(book)
    assert rows(book, kind)


def test_pieces_name_the_material_of_their_first_spool(book: Book) -> None:
    """Of two spools the one in tool 0 is what a piece is made of."""
    a_material(book, "Support PVA")
    a_material(book)
    a_job(book, "bar:X:1", spools=(a_spool(book), a_spool(book, "Support PVA")))
    assert [(row["id"], row["material"]) for row in rows(book, "specimens")] == [
        ("J0001-01-Z", "Nordlicht ASA")
    ]


def test_pieces_without_a_spool_name_the_material_of_their_job(book: Book) -> None:
    """Where only the material is known, it is shown."""
    a_material(book)
    add_job(book, WHO, {}, material="Nordlicht ASA", pieces=[read_piece("bar:X:2")])
    assert [row["material"] for row in rows(book, "specimens")] == ["Nordlicht ASA"] * 2


def test_results_on_a_spool_name_its_material(book: Book) -> None:
    """The spool stands where the piece would."""
    a_material(book)
    spool = a_spool(book)
    measure(book, WHO, plugged_with(Spooled()), spool, "spooled", {"load": "5"})
    row = rows(book, "results")[0]
    assert (row["specimen"], row["material"], row["value"]) == (spool, "Nordlicht ASA", 5.0)


def test_people_see_the_digits_that_mean_something(book: Book) -> None:
    """Two of the uncertainty, as JCGM 100:2008, 7.2.6, has it; machines get all."""
    a_pull(book, a_job(book).also[0], rigs=[a_calibrated_rig(book)])
    full, short = rows(book, "results")[0], rows(book, "results", dt.UTC)[0]
    shown = state_row(full).text
    assert short["stated"] == shown
    assert shown == "45.75 ± 0.12 MPa (U, k = 2.0, 95 %)"
    assert "uncertainty" not in short


def test_each_result_is_listed_once_whatever_the_number_of_spools(book: Book) -> None:
    """A second spool does not double the results."""
    a_material(book)
    job = a_job(book, "bar:X:1", spools=(a_spool(book), a_spool(book)))
    a_pull(book, job.also[0])
    assert len(rows(book, "results")) == 1


def test_moments_are_rfc_3339_in_utc_for_machines(book: Book) -> None:
    """With their offset."""
    a_job(book, started_at="2026-03-02T08:30+02:00")
    assert rows(book, "jobs")[0]["started_at"] == "2026-03-02T06:30:00+00:00"


def test_moments_are_local_to_the_minute_for_people(book: Book) -> None:
    """Vienna is an hour ahead of UTC in March."""
    a_job(book, started_at="2026-03-02T08:30+02:00")
    vienna = zoneinfo.ZoneInfo("Europe/Vienna")
    assert rows(book, "jobs", vienna)[0]["started_at"] == "2026-03-02 07:30"


def test_a_job_counts_its_pieces(book: Book) -> None:
    """Three bars are three."""
    a_job(book)
    assert rows(book, "jobs")[0]["pieces"] == 3


def test_a_result_is_listed_with_all_that_scripts_read(book: Book) -> None:
    """The keys are a promise; a value is nothing without its unit."""
    job = a_job(book)
    pull = a_pull(book, job.also[0], rigs=[a_calibrated_rig(book)])
    strength = rows(book, "results")[0]
    assert strength.pop("uncertainty") == pytest.approx(0.05, rel=0.5)
    for stated in ("expanded_uncertainty", "low", "high", "stated"):
        assert strength.pop(stated) is not None
    assert strength.pop("k") == pytest.approx(1.96, abs=0.001)
    assert strength == {
        "measurement": pull.id, "specimen": job.also[0], "material": "Nordlicht ASA",
        "quantity": "tensile.strength", "value": 45.75, "unit": "MPa", "relation": "=",
        "dof": None, "coverage": 0.95, "group": None, "counted": True, "refused": None,
    }  # fmt: skip


def test_a_result_set_aside_is_listed_as_not_counted(book: Book) -> None:
    """Scripts that average the list must see which results a verdict keeps out."""
    first, second, *_ = a_job(book).also
    aside = a_pull(book, first).id
    a_pull(book, second)
    judge(book, WHO, aside, counted=False, reason="slipped")
    found = {row["measurement"]: row["counted"] for row in rows(book, "results")}
    assert (found.pop(aside), list(found.values())) == (False, [True])


def test_a_refused_result_is_listed_with_its_reason(book: Book) -> None:
    """No value, and why."""
    a_pull(book, a_job(book).also[0], {"max_force": "1830"}, incomplete=True)
    row = rows(book, "results")[0]
    assert (row["value"], row["refused"].startswith("no section")) == (None, True)


def test_each_result_is_listed_with_its_own_measurement_and_material(book: Book) -> None:
    """Of two materials, two jobs and two pulls none takes the other's place."""
    for name in ("Nordlicht ASA", "Support PVA"):
        a_material(book, name)
        a_pull(book, a_job(book, "bar:X:1", spools=(a_spool(book, name),)).also[0])
    assert [(row["measurement"], row["specimen"], row["material"]) for row in rows(book, "results")] == [
        (pull["id"], pull["specimen"], name)
        for pull, name in zip(rows(book, "measurements"), ("Nordlicht ASA", "Support PVA"), strict=True)
    ]


def test_each_piece_is_listed_with_the_material_of_its_own_job(book: Book) -> None:
    """Of two materials each piece names the one it was printed from."""
    for name in ("Nordlicht ASA", "Support PVA"):
        a_material(book, name)
        a_job(book, "bar:X:1", spools=(a_spool(book, name),))
    assert [row["material"] for row in rows(book, "specimens")] == ["Nordlicht ASA", "Support PVA"]
