"""Cells and tables written down, made by hand: what is in a figure, beside it, and in each form."""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import FrozenInstanceError, fields, is_dataclass
from typing import Any

import pytest

from tracker.plate_sums import Point
from tracker.statistics import LimitedMean, MaterialMean
from tracker.table import (
    Cell,
    Column,
    Ratio,
    SummaryTable,
    TableRow,
    as_csv,
    as_html,
    as_lines,
    as_markdown,
    cells,
    charts,
    columns_of,
    compared,
    filled_columns,
    forms,
    remarks,
    summary,
)

FLAT = Column("tensile.strength", "flat")
UPRIGHT = Column("tensile.strength", "upright")
IMPACT = Column("impact.strength", "flat", "C")
THREE_PLATES = MaterialMean(3, 6, 48.2, 0.9, 1.1, 3.44, 4.3, 2.0, "plates", with_book=2.9)
"""U = 3.44 at k = 4.3 and two degrees of freedom (t of JCGM 100:2008, table G.2: 4.30)."""

ON_BOOK = (
    "with the plate scatter of the book's other materials 48.2 ± 2.9 MPa, which holds on average over "
    "materials, not for each"
)


def a_point(number: int, value: float | None, **how: Any) -> Point:
    """Make a result of a pull of its own piece."""
    known = {
        "result": number, "measurement": number, "quantity": "tensile.strength", "value": value,
        "unit": "MPa", "relation": "=", "group": None, "counted": True, "at": None, "specimen": number,
        "spool": None,
        "job": 1, "orientation": "XYZ", "geometry": None, "method": "tensile", "rh_pct": None,
        "water_pct": None,
    }  # fmt: skip
    return Point(**{**known, **how})


def a_cell(column: Column = FLAT, mean: float | None = 48.2, **how: Any) -> Cell:
    """Make a cell of two pieces of one plate, without an interval."""
    known: dict[str, Any] = {
        "column": column, "unit": "MPa", "n": 2, "plates": 1, "mean": mean, "sd": None, "found": None,
        "low": None, "high": None, "ordinal": False,
    }  # fmt: skip
    return Cell(**{**known, **how})


def of_three_plates(**how: Any) -> Cell:
    """Make a cell of six pieces of three plates."""
    known: dict[str, Any] = {
        "found": THREE_PLATES,
        "n": 6,
        "plates": 3,
        "sd": 1.2,
        "low": 44.76,
        "high": 51.64,
    }
    return a_cell(**{**known, **how})


def a_table(*rows: TableRow) -> SummaryTable:
    """Make a table of rows."""
    units = {"tensile.strength": "MPa", "impact.strength": "kJ/m^2"}
    return SummaryTable(
        list(rows), columns_of(rows), units, "Not a certification. Of this bench.",
        titles={"tensile.strength": "Tensile strength"},
    )  # fmt: skip


def a_row(*cells: Cell, **how: Any) -> TableRow:
    """Make a row of a material."""
    row = TableRow(how.pop("material", "Nordlicht ASA"), "ASA", {}, how.pop("words", "nozzle 245 °C"), **how)
    row.cells = {each.column: each for each in cells}
    return row


def test_a_figure_with_its_interval() -> None:
    """Value and U end at one place (JCGM 100:2008, 7.2.6); pieces and plates stand with them."""
    assert of_three_plates().text("MPa") == "48.2 ± 3.4 MPa (U, k = 4.3, 95 %), n 6, 3 plates"


def test_a_figure_without_interval() -> None:
    """One plate, and nothing that says how plates scatter: the mean alone, no plural of one."""
    assert a_cell().text("MPa") == "48.2 MPa, n 2, 1 plate"


def test_a_figure_below_zero_has_a_minus_sign() -> None:
    """Beside a dash a hyphen would read like one."""
    assert a_cell(mean=-3.5).text("%") == "\N{MINUS SIGN}3.5 %, n 2, 1 plate"


def test_a_scatter_that_is_rounding_gives_no_digits() -> None:
    """A part in 10^10 is the arithmetic's: it is not stated as an uncertainty."""
    found = MaterialMean(3, 6, 50.0, 0.0, 0.0, 4e-8, 4.3, 2.0, "plates")

    assert of_three_plates(mean=50.0, found=found).text("MPa") == "50 MPa, n 6, 3 plates"


