"""A program whose children write to a book until they are killed; the tests of faults start it.

It reads lines ``WORK PLACE SEED`` and for each forks a child, which does that work, prints what it has
promised to keep, and is killed by the test. Forking saves the second that starting Python takes, and what
was compiled for a first book that nobody kills.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Final

from sqlalchemy import func, select

from tests.books import add_drying, add_in_bulk, add_job, add_material, add_measurement, add_spool, fill
from tests.compiled import compiled_once
from tracker.backup import backup, restore
from tracker.book import Book, new_book, open_book
from tracker.model import Specimen


def _tell(line: object) -> None:
    """Give the test a line in one write: of two, as unbuffered printing makes, a kill may leave one."""
    os.write(1, f"{line}\n".encode())


def _amend(book: Book, chance: random.Random) -> None:
    with book.act("amend", "Victim", reason="seen again") as act:
        last = act.session.scalar(select(func.max(Specimen.id))) or 1
        row = act.session.get_one(Specimen, chance.randint(1, last))
        row.note = f"note {chance.random()}"
        row.outcome = chance.choice(["good", "usable", "failed"])


def _attach(book: Book, chance: random.Random) -> None:
    with book.act("job log", "Victim") as act:
        for _ in range(3):
            act.attach(chance.randbytes(chance.randint(1, 60_000)), "log.csv")


def work(book: Book, seed: int) -> None:
    """Do acts of every kind in a random order, for ever; print the number of each when it is done."""
    chance = random.Random(seed)
    kinds = _kinds(book, chance)
    while True:
        chance.choice(kinds)()
        with book.connect() as connection:
            _tell(connection.exec_driver_sql("SELECT max(seq) FROM journal").scalar())


def _kinds(book: Book, chance: random.Random) -> list[Callable[[], object]]:
    return [
        lambda: add_material(book, f"material {chance.random()}"),
        lambda: add_spool(book),
        lambda: add_drying(book),
        lambda: add_job(book, 6),
        lambda: add_measurement(book, 1, chance.uniform(100.0, 3000.0)),
        lambda: add_in_bulk(book, 150),
        lambda: _amend(book, chance),
        lambda: _attach(book, chance),
    ]


def _begin() -> None:
    """Say who is to be killed."""
    _tell(f"begun {os.getpid()}")


def write(place: str, seed: int) -> None:
    """Do acts for ever; the line after each is the number of its entry."""
    with open_book(place) as book:
        _begin()
        work(book, seed)


def make(place: str, seed: int) -> None:
    """Make a book."""
    del seed
    _begin()
    new_book(place, "Victim").close()
    _tell(1)
    time.sleep(60)


def save(place: str, seed: int) -> None:
    """Write backups for ever."""
    with open_book(place) as book:
        _begin()
        for number in count(1):
            backup(book, Path(f"{place}-{seed}-{number}.backup"))
            _tell(number)


def bring_back(place: str, seed: int) -> None:
    """Make a book of the backup ``PLACE.backup``."""
    del seed
    _begin()
    restore(Path(f"{place}.backup"), place)
    _tell(1)
    time.sleep(60)


WORKS: Final = {"write": write, "make": make, "save": save, "restore": bring_back}


def nurse() -> None:
    """Fork a child for each line read, and say when it has ended."""
    with tempfile.TemporaryDirectory() as folder:
        with new_book(f"{folder}/first", "Nurse") as book:
            fill(book)
            for act in _kinds(book, random.Random(0)):
                act()
            backup(book, Path(folder, "first.backup"))
        restore(Path(folder, "first.backup"), f"{folder}/again")
    for line in sys.stdin:
        name, place, seed = line.split()
        child = os.fork()
        if not child:
            WORKS[name](place, int(seed))
            os._exit(0)
        os.waitpid(child, 0)
        _tell("ended")


if __name__ == "__main__":
    with compiled_once():
        nurse()
