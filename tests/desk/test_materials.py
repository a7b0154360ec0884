"""Materials: entered once, with ranges that can be."""

from __future__ import annotations

import pytest

from tests.desk.bench import WHO, a_material, add_material, entries, last_entry
from tracker.book import Book
from tracker.forms import FormError
from tracker.kinds import material_named


def test_a_material_is_kept_with_the_ranges_of_its_data_sheet(book: Book) -> None:
    """Temperatures typed in another unit are stored in °C."""
    a_material(book, nozzle_low_c="240", nozzle_high_c="500 °F")
    with book.read() as session:
        row = material_named(session, "nordlicht asa")
    assert [row.nozzle_low_c, row.nozzle_high_c] == pytest.approx([240.0, 260.0])


def test_a_range_upside_down_is_refused(book: Book) -> None:
    """The lowest temperature is not above the highest."""
    with pytest.raises(FormError, match="bed range runs from 110 to 90"):
        a_material(book, bed_low_c=110, bed_high_c=90)


def test_a_range_open_at_one_end_is_kept(book: Book) -> None:
    """A data sheet may state one end only."""
    assert a_material(book, chamber_low_c=60) == "Nordlicht ASA"


@pytest.mark.parametrize("name", ["Nordlicht ASA", "NORDLICHT asa", " nordlicht  ASA "])
def test_a_name_is_taken_once(book: Book, name: str) -> None:
    """The same name in other letters is the same material."""
    a_material(book)
    with pytest.raises(FormError, match="'Nordlicht ASA' already"):
        add_material(book, WHO, {"name": name})


def test_a_name_is_taken_outside_ascii_too(book: Book) -> None:
    """Neither database is asked to fold an umlaut."""
    a_material(book, "Ölweiß PLA")
    with pytest.raises(FormError, match="already"):
        a_material(book, "ÖLWEISS pla")


def test_a_refused_material_leaves_no_entry(book: Book) -> None:
    """What is refused is not in the journal."""
    a_material(book)
    before = entries(book)
    with pytest.raises(FormError, match="There is a material 'Nordlicht ASA' already"):
        a_material(book)
    assert entries(book) == before


def test_the_journal_names_the_material(book: Book) -> None:
    """One act, one entry, with who and what."""
    a_material(book)
    entry = last_entry(book)
    assert (entry.act, entry.who, '"Nordlicht ASA"' in entry.body) == ("material add", WHO, True)


@pytest.mark.parametrize(
    "name", ['O\'Brien "x"', "🧪 µ°", "אסא 3", "x" * 500, "'; DROP TABLE spool;--", "%_\\"]
)
def test_names_come_back_as_they_were_typed(book: Book, name: str) -> None:
    """No name means anything to the database."""
    a_material(book, name)
    with book.read() as session:
        assert material_named(session, name).name == name