def test_an_assumed_plate_scatter_is_reported_and_has_no_k() -> None:
    """No degrees of freedom could be named for an assumption."""
    found = MaterialMean(1, 2, 48.2, 0.9, None, 3.4, None, None, "assumed")
    cell = a_cell(found=found, low=44.8, high=51.6)

    assert cell.text("MPa") == "48.2 ± 3.4 MPa (95 %, plate scatter assumed), n 2, 1 plate"
    assert cell.caveats() == [
        (
            "1 plate: it describes this plate; its interval assumes plates to scatter 1.2 times as pieces "
            "do, within a factor of 2 or so, and holds on average over such materials, not for each"
        )
    ]


def test_grades_are_reported_by_median_and_range() -> None:
    """Ranks are not averaged: least and greatest stand beside the middle one."""
    cell = a_cell(mean=2.0, ordinal=True, low=1.0, high=4.0, n=3, unit="", limits=("> 4",))

    assert cell.text() == "median 2 (1 to 4), n 3, 1 plate, and > 4"
    assert not cell.uninformative


def test_limits_alike_are_reported_once_with_their_number() -> None:
    """Three pieces that never softened are one word and a count."""
    cell = a_cell(mean=None, n=0, limits=("> 120 °C", "> 120 °C", "> 120 °C", "> 110 °C"))

    assert cell.text("degC") == "> 120 °C n 3, > 110 °C"
    assert cell.limits_text() == "> 120 °C n 3, > 110 °C"
    assert a_cell(mean=None, n=0).text() == "–"


def test_shares_of_groups_are_reported() -> None:
    """Of a break type it matters how many broke so."""
    assert a_cell(IMPACT, 6.0, share=0.5).count_text() == "n 2, 1 plate, 50 % of all groups"
    assert a_cell(IMPACT, None, share=0.25, limits=("no value",)).text() == "no value (25 % of all groups)"


@pytest.mark.parametrize(
    ("how", "uninformative"),
    [
        ({"found": None}, True),
        ({"found": MaterialMean(3, 6, 48.2, 1.0, 1.0, None, None, None, "none")}, True),
        ({"found": MaterialMean(2, 2, 48.2, None, None, 9.0, 12.7, 1.0, "plates")}, True),
        ({"found": MaterialMean(3, 3, 48.2, None, None, 3.0, 4.3, 2.0, "plates")}, False),
        ({"found": MaterialMean(1, 2, 48.2, None, None, 3.0, None, None, "assumed")}, False),
        ({"mean": None}, False),
    ],
)
def test_an_interval_of_one_degree_of_freedom_says_next_to_nothing(
    how: dict[str, Any], uninformative: bool
) -> None:
    """Student's t is 12.71 at one degree and 4.30 at two (JCGM 100:2008, table G.2)."""
    assert a_cell(**how).uninformative is uninformative


def test_what_the_book_says_of_plates_stands_beside() -> None:
    """Of three plates the interval rests on them; that with the other materials' scatter is told too."""
    assert of_three_plates(repeats=1, set_aside=2).caveats() == [
        ON_BOOK,
        "1 piece was read several times and counts once",
        "2 set aside",
    ]
    assert a_cell(repeats=3).caveats() == ["3 pieces were read several times and count once each"]


@pytest.mark.parametrize(
    ("limited", "said"),
    [
        (
            LimitedMean(5, 2, 103.2, "above", 94.0),
            "; with the limits the mean is at least 103.2 MPa (Kaplan-Meier)",
        ),
        (
            LimitedMean(5, 2, 11.25, "below", 9.0),
            "; with the limits the mean is at most 11.25 MPa (Kaplan-Meier)",
        ),
        (LimitedMean(5, 2, 103.2, "", 94.0), ""),
        (None, ""),
    ],
)
def test_a_mean_of_survivors_is_bounded_by_its_limits(limited: LimitedMean | None, said: str) -> None:
    """What did not break is not in the mean; with it the truth lies on one side of a bound."""
    cell = a_cell(limits=("> 120 MPa", "> 120 MPa"), limited=limited)

    assert cell.caveats() == [f"not in the mean: > 120 MPa n 2{said}"]
    assert a_cell(mean=None, n=0, limits=("> 120 MPa",), set_aside=1).caveats() == ["1 set aside"]


