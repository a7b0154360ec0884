"""The spool of a piece: one rule, the same in SQL as in Python."""

from __future__ import annotations

import itertools

import pytest
from sqlalchemy import select

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool
from tracker.book import Book
from tracker.browse import list_page
from tracker.day import day_board
from tracker.desk.correcting import correct
from tracker.desk.jobs import use_spool
from tracker.kinds import card_of, find, listed
from tracker.lineage import in_tool_order, join_main_spool, main_spool_id, material_id_of_job, spools_of_piece
from tracker.model import Job, JobSpool, Material, Spool
from tracker.plugins import load
from tracker.programme import standing
from tracker.selection import result_rows
from tracker.trace import trace

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
    expected = {job: next(iter(in_tool_order(uses)), None) for job, uses in plates(book).items()}
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


def test_sql_and_python_take_a_spool_without_layer_as_one_from_the_first(book: Book) -> None:
    """Over all layers at which two spools of one tool can begin; of two that begin together the lower ID."""
    begun = dict(enumerate(itertools.product((None, 1, 2), repeat=2), start=1))
    with book.act("test", "Ada Bench") as act:
        act.session.add(Material(name="A"))
        act.session.flush()
        act.session.add_all([Spool(material_id=1), Spool(material_id=1)])
        act.session.add_all([Job(id=number) for number in begun])
        act.session.flush()
        act.session.add_all(
            [
                JobSpool(job_id=number, spool_id=spool, tool=0, from_layer=layer)
                for number, layers in begun.items()
                for spool, layer in zip((2, 1), layers, strict=True)
            ]
        )
    with book.read() as session:
        found = dict(session.execute(select(Job.id, main_spool_id())).all())
        joined = session.execute(join_main_spool(select(Job.id, Spool.id))).all()

    # Each job once, though other jobs were printed from the same spools.
    assert sorted(map(tuple, joined)) == sorted(found.items())
    for number, (of_two, of_one) in begun.items():
        both = ((2, of_two), (1, of_one))
        uses = [JobSpool(spool_id=spool, tool=0, from_layer=layer) for spool, layer in both]
        expected = 2 if (of_two or 1) < (of_one or 1) else 1
        assert (found[number], in_tool_order(uses)[0].spool_id) == (expected, expected)


def test_a_tool_that_is_not_the_first_still_counts() -> None:
    """A plate of tool 1 alone has a spool; of two in one tool the one that came in first stands for it."""
    uses = [JobSpool(spool_id=7, tool=1), JobSpool(spool_id=5, tool=1)]

    assert [each.spool_id for each in in_tool_order(uses)] == [5, 7]
    assert in_tool_order([]) == []


@pytest.mark.parametrize(
    ("links", "piece", "layers", "found"),
    [
        ([(1, 0, None, None)], 1, None, [1]),
        ([(2, 1, None, None), (1, 0, None, None)], 1, 40, [1, 2]),
        ([(1, 0, None, None), (2, 0, 10, None)], 1, 40, [2, 1]),
        ([(1, 0, None, None), (2, 0, 30, None)], 1, 40, [1, 2]),
        ([(1, 0, None, None), (2, 0, 41, None)], 1, 40, [1]),
        ([(1, 0, None, [1]), (2, 0, None, [2, 3])], 3, 40, [2]),
        ([(1, 0, None, [1])], 2, 40, []),
    ],
)
def test_the_spool_of_a_piece(
    links: list[tuple[int, int, int | None, list[int] | None]],
    piece: int,
    layers: int | None,
    found: list[int],
) -> None:
    """By piece, by tool, and by the layer at which another spool was put in."""
    rows = [JobSpool(spool_id=s, tool=t, from_layer=layer, pieces=of) for s, t, layer, of in links]
    assert [each.spool_id for each in spools_of_piece(rows, piece, layers)] == found


@pytest.mark.parametrize(
    ("body", "found"), [((3.0, 90.0), [2, 1]), ((90.0, 3.0), [1, 2]), ((5.0, 5.0), [1, 2])]
)
def test_the_spool_of_a_piece_is_the_one_that_most_of_it_is_laid_from(
    body: tuple[float, float], found: list[int]
) -> None:
    """Where the plate file says how much each tool laid; else, and of equals, that of the lowest tool."""
    rows = [JobSpool(spool_id=1, tool=0), JobSpool(spool_id=2, tool=1)]
    tools = [{"tool": 0, "body_mm": body[0]}, {"tool": 1, "body_mm": body[1]}]
    assert [each.spool_id for each in spools_of_piece(rows, 1, 40, tools)] == found
    assert [each.spool_id for each in spools_of_piece(rows, 1, 40, [{"tool": 0}, {"tool": 1}])] == [1, 2]


def test_everybody_names_the_same_material(book: Book) -> None:
    """Of a plate of two, none in the first tool: card, lists, trace, results, programme, page and day."""
    for name in ("Nordlicht ASA", "Südwind PETG"):
        a_material(book, name)
    first, second = a_spool(book), a_spool(book, "Südwind PETG")
    job = a_job(book, "bar:ZXY:3", spools=(first,), started_at="5 h ago")
    correct(
        book, WHO, load(), job.id, [f"spool={first}", "tool=1", "pieces=1,2"], "two materials on the plate"
    )
    use_spool(book, WHO, job.id, {"spool": second, "tool": 2, "pieces": "3"})
    made_of = dict(zip(job.also, ("Nordlicht ASA", "Nordlicht ASA", "Südwind PETG"), strict=True))
    for piece in made_of:
        a_pull(book, piece)

    with book.read() as session:
        rows = {each: find(book, session, each) for each in made_of}
        card = {each: card_of(session, row, book.zone).data["material"] for each, row in rows.items()}
        connection = session.connection()
        in_lists = [
            {row[key]: row["material"] for row in listed(connection, kind)}
            for kind, key in (("specimens", "id"), ("results", "specimen"))
        ]
        counted = {row.specimen: row.material for row in result_rows(connection)}
    traced = {each: trace(book, each).as_json()["material"]["name"] for each in made_of}
    assert [card, *in_lists, counted, traced] == [made_of] * 5
    shown = {line.id: line.facts for line in list_page(book, "specimens").lines}
    assert all(material in shown[piece] for piece, material in made_of.items())
    found = list_page(book, "specimens", {"material": "Südwind PETG"}).lines
    assert [line.id for line in found] == [job.also[2]]
    tested = list_page(book, "measurements", where='material="Südwind PETG"')
    assert (tested.count, [line.facts[0] for line in tested.lines]) == (1, [job.also[2]])
    assert [line.facts[0] for line in list_page(book, "jobs").lines] == ["Nordlicht ASA"]
    assert [each.material for each in day_board(book).jobs] == ["Nordlicht ASA"]
    for name, count in (("Nordlicht ASA", 2), ("Südwind PETG", 1)):
        needs = standing(book, name).needs
        assert max(need.tested for need in needs if need.method == "tensile") == count
