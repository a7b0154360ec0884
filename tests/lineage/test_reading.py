"""Questions: the short way to the rows gives what the long way gives."""

from __future__ import annotations

from typing import Any

import pytest

from tests.lineage.scene import Scene, at
from tracker.book import Book
from tracker.lineage import Reader, Row, columns_of, questions
from tracker.lineage.reading import Question
from tracker.model import StoragePeriod

ALL = {name: value for name, value in vars(questions).items() if isinstance(value, Question)}
KEYS = {
    "MEASURED": 1, "SPECIMENS": 3, "PIECE": 2, "JOBS": 2, "PIECES": 2, "MEASUREMENTS": 3, "RESULTS": 1,
    "RIGS": 1, "FILES": 1, "FACTORS": 3, "SPOOLS_OF_JOB": 2, "SPOOLS": 1, "STORAGE": 1, "DRYINGS": 1,
    "CHANGES": 2, "LOGS": 2, "ENTRIES": 1, "SHARED_FACTORS": 2, "DRIED": 1, "CALIBRATED": 1,
    "PRINTED_FROM": 1, "TAKEN_WITH": 1,
}  # fmt: skip
"""Something that the scene has an answer of, for every question."""

OTHERS: dict[str, dict[str, int]] = {"PIECE": {"piece": 1}}


def plainly(book: Book, name: str, *keys: int) -> list[Any]:
    """Ask a question by plain execution of its statement: the oracle."""
    question = ALL[name]
    values = {f"k{place}": key for place, key in enumerate(keys)} | OTHERS.get(name, {})
    with book.connect() as connection:
        rows = connection.execute(question.statement(len(keys)), values).all()
    return [
        {
            part: Row(zip(names, row[start:end], strict=True))
            for part, key, start, end, names in question._parts
            if row[key] is not None
        }
        for row in map(tuple, rows)
    ]


def test_every_question_is_tried() -> None:
    """None is forgotten in the table of keys."""
    assert KEYS.keys() == ALL.keys()


@pytest.mark.parametrize("name", sorted(ALL))
def test_every_question_gives_the_rows_of_plain_execution(book: Book, scene: Scene, name: str) -> None:
    """Rows, types of values and order are those that SQLAlchemy itself gives."""
    del scene
    with Reader(book.engine) as reader:
        rows = reader.ask(ALL[name], KEYS[name], **OTHERS.get(name, {}))

    assert rows
    assert rows == plainly(book, name, KEYS[name])
    assert [type(value) for parts in rows for row in parts.values() for value in row.values()] == [
        type(value)
        for parts in plainly(book, name, KEYS[name])
        for row in parts.values()
        for value in row.values()
    ]


@pytest.mark.parametrize("name", ["PIECES", "JOBS", "RESULTS", "ENTRIES", "DRYINGS"])
@pytest.mark.parametrize("count", [2, 12, 13, 250, 600])
def test_a_batch_gives_every_row_once(book: Book, scene: Scene, name: str, count: int) -> None:
    """Whatever the number of keys is rounded up to, and though keys come twice."""
    del scene
    keys = [*range(1, count + 1), 1, 2]
    with Reader(book.engine) as reader:
        rows = reader.ask(ALL[name], keys)

    assert rows == [parts for key in range(1, min(count, 20) + 1) for parts in plainly(book, name, key)]


def test_no_key_asks_nothing(book: Book) -> None:
    """An empty batch has an empty answer."""
    with Reader(book.engine) as reader:
        assert reader.ask(questions.JOBS, []) == []


def test_what_an_outer_join_did_not_find_is_absent(book: Book, scene: Scene) -> None:
    """A result without verdict has no verdict among its parts, not an empty one."""
    del scene
    with Reader(book.engine) as reader:
        parts = reader.ask(questions.RESULTS, 1)

    assert ["verdict" in each for each in parts] == [True, False]


def test_a_row_has_its_columns_as_attributes_and_by_name(book: Book, scene: Scene) -> None:
    """What it does not have is an error as of any object, so that a slip is not "not recorded"."""
    del scene
    with Reader(book.engine) as reader:
        job = reader.ask(questions.JOBS, 2)[0]["job"]

    assert (job.printer, columns_of(job)["printer"]) == ("left", "left")
    with pytest.raises(AttributeError, match="printed_on"):
        _ = job.printed_on


def test_a_reader_leaves_no_transaction_open(book: Book, scene: Scene) -> None:
    """After reading, an act can be done at once, and the connection is back in the pool."""
    del scene
    with Reader(book.engine) as reader:
        reader.ask(questions.RESULTS, 1)
    with book.act("note", "Ada Bench"):
        pass

    assert book.engine.pool.checkedout() == 0  # type: ignore[attr-defined]


def test_readers_at_the_same_time_have_connections_of_their_own(book: Book, scene: Scene) -> None:
    """What is kept for the next reader is given to one alone, and each sees its own moment."""
    del scene
    with Reader(book.engine):
        pass
    with Reader(book.engine) as first, Reader(book.engine) as second:
        first.ask(questions.STORAGE, 1)
        assert first._connection is not second._connection
        with book.act("keep", "Ada Bench") as act:
            act.session.get_one(StoragePeriod, 1).note = "changed meanwhile"
        seen = [reader.ask(questions.STORAGE, 1)[0]["stay"].note for reader in (first, second)]

    # A server shows each statement of a plain transaction what was written before it.
    assert seen[0] == (None if book.engine.dialect.name == "sqlite" else "changed meanwhile")
    assert seen[1] == "changed meanwhile"


def test_a_connection_kept_for_the_next_reader_is_closed_with_its_book(book: Book, scene: Scene) -> None:
    """Nothing holds the file open after it."""
    del scene
    with Reader(book.engine) as reader:
        driver = reader._connection.dbapi_connection
    book.close()

    with pytest.raises(Exception, match="closed"):
        driver.execute("SELECT 1")


def test_a_reader_on_a_connection_sees_what_its_transaction_wrote(book: Book, scene: Scene) -> None:
    """It reads in the act's own transaction, and leaves the connection to the act."""
    del scene
    with book.act("spool keep", "Ada Bench") as act:
        act.session.add(StoragePeriod(spool_id=1, place="printer", began_at=at(9)))
        act.session.flush()
        with Reader(act.session.connection()) as reader:
            assert len(reader.ask(questions.STORAGE, 1)) == 4

    with Reader(book.engine) as reader:
        assert len(reader.ask(questions.STORAGE, 1)) == 4


def test_one_reader_sees_one_state(book: Book, scene: Scene, kind: str) -> None:
    """What is written while a trace reads on SQLite is not half in it."""
    if kind != "sqlite":
        pytest.skip("PostgreSQL reads each statement's own state; rows are never deleted, so none is missed")
    del scene
    with Reader(book.engine) as reader:
        before = reader.ask(questions.STORAGE, 1)
        with book.act("spool keep", "Ada Bench") as act:
            act.session.add(StoragePeriod(spool_id=1, place="printer", began_at=at(9)))

        assert reader.ask(questions.STORAGE, 1) == before
