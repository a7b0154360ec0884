"""How results are gathered of sums and single results, and put into rows: each rule by itself."""

from __future__ import annotations

import datetime as dt
import json
import math
from contextlib import nullcontext
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tests.table.test_forms import FLAT, IMPACT, UPRIGHT, a_cell, a_point, a_row
from tracker.orientation import oriented
from tracker.plate_sums import Plate, Sums
from tracker.table import CAUTION, Cell, Column, SummaryTable, summary
from tracker.table.conditions import DRIED, EXPOSED, NEVER, Origins, _Days
from tracker.table.results import (
    BookResults,
    Gathered,
    Note,
    _Alike,
    _distinct,
    _merged,
    _repeats,
    _Rows,
    _seconds,
    _take_points,
)
from tracker.table.summary import (
    LazyRows,
    TableRow,
    _Building,
    _choice_of,
    _in_order,
    _printed,
    _with_shares,
    graded,
    measured_by,
    strengths,
)

HOT = (("nozzle_c", 270.0),)
COOL = (("nozzle_c", 245.0),)


def gathered(mean: float | None = 40.0, n: int = 2, plate: int = 1, **how: Any) -> Gathered:
    """Return what one plate gave; nothing that counts where there is no mean."""
    rows = [] if mean is None else [[plate, n, mean, 2.0, mean - 1, mean + 1]]
    known: dict[str, Any] = {"unit": "MPa", "sources": np.array([plate], dtype=np.int64)}
    return Gathered(**{**known, **how}, plates=np.array(rows, dtype=np.float64).reshape(-1, 6))


def building(found: dict[Any, Gathered], **how: Any) -> _Building:
    """Return what puts rows together of what was found, without a book."""
    made = object.__new__(_Building)
    spools = SimpleNamespace(of=lambda jobs: frozenset(100 + int(job) for job in jobs))
    made.book = how.pop("book", SimpleNamespace(zone=dt.UTC))
    made.results = SimpleNamespace(
        ordinal=frozenset(how.pop("ordinal", ())), read_whole=True,
        origins=SimpleNamespace(heated=lambda _: how.get("heated", {})),
        printed=how.pop("printed", lambda *_: ("Nordlicht ASA", "ASA", HOT)),
    )  # type: ignore[assignment]  # fmt: skip
    made.beside = SimpleNamespace(
        spools=spools, notes=how.pop("notes", {}), supply=how.pop("supply", {}), chosen=how.pop("chosen", {})
    )  # type: ignore[assignment]
    made.destructive, made.positive = frozenset(), how.pop("positive", {})
    made.strengths = how.pop("strengths", ())
    made.found, made._points = found, how.pop("points", {})
    made.units = {key[3].quantity: each.unit for key, each in found.items()}
    return made


# Rows: their order, what is in them


def test_rows_stand_by_name_or_by_the_best_mean_of_a_quantity() -> None:
    """Names whatever their case, then conditions; the greatest first; those without the quantity last."""
    found = {
        ("zeta", "PA", HOT, FLAT): gathered(50.0), ("zeta", "PA", COOL, FLAT): gathered(30.0),
        ("Alpha", "ASA", (), FLAT): gathered(40.0), ("Alpha", "ASA", (), UPRIGHT): gathered(60.0),
        ("beta", "ASA", (), IMPACT): gathered(99.0), (None, None, (), FLAT): gathered(None),
    }  # fmt: skip
    made = building(found)

    assert [(line.material, line.words) for line in made.lines(None)] == [
        ("Alpha", ""), ("beta", ""), (None, ""), ("zeta", "nozzle 245 °C"), ("zeta", "nozzle 270 °C"),
    ]  # fmt: skip
    assert [line.material for line in made.lines("tensile.strength")] == [
        "Alpha",
        "zeta",
        "zeta",
        "beta",
        None,
    ]
    assert [line.words for line in made.lines("tensile.strength")][1:3] == ["nozzle 270 °C", "nozzle 245 °C"]
    assert made.lines(None)[0].keys == [key for key in found if key[0] == "Alpha"]
    assert (made.lines(None)[0].family, made.lines(None)[3].condition) == ("ASA", COOL)


