"""What leaves the book: proved by a marker word of its own in every text column of the model."""

from __future__ import annotations

import gzip
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import JSON, Connection, Table, UniqueConstraint, select, update

from tests.books import fill
from tracker import plate_sums
from tracker.book import Book
from tracker.model import Base, Person
from tracker.plugins import Plugged, load
from tracker.publish import Choice, publish
from tracker.publish.leaving import COLUMNS, NEUTRAL, TEXT_COLUMNS, people_of, without_header, without_tags

FIXED = {
    # Columns that a constraint, a foreign key or the program holds to its own words, by table.
    "book": {"code", "zone", "title"}, "job": {"outcome", "plate_sha256"}, "specimen": {"outcome"},
    "spool": {"supplied"}, "stay": {"place"}, "rig": {"role"}, "attachment": {"sha256"},
    "job_log": {"sha256"}, "photograph": {"sha256"}, "measurement_file": {"sha256"},
    "measurement": {"method", "method_version", "source"}, "result": {"quantity", "unit", "relation"},
    "journal": {"body", "hash"}, "device": {"secret_sha256"}, "sent_form": {"key"},
}  # fmt: skip
LEAVE = ("word", "text", "name")


@pytest.fixture(scope="module")
def plugged() -> Plugged:
    """Load the methods once."""
    return load()


def marker(table: str, column: str) -> str:
    """Return a word that is nowhere else."""
    return f"Zq{table.title().replace('_', '')}X{column.title().replace('_', '')}qZ"


def mark(connection: Connection, table: Table) -> list[str]:
    """Write a marker into every text column of a table that takes any text; return the columns."""
    marked = []
    for name in TEXT_COLUMNS[table.name]:
        if name in FIXED.get(table.name, ()):
            continue
        column, word = table.c[name], marker(table.name, name)
        kind = getattr(column.type, "impl", column.type)
        if not isinstance(kind, JSON):
            value: Any = word
        elif name == "units":
            value = {"max_force": word, "area": word}
        elif name in ("readings", "mapping", "condition", "factors", "read_as"):
            value = {"max_force": 900.0, "area": 40.0, "note_of_reading": word}
        elif name in ("plate_facts", "log_facts"):
            figure = {"value": 250.0, "mean": 250.0, "unit": "degC", "basis": "commanded"}
            value = {"name": word, "layers": 9, "section": {"object": word, "nozzle_c": figure}}
            if name == "plate_facts":
                value["section"]["by"] = word
        elif name == "budget":
            value = [{"source": word, "u": 0.1, "share": 1.0}]
        else:
            value = [word]
        rules = [each for each in table.constraints if isinstance(each, UniqueConstraint)]
        unique = {each.name for rule in rules for each in rule.columns}
        if name in unique or column.unique or column.primary_key:
            # One row alone: two of one word would be two of one name.
            key = next(iter(table.primary_key))
            first = connection.scalar(select(key).limit(1))
            connection.execute(update(table).where(key == first).values({name: value}))
        else:
            connection.execute(update(table).values({name: value}))
        marked.append(name)
    return marked


@pytest.fixture
def marked(book: Book) -> dict[str, list[str]]:
    """Fill a book and mark every text column in it; gives the marked columns by table."""
    fill(book)
    found = {}
    with book.engine.begin() as connection:
        for table in Base.metadata.sorted_tables:
            if table.name not in ("book", "journal", "plate_sum"):
                found[table.name] = mark(connection, table)
        # Sums hold no words but those of the rows they follow from.
        plate_sums.refill(connection)
        journal = Base.metadata.tables["journal"]
        connection.execute(update(journal).values(who=marker("journal", "who")))
    return found


def words_in(folder: Path) -> set[str]:
    """Return every marker word in the files of a site, by their paths and contents."""
    text = "\n".join(str(path.relative_to(folder)) for path in folder.rglob("*"))
    for path in folder.rglob("*"):
        if path.is_file():
            data = path.read_bytes()
            plain = gzip.decompress(data) if path.suffix == ".gz" else data
            text += "\n" + plain.decode("utf-8", errors="replace")
    # The letters "Zq" alone stand in a signature by chance.
    return set(re.findall(r"Zq[A-Z]\w*?X[A-Z]\w*?qZ", text))


def test_every_text_column_is_classed_or_stays() -> None:
    """No class is given to a column that is not there; what is not classed is kept back."""
    assert {table: set(columns) - set(TEXT_COLUMNS[table]) for table, columns in COLUMNS.items()} == {
        table: set() for table in COLUMNS
    }
    for table, column in NEUTRAL:
        assert COLUMNS.get(table, {}).get(column) is None