def test_a_cell_as_json() -> None:
    """Everything that was computed, under the names that scripts rely on."""
    points = (a_point(1, 48.0), a_point(3, 48.4))
    cell = of_three_plates(
        share=0.5, hints=("a hint",), remarks=("stringy",), set_aside=1, repeats=2, limits=("> 60 MPa",),
        limited=LimitedMean(3, 1, 52.1, "above", 48.4), behind=lambda: points,
    )  # fmt: skip

    assert cell.as_json() == {
        "quantity": "tensile.strength", "orientation": "flat", "lie": "flat", "group": None, "share": 0.5,
        "unit": "MPa", "n": 6, "plates": 3, "mean": 48.2, "sd": 1.2, "s_r": 0.9, "s_L": 1.1, "U": 3.44,
        "k": 4.3, "nu": 2.0, "u": pytest.approx(0.8), "coverage": 0.95, "basis": "plates",
        "U_with_book": 2.9, "low": 44.76, "high": 51.64, "uninformative": False, "limits": ["> 60 MPa"],
        "with_limits": {
            "estimator": "Kaplan-Meier", "n": 3, "limits": 1, "mean": 52.1, "mean_is": "a lower limit",
            "median": 48.4,
        },
        "set_aside": 1, "repeated": 2, "hints": ["a hint"], "results": ["M0001-Y", "M0003-U"],
        "values": [48.0, 48.4], "remarks": ["stringy"],
        "stated": "48.2 ± 3.4 MPa (U, k = 4.3, 95 %), n 6, 3 plates, 50 % of all groups, and > 60 MPa",
    }  # fmt: skip


def test_a_cell_without_interval_as_json() -> None:
    """What is not known is null and not zero."""
    told = a_cell(IMPACT, 6.0).as_json()
    unknown = {name for name, value in told.items() if value is None}

    assert told["group"] == "C"
    assert unknown == {
        "share", "sd", "s_r", "s_L", "U", "k", "nu", "u", "coverage", "basis", "U_with_book", "low", "high",
        "with_limits",
    }  # fmt: skip


def test_a_ratio_for_people_and_for_scripts() -> None:
    """The share of strength that is left between layers, with its limits and what speaks against it."""
    good, apart = Ratio(0.452, 0.41, 0.5, ()), Ratio(0.452, None, None, ("spools differ",))

    assert good.text() == "0.45 (0.41 to 0.50)"
    assert apart.text() == "0.45 not comparable"
    assert Ratio(None, None, None, ("why",)).text() == "–"
    assert (good.as_json()["comparable"], apart.as_json()["comparable"]) == (True, False)
    assert apart.as_json() == {
        "value": 0.452, "low": None, "high": None, "comparable": False, "reasons": ["spools differ"],
    }  # fmt: skip


def test_remarks_name_what_they_are_of_where_it_is_not_all() -> None:
    """Of one quantity in several: its name; of most: the exceptions; of all: nothing."""
    few = {"set_aside": 1}
    row = a_row(a_cell(FLAT, **few), a_cell(UPRIGHT), a_cell(IMPACT))
    most = a_row(a_cell(FLAT, **few), a_cell(UPRIGHT, **few), a_cell(IMPACT))
    every = a_row(a_cell(FLAT, **few), a_cell(UPRIGHT, **few))
    alone = a_row(a_cell(FLAT, **few))
    half = a_row(a_cell(FLAT, **few), a_cell(UPRIGHT))

    assert remarks(a_table(row), row) == ["1 set aside (Tensile strength flat)"]
    assert remarks(a_table(most), most) == ["1 set aside (all but impact.strength flat, C)"]
    assert remarks(a_table(every), every) == ["1 set aside"]
    assert remarks(a_table(alone), alone) == ["1 set aside (Tensile strength flat)"]
    assert remarks(a_table(half), half) == ["1 set aside (Tensile strength flat)"]


def a_full_row() -> TableRow:
    """Make a row of which everything is told."""
    return a_row(
        of_three_plates(hints=("M0002-W: possible outlier",), behind=lambda: (a_point(1, 48.2),)),
        a_cell(UPRIGHT, 22.1), published=True, choice="as its maker advises", supply=("bought", "given"),
        last=dt.date(2025, 3, 2), departures=("chamber set 60 °C, measured 39 °C",), notes=("stringy",),
        ratio=Ratio(0.46, 0.4, 0.52, ("spools differ",)),
    )  # fmt: skip