def test_columns_are_those_of_which_there_is_something_to_say() -> None:
    """Numbers, limits, or what is set aside; by quantity, orientation as people lay pieces, and group."""
    columns = [Column("q", each) for each in ("upright", "", "on edge", "flat")]
    found = {
        ("m", None, (), columns[0]): gathered(1.0),
        ("m", None, (), columns[1]): gathered(None, limits=[a_point(1, 2.0, relation=">")]),
        ("m", None, (), columns[2]): gathered(None, set_aside=1),
        ("m", None, (), columns[3]): gathered(None),
        ("n", None, (), columns[0]): gathered(1.0),
    }

    assert building(found).columns() == [columns[2], columns[0], columns[1]]
    every = [*columns, Column("q", "flat", "C"), Column("a", "upright")]
    assert _in_order([*every, *every]) == [
        Column("a", "upright"), Column("q", "flat"), Column("q", "flat", "C"), Column("q", "on edge"),
        Column("q", "upright"), Column("q", ""),
    ]  # fmt: skip


def test_a_row_is_of_all_that_is_behind_its_cells() -> None:
    """Jobs and spools tested themselves, how all of them came, the newest day on the bench's own clock."""
    at = dt.datetime(2026, 3, 2, 23, 30, tzinfo=dt.UTC)
    sources = np.array([-4, -2, 1, 3], dtype=np.int64)
    keys = [("Nordlicht ASA", "ASA", HOT, each) for each in (FLAT, UPRIGHT, IMPACT)]
    found = dict(
        zip(
            keys,
            (
                gathered(40.0, sources=sources, last=at.timestamp()),
                gathered(20.0, plate=5, last=at.timestamp() - 86400.0),
                gathered(None, plate=3),
            ),
            strict=True,
        )
    )
    supply = {2: "given", 101: "bought by Quarz & Co", 103: "given", 7: "found"}
    made = building(found, supply=supply, book=SimpleNamespace(zone=ZoneInfo("Europe/Vienna")))
    cells = {keys[0]: a_cell(FLAT), keys[1]: a_cell(UPRIGHT), keys[2]: a_cell(IMPACT)}
    row = made._row(made.lines(None)[0], cells)

    assert (row.jobs, row.spools) == ({1, 3, 5}, {2, 4})
    assert row.supply == ("bought by Quarz & Co", "given")
    assert row.last == dt.date(2026, 3, 3)
    assert row.cells == {FLAT: cells[keys[0]], UPRIGHT: cells[keys[1]], IMPACT: cells[keys[2]]}
    assert (row.material, row.family, row.condition, row.published) == (
        "Nordlicht ASA",
        "ASA",
        dict(HOT),
        False,
    )
    nothing = building({(None, None, (), FLAT): gathered(None)})
    bare = nothing._row(nothing.lines(None)[0], {(None, None, (), FLAT): a_cell()})
    assert (bare.material, bare.last, bare.departures, bare.measured) == ("not recorded", None, (), {})


def test_notes_go_to_the_row_of_their_condition_and_the_columns_they_concern() -> None:
    """Each once, in order of jobs; what was conditioned or tested wet stands in the row of its print."""
    wet = (*HOT, ("conditioned_rh_pct", 50.0), ("test_water_pct", 1.0))
    notes = {
        3: [Note("blob", 3, 9, "XYZ", None)],
        1: [
            Note("stringy", 1, None, None, None),
            Note("slipped", 1, 4, "ZXY", "tensile"),
            Note("cold", 1, 5, None, None),
        ],
        8: [Note("of another row", 8, None, None, None)],
        4: [Note("stringy", 4, None, None, None)],
    }

    def printed(_: int, specimen: int | None) -> Any:
        return ("Nordlicht ASA", "ASA", COOL if specimen == 5 else HOT)

    made = building({}, notes=notes, printed=printed)
    row = a_row(a_cell(FLAT), a_cell(UPRIGHT), a_cell(IMPACT), jobs=frozenset({1, 3, 4}))
    made._put_notes(row, wet)

    assert row.notes == ("stringy", "slipped", "blob")
    assert row.cells[FLAT].remarks == ("stringy", "blob")
    assert row.cells[UPRIGHT].remarks == ("stringy", "slipped")
    assert row.cells[IMPACT].remarks == ("stringy", "blob")
    other = a_row(a_cell(FLAT), material="Heide PETG", jobs=frozenset({1, 3}))
    made._put_notes(other, wet)
    assert (other.notes, other.cells[FLAT].remarks) == ((), ())
    assert made.printed(Note("x", 1, 5, None, None)) == ("Nordlicht ASA", COOL)
    assert _printed((("drying", DRIED), ("treatment", "wet"), *wet[1:])) == (
        ("drying", DRIED),
        ("treatment", "wet"),
    )


