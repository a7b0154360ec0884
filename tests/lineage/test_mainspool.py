"""The spool of a piece: one rule, the same in SQL as in Python."""

from __future__ import annotations

import itertools

from sqlalchemy import select

from tracker.book import Book
from tracker.lineage import join_main_spool, main_spool, main_spool_id, material_id_of_job
from tracker.model import Job, JobSpool, Material, Spool

TOOLS = (0, 1, 2)


def plates(book: Book) -> dict[int, list[JobSpool]]:
    """Print a plate for every way of having three spools in tools, or not at all; return who was in which."""
    found: dict[int, list[JobSpool]] = {}
    with book.act("test", "Ada Bench") as act:
        act.session.add_all([Material(name=name) for name in ("A", "B", "C", "own")])
        act.session.flush()
        act.session.add_all([Spool(material_id=number) for number in (1, 2, 3)])
        act.session.flush()
        for tools in itertools.product((None, *TOOLS), repeat=3):
            job = Job(material_id=4)
            act.session.add(job)
            act.session.flush()
            uses = [
                JobSpool(job_id=job.id, spool_id=number, tool=tool)
                for number, tool in zip((3, 1, 2), tools, strict=True)
                if tool is not None
            ]
            act.session.add_all(uses)
            found[job.id] = [JobSpool(job_id=u.job_id, spool_id=u.spool_id, tool=u.tool) for u in uses]
    return found


def test_sql_and_python_follow_one_rule(book: Book) -> None:
    """Lowest tool, then the one it began with; over all ways in which three spools can be in three tools."""
    expected = {job: main_spool(uses) for job, uses in plates(book).items()}
    numbers = {job: None if use is None else use.spool_id for job, use in expected.items()}
    with book.read() as session:
        by_id, joined, material = (
            {row[0]: row[1] for row in session.execute(asked)}
            for asked in (
                select(Job.id, main_spool_id()),
                join_main_spool(select(Job.id, Spool.id)),
                select(Job.id, material_id_of_job()),
            )
        )

    assert by_id == numbers
    assert joined == numbers
    assert material == {job: number or 4 for job, number in numbers.items()}


def test_a_tool_that_is_not_the_first_still_counts() -> None:
    """A plate of tool 1 alone has a spool; of two in one tool the one that came in first stands for it."""
    uses = [JobSpool(spool_id=7, tool=1), JobSpool(spool_id=5, tool=1)]

    chosen = main_spool(uses)
    assert chosen is not None
    assert chosen.spool_id == 5
    assert main_spool([]) is None
