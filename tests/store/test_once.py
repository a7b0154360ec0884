"""Forms that come twice are done once, whoever brings them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import func, select

from tests.desk.bench import WHO, add_material
from tracker.acts import DoneBefore
from tracker.book import Book, open_book
from tracker.desk.doubts import Done
from tracker.forms import FormError
from tracker.model import Material

ROOT = Path(__file__).resolve().parents[2]

SENT = """
import os, sys
from tracker.acts import DoneBefore
from tracker.book import open_book
from tests.desk.bench import add_material
# Forked, so that the program is loaded once; each opens the book for itself.
for number in range(4):
    if not os.fork():
        told = "failed"
        try:
            with open_book(sys.argv[1]) as book:
                add_material(book.keyed("one"), "Ada", {"name": f"Nordlicht {number}"})
                told = "made"
        except DoneBefore:
            told = "before"
        finally:
            os.write(1, f"{told}\\n".encode())
            os._exit(0)
for _ in range(4):
    os.wait()
"""


def sent(book: Book, key: str, name: str) -> Done:
    """Send a form under a key."""
    return add_material(book.keyed(key), WHO, {"name": name})


def materials(book: Book) -> int:
    """Return how many there are."""
    with book.read() as session:
        return session.scalar(select(func.count()).select_from(Material)) or 0


def test_the_second_time_tells_what_was_made_the_first(book: Book) -> None:
    """And makes nothing, even where the form differs."""
    made = sent(book, "one", "Nordlicht ASA")
    with pytest.raises(DoneBefore) as caught:
        sent(book, "one", "Nordlicht PC")
    assert (caught.value.id, materials(book)) == (made.id, 1)


def test_another_key_is_another_form(book: Book) -> None:
    """Alike or not."""
    sent(book, "one", "Nordlicht ASA")
    sent(book, "two", "Nordlicht PC")
    assert materials(book) == 2


def test_without_a_key_nothing_is_remembered(book: Book) -> None:
    """The command line sends none."""
    assert book.keyed("") is book


def test_a_refused_form_leaves_its_key_free(book: Book) -> None:
    """What was put right is sent under the same key."""
    with pytest.raises(FormError, match="Name of the product is missing"):
        sent(book, "one", "")
    assert sent(book, "one", "Nordlicht ASA").id


def test_the_key_outlives_the_program(book: Book, book_place: str) -> None:
    """It is in the book, not in a server's memory."""
    sent(book, "one", "Nordlicht ASA")
    with open_book(book_place) as later, pytest.raises(DoneBefore, match="Nordlicht ASA"):
        later.check_new("one")


def test_of_several_programs_one_does_it(book: Book, book_place: str) -> None:
    """Four processes with one form: one makes it, three tell what it made."""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    asked = [sys.executable, "-c", SENT, book_place]
    told = sorted(
        subprocess.run(asked, stdout=subprocess.PIPE, text=True, env=env, check=True).stdout.split()
    )
    assert (told, materials(book)) == (["before", "before", "before", "made"], 1)