def test_the_interlayer_ratio_is_of_the_strength_with_most_pieces() -> None:
    """By the smaller of two sides; a group has none; without methods a name's last word tells a strength."""
    columns = {
        name: [Column(name, "upright"), Column(name, "flat")]
        for name in ("a.strength", "b.strength", "c.modulus")
    }
    keys = {column: ("m", None, (), column) for pair in columns.values() for column in pair}
    sizes = {"a.strength": (2, 9), "b.strength": (3, 3), "c.modulus": (9, 9)}
    cells: dict[Any, Cell] = {}
    found: dict[Any, Gathered] = {}
    for name, pair in columns.items():
        for column, n, mean in zip(
            pair, sizes[name], (20.0, 40.0 if name != "b.strength" else 80.0), strict=True
        ):
            found[keys[column]] = gathered(mean, n=n)
            cells[keys[column]] = a_cell(column, mean, n=n)
    every = [keys[column] for pair in columns.values() for column in pair]

    def value(of: list[Any], **how: Any) -> float | None:
        ratio = building(found, **how)._ratio(of, cells)
        return None if ratio is None else ratio.value

    assert value(every) == pytest.approx(0.25)
    assert value(every[:2]) == pytest.approx(0.5)
    assert value(every, strengths=("a.strength", "c.modulus")) == pytest.approx(0.5)
    assert value(every[4:]) is None
    assert value([every[0], every[3]]) is None
    broken = ("m", None, (), Column("a.strength", "upright", "C"))
    assert building(found)._ratio([broken, every[1]], cells) is None


def test_scatter_is_compared_as_a_part_of_the_mean_where_a_mean_has_a_zero() -> None:
    """Not of a quantity that may be negative, and not of temperatures, whose zero is a convention."""
    found = {("m", None, (), Column(name)): gathered(1.0, unit=unit) for name, unit in
             (("a", "MPa"), ("b", "degC"), ("c", "°C"), ("d", "mm"))}  # fmt: skip
    made = building(found, positive={"d": False, "a": True})

    assert [made._relative(name) for name in ("a", "b", "c", "d", "e")] == [True, False, False, False, True]


def test_a_closer_look_is_at_the_numbers_of_one_plate() -> None:
    """Of a cell; limits and what is set aside are no numbers."""
    key = ("m", None, (), FLAT)
    points = [
        a_point(1, 5.0, job=1), a_point(2, 6.0, job=2), a_point(3, 7.0, job=1, relation=">"),
        a_point(4, 8.0, job=1, counted=False),
    ]  # fmt: skip
    made = building({key: gathered(1.0)}, points={key: points})
    look = made._looker(None)  # type: ignore[arg-type]

    assert look(key, Plate(1, 1, 5.0, 0.0, 5.0, 5.0)) == [points[0]]
    assert made.behind(key) == points[:2]
    assert look(("m", None, (), UPRIGHT), Plate(1, 1, 5.0, 0.0, 5.0, 5.0)) == []


def test_grades_are_sorted_by_their_median() -> None:
    """The mean of plates is of numbers alone; nothing of a cell without any."""
    key = ("m", None, (), Column("look.grade"))
    points = [a_point(n, value, quantity="look.grade", job=1) for n, value in enumerate((1.0, 1.0, 4.0), 1)]
    plate = {key: gathered(2.0, n=3)}

    assert building(plate, points={key: points}, ordinal=["look.grade"])._mean(key) == 1.0
    assert building(plate, points={key: points})._mean(key) == 2.0
    two = gathered(2.0)
    two.plates = np.array([[1, 9, 2.0, 0, 2, 2], [2, 1, 4.0, 0, 4, 4]], dtype=np.float64)
    assert building({key: two})._mean(key) == 3.0
    assert building({key: gathered(None)}, ordinal=["look.grade"])._mean(key) is None


def test_groups_have_their_share_of_all_pieces() -> None:
    """Numbers and limits of a material, condition, quantity and orientation; nothing without groups."""

    def key(group: str, condition: Any = HOT, orientation: str = "flat") -> Any:
        return ("m", None, condition, Column("impact.strength", orientation, group))

    cells = {
        key("C"): a_cell(n=3), key("H"): a_cell(n=1, limits=("> 5", "> 6")), key(""): a_cell(n=2),
        key("", COOL): a_cell(n=4), key("N", HOT, "upright"): a_cell(n=0),
        key("C", COOL, "upright"): a_cell(n=7),
    }  # fmt: skip
    found = _with_shares(cells)

    assert [found[each].share for each in cells] == [3 / 8, 3 / 8, 2 / 8, None, None, 1.0]
    assert {name: each for name, each in vars(found[key("C")]).items() if name != "share"} == {
        name: each for name, each in vars(cells[key("C")]).items() if name != "share"
    }