BESIDE = [
    "as its maker advises", "chamber set 60 °C, measured 39 °C", "stringy",
    "M0002-W: possible outlier (Tensile strength flat)",
    f"{ON_BOOK} (Tensile strength flat)",
    "interlayer ratio: spools differ",
]  # fmt: skip


def test_remarks_stand_in_the_order_in_which_they_matter() -> None:
    """The choice, what was not as set, what somebody wrote, then what the figures rest on."""
    row = a_full_row()

    assert remarks(a_table(row), row) == BESIDE


def test_a_table_for_a_terminal() -> None:
    """Figures in line, the ratio below them, what is shown beside, supply, and the caution at the end."""
    assert list(as_lines(a_table(a_full_row()))) == [
        "Nordlicht ASA · nozzle 245 °C · published",
        "  Tensile strength flat     48.2 ± 3.4 MPa (U, k = 4.3, 95 %), n 6, 3 plates",
        "  Tensile strength upright  22.1 MPa, n 2, 1 plate",
        "  Interlayer ratio (upright/flat)  0.46 (0.40 to 0.52) not comparable",
        *(f"    {text}" for text in BESIDE),
        "    supplied: bought; given",
        "",
        "Not a certification. Of this bench.",
    ]
    assert list(as_lines(a_table())) == ["Not a certification. Of this bench."]


def test_a_narrow_terminal_gets_figures_below_their_names() -> None:
    """Nothing is cut: what does not fit beside its name is below it, whole."""
    row = a_row(of_three_plates(column=FLAT), words="")

    assert list(as_lines(a_table(row), 60))[:5] == [
        "Nordlicht ASA",
        "  Tensile strength flat",
        "    48.2 ± 3.4 MPa (U, k = 4.3, 95 %), n 6, 3 plates",
        "    with the plate scatter of the book's other materials",
        "      48.2 ± 2.9 MPa, which holds on average over materials,",
    ]
    # Of 77 letters a line fits 77 columns and not 76.
    assert len(list(as_lines(a_table(row), 77))[1]) > len("  Tensile strength flat")
    assert list(as_lines(a_table(row), 72))[1] == "  Tensile strength flat"


def test_no_terminal_is_taken_for_narrower_than_forty() -> None:
    """Narrower, sentences would be a letter a line."""
    lines = list(as_lines(a_table(a_row(a_cell(), words="")), 10))

    assert max(map(len, lines)) > 30


def test_a_table_as_csv() -> None:
    """A line a figure, in the order of the head, with what scripts compute with."""
    row = a_full_row()
    row.cells[UPRIGHT] = a_cell(
        UPRIGHT, 22.1, sd=0.4, limits=("> 30 MPa", "> 31 MPa"), set_aside=1,
        limited=LimitedMean(4, 2, 26.0, "above", None), share=0.5, remarks=("lifted",),
    )  # fmt: skip
    first, second = csv.DictReader(io.StringIO(as_csv(a_table(row))))

    assert first == {
        "material": "Nordlicht ASA", "family": "ASA", "condition": "nozzle 245 °C",
        "quantity": "tensile.strength", "lie": "flat", "unit": "MPa", "n": "6", "mean": "48.2", "sd": "1.2",
        "low": "44.76", "high": "51.64", "limits": "", "set_aside": "0", "published": "yes",
        "supply": "bought; given", "last": "2025-03-02", "measurements": "M0001-Y",
        "remarks": f"{BESIDE[1]}; {BESIDE[4].removesuffix(' (Tensile strength flat)')}",
        "orientation": "flat", "group": "", "share": "", "plates": "3", "s_r": "0.9", "s_L": "1.1",
        "U": "3.44", "k": "4.3", "nu": "2.0", "basis": "plates", "mean_with_limits": "",
        "hints": "M0002-W: possible outlier", "caution": "Not a certification. Of this bench.",
    }  # fmt: skip
    assert [second[name] for name in ("limits", "set_aside", "share", "mean_with_limits", "U", "basis")] == [
        "> 30 MPa; > 31 MPa", "1", "0.5", "26.0", "", "",
    ]  # fmt: skip
    assert second["remarks"].startswith(f"{BESIDE[1]}; lifted; not in the mean: > 30 MPa, > 31 MPa")


