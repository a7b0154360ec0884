"""Several writers at once: nothing lost, one order, nobody left waiting."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from pathlib import Path

import pytest
from sqlalchemy import func, select

from tests.books import add_material, fill
from tests.databases import Places
from tests.store import writers
from tracker.book import BOOK_FILE, Book, BookError, open_book
from tracker.kinds import listed
from tracker.model import Job, Material, Specimen
from tracker.selection import narrowed, parse_filter
from tracker.table import summary_table
from tracker.verify import verify
from tracker.write_queue import wait_turn

ACTS = 480


def test_eight_writers(book_place: str) -> None:
    """Eight programs do 480 acts at once: all are there, and the chain is whole."""
    done = writers.run(book_place, 8, ACTS)

    with open_book(book_place) as book, book.read() as session:
        assert session.scalar(select(func.count()).select_from(Specimen)) == done.acts
        assert verify(book).clean


def test_threads_of_one_program(book: Book) -> None:
    """Threads that share a book write one after another, each whole."""
    fill(book)

    def write(name: str) -> None:
        for number in range(10):
            add_material(book, f"{name} {number}")

    threads = [threading.Thread(target=write, args=(f"thread {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    with book.read() as session:
        assert session.scalar(select(func.count()).select_from(Material)) == 41
    assert verify(book).clean


def test_the_right_to_write_comes_first(places: Places) -> None:
    """An act holds the right to write before it has written anything, so it never fails half-way."""
    place = places.fresh("sqlite")
    with open_book(place) as book, book.act("material add", "Ada"):
        bare = sqlite3.connect(Path(place, BOOK_FILE), timeout=0, isolation_level=None)
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            bare.execute("BEGIN IMMEDIATE")
        bare.close()


def test_reading_goes_on(book: Book, book_place: str) -> None:
    """Who reads while another writes sees the book as it was before the act."""
    with open_book(book_place) as other, book.act("material add", "Ada") as act:
        act.session.add(Material(name="new"))
        act.session.flush()
        with other.read() as session:
            assert session.scalar(select(func.count()).select_from(Material)) == 0


def test_no_question_waits_for_a_writer(book: Book, book_place: str) -> None:
    """Lists, filters, the table and verify are answered while an act has the right to write and uses it."""
    fill(book)
    with open_book(book_place) as other, book.act("amend", "Ben") as act:
        act.session.get_one(Specimen, 2).note = "bent"
        act.session.get_one(Job, 1).nozzle_set_c = 240.0
        act.session.flush()
        with other.connect() as connection:
            # On a server a wait of any length would be an error here.
            if connection.dialect.name != "sqlite":
                connection.exec_driver_sql("SET lock_timeout = '1ms'")
            within = narrowed(connection, parse_filter("counted=yes nozzle_c!=1"), "results")
            assert list(listed(connection, "results", where=(*within.conditions, *within.of_results)))
        assert summary_table(other).rows
        assert verify(other).clean


def test_one_state(book: Book, book_place: str) -> None:
    """One reading session sees one state of the book, whatever is written meanwhile."""
    with open_book(book_place) as other, book.read() as session:
        count = select(func.count()).select_from(Material)
        before = session.scalar(count)

        add_material(other)

        assert session.scalar(count) == before


def _fail_half_way(book: Book) -> None:
    with book.act("material add", "Ada") as act:
        act.session.add(Material(name="half"))
        act.session.flush()
        raise ZeroDivisionError


def test_an_act_that_fails(book: Book) -> None:
    """An act that raises leaves nothing, and the next one gets its number."""
    fill(book)
    before = verify(book).counts

    with pytest.raises(ZeroDivisionError):
        _fail_half_way(book)

    assert verify(book).counts == before
    assert add_material(book, "whole") == 2


def test_patience(book_template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who finds somebody else writing for very long is told so."""
    monkeypatch.setattr("tracker.book.book.BUSY_S", 0.05)
    shutil.copytree(book_template, tmp_path / "b")

    with wait_turn(tmp_path / "b" / BOOK_FILE, 1) as ours, open_book(str(tmp_path / "b")) as book:
        assert ours
        with pytest.raises(BookError, match="is being written by somebody else"):
            add_material(book)


def test_the_turn_ends(tmp_path: Path) -> None:
    """A turn that was kept is free when its holder is done."""
    with wait_turn(tmp_path / "b", 1), wait_turn(tmp_path / "b", 0.01) as second:
        assert not second

    with wait_turn(tmp_path / "b", 0.01) as third:
        assert third