def test_a_choice_holds_of_the_rows_that_have_all_its_settings() -> None:
    """Its remark, else its reason, who chose it and on which day where the bench is."""
    at = dt.datetime(2026, 3, 2, 23, 30, tzinfo=dt.UTC)
    row = TableRow("m", None, {"nozzle_c": 255.0, "fan_pct": 20.0}, "")
    vienna = ZoneInfo("Europe/Vienna")

    def choice(condition: dict[str, Any], remark: str = "") -> tuple[bool, str]:
        made = SimpleNamespace(
            condition=condition, remark=remark, reason="its maker's advice", by="Ada", at=at
        )
        return _choice_of(row, {"m": made}, vienna)

    assert choice({"nozzle_c": 255.0}) == (True, "its maker's advice (Ada, 2026-03-03)")
    assert choice({}, "best") == (True, "best (Ada, 2026-03-03)")
    assert choice({"nozzle_c": 255.0, "fan_pct": 0.0}) == (False, "")
    assert choice({"bed_c": 90.0}) == (False, "")
    assert _choice_of(row, {}, vienna) == (False, "")


def test_rows_are_made_once_and_as_many_as_are_asked_for() -> None:
    """One, a slice, from the end, all; a place that is not there is an error as of any list."""
    asked: list[list[int]] = []

    def make(places: Any) -> list[TableRow]:
        asked.append(list(places))
        return [TableRow(f"m{place}", None, {}, "") for place in places]

    rows = LazyRows(5, make)
    assert len(rows) == 5
    assert rows[1].material == "m1"
    assert [row.material for row in rows[:3]] == ["m0", "m1", "m2"]
    assert rows[-1].material == "m4"
    assert [row.material for row in rows] == ["m0", "m1", "m2", "m3", "m4"]
    assert rows[3:1] == []
    assert [row.material for row in rows[::-2]] == ["m4", "m2", "m0"]
    assert asked == [[1], [0, 2], [4], [3]]
    with pytest.raises(IndexError):
        rows[5]


def test_methods_say_what_they_give_what_is_a_strength_and_what_a_grade() -> None:
    """A strength is the key of a method that declares it so; grades are of a scale of order."""

    def quantity(name: str, scale: str = "ratio", of: str = "") -> Any:
        return SimpleNamespace(name=name, scale=scale, property=of)

    first = SimpleNamespace(quantities=[quantity("a.s", of="strength"), quantity("a.g", "ordinal")],
                            key_quantity=quantity("a.s", of="strength"))  # fmt: skip
    second = SimpleNamespace(quantities=[quantity("b.m", "nominal"), quantity("b.s", of="strength")],
                             key_quantity=quantity("b.m"))  # fmt: skip
    plugged: Any = SimpleNamespace(
        methods={"a": SimpleNamespace(method=first), "b": SimpleNamespace(method=second)}
    )

    assert measured_by(plugged) == ["a.s", "a.g", "b.m", "b.s"]
    assert strengths(plugged) == ("a.s",)
    assert strengths(None) == ()
    assert graded(plugged) == ["a.g"]


def test_headings_have_titles_units_orientations_and_groups() -> None:
    """A name without a title stays as it is typed in filters; the caution stands at the foot."""
    table = SummaryTable(
        [], [FLAT], {"tensile.strength": "MPa", "n": ""}, titles={"tensile.strength": "Strength"}
    )

    assert [table.heading(each) for each in ("tensile.strength", "n", "else")] == [
        "Strength [MPa]",
        "n",
        "else",
    ]
    assert [table.called(each) for each in (FLAT, IMPACT, Column("n"), Column("n", "", "C"))] == [
        "Strength flat", "impact.strength flat, C", "n", "n, C",
    ]  # fmt: skip
    assert table.caution is CAUTION
    assert table.as_json() == {
        "columns": [
            {"quantity": FLAT.quantity, "orientation": "flat", "lie": "flat", "group": None, "unit": "MPa"}
        ],
        "rows": [], "caution": CAUTION, "why_empty": "",
    }  # fmt: skip


class Asked:
    """Results that note how they were read."""

    def __init__(self, *given: Any) -> None:
        self.given = given
        self.read: tuple[Any, ...] = ()

    def read_singly(self, _: Any, among: Any) -> None:
        """Note that every result was read."""
        self.read = ("singly", among)

    def read_sums(self, _: Any) -> None:
        """Note that sums were read."""
        self.read = ("sums",)


