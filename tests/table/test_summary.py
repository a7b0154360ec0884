"""The summary table: rows, cells, what stands beside them."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import pytest

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool
from tracker.book import Book
from tracker.desk.choices import choose
from tracker.desk.verdicts import judge
from tracker.forms import FormError
from tracker.selection import parse_filter
from tracker.table import CAUTION, SummaryTable, as_csv, as_html, as_lines, as_markdown, summary_table
from tracker.table.charts import chart

STRENGTH = "tensile.strength"


def pull_all(book: Book, pieces: Sequence[str], strengths: Sequence[float]) -> list[str]:
    """Pull pieces of 40 mm² to strengths in MPa; returns the measurements."""
    return [
        a_pull(book, piece, {"max_force": f"{40 * strength}", "area": "40"}, sure=True).id
        for piece, strength in zip(pieces, strengths, strict=True)
    ]


@pytest.fixture
def spool(book: Book) -> str:
    """Enter a material and a spool, given."""
    a_material(book)
    return a_spool(book, lot="L-17", supplied="given", supplied_by="Quarz & Co")


@pytest.fixture
def two_conditions(book: Book, spool: str) -> Book:
    """Give a book of one material printed at two nozzle temperatures."""
    cool = a_job(book, "bar:XYZ:3", "bar:ZXY:3", spools=(spool,), nozzle_set_c=245).also
    hot = a_job(book, "bar:XYZ:2", spools=(spool,), nozzle_set_c=270).also
    pull_all(book, cool, [48.2, 47.5, 49.1, 22.4, 19.8, 24.1])
    pull_all(book, hot, [50.0, 51.0])
    return book


def test_conditions_of_a_material_are_rows_of_their_own(two_conditions: Book) -> None:
    """Two nozzle temperatures are not averaged into one."""
    rows = summary_table(two_conditions, quantities=[STRENGTH]).rows

    assert [row.words for row in rows] == ["nozzle 245 °C", "nozzle 270 °C"]


def test_flat_and_upright_stand_apart(two_conditions: Book) -> None:
    """Pieces pulled along and across their layers share no mean."""
    row = summary_table(two_conditions, quantities=[STRENGTH]).rows[0]

    assert row.cells[STRENGTH, "flat"].mean == pytest.approx((48.2 + 47.5 + 49.1) / 3)
    assert row.cells[STRENGTH, "upright"].n == 3


def test_a_figure_names_the_measurements_behind_it(two_conditions: Book) -> None:
    """From every mean a trace can begin."""
    cell = summary_table(two_conditions, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat"]

    assert cell.results == ("M0001-Y", "M0002-W", "M0003-U")
    assert cell.values == pytest.approx((48.2, 47.5, 49.1))


def test_two_results_are_flagged(two_conditions: Book) -> None:
    """Of two results the interval is shown and called uninformative (methods: n = 2, factor 6.3531)."""
    cell = summary_table(two_conditions, quantities=[STRENGTH]).rows[1].cells[STRENGTH, "flat"]

    assert cell.uninformative
    assert cell.high == pytest.approx(50.5 + 6.3531, abs=1e-3)


def test_what_is_set_aside_leaves_the_mean_and_is_counted(two_conditions: Book) -> None:
    """A verdict changes the mean, and the table says so."""
    judge(two_conditions, WHO, "M0003-U", counted=False, reason="slipped", quantity=STRENGTH)
    cell = summary_table(two_conditions, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat"]

    assert (cell.n, cell.set_aside) == (2, 1)


def test_an_outlier_is_a_hint_and_stays_in_the_mean(book: Book, spool: str) -> None:
    """Grubbs points; only a person excludes."""
    pieces = a_job(book, "bar:XYZ:8", spools=(spool,)).also
    # Uranium data of the NIST/SEMATECH e-Handbook 1.3.5.17, a quarter of each, as strengths.
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    pull_all(book, pieces, [value / 4 for value in values])
    cell = summary_table(book, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat"]

    assert cell.n == 8
    assert any("M0008" in hint and "possible outlier (G = 2.47" in hint for hint in cell.hints)


def test_the_interlayer_ratio_of_one_plate_is_comparable(two_conditions: Book) -> None:
    """Upright and flat pieces of one plate share spool, dryness and printer."""
    ratio = summary_table(two_conditions, quantities=[STRENGTH]).rows[0].ratio

    assert ratio is not None
    assert ratio.value == pytest.approx((22.4 + 19.8 + 24.1) / (48.2 + 47.5 + 49.1))
    assert ratio.reasons == ()


def test_a_ratio_across_spools_is_marked(book: Book, spool: str) -> None:
    """Pieces of another spool give a ratio that is called not comparable."""
    flat = a_job(book, "bar:XYZ:3", spools=(spool,)).also
    upright = a_job(book, "bar:ZXY:3", spools=(a_spool(book),)).also
    pull_all(book, [*flat, *upright], [48.2, 47.5, 49.1, 22.4, 19.8, 24.1])
    ratio = summary_table(book, quantities=[STRENGTH]).rows[0].ratio

    assert ratio is not None
    assert "spools differ" in ratio.reasons


def test_how_it_was_supplied_stands_in_the_row(two_conditions: Book) -> None:
    """Readers see what was given to the tester."""
    assert summary_table(two_conditions).rows[0].supply == ("given by Quarz & Co",)


def test_the_chosen_condition_is_published_with_its_reason(two_conditions: Book) -> None:
    """Choice, person and reason are kept and shown."""
    choose(two_conditions, WHO, "nordlicht asa", ["nozzle_c=245"], "as its maker advises")
    rows = summary_table(two_conditions, quantities=[STRENGTH]).rows

    assert [row.published for row in rows] == [True, False]
    assert rows[0].choice.startswith("as its maker advises (Ada Bench")


def test_a_choice_without_reason_is_refused(two_conditions: Book) -> None:
    """Nothing is published without a why."""
    with pytest.raises(FormError, match="reason"):
        choose(two_conditions, WHO, "Nordlicht ASA", ["nozzle_c=245"], " ")


def test_a_filter_narrows_the_table(two_conditions: Book) -> None:
    """Only what the filter lets through is averaged."""
    table = summary_table(two_conditions, where=parse_filter("orientation=ZXY"), quantities=[STRENGTH])

    assert table.columns == [(STRENGTH, "upright")]


def test_grades_have_a_median_and_no_mean(book: Book, spool: str) -> None:
    """Ordinal quantities are never averaged."""
    pieces = a_job(book, "bar:XYZ:3", spools=(spool,)).also
    pull_all(book, pieces, [1.0, 2.0, 4.0])
    cell = summary_table(book, quantities=[STRENGTH], ordinal=[STRENGTH]).rows[0].cells[STRENGTH, "flat"]

    assert (cell.mean, cell.sd) == (pytest.approx(2.0), None)
    assert "median" in cell.as_json()


@pytest.fixture
def table(two_conditions: Book) -> SummaryTable:
    """Give the table of two conditions."""
    return summary_table(two_conditions, quantities=[STRENGTH])


def test_every_form_ends_with_the_caution(table: SummaryTable) -> None:
    """Where numbers leave the book it says what they are not."""
    forms = [as_csv(table), as_markdown(table), as_html(table), "\n".join(as_lines(table))]

    assert all("not design allowables" in form for form in forms)
    assert table.as_json()["caution"] == CAUTION


def test_the_csv_names_measurements(table: SummaryTable) -> None:
    """One line a figure, with what lies behind it."""
    first = next(csv.DictReader(io.StringIO(as_csv(table))))

    assert first["measurements"] == "M0001-Y M0002-W M0003-U"


def test_html_escapes_what_people_typed(book: Book) -> None:
    """A material's name cannot become a tag."""
    a_material(book, "<b>Bold</b> & co")
    pieces = a_job(book, "bar:XYZ:1", spools=(a_spool(book, "<b>Bold</b> & co"),)).also
    pull_all(book, pieces, [10.0])

    assert "<b>" not in as_html(summary_table(book, quantities=[STRENGTH]))