def test_a_table_as_markdown() -> None:
    """A head, a rule, a line a row, the caution below; dashes where nothing was tested."""
    bare = a_row(a_cell(IMPACT, 6.0), material="Heide PETG", words="")
    head, rule, _, second, _, caution = as_markdown(a_table(a_full_row(), bare)).splitlines()

    assert head == (
        "| material | condition | impact.strength flat, C \\[kJ/m²\\] | Tensile strength flat \\[MPa\\] | "
        "Tensile strength upright \\[MPa\\] | interlayer ratio (upright/flat) | supply | last | remark |"
    )
    assert rule == "|" + " --- |" * 9
    assert second == "| Heide PETG |  | 6, n 2, 1 plate | – | – | – |  |  |  |"
    assert caution == "Not a certification. Of this bench."


def test_a_page_leaves_out_columns_that_are_empty_in_all_rows() -> None:
    """They would only push the rest off the page."""
    row = a_row(a_cell(), words="")
    page = as_html(a_table(row))

    assert [each.partition("<")[0] for each in page.split('scope="col">')[1:]] == [
        "material", "Tensile strength flat [MPa]",
    ]  # fmt: skip
    assert "Not a certification. Of this bench." in page


@pytest.mark.parametrize(
    ("count", "end"), [(2, "M0002-W"), (60, "M0060-C"), (61, " and 1 more"), (75, " and 15 more")]
)
def test_a_title_names_sixty_measurements(count: int, end: str) -> None:
    """More would fill the screen; the data files name all."""
    cell = a_cell(n=count, behind=lambda: tuple(a_point(number, 48.0) for number in range(1, count + 1)))
    title = as_html(a_table(a_row(cell))).partition('title="')[2].partition('"')[0]

    assert title.startswith("M0001-Y M0002-W")
    assert title.endswith(end)
    assert title.count("M0") == min(count, 60)


def test_columns_stand_by_quantity_orientation_and_group() -> None:
    """Flat before on edge before upright, what is not recorded last; nothing of a cell that is empty."""
    columns = [Column("b", "upright"), Column("b", "on edge"), Column("b", ""), Column("b", "flat", "H"),
               Column("b", "flat", "C"), Column("a", "upright")]  # fmt: skip
    empty = a_cell(Column("c", "flat"), None, n=0)
    counted = [
        a_cell(Column("d", "flat"), None, n=0, set_aside=1),
        a_cell(Column("e"), None, n=0, limits=("> 1",)),
    ]

    assert columns_of([a_row(*map(a_cell, columns), empty, *counted)]) == [
        ("a", "upright", ""), ("b", "flat", "C"), ("b", "flat", "H"), ("b", "on edge", ""),
        ("b", "upright", ""), ("b", "", ""), ("d", "flat", ""), ("e", "", ""),
    ]  # fmt: skip


def test_a_table_as_json() -> None:
    """Columns with their units, rows with all that is known of them."""
    row = a_full_row()
    row.condition, row.measured = {"nozzle_c": 245.0}, {"nozzle_c": (244.0, 246.0)}
    told = a_table(row).as_json()
    (line,) = told["rows"]
    cells = line.pop("cells")

    assert told["columns"] == [
        {"quantity": "tensile.strength", "orientation": each, "lie": each, "group": None, "unit": "MPa"}
        for each in ("flat", "upright")
    ]
    assert (told["caution"], told["why_empty"]) == ("Not a certification. Of this bench.", "")
    assert [each["orientation"] for each in cells] == ["flat", "upright"]
    assert line.pop("interlayer_ratio")["value"] == 0.46
    assert line == {
        "material": "Nordlicht ASA", "family": "ASA", "condition": {"nozzle_c": 245.0},
        "words": "nozzle 245 °C", "measured": {"nozzle_c": [244.0, 246.0]}, "supply": ["bought", "given"],
        "departures": ["chamber set 60 °C, measured 39 °C"], "notes": ["stringy"], "last": "2025-03-02",
        "published": True, "choice": "as its maker advises",
    }  # fmt: skip
    bare = a_row(a_cell()).as_json()
    assert (bare["last"], bare["interlayer_ratio"]) == (None, None)


