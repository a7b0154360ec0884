"""Which results are read, and when again: each decision by itself, on connections that answer as told."""

from __future__ import annotations

import json
from contextlib import nullcontext
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from sqlalchemy import true

from tests.table.test_forms import FLAT, a_point
from tests.table.test_rows import gathering, sums
from tracker.model import Job, Measurement, PlateSum, Result, Specimen
from tracker.table import filtering, held, results
from tracker.table.filtering import narrowed_by, results_among, results_where, why_nothing
from tracker.table.held import HeldResults
from tracker.table.results import BookResults, _jobs_divided, _Rows, _summed_up

# Held results


def entry(seq: int, *tables: str, bulk: tuple[Any, ...] = ()) -> tuple[int, str]:
    """Return an entry of the journal that wrote a new job into each table."""
    rows = [{"table": table, "key": "4", "before": None, "after": {"id": 4, "job_id": 4}} for table in tables]
    return seq, json.dumps({"rows": rows, "bulk": list(bulk)})


@pytest.mark.parametrize(
    ("entries", "read_again", "days"),
    [
        ([entry(8, "job")], False, False), ([entry(8, "job"), entry(9, "specimen")], False, False),
        ([entry(8, "job", "stay")], False, True), ([entry(8, "drying")], False, True),
        ([entry(8, "drying_spool")], False, True), ([entry(8, "material")], True, None),
        ([entry(8, "job"), entry(9, "spool")], True, None), ([entry(8, "other_bench")], True, None),
        ([entry(8, "job", bulk=({"table": "job"},))], True, None),
        ([entry(8 + n, "job") for n in range(200)], False, False),
        ([entry(8 + n, "job") for n in range(201)], True, None),
    ],
)  # fmt: skip
def test_only_what_later_entries_touched_is_read_again(
    entries: list[Any], read_again: bool, days: bool | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All of it after a bulk import, after 200 acts, and where any plate may be concerned."""
    done: list[Any] = []

    class Again:
        """Results, or what is beside them, that note what was read again."""

        def renew(self, *given: Any, **how: Any) -> None:
            """Note it."""
            done.append((given[1:], how))

    before, beside = Again(), Again()
    monkeypatch.setattr(HeldResults, "_read", lambda *_: "read anew")
    touched = SimpleNamespace(
        take_changes=lambda changes: done.append(len(changes)), plates_tested=lambda _: {4, -2}
    )
    monkeypatch.setattr(held, "Touched", lambda: touched)
    connection: Any = SimpleNamespace(execute=lambda _: SimpleNamespace(all=lambda: entries))
    found: Any = HeldResults()._renewed(connection, 7, before, beside)  # type: ignore[arg-type]

    if read_again:
        assert (found, done) == ("read anew", [])
        return
    assert found[0] == entries[-1][0]
    assert found[1] is not before
    assert found[2] is not beside
    changes = sum(len(json.loads(body)["rows"]) for _, body in entries)
    assert done == [changes, (({4, -2},), {"days": days}), ((found[1], {4}), {})]


def test_without_anything_new_what_is_held_stays() -> None:
    """The same results, to whoever asks."""
    connection: Any = SimpleNamespace(execute=lambda _: SimpleNamespace(all=list))
    nothing: Any = object()
    assert HeldResults()._renewed(connection, 7, nothing, nothing) == (7, nothing, nothing)
    read: list[Any] = []
    kept = HeldResults(["grade"])
    kept._read = lambda connection: read.append(connection) or (7, "results", "beside")  # type: ignore[assignment, func-returns-value]
    kept._renewed = lambda _, *held: read.append(held) or held  # type: ignore[assignment, func-returns-value]
    book: Any = SimpleNamespace(connect=lambda: nullcontext("connection"))
    assert kept.renewed(book) == kept.renewed(book) == ("results", "beside")
    assert read == ["connection", (7, "results", "beside")]
    assert kept._ordinal == {"grade"}


# Filters


def put_with(
    monkeypatch: pytest.MonkeyPatch, asked: set[str], *, adds: bool | None = False, given: bool = False
) -> Any:
    """Return what is gathered of pieces for some names; None where nothing is put beside results."""
    seen: list[Any] = []
    put: list[Any] = []
    monkeypatch.setattr(
        filtering,
        "factors_of",
        lambda _, __, plugged, **how: seen.append((plugged is not None, how)) or {1: "f"},
    )
    monkeypatch.setattr(filtering, "pieces_of", lambda rows: rows)
    monkeypatch.setattr(filtering, "with_factors", lambda *each: put.append(each[2]))
    session: Any = SimpleNamespace(scalar=lambda _: 5 if given else None)
    plugged: Any = None if adds is None else SimpleNamespace(adds_factors=adds)
    filtering._put_factors(session, [], frozenset(asked), plugged)
    return (seen[0] if seen else None) if put else "nothing"


def test_of_pieces_no_more_is_gathered_than_a_filter_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Water and days by their names, days where plugins are asked; rig and age stand with the test."""
    assert put_with(monkeypatch, set()) == "nothing"
    assert put_with(monkeypatch, set(), adds=True) == "nothing"
    assert put_with(monkeypatch, {"rig", "age_h"}) is None
    assert put_with(monkeypatch, {"rig"}, given=True) == (False, {"water": False, "days": False})
    assert put_with(monkeypatch, {"rig", "nozzle_c"}) == (False, {"water": False, "days": False})
    assert put_with(monkeypatch, {"rig"}, adds=True) == (True, {"water": False, "days": True})
    assert put_with(monkeypatch, {"nozzle_c"}, adds=None) == (False, {"water": False, "days": False})
    assert put_with(monkeypatch, {"water_pct", "nozzle_c"}) == (False, {"water": True, "days": True})
    assert put_with(monkeypatch, {"open_air_h"}) == (False, {"water": False, "days": True})


@pytest.mark.parametrize("plugged", [None, False, True])
@pytest.mark.parametrize("empty", [True, False])
def test_names_of_a_filter_are_looked_at_where_there_are_results(
    plugged: bool | None, empty: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of an empty book anything may be asked; plugins may add names."""
    done: list[Any] = []
    monkeypatch.setattr(filtering, "check_filter", lambda *given, **how: done.append((given[1], how)))
    monkeypatch.setattr(filtering, "narrowed", lambda *given, **how: (given[1:], how))
    connection = SimpleNamespace(scalar=lambda _: None if empty else 0)
    book: Any = SimpleNamespace(connect=lambda: nullcontext(connection))
    given: Any = None if plugged is None else SimpleNamespace(adds_factors=plugged)
    where: Any = "where"
    add = bool(plugged)

    assert narrowed_by(book, where, given) == (("where", "results"), {"plugins_add": add})
    assert done == ([] if empty else [("where", {"plugins_add": add})])


@pytest.mark.parametrize("whole", [True, False])
def test_what_the_database_decided_is_not_asked_again(whole: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rest is asked of each row; without a filter all are in."""
    asked: list[Any] = []
    within = SimpleNamespace(rest="rest", whole=whole)
    monkeypatch.setattr(filtering, "narrowed_by", lambda *_: within)
    monkeypatch.setattr(filtering, "_asked_of", lambda *given: asked.append(given[1:]) or ["row"])
    monkeypatch.setattr(filtering, "selected", lambda rows, rest: [*rows, rest])
    monkeypatch.setattr(filtering, "why_not", lambda rows, where: (rows, where))
    nobody: Any = "book"
    where: Any = "where"

    assert results_where(nobody, where, ["q"]) == (["row"] if whole else ["row", "rest"])
    assert results_where(nobody, None, ["q"]) == ["row"]
    assert why_nothing(nobody, where, ["q"]) == (["row"], "where")
    assert asked == [("rest", ["q"], None, within), (None, ["q"], None), ("where", ["q"], None)]


def test_rows_have_what_a_filter_asks_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Names of their own need nothing gathered; a name that no row knows is refused where there are rows."""
    done: list[Any] = []
    rows: list[Any] = ["row"]
    monkeypatch.setattr(filtering, "result_rows", lambda *_, **how: done.append(how) or rows)
    monkeypatch.setattr(filtering, "_put_factors", lambda *given: done.append(given[2]))
    monkeypatch.setattr(filtering, "check_asked", lambda *_: done.append("checked"))
    monkeypatch.setattr(filtering, "Session", lambda _: nullcontext("session"))
    where: Any = SimpleNamespace(names=lambda: frozenset({"material", "nozzle_c"}), rest=None)
    where.rest = where
    book: Any = SimpleNamespace(read=lambda: nullcontext(SimpleNamespace(connection=lambda: "connection")))
    nobody: Any = None

    assert filtering._asked_of(book, where, ["q"], None) == rows
    assert done == [{"quantities": ["q"], "narrowed": None}, {"nozzle_c"}, "checked"]
    done.clear()
    filtering._asked_of(book, None, None, None)
    assert done == [{"quantities": None, "narrowed": None}, frozenset()]
    done.clear()
    rows.clear()
    filtering._asked_of(book, where, None, None, "within")  # type: ignore[arg-type]
    assert done[-1] == {"nozzle_c"}
    done.clear()
    assert results_among(nobody, where, nobody, results=[3]) == rows
    assert done == [{"results": [3]}, {"nozzle_c"}]
    results_among(nobody, where, nobody, measurements=[4])
    assert done[2] == {"narrowed": where, "measurements": [4]}


# Sums, or results one by one


def of_jobs(*rows: tuple[int, int, int]) -> Any:
    """Return a connection that answers with jobs, their pieces, and how many of these a filter lets in."""
    return SimpleNamespace(execute=lambda *_, **__: nullcontext(rows))


def test_jobs_are_let_in_whole_or_in_part() -> None:
    """Of conditions of prints; what asks of measurements or results, or divides too many, is summed up."""
    of_print: Any = (Specimen.orientation == "XYZ",)
    assert _jobs_divided(of_jobs((1, 3, 3), (2, 4, 1), (5, 1, 1)), of_print) == ({1, 5}, [2])
    assert _jobs_divided(of_jobs(), of_print) == (set(), [])
    for within in ((), (Measurement.operator == "Ada",), (of_print[0], Result.counted)):
        assert _jobs_divided(of_jobs((1, 3, 3)), within) is None
    assert _jobs_divided(of_jobs((1, 3, 3)), (Job.printer == "left",)) == ({1}, [])


def test_of_more_than_5000_divided_jobs_results_are_summed_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """To read them one by one would take longer; here two."""
    assert results._MOST_DIVIDED == 5000
    monkeypatch.setattr(results, "_MOST_DIVIDED", 2)
    within: Any = (Job.printer == "left",)
    assert _jobs_divided(of_jobs((1, 3, 1), (2, 3, 1)), within) == (set(), [1, 2])
    assert _jobs_divided(of_jobs((1, 3, 1), (2, 3, 1), (3, 3, 1)), within) is None


def divided(
    *rows: Any, ordinal: tuple[str, ...] = (), kept: bool = True, own: tuple[int, ...] = (), monkeypatch: Any
) -> Any:
    """Return the plates that stay summed up, and which are read one by one, by quantity."""
    asked: list[Any] = []
    monkeypatch.setattr(
        results, "points", lambda _, names, **how: asked.append((names[0], how["jobs"], how["spools"])) or []
    )
    monkeypatch.setattr(results, "own_settings", lambda *_: {})
    made = gathering(*rows)
    made.ordinal, made.within, made._singly = frozenset(ordinal), (), set()
    made._plates_with_own = lambda _: list(own)  # type: ignore[method-assign]
    made._divide(None, kept=kept)  # type: ignore[arg-type]
    assert made._singly == {
        (name, plate) for name, jobs, spools in asked for plate in [*jobs, *[-s for s in spools]]
    }
    return made._rows.plate.tolist(), [(name, sorted(jobs), sorted(spools)) for name, jobs, spools in asked]


def test_plates_of_which_sums_do_not_say_all_are_read_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Limits, pieces read several times, grades; a plate and quantity is taken whole from one of both."""

    def found(*rows: Any, **how: Any) -> Any:
        return divided(*rows, monkeypatch=monkeypatch, **how)

    assert found(sums(1), sums(2)) == ([1, 2], [])
    assert found(sums(1, taken=3), sums(2)) == ([2], [("q0", [1], [])])
    assert found(sums(1, pieces=1), sums(2)) == ([2], [("q0", [1], [])])
    # Two readings of a spool itself, and what is set aside, are of no piece.
    assert found(sums(-1, pieces=0)) == ([-1], [])
    assert found(sums(1, pieces=1, counted=False)) == ([1], [])
    assert found(sums(-3, taken=3)) == ([], [("q0", [], [3])])
    assert found(sums(1), sums(1, taken=3, orientation="ZXY"), sums(1, alike=1)) == ([1], [("q0", [1], [])])
    assert found(sums(1), sums(1, alike=1), ordinal=("q1",)) == ([1], [("q1", [1], [])])
    assert found(sums(1), sums(2), kept=False, own=(2, 9)) == ([1], [("q0", [2], [])])
    assert found(sums(1), sums(2), own=(2,)) == ([1, 2], [])
    assert found() == ([], [])


class Rows(BookResults):
    """Results whose statements are not asked."""

    def __init__(self, *given: Any) -> None:
        self.__dict__.update(gathering(*given).__dict__)
        self.quantities, self.ordinal, self.within, self._singly, self.read_whole = (
            None,
            frozenset(),
            (),
            set(),
            False,
        )
        self.done: list[Any] = []

    def _asked(self, statement: Any) -> Any:
        self.done.append("asked")
        return statement

    def _summed_up(self, _: Any) -> Any:
        return ["summed"]

    def _read(self, _: Any, statements: Any) -> Any:
        self.done.append(list(statements))
        return [_Rows.of([sums(1), sums(7)], [0, 0])]

    def _divide(self, _: Any, *, kept: bool) -> None:
        self.done.append(kept)


@pytest.mark.parametrize(
    ("within", "jobs", "plates", "kept"),
    [
        ((), None, [1, 7], True), (("c",), None, [1, 7], False), (("c",), ({7}, []), [7], True),
        (("c",), ({1}, [3]), [1], True),
    ],
)  # fmt: skip
def test_sums_are_read_as_they_are_kept_or_as_a_filter_lets_them_in(
    within: tuple[str, ...], jobs: Any, plates: list[int], kept: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of jobs that are let in whole what is kept counts; of the others results one by one, of spools too."""
    given: list[Any] = []
    monkeypatch.setattr(results, "_jobs_divided", lambda *_: jobs)
    monkeypatch.setattr(results, "kept_sums", lambda: "kept")
    monkeypatch.setattr(results, "own_settings", lambda _, jobs: dict.fromkeys(jobs, "own"))
    monkeypatch.setattr(results, "points", lambda *_, **how: given.append(how) or ["point"])
    made = Rows(sums(1))
    made.within = within  # type: ignore[assignment]
    made.read_sums(SimpleNamespace(scalars=lambda _: [4, None, 5]))  # type: ignore[arg-type]

    assert made._rows.plate.tolist() == plates
    assert made.done == (["asked", ["kept"], kept] if kept else [["summed"], kept])
    if jobs is None:
        assert (given, made._points) == ([], [])
    else:
        assert given == [{"jobs": jobs[1], "spools": [4, 5], "within": within}]
        assert (made._points, made._own) == (["point"], dict.fromkeys(jobs[1], "own"))


def test_what_an_act_touched_takes_the_place_of_what_was() -> None:
    """Sums, single results and settings of its plates; what this was copied from stays as it is."""

    class Table:
        """A statement that notes its plates."""

        def __init__(self) -> None:
            self.plates: list[str] = []

        def where(self, condition: Any) -> Any:
            """Note them."""
            self.plates.append(str(condition.compile(compile_kwargs={"literal_binds": True})))
            return self

    made = Rows(sums(1), sums(2), sums(3))
    table = Table()
    made._asked = lambda _: table  # type: ignore[method-assign]
    renewed: list[Any] = []
    made.origins = SimpleNamespace(renew=lambda _, jobs, days: renewed.append((sorted(jobs), days)))  # type: ignore[assignment]
    points = [a_point(1, 5.0, job=1), a_point(2, 5.0, job=2), a_point(3, 5.0, job=None, spool=4)]
    made._points, made._singly = points, {("q", 1), ("q", 2), ("q", -4)}
    alike, places = made._alike, made._places
    made.renew(None, [2, -4], days=True)  # type: ignore[arg-type]

    assert renewed == [([2], True)]
    assert made._rows.plate.tolist() == [1, 3, 1, 7]
    assert (made._points, made._singly) == (points[:1], {("q", 1)})
    assert table.plates == ["plate_sum.plate IN (-4, 2)"]
    assert made.done[-1] is True
    assert made._alike is not alike
    assert made._places is not places
    assert PlateSum.__tablename__ == "plate_sum"


def test_numbers_behind_a_cell_are_those_of_its_plates(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of its quantity; limits and what belongs to another cell are left out."""
    asked: list[Any] = []
    points = [
        a_point(1, 5.0, job=1),
        a_point(2, 6.0, job=1, relation=">"),
        a_point(3, 7.0, job=1, orientation="ZXY"),
    ]

    def read(_: Any, names: Any, **how: Any) -> list[Any]:
        asked.append((names, how["jobs"], how["spools"]))
        return points

    monkeypatch.setattr(results, "points", read)
    monkeypatch.setattr(results, "own_settings", lambda *_: {})
    made = Rows()
    found = made.points_of(None, ("m0", None, (), FLAT), iter([1, 5]))  # type: ignore[arg-type]
    assert found == points[:1]
    assert made.points_of(None, ("m0", None, (), FLAT), [1, -2]) == points[:1]  # type: ignore[arg-type]
    assert asked[1] == (["tensile.strength"], [1], [2])
    made.know_own(None, [3])  # type: ignore[arg-type]
    assert made._own == {}


def test_a_filter_sums_up_about_one_of_the_values() -> None:
    """Numbers that are no limits; least and greatest of all; of pieces, or of spools below zero."""
    statement = _summed_up("q", 40.0).where(true()).compile(compile_kwargs={"literal_binds": True})
    text = " ".join(str(statement).split()).replace('"', "")
    for part in (
        "result.value - 40.0", "'='", "result.quantity = 'q'", "40.0 + ",
        "coalesce(specimen.job_id, -measurement.spool_id)", "count(distinct(measurement.specimen_id))",
        "result.value IS NOT NULL OR result.group IS NOT NULL", "min(result.value)", "max(result.value)",
        "specimen.job_id IS NOT NULL OR measurement.spool_id IS NOT NULL",
    ):  # fmt: skip
        assert part in text, part
    assert np.isnan(_Rows.of([sums(1)], [0]).last).all()
