"""Questions: the short way to the rows gives what the long way gives."""

from __future__ import annotations

from typing import Any

import pytest

from tests.trace.scene import Scene
from tracker.book import Book
from tracker.trace import questions
from tracker.trace.reading import Question, Reader

VALUES = {
    "measurement": 1, "job": 2, "piece": 1, "specimen": 3, "spool": 1, "drying": 1, "rig": 1,
    **{f"e{place}": place + 1 for place in range(questions.ENTRIES_AT_ONCE)},
}  # fmt: skip
ALL = {name: value for name, value in vars(questions).items() if isinstance(value, Question)}


def plainly(book: Book, question: Question) -> list[Any]:
    """Ask a question by plain execution of its statement: the oracle."""
    wanted = question.statement.compile().params
    with book.connect() as connection:
        rows = connection.execute(question.statement, {name: VALUES[name] for name in wanted}).all()
    return [question.divided(tuple(row)) for row in rows]


@pytest.mark.parametrize("name", sorted(ALL))
def test_every_question_gives_the_rows_of_plain_execution(book: Book, scene: Scene, name: str) -> None:
    """Rows, types of values and order are those that SQLAlchemy itself gives."""
    del scene
    wanted = ALL[name].statement.compile().params
    with Reader(book.engine) as reader:
        rows = reader.ask(ALL[name], **{key: VALUES[key] for key in wanted})

    assert rows
    assert rows == plainly(book, ALL[name])
    assert [type(value) for parts in rows for row in parts.values() for value in row.values()] == [
        type(value) for parts in plainly(book, ALL[name]) for row in parts.values() for value in row.values()
    ]


def test_what_an_outer_join_did_not_find_is_absent(book: Book, scene: Scene) -> None:
    """A result without verdict has no verdict among its parts, not an empty one."""
    del scene
    with Reader(book.engine) as reader:
        parts = reader.ask(questions.RESULTS, measurement=1)

    assert ["verdict" in each for each in parts] == [True, False]


def test_a_reader_leaves_no_transaction_open(book: Book, scene: Scene) -> None:
    """After reading, an act can be done at once, and the connection is back in the pool."""
    del scene
    with Reader(book.engine) as reader:
        reader.ask(questions.RESULTS, measurement=1)
    with book.act("note", "Ada Bench"):
        pass

    assert book.engine.pool.checkedout() == 0  # type: ignore[attr-defined]


def test_one_reader_sees_one_state(book: Book, scene: Scene, kind: str) -> None:
    """What is written while a trace reads on SQLite is not half in it."""
    if kind != "sqlite":
        pytest.skip("PostgreSQL reads each statement's own state; rows are never deleted, so none is missed")
    del scene
    with Reader(book.engine) as reader:
        before = reader.ask(questions.STAYS, spool=1)
        with book.act("spool keep", "Ada Bench") as act:
            from tests.trace.scene import at  # noqa: PLC0415 - wanted here only
            from tracker.model import Stay  # noqa: PLC0415 - the same

            act.session.add(Stay(spool_id=1, place="printer", began_at=at(9)))

        assert reader.ask(questions.STAYS, spool=1) == before