def test_only_what_is_classed_to_leave_leaves(
    book: Book, marked: dict[str, list[str]], plugged: Plugged, tmp_path: Path
) -> None:
    """Of all markers, none of a name, a note or a column that stays is anywhere in the site."""
    publish(book, plugged, tmp_path / "site")
    allowed = {
        marker(table, column) for table, columns in COLUMNS.items() for column, kind in columns.items()
        if kind in ("word", "text")
    }  # fmt: skip
    found = words_in(tmp_path / "site")

    assert found - allowed == set()
    # The test would prove nothing if markers did not come through at all.
    assert {marker("material", "name"), marker("spool", "lot"), marker("specimen", "remark")} <= found
    assert marked["material"]


def test_what_leaves_is_listed_beforehand(
    book: Book, marked: dict[str, list[str]], plugged: Plugged, tmp_path: Path
) -> None:
    """Every text that a person typed and that is in the site is in the list of the dry run, too."""
    del marked
    told = publish(book, plugged, tmp_path / "site", dry=True)
    assert not (tmp_path / "site").exists()
    publish(book, plugged, tmp_path / "site")
    texts = {
        marker(table, column)
        for table, columns in COLUMNS.items()
        for column, kind in columns.items()
        if kind == "text"
    }  # fmt: skip
    listed = "\n".join(told.leaving)

    assert {word for word in words_in(tmp_path / "site") & texts if word not in listed} == set()


def test_notes_leave_where_they_are_chosen_and_names_too(
    book: Book, marked: dict[str, list[str]], plugged: Plugged, tmp_path: Path
) -> None:
    """Each choice lets out what it says, and nothing else."""
    del marked
    publish(book, plugged, tmp_path / "notes", choice=Choice(notes=True))
    publish(book, plugged, tmp_path / "names", choice=Choice(names=True))
    kinds = {
        marker(table, column): kind for table, columns in COLUMNS.items() for column, kind in columns.items()
    }

    assert {kinds.get(word, "stays") for word in words_in(tmp_path / "notes")} == {"word", "text", "note"}
    # Who stated a gauge section is named in a document that is reduced to its figures and that name.
    left = {kinds.get(word, "stays") for word in words_in(tmp_path / "names")}
    assert left == {"word", "text", "name", "reduced"}


def test_people_are_pseudonyms_unless_they_agreed(book: Book) -> None:
    """Who agreed in the book is named; others by their pseudonym, or numbered as the journal has them."""
    with book.act("people", "Cy First") as act:
        act.session.add(Person(initials="AB", name="Ada Bench", pseudonym="Tester 1"))
        act.session.add(Person(initials="BH", name="Bo Helper", named=True))
    with book.connect() as connection:
        people = people_of(connection)

    assert (people["Ada Bench"], people["AB"], people["Bo Helper"], people["BH"]) == (
        "Tester 1", "Tester 1", "Bo Helper", "Bo Helper",
    )  # fmt: skip
    assert people["Cy First"].startswith("person ")


LINES = st.lists(
    st.text(st.characters(exclude_categories=["C"], include_characters="#;% "), max_size=20), max_size=6
)


@given(LINES, LINES)
def test_stripping_leaves_what_follows_the_head(head: list[str], rest: list[str]) -> None:
    """Whatever is in it; stripped twice it is the same."""
    body = "".join(f"{line}\n" for line in ["1,2", *rest]).encode()
    data = "".join(f"# {line}\n" for line in head).encode() + body

    assert without_header(data) == body
    assert without_header(without_header(data)) == body


def test_a_sound_loses_its_tags_and_keeps_its_samples() -> None:
    """Of a RIFF file the format and the samples are kept: chunks of an INFO list name people and places."""
    chunk = lambda kind, body: kind + len(body).to_bytes(4, "little") + body + b"\0" * (len(body) % 2)  # noqa: E731
    kept = chunk(b"fmt ", b"f" * 16) + chunk(b"data", b"abc")
    body = b"WAVE" + chunk(b"LIST", b"INFOIARTZqNameqZ") + kept
    data = b"RIFF" + len(body).to_bytes(4, "little") + body

    assert without_tags(data) == b"RIFF" + (len(kept) + 4).to_bytes(4, "little") + b"WAVE" + kept
    assert without_tags(b"1,2\n") == b"1,2\n"


def test_a_packed_recording_does_not_name_its_file() -> None:
    """The head of a gzip file holds the name and time of what was packed; ours has neither."""
    assert gzip.compress(b"1,2\n", mtime=0)[4:8] == b"\0\0\0\0"