@pytest.mark.parametrize(("form", "start"), [("svg", b"<?xml"), ("png", b"\x89PNG")])
def test_the_chart_is_a_picture(table: SummaryTable, form: str, start: bytes) -> None:
    """Drawn twice it is the same bytes, so that it can be cached by content."""
    first, again = chart(table, [STRENGTH], form), chart(table, [STRENGTH], form)

    assert first.startswith(start)
    if form == "png":
        assert first == again


def test_an_empty_book_gives_an_empty_table(book: Book) -> None:
    """Nothing tested yet is no error."""
    assert summary_table(book).rows == []


def test_a_limit_is_shown_as_one(book: Book, spool: str) -> None:
    """A censored result never becomes a number in a mean."""
    from tracker.model import Result  # noqa: PLC0415 - made by hand, as no bench reading is needed

    piece = a_job(book, "bar:XYZ:1", spools=(spool,)).also[0]
    pull_all(book, [piece], [95.0])
    with book.act("test", WHO) as act:
        act.session.query(Result).filter_by(quantity=STRENGTH).one().relation = ">"
    cell = summary_table(book, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat"]

    assert (cell.mean, cell.limits) == (None, ("> 95 MPa",))


@pytest.mark.parametrize(
    ("asked", "n"), [("nozzle_c>260", 2), ("nozzle_c<=260 orientation=ZXY", 3), ("lot=L-17", 8)]
)
def test_a_filter_may_ask_of_factors(two_conditions: Book, asked: str, n: int) -> None:
    """What a piece was printed with chooses as its material does."""
    rows = summary_table(two_conditions, where=parse_filter(asked), quantities=[STRENGTH]).rows

    assert sum(cell.n for row in rows for cell in row.cells.values()) == n


def test_a_row_says_how_its_own_spools_came(book: Book, spool: str) -> None:
    """A sponsored spool does not colour the figures of a bought one."""
    bought = a_spool(book, lot="L-18", supplied="bought")
    pull_all(book, a_job(book, "bar:XYZ:1", spools=(spool,), nozzle_set_c=245).also, [48.0])
    pull_all(book, a_job(book, "bar:XYZ:1", spools=(bought,), nozzle_set_c=270).also, [50.0])

    assert [row.supply for row in summary_table(book).rows] == [("given by Quarz & Co",), ("bought",)]


def test_a_chamber_that_was_not_as_meant_is_said(book: Book, spool: str) -> None:
    """The row is named by what was meant; whoever reads 60 °C must hear of the 39."""
    for measured in (39, 58):
        plate = a_job(book, "bar:XYZ:1", spools=(spool,), chamber_set_c=60, chamber_measured_c=measured)
        pull_all(book, plate.also, [48.0])
    (row,) = summary_table(book).rows

    assert row.departures == ("chamber meant 60 °C, measured 39 to 58 °C",)
    assert any("measured 39 to 58 °C" in line for line in as_lines(SummaryTable([row], [], {})))


def test_a_chamber_as_meant_needs_no_word(book: Book, spool: str) -> None:
    """Two degrees are within what a chamber wanders."""
    plate = a_job(book, "bar:XYZ:1", spools=(spool,), chamber_set_c=60, chamber_measured_c=58)
    pull_all(book, plate.also, [48.0])

    assert summary_table(book).rows[0].departures == ()


def test_a_limit_below_zero_has_a_minus_and_no_hyphen(book: Book, spool: str) -> None:
    """Between two limits a hyphen reads like a dash."""
    pieces = a_job(book, "bar:XYZ:3", spools=(spool,)).also
    pull_all(book, pieces, [0.1, 5.0, 20.0])
    text = summary_table(book, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat"].text("MPa")

    assert text == "8 MPa (\N{MINUS SIGN}17 – 34) n 3"