def test_headings_are_titles_with_units() -> None:
    """A name without a title stays what is typed in filters; one without unit has no brackets."""
    table = a_table()
    table.units["surface"] = ""

    assert [table.heading(each) for each in ("tensile.strength", "impact.strength", "surface")] == [
        "Tensile strength [MPa]", "impact.strength [kJ/m²]", "surface",
    ]  # fmt: skip
    assert table.called(Column("tensile.strength")) == "Tensile strength"


def test_bars_go_by_the_greatest_of_their_column() -> None:
    """The better of two is marked, by what its quantity calls better; what stands alone is not."""
    rows = (
        a_row(a_cell(FLAT, 40.0), a_cell(UPRIGHT, 22.0)),
        a_row(a_cell(FLAT, 50.0)),
        a_row(a_cell(FLAT, None)),
    )
    table = a_table(*rows)

    def shown(larger: bool | None) -> list[list[tuple[float | None, bool] | None]]:
        return [
            [None if each is None else (each.bar_pct, each.best) for each in line.cells]
            for line in compared(table, {"tensile.strength": larger})
        ]

    table.columns = [FLAT, UPRIGHT]
    assert shown(larger=True) == [
        [(80.0, False), (100.0, False)],
        [(100.0, True), None],
        [(None, False), None],
    ]
    assert shown(larger=False)[0][0] == (80.0, True)
    assert [line[0] for line in shown(larger=None)] == [(80.0, False), (100.0, False), (None, False)]


@pytest.mark.parametrize(
    ("means", "bars"),
    [
        ((-2.0, -4.0), [50.0, 100.0]),
        ((-2.0, 4.0), [None, None]),
        ((0.0, 0.0), [None, None]),
        ((0.0, 4.0), [0.0, 100.0]),
    ],
)
def test_bars_need_values_of_one_sign(means: tuple[float, float], bars: list[float | None]) -> None:
    """A bar to the left and one to the right would be of one length and mean opposites."""
    rows = [a_row(a_cell(mean=mean)) for mean in means]
    found = compared(a_table(*rows), {}, rows[:1]) + compared(a_table(*rows), {}, rows[1:])

    assert [line.cells[0].bar_pct for line in found if line.cells[0] is not None] == bars


def test_the_fullest_columns_come_first() -> None:
    """On a narrow screen the first ones are seen; a column that is empty is not among them."""
    rows = a_row(a_cell(UPRIGHT)), a_row(a_cell(UPRIGHT), a_cell(IMPACT))
    table = a_table(*rows)
    table.columns = [FLAT, IMPACT, UPRIGHT]

    assert filled_columns(compared(table, {})) == [2, 1]


def test_what_a_table_hands_out_is_not_changed() -> None:
    """Pages and files are made of the same cells at the same time."""
    kinds = [
        kind
        for module in (cells, charts, forms, summary)
        for kind in vars(module).values()
        if isinstance(kind, type)
        and is_dataclass(kind)
        and kind.__module__ == module.__name__
        # These are filled in bit by bit.
        and kind.__name__ not in ("SummaryTable", "TableRow", "_Panel")
    ]

    assert {"Cell", "Ratio", "Meant", "Choosable", "ComparedCell"} <= {kind.__name__ for kind in kinds}
    for kind in kinds:
        with pytest.raises(FrozenInstanceError):
            setattr(object.__new__(kind), fields(kind)[0].name, None)


def test_of_a_row_nothing_is_said_that_nobody_knows() -> None:
    """A name and words alone: no day, no supply, not published."""
    assert TableRow("Nordlicht ASA", None, {}, "dried").as_json() == {
        "material": "Nordlicht ASA", "family": None, "condition": {}, "words": "dried", "measured": {},
        "supply": [], "departures": [], "notes": [], "last": None, "published": False, "choice": "",
        "cells": [], "interlayer_ratio": None,
    }  # fmt: skip
    bare = a_cell(mean=None, n=0)
    assert (bare.set_aside, bare.repeats, bare.share, bare.limits, bare.hints) == (0, 0, None, (), ())
    assert (bare.numbers, bare.values, bare.as_json()["set_aside"]) == ((), (), 0)