@pytest.mark.parametrize("where", [None, "whole", "part"])
@pytest.mark.parametrize("plain", [False, True])
def test_results_are_read_as_sums_unless_python_picked_them(
    where: str | None, plain: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a filter asks of the database narrows both ways; what it leaves to Python is read one by one."""
    narrowed = SimpleNamespace(whole=where == "whole", conditions=["c"], of_results=["r"])
    monkeypatch.setattr(summary, "narrowed_by", lambda *_: narrowed)
    monkeypatch.setattr(
        summary, "results_where", lambda *_: [SimpleNamespace(result=7), SimpleNamespace(result=9)]
    )
    monkeypatch.setattr(summary, "BookResults", Asked)
    monkeypatch.setattr(summary, "Beside", lambda _, results: ("beside", results))
    book: Any = SimpleNamespace(connect=lambda: nullcontext("connection"))
    results, beside = summary._read(book, where, ["q"], frozenset("o"), None, plain=plain)  # type: ignore[arg-type]
    picked = frozenset({7, 9}) if where == "part" else None

    assert results.given == ("connection", ["q"], frozenset("o"), ("c", "r") if where else ())  # type: ignore[attr-defined]
    assert results.read == (("singly", picked) if plain or where == "part" else ("sums",))  # type: ignore[attr-defined]
    assert beside == ("beside", results)


def test_why_a_table_is_empty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a large book the condition that holds of nothing; else that nothing was measured, or why not."""
    monkeypatch.setattr(summary, "term_without", lambda _, where, of: f"{where} of {of}")
    monkeypatch.setattr(summary, "why_nothing", lambda _, where, *__: f"why {where}")
    recorded: list[int] = []
    monkeypatch.setattr(summary, "points", lambda *_: recorded)

    def why(newest: int | None, where: Any = None, quantities: Any = None) -> str:
        connection = SimpleNamespace(scalar=lambda _: newest)
        book: Any = SimpleNamespace(connect=lambda: nullcontext(connection))
        return summary._why_empty(book, where, quantities, None)

    assert why(50_001, "where") == "where of results"
    assert why(50_000, "where") == why(None) == "There are no results in this book yet."
    assert why(50_001, None, ["a", "b"]) == "There are no results of a, b in this book yet."
    recorded.append(1)
    assert why(50_000, "where") == "why where"
    assert why(50_001) == ""


def test_how_the_numbers_behind_a_cell_are_read_is_no_part_of_it() -> None:
    """Two cells of the same figures are equal, and a message that shows one shows its figures."""
    assert a_cell(behind=lambda: ()) == a_cell()
    assert "behind" not in repr(a_cell())
    days = _Days(dried=[5.0])
    assert days.before(dt.datetime(2026, 3, 2, tzinfo=dt.UTC)) == DRIED
    assert days == _Days(dried=[5.0]) != _Days(dried=[6.0])


# Sums as arrays


def sums(plate: int, alike: int = 0, **how: Any) -> Sums:
    """Return a row of sums of one plate."""
    known: dict[str, Any] = {
        "plate": plate, "quantity": f"q{alike}", "unit": "MPa", "orientation": "XYZ", "group": None,
        "geometry": None, "rh_pct": None, "water_pct": None, "own": None, "counted": True, "taken": 2, "n": 2,
        "pieces": 2, "mean": 10.0 * plate, "within": 2.0, "low": 9.0, "high": 11.0, "last": None,
    }  # fmt: skip
    return Sums(**{**known, **how})


def test_rows_become_arrays_column_by_column() -> None:
    """Counts, figures and moments in their places; parts are joined in order, and some of them taken."""
    at = dt.datetime(2026, 3, 2, tzinfo=dt.UTC)
    rows = [sums(3, taken=5, n=4, pieces=3, last=at), sums(-2, mean=None, within=None, low=None, high=None)]
    found = _Rows.of(rows, [7, 8])

    assert found.plate.tolist() == [3, -2]
    assert found.alike.tolist() == [7, 8]
    assert (found.taken.tolist(), found.n.tolist(), found.pieces.tolist()) == ([5, 2], [4, 2], [3, 2])
    assert found.figures[0].tolist() == [30.0, 2.0, 9.0, 11.0]
    assert np.isnan(found.figures[1]).all()
    assert found.last[0] == at.timestamp()
    assert math.isnan(found.last[1])
    both = _Rows.together([found, _Rows.of([], []), _Rows.of(rows[:1], [9])])
    assert both.alike.tolist() == [7, 8, 9]
    assert both.where(both.plate == 3).alike.tolist() == [7, 9]
    assert _Rows.of([], []).figures.shape == (0, 4)


def test_moments_are_seconds_of_the_epoch_whichever_database_gave_them() -> None:
    """A text to the microsecond, or a moment; nothing where there is none."""
    at = dt.datetime(2026, 3, 2, 8, 0, 0, 250000, tzinfo=dt.UTC)
    texts = _seconds([None, "2026-03-02 08:00:00.250000", "1970-01-01 00:00:01.000000"])

    assert math.isnan(texts[0])
    assert texts[1:].tolist() == [at.timestamp(), 1.0]
    assert _seconds([at, None])[0] == at.timestamp()
    assert np.isnan(_seconds([None, None])).all()
    assert _seconds([]).shape == (0,)


def test_a_number_stands_once() -> None:
    """Of sorted ones, below zero too."""
    assert _distinct(np.array([-3, -3, 0, 1, 1, 4], dtype=np.int64)).tolist() == [-3, 0, 1, 4]
    assert _distinct(np.array([], dtype=np.int64)).tolist() == []
    alone = np.array([[1.0, 2, 3, 4, 5, 6], [2.0, 2, 3, 4, 5, 6]])
    assert _merged(alone) is alone


def gathering(*rows: Sums) -> BookResults:
    """Return results that hold these sums, of materials by the number of their plate."""
    made = object.__new__(BookResults)
    made._alike, made._points, made._own = [], [], {}
    places: dict[Any, int] = {}
    numbers = [places.setdefault(row[1:10], len(places)) for row in rows]
    made._places, made._rows = places, _Rows.of(rows, numbers)
    made._alike = [_Alike._make(key) for key in places]
    made.origins = SimpleNamespace(
        codes=lambda plates: np.where(plates > 5, 1, 0),
        of=lambda code, own, rh, _: (f"m{code}", own, () if rh is None else (("rh", rh),)),
        of_plate=lambda plate: int(plate > 5),
    )  # type: ignore[assignment]
    return made


def test_sums_are_gathered_by_material_condition_and_column() -> None:
    """Plates in order, of the same plate put together; what is set aside counts apart and is no number."""
    at = dt.datetime(2026, 3, 2, tzinfo=dt.UTC)
    found, singly = gathering(
        sums(4, last=at), sums(2, geometry="bar", last=at + dt.timedelta(days=1)),
        sums(4, geometry="bar", n=1, taken=1, mean=70.0, within=0.0, low=70.0, high=70.0),
        sums(3, counted=False, taken=3, n=3, geometry="rod"),
        sums(9, unit="MPa"), sums(2, orientation="ZXY", unit="GPa"), sums(2, rh_pct=50.0),
        sums(1, alike=1, own="own"),
    ).gathered()  # fmt: skip
    flat = found["m0", None, (), Column("q0", "flat")]

    assert singly == {}
    assert flat.plates.tolist() == [
        [2.0, 2.0, 20.0, 2.0, 9.0, 11.0],
        [4.0, 3.0, 50.0, 2.0 + 2 * 100 + 400, 9.0, 70.0],
    ]
    assert (flat.set_aside, flat.shapes, flat.sources.tolist()) == (3, {"bar"}, [2, 3, 4])
    assert flat.last == (at + dt.timedelta(days=1)).timestamp()
    assert flat.plate(0) == Plate(2, 2, 20.0, 2.0, 9.0, 11.0)
    assert sorted((key[0], key[1], key[2], key[3]) for key in found if key[1] is None) == [
        ("m0", None, (), Column("q0", "flat")), ("m0", None, (), Column("q0", "upright")),
        ("m0", None, (("rh", 50.0),), Column("q0", "flat")), ("m1", None, (), Column("q0", "flat")),
    ]  # fmt: skip
    assert found["m0", None, (), Column("q0", "upright")].unit == "GPa"
    assert ("m0", "own", (), Column("q1", "flat")) in found
    assert math.isnan(found["m1", None, (), Column("q0", "flat")].last)


def test_only_quantities_that_are_asked_for_are_gathered() -> None:
    """Of sums and of single results."""
    made = gathering(sums(1), sums(1, alike=1))
    made._points = [a_point(1, 5.0, quantity="q1"), a_point(2, 5.0, quantity="q2")]
    found, singly = made.gathered(quantities=["q1"])

    assert [key[3].quantity for key in found] == ["q1"]
    assert [key[3].quantity for key in singly] == ["q1"]
    assert gathering(sums(1)).gathered(quantities=["none"]) == ({}, {})
    assert gathering().gathered() == ({}, {})


def test_single_results_go_to_the_cell_of_all_that_tells_them_apart() -> None:
    """Quantity, unit, group, orientation, humidity, water, plate, and what the piece has of its own."""
    made = gathering()
    made._own = {7: "own"}
    points = [
        a_point(1, 5.0, job=1), a_point(2, 5.0, job=1, orientation="ZXY"), a_point(3, 5.0, job=1, group="C"),
        a_point(4, 5.0, job=1, rh_pct=51.0), a_point(5, 5.0, job=9), a_point(6, 5.0, job=1, quantity="q"),
        a_point(7, 5.0, job=1, specimen=7), a_point(8, 5.0, job=2, rh_pct=49.0),
        a_point(9, 5.0, job=1, specimen=8),
    ]  # fmt: skip
    made._points = points
    _, singly = made.gathered()

    assert {key: [point.result for point in members] for key, members in singly.items()} == {
        ("m0", None, (), FLAT): [1, 9], ("m0", None, (), UPRIGHT): [2],
        ("m0", None, (), Column("tensile.strength", "flat", "C")): [3],
        ("m0", None, (("rh", 50.0),), FLAT): [4, 8], ("m1", None, (), FLAT): [5],
        ("m0", None, (), Column("q", "flat")): [6], ("m0", "own", (), FLAT): [7],
    }  # fmt: skip


def test_what_was_printed_is_that_of_the_piece_where_one_is_named() -> None:
    """Of its plate otherwise; nothing of the test is in it."""
    made = gathering()
    made._own = {7: "own"}
    assert [made.printed(1, piece)[1] for piece in (7, 8, None)] == ["own", None, None]
    assert made.printed(9, None) == ("m1", None, ())
    assert made.key_of(a_point(1, 5.0, job=1, specimen=None)) == ("m0", None, (), FLAT)


def test_single_results_are_taken_beside_what_is_summed_up() -> None:
    """Plates by number; limits, what is set aside, repeats, shapes, sources and the newest moment."""
    at = dt.datetime(2026, 3, 2, tzinfo=dt.UTC)
    key = ("m", None, (), FLAT)
    found: dict[Any, Gathered] = {
        key: gathered(40.0, plate=3, shapes=frozenset({"rod"}), set_aside=1, last=at.timestamp())
    }
    members = [
        a_point(1, 10.0, job=1, specimen=1, geometry="bar", at=at + dt.timedelta(hours=1)),
        a_point(2, 14.0, job=1, specimen=1), a_point(3, 20.0, job=1, specimen=2),
        a_point(4, 99.0, job=5, specimen=3, counted=False, geometry="cube"),
        a_point(5, None, job=5, specimen=4, counted=False),
        a_point(6, 50.0, job=4, specimen=5, relation=">"), a_point(7, None, job=4, specimen=6, group="N"),
    ]  # fmt: skip
    _take_points(found, key, members, ())
    cell = found[key]

    assert cell.plates.tolist() == [[1.0, 2.0, 16.0, 32.0, 12.0, 20.0], [3.0, 2.0, 40.0, 2.0, 39.0, 41.0]]
    assert [point.result for point in cell.limits] == [6, 7]
    assert (cell.set_aside, cell.repeats, cell.shapes) == (2, 1, {"rod", "bar"})
    assert cell.sources.tolist() == [1, 3, 4, 5]
    assert cell.last == (at + dt.timedelta(hours=1)).timestamp()
    alone: dict[Any, Gathered] = {}
    _take_points(alone, key, members[1:3], {"tensile"})
    assert math.isnan(alone[key].last)
    assert alone[key].unit == "MPa"
    used: dict[Any, Gathered] = {}
    _take_points(used, key, members[:3], {"tensile"})
    assert used[key].plates[0].tolist() == [1.0, 2.0, 15.0, 50.0, 10.0, 20.0]


@pytest.mark.parametrize(
    ("pieces", "repeated"),
    [([], 0), ([1, 2, 3], 0), ([1, 1, 2, 2, 2, 3], 2), ([None, None], 0), ([1, None, None], 0)],
)
def test_pieces_that_were_read_several_times_are_counted(pieces: list[int | None], repeated: int) -> None:
    """Each once; readings of a spool itself are of no piece."""
    assert _repeats([a_point(n, 1.0, specimen=piece) for n, piece in enumerate(pieces)]) == repeated


def test_orientations_in_words() -> None:
    """Empty where none is recorded."""
    assert [oriented(each) for each in ("XYZ", "ZXY", "XZY", None, "")] == [
        "flat",
        "upright",
        "on edge",
        "",
        "",
    ]


# Where results come from


def origins() -> Origins:
    """Return origins of three jobs, without a book."""
    made = object.__new__(Origins)
    made._origins, made._codes, made._alike = [(None, None, ())], {(None, None, ()): 0}, {}
    made._materials = {1: ("Nordlicht ASA", "ASA"), 2: ("Heide PETG", None)}
    made._job = np.array([0, 1, 2, 1], dtype=np.int32)
    made._spools = {4: 2}
    made.code(("Nordlicht ASA", "ASA", HOT))
    made.code(("Heide PETG", None, COOL))
    made._heated = np.array(
        [
            [np.nan] * 6,
            [250, np.nan, 41, 255, 90, 60],
            [np.nan, 80, 58, 245, 85, 60],
            [262, np.nan, np.nan, 255, 90, 60],
        ]
    )
    return made


def test_a_plate_has_the_origin_of_its_job_or_spool() -> None:
    """What is not known, or lies beyond what was read, has none; the same origin has one number."""
    made = origins()

    assert made.codes(np.array([1, 2, 3, 0, 4, 99, -4, -5])).tolist() == [1, 2, 1, 0, 0, 0, 2, 0]
    assert (made.of_plate(3), made.of_plate(-4), made.of_plate(4)) == (1, 2, 0)
    assert made.code(("Heide PETG", None, COOL)) == 2
    assert made.code(("Heide PETG", None, ())) == 3


def test_a_piece_has_its_own_material_and_settings_before_its_plates() -> None:
    """What is given outright is neither the job's reading nor its setting; humidity and water come last."""
    made = origins()
    heated = made.code(
        ("m", "f", (("nozzle_c", 250.0), ("nozzle_basis", "measured"), ("nozzle_set_c", 255.0)))
    )

    assert made.of(1, None, None, None) == ("Nordlicht ASA", "ASA", HOT)
    assert made.of(1, json.dumps({"treatment": "wet"}), 51.0, 0.8) == (
        "Nordlicht ASA", "ASA",
        (*HOT, ("treatment", "wet"), ("conditioned_rh_pct", 50.0), ("test_water_pct", 1.0)),
    )  # fmt: skip
    assert made.of(heated, json.dumps({"nozzle_c": 260.0}), None, None) == ("m", "f", (("nozzle_c", 260.0),))
    assert made.of(heated, json.dumps({"bed_c": 90.0}), None, 0.1)[2] == (
        ("nozzle_c", 250.0), ("bed_c", 90.0), ("nozzle_basis", "measured"), ("nozzle_set_c", 255.0),
        ("test_water_pct", 0.0),
    )  # fmt: skip


def test_temperatures_of_jobs_are_pairs_of_set_and_measured() -> None:
    """Of those where both are known; a job that was not read has none."""
    found = origins().heated(np.array([1, 2, 3, 99]))

    assert {name: (meant.tolist(), got.tolist()) for name, (meant, got) in found.items()} == {
        "nozzle": ([255.0, 255.0], [250.0, 262.0]), "bed": ([85.0], [80.0]),
        "chamber": ([60.0, 60.0], [41.0, 58.0]),
    }  # fmt: skip
    assert origins().heated(np.array([0])) == {}


def test_a_day_in_open_air_since_the_last_drying_is_too_long() -> None:
    """Hours before the drying and after the print do not count; a print at the drying's end is dry."""
    hour = 3600.0
    days = _Days(
        dried=[100 * hour, 200 * hour],
        open_air=[(90 * hour, 110 * hour), (120 * hour, 130 * hour), (205 * hour, 400 * hour)],
    )

    assert [days._before(at * hour) for at in (99.9, 100, 130, 133.9, 199.9)] == [
        NEVER,
        DRIED,
        DRIED,
        DRIED,
        DRIED,
    ]
    assert [days._before(at * hour) for at in (200, 229, 229.1)] == [DRIED, DRIED, EXPOSED]
    days.open_air[1] = (120 * hour, 134.1 * hour)
    assert [days._before(at * hour) for at in (133.9, 134.1)] == [DRIED, EXPOSED]
    assert _Days().before(dt.datetime(2026, 3, 2, tzinfo=dt.UTC)) == NEVER
