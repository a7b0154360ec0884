"""The summary table: rows, cells, what is shown beside them."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import Any

import pytest

from tests.conftest import begun_with
from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool, at
from tracker.book import Book
from tracker.desk.entering import choose
from tracker.desk.voiding import judge
from tracker.forms import FormError
from tracker.model import Drying, DryingSpool, FactorRecord, Measurement, Result, Specimen, StoragePeriod
from tracker.plugins import load
from tracker.selection import parse_filter
from tracker.table import (
    CAUTION,
    Choosable,
    Meant,
    SummaryTable,
    as_csv,
    as_html,
    as_lines,
    as_markdown,
    choosable,
    graded,
    meant_by,
    remarks,
    strengths,
    summary_table,
)
from tracker.table.charts import chart
from tracker.table.filtering import why_nothing

STRENGTH = "tensile.strength"


def pull_all(book: Book, pieces: Sequence[str], strengths: Sequence[float]) -> list[str]:
    """Pull pieces of 40 mm² to strengths in MPa; returns the measurements."""
    return [
        a_pull(book, piece, {"max_force": f"{40 * strength}", "area": "40"}, sure=True).id
        for piece, strength in zip(pieces, strengths, strict=True)
    ]


def given(book: Book, piece: str, quantity: str, values: Sequence[float | None], **how: Any) -> None:
    """Give a piece results without readings, one measurement each."""
    method = how.pop("method", quantity.partition(".")[0])
    fields = {"unit": "MPa", "counted": True, "remarks": []} | how
    with book.act("test", WHO) as act:
        for value in values:
            measurement = Measurement(specimen_id=int(piece[6:8]), method=method, source="given")
            act.session.add(measurement)
            act.session.flush()
            act.session.add(Result(measurement_id=measurement.id, quantity=quantity, value=value, **fields))
            act.session.flush()


def treated(book: Book, piece: str, how: str) -> None:
    """Record a piece's treatment."""
    with book.act("factor", WHO) as act:
        number = int(piece[6:8])
        act.session.add(
            FactorRecord(specimen_id=number, name="treatment", text=how, basis="typed", source="test")
        )


def _spool(book: Book) -> None:
    a_material(book)
    assert a_spool(book, lot="L-17", supplied="given", supplied_by="Quarz & Co") == SPOOL


def _two_conditions(book: Book) -> None:
    _spool(book)
    cool = a_job(book, "bar:XYZ:3", "bar:ZXY:3", spools=(SPOOL,), nozzle_set_c=245).also
    hot = a_job(book, "bar:XYZ:2", spools=(SPOOL,), nozzle_set_c=270).also
    pull_all(book, cool, [48.2, 47.5, 49.1, 22.4, 19.8, 24.1])
    pull_all(book, hot, [50.0, 51.0])


SPOOL = "S0001-R"
book_place = begun_with(two_conditions=_two_conditions, spool=_spool)


@pytest.fixture
def spool(book: Book) -> str:
    """Give a material's spool, which was given."""
    del book
    return SPOOL


@pytest.fixture
def two_conditions(book: Book) -> Book:
    """Give a book of one material printed at two nozzle temperatures."""
    return book


def test_conditions_of_a_material_are_rows_of_their_own(two_conditions: Book) -> None:
    """Two nozzle temperatures are not averaged into one."""
    rows = summary_table(two_conditions, quantities=[STRENGTH]).rows

    assert [row.words for row in rows] == ["nozzle 245 °C", "nozzle 270 °C"]


def test_flat_and_upright_stand_apart(two_conditions: Book) -> None:
    """Pieces pulled along and across their layers share no mean."""
    row = summary_table(two_conditions, quantities=[STRENGTH]).rows[0]

    assert row.cells[STRENGTH, "flat", ""].mean == pytest.approx((48.2 + 47.5 + 49.1) / 3)
    assert row.cells[STRENGTH, "upright", ""].n == 3


def test_a_figure_names_the_measurements_behind_it(two_conditions: Book) -> None:
    """From every mean a trace can begin."""
    cell = summary_table(two_conditions, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat", ""]

    assert cell.results == ("M0001-Y", "M0002-W", "M0003-U")
    assert cell.values == pytest.approx((48.2, 47.5, 49.1))


def test_one_plate_is_reported_to_be_one(two_conditions: Book) -> None:
    """Two pieces of one plate: an interval for the material, and what it assumes of plate scatter."""
    table = summary_table(two_conditions, quantities=[STRENGTH])
    row = table.rows[1]
    cell = row.cells[STRENGTH, "flat", ""]

    assert (cell.n, cell.plates) == (2, 1)
    assert cell.text("MPa").endswith("(95 %, plate scatter assumed), n 2, 1 plate")
    assert any("1 plate: it describes this plate" in text for text in remarks(table, row))


def test_two_plates_alone_say_next_to_nothing(book: Book, spool: str) -> None:
    """With no other material Student's factor for two plates is 12.7 (methods: n = 2, 6.3531 differences)."""
    for strength in (50.0, 51.0):
        pull_all(book, a_job(book, "bar:XYZ:1", spools=(spool,)).also, [strength])
    cell = summary_table(book, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat", ""]

    assert cell.uninformative
    assert cell.high == pytest.approx(50.5 + 6.3531, abs=1e-3)
    assert cell.as_json()["k"] == pytest.approx(12.7062, abs=1e-4)


def test_what_is_set_aside_leaves_the_mean_and_is_counted(two_conditions: Book) -> None:
    """A verdict changes the mean, and the table says so."""
    judge(two_conditions, WHO, "M0003-U", counted=False, reason="slipped", quantity=STRENGTH)
    cell = summary_table(two_conditions, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat", ""]

    assert (cell.n, cell.set_aside) == (2, 1)


def test_an_outlier_is_a_hint_and_stays_in_the_mean(book: Book, spool: str) -> None:
    """Grubbs points; only a person excludes."""
    pieces = a_job(book, "bar:XYZ:8", spools=(spool,)).also
    # Uranium data of the NIST/SEMATECH e-Handbook 1.3.5.17, a quarter of each, as strengths.
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    pull_all(book, pieces, [value / 4 for value in values])
    cell = summary_table(book, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat", ""]

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


def test_how_it_was_supplied_is_in_the_row(two_conditions: Book) -> None:
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

    assert table.columns == [(STRENGTH, "upright", "")]


def test_grades_have_a_median_and_no_mean(book: Book, spool: str) -> None:
    """Ordinal quantities are never averaged."""
    pieces = a_job(book, "bar:XYZ:3", spools=(spool,)).also
    pull_all(book, pieces, [1.0, 2.0, 4.0])
    cell = summary_table(book, quantities=[STRENGTH], ordinal=[STRENGTH]).rows[0].cells[STRENGTH, "flat", ""]

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
    """One line a figure, with what is behind it."""
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
    cell = summary_table(book, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat", ""]

    assert (cell.mean, cell.limits) == (None, ("> 95 MPa",))


@pytest.mark.parametrize(
    ("asked", "n"), [("nozzle_c>260", 2), ("nozzle_c<=260 orientation=ZXY", 3), ("lot=L-17", 8)]
)
def test_a_filter_may_ask_of_factors(two_conditions: Book, asked: str, n: int) -> None:
    """What a piece was printed with chooses as its material does."""
    rows = summary_table(two_conditions, where=parse_filter(asked), quantities=[STRENGTH]).rows

    assert sum(cell.n for row in rows for cell in row.cells.values()) == n


def test_a_filter_that_finds_nothing_names_what_pieces_have(two_conditions: Book) -> None:
    """What the pieces were printed with is gathered, not taken for unknown."""
    said = why_nothing(two_conditions, parse_filter("nozzle_c>300"))

    assert said == "nozzle_c>300 holds of nothing. Recorded is 245 to 270."


def test_rows_are_sorted_by_the_best_mean(two_conditions: Book) -> None:
    """By name 245 comes before 270, by strength 270, where pieces held more."""
    rows = {
        sort: [row.condition["nozzle_c"] for row in summary_table(two_conditions, sort=sort).rows]
        for sort in (None, STRENGTH)
    }

    assert rows == {None: [245.0, 270.0], STRENGTH: [270.0, 245.0]}


@pytest.mark.parametrize("text", ["nozzle_c", "=255", "nozzle_c=", "="])
def test_half_a_setting_is_none(two_conditions: Book, text: str) -> None:
    """Name, sign and value are all needed; the refusal shows one that is whole."""
    with pytest.raises(FormError, match="is no setting") as refusal:
        meant_by(two_conditions, "Nordlicht ASA", [text])

    assert refusal.value.do == "Write name=value, as in nozzle_c=255"


def test_the_conditions_to_choose_from_are_named_as_typed(two_conditions: Book) -> None:
    """One of several must be named."""
    with pytest.raises(FormError, match="was tested under 2 conditions") as refusal:
        meant_by(two_conditions, "Nordlicht ASA", [])

    assert refusal.value.do == "Choose one of: nozzle_c=245; nozzle_c=270"


def test_of_one_condition_nothing_is_to_be_chosen(book: Book, spool: str) -> None:
    """There is no list to choose from, and it is said."""
    pull_all(book, a_job(book, "bar:XYZ:1", spools=(spool,), nozzle_set_c=245).also, [48.0])
    with pytest.raises(FormError, match="was not tested with") as refusal:
        meant_by(book, "Nordlicht ASA", ["nozzle_c=270"])

    assert refusal.value.do == "It has one condition: name no setting"


def test_a_row_says_how_its_own_spools_came(book: Book, spool: str) -> None:
    """A sponsored spool does not colour the figures of a bought one."""
    bought = a_spool(book, lot="L-18", supplied="bought")
    pull_all(book, a_job(book, "bar:XYZ:1", spools=(spool,), nozzle_set_c=245).also, [48.0])
    pull_all(book, a_job(book, "bar:XYZ:1", spools=(bought,), nozzle_set_c=270).also, [50.0])

    assert [row.supply for row in summary_table(book).rows] == [("given by Quarz & Co",), ("bought",)]


def test_a_chamber_that_was_not_as_set_is_a_condition_of_its_own(book: Book, spool: str) -> None:
    """Plates at 39 and 58 °C are not one row because both were set to 60."""
    for measured in (39, 58):
        plate = a_job(book, "bar:XYZ:1", spools=(spool,), chamber_set_c=60, chamber_measured_c=measured)
        pull_all(book, plate.also, [48.0])
    cool, warm = summary_table(book).rows

    assert (cool.words, warm.words) == ("chamber 40 °C measured (60 set)", "chamber 60 °C")
    assert cool.departures == ("chamber set 60 °C, measured 39 °C",)
    assert (cool.measured, warm.measured) == ({"chamber_c": (39.0, 39.0)}, {"chamber_c": (58.0, 58.0)})
    assert any("measured 39 °C" in line for line in as_lines(SummaryTable([cool], [], {})))


def test_a_chamber_as_meant_needs_no_word(book: Book, spool: str) -> None:
    """Two degrees are within what a chamber wanders."""
    plate = a_job(book, "bar:XYZ:1", spools=(spool,), chamber_set_c=60, chamber_measured_c=58)
    pull_all(book, plate.also, [48.0])

    assert summary_table(book).rows[0].departures == ()


def test_a_mean_is_stated_with_u_k_and_plates(book: Book, spool: str) -> None:
    """Value and U end at the same place; k, coverage, pieces and plates stand with them."""
    for values in ([48.2, 47.5], [49.1, 50.3], [47.9, 46.2]):
        pull_all(book, a_job(book, "bar:XYZ:2", spools=(spool,)).also, values)
    text = summary_table(book, quantities=[STRENGTH]).rows[0].cells[STRENGTH, "flat", ""].text("MPa")

    assert text == "48.2 ± 3.4 MPa (U, k = 4.3, 95 %), n 6, 3 plates"


def test_taps_on_one_piece_are_one_piece(book: Book, spool: str) -> None:
    """Five readings of a piece are n 1, at their mean."""
    piece = a_job(book, "bar:XYZ:1", spools=(spool,)).also[0]
    given(book, piece, "tap.modulus", [2300.0, 2310.0, 2320.0, 2330.0, 2340.0])
    cell = summary_table(book).rows[0].cells["tap.modulus", "flat", ""]

    assert (cell.n, cell.plates, cell.mean, cell.repeats) == (1, 1, 2320.0, 1)
    assert any("read several times" in text for text in cell.caveats())


def test_a_piece_pulled_again_counts_once_by_its_first_pull(book: Book, spool: str) -> None:
    """A second pull is of a piece that is no longer what was printed."""
    piece = a_job(book, "bar:XYZ:1", spools=(spool,)).also[0]
    given(book, piece, STRENGTH, [40.0, 30.0], method="tensile")
    cell = summary_table(book, plugged=load()).rows[0].cells[STRENGTH, "flat", ""]

    assert (cell.n, cell.mean) == (1, 40.0)


def test_break_types_share_no_mean_and_none_is_lost(book: Book, spool: str) -> None:
    """Complete, hinge and no break stand apart with their shares; one without value is counted."""
    pieces = a_job(book, "bar:XYZ:4", spools=(spool,)).also
    for piece, group, value in zip(pieces, ("C", "C", "H", "N"), (5.0, 7.0, 40.0, None), strict=True):
        given(book, piece, "impact.strength", [value], group=group)
    table = summary_table(book)
    cells = table.rows[0].cells

    assert [column.group for column in table.columns] == ["C", "H", "N"]
    assert [(each.n, each.mean, each.share) for each in cells.values()] == [
        (2, 6.0, 0.5), (1, 40.0, 0.25), (0, None, 0.25),
    ]  # fmt: skip
    assert cells["impact.strength", "flat", "N"].text() == "no value (25 % of all groups)"
    assert '"N"' in json.dumps(table.as_json())
    assert {line["group"] for line in csv.DictReader(io.StringIO(as_csv(table)))} == {"C", "H", "N"}
    assert "impact.strength flat, N" in as_html(table)


def test_limits_are_reported_beside_the_mean_of_the_survivors(book: Book, spool: str) -> None:
    """Two of five never softened: no interval of the three, and the Kaplan-Meier mean as a lower limit."""
    pieces = a_job(book, "bar:XYZ:5", spools=(spool,)).also
    for piece, value in zip(pieces, (90.0, 92.0, 94.0, 120.0, 120.0), strict=True):
        given(book, piece, "softening.t", [value], relation=">" if value == 120.0 else "=")
    table = summary_table(book)
    row = table.rows[0]
    cell = row.cells["softening.t", "flat", ""]

    assert (cell.n, cell.mean, cell.low, cell.limits) == (3, 92.0, None, ("> 120 MPa", "> 120 MPa"))
    # 90/5 + 92/5 + 94/5 + 2 x 120/5 = 103.2: the limits where they begin.
    assert cell.limited is not None
    assert cell.limited.mean == pytest.approx(103.2)
    assert any(
        "with the limits the mean is at least 103.2 MPa (Kaplan-Meier)" in text
        for text in remarks(table, row)
    )


def test_wet_pieces_never_stand_in_the_row_of_dry_ones(book: Book, spool: str) -> None:
    """A treatment parts rows, and is reported in both."""
    pieces = a_job(book, "bar:XYZ:2", spools=(spool,)).also
    pull_all(book, pieces, [50.0, 40.0])
    treated(book, pieces[1], "wet")
    rows = summary_table(book).rows

    assert {row.words: row.cells[STRENGTH, "flat", ""].mean for row in rows} == {
        "treatment not recorded": 50.0, "wet": 40.0,
    }  # fmt: skip


def test_a_treatment_is_reported_where_all_have_it(book: Book, spool: str) -> None:
    """One row alone says wet too: its reader has no other beside it."""
    pieces = a_job(book, "bar:XYZ:1", spools=(spool,)).also
    pull_all(book, pieces, [40.0])
    treated(book, pieces[0], "wet")

    assert summary_table(book).rows[0].words == "wet"


def test_a_dried_spool_is_distinguished_from_one_that_lay_open(book: Book, spool: str) -> None:
    """Drying before the print is a condition; days in open air after it are another."""
    with book.act("dry", WHO) as act:
        drying = Drying(began_at=at("2025-03-01 08:00"), ended_at=at("2025-03-01 16:00"), set_c=80.0)
        drying.spools.append(DryingSpool(spool_id=1))
        act.session.add(drying)
        act.session.add(StoragePeriod(spool_id=1, place="open air", began_at=at("2025-03-01 16:00")))
    for day in ("2025-02-28", "2025-03-02", "2025-03-05"):
        plate = a_job(book, "bar:XYZ:1", spools=(spool,), started_at=f"{day} 09:00")
        pull_all(book, plate.also, [48.0])

    assert sorted(row.words for row in summary_table(book).rows) == [
        "dried", "no drying recorded", "over 24 h in open air since drying",
    ]  # fmt: skip


def test_notes_of_job_and_piece_reach_the_row(book: Book, spool: str) -> None:
    """What somebody wrote beside the print is shown beside the number, in every form."""
    pieces = a_job(book, "bar:XYZ:2", spools=(spool,), note="stringy due to humidity").also
    pull_all(book, pieces, [48.0, 49.0])
    with book.act("note", WHO) as act:
        act.session.get_one(Specimen, 2).remark = "a blob | on the side"
    table = summary_table(book)
    row = table.rows[0]

    assert row.notes == ("stringy due to humidity", "a blob | on the side")
    assert row.cells[STRENGTH, "flat", ""].remarks == row.notes
    for form in (as_csv(table), "\n".join(as_lines(table)), as_html(table), json.dumps(table.as_json())):
        assert "stringy due to humidity" in form
    assert "a blob \\| on the side" in as_markdown(table)


def test_the_csv_is_data_alone(table: SummaryTable) -> None:
    """Each line has as many fields as the first: a reader needs no options."""
    lines = list(csv.reader(io.StringIO(as_csv(table))))

    assert {len(line) for line in lines} == {len(lines[0])}
    assert {"plates", "s_r", "s_L", "U", "k", "nu"} <= set(lines[0])


def test_the_ratio_of_shared_plates_has_no_plate_scatter(book: Book, spool: str) -> None:
    """Plates that differ by a half leave the ratio as it is where each holds both orientations."""
    for level in (1.0, 1.5, 0.8):
        pieces = a_job(book, "bar:XYZ:2", "bar:ZXY:2", spools=(spool,)).also
        pull_all(book, pieces, [level * each for each in (48.0, 49.0, 24.0, 24.5)])
    ratio = summary_table(book, quantities=[STRENGTH]).rows[0].ratio

    assert ratio is not None
    assert ratio.value == pytest.approx(0.5)
    assert ratio.low is not None
    assert ratio.low > 0.48


def test_the_ratio_is_of_what_a_method_declares_as_its_strength(book: Book, spool: str) -> None:
    """A declared key quantity of strength has a ratio, whichever method; a modulus has none."""
    pieces = a_job(book, "bar:XYZ:2", "bar:ZXY:2", spools=(spool,)).also
    for piece, value in zip(pieces, (48.0, 49.0, 24.0, 24.5), strict=True):
        given(book, piece, "compression.strength", [value])
        given(book, piece, "tensile.modulus", [40.0 * value])
    plugged = load()
    ratio = summary_table(book, quantities=["compression.strength"], plugged=plugged).rows[0].ratio

    assert "tensile.strength" in strengths(plugged)
    assert ratio is not None
    assert ratio.value == pytest.approx(0.5)
    assert summary_table(book, quantities=["tensile.modulus"], plugged=plugged).rows[0].ratio is None


def test_what_a_setting_means_is_told_before_it_is_kept(two_conditions: Book) -> None:
    """Name as it is kept, settings as they are recorded, and the rows that fulfil them."""
    assert meant_by(two_conditions, "nordlicht asa", ["nozzle_c = 245"]) == Meant(
        "Nordlicht ASA", ("nozzle_c=245.0",), ("nozzle 245 °C",)
    )


def test_several_rows_may_be_meant_by_one_setting(book: Book, spool: str) -> None:
    """Where a setting leaves several they are published together; without any there must be one alone."""
    for nozzle, fan in ((245, 0), (245, 40), (270, 40)):
        plate = a_job(book, "bar:XYZ:1", spools=(spool,), nozzle_set_c=nozzle, fan_set_pct=fan)
        pull_all(book, plate.also, [48.0])

    assert meant_by(book, "Nordlicht ASA", ["nozzle_c=245"]).rows == (
        "nozzle 245 °C, fan 0 %", "nozzle 245 °C, fan 40 %",
    )  # fmt: skip
    assert meant_by(book, "Nordlicht ASA", ["nozzle_c=245", "fan_pct=40"]).settings == (
        "nozzle_c=245.0", "fan_pct=40.0",
    )  # fmt: skip
    with pytest.raises(FormError, match="tested under 3 conditions") as refusal:
        meant_by(book, "Nordlicht ASA", [])
    assert refusal.value.do == (
        "Choose one of: nozzle_c=245 fan_pct=0; nozzle_c=245 fan_pct=40; nozzle_c=270 fan_pct=40"
    )


def test_the_only_condition_is_meant_without_a_setting(book: Book, spool: str) -> None:
    """There is nothing to tell it from; a material without results has none to be meant."""
    a_material(book, "Heide PETG")
    pull_all(book, a_job(book, "bar:XYZ:1", spools=(spool,), nozzle_set_c=245).also, [48.0])

    assert meant_by(book, "Nordlicht ASA", []) == Meant("Nordlicht ASA", (), ("",))
    with pytest.raises(FormError, match="Heide PETG has no results to publish"):
        meant_by(book, "Heide PETG", [])


@pytest.mark.one_database("names are compared in Python")
def test_a_setting_that_tells_no_conditions_apart_is_refused(two_conditions: Book) -> None:
    """A near name is asked for, and otherwise all of them are reported."""
    with pytest.raises(FormError, match="'nozle_c' tells no conditions apart") as near:
        meant_by(two_conditions, "Nordlicht ASA", ["nozle_c=245"])
    with pytest.raises(FormError, match="'colour' tells no conditions apart") as far:
        meant_by(two_conditions, "Nordlicht ASA", ["colour=red"])

    assert "nozzle_c" in (near.value.do or "")
    assert (far.value.do or "").startswith("Conditions are told apart by nozzle_c, bed_c, chamber_c, fan_pct")


def test_conditions_can_be_chosen_by_what_tells_them_apart(two_conditions: Book) -> None:
    """As it is typed, in words, and which of them is published."""
    choose(two_conditions, WHO, "Nordlicht ASA", ["nozzle_c=270"], "as its maker advises")

    assert choosable(two_conditions, "nordlicht asa") == [
        Choosable(("nozzle_c=245",), "nozzle 245 °C", published=False),
        Choosable(("nozzle_c=270",), "nozzle 270 °C", published=True),
    ]


@pytest.mark.parametrize(
    ("plates", "settings"),
    [
        ([{"nozzle_set_c": 245}], [()]),
        ([{}], [()]),
        ([{}, {"printer": "left"}], [("printer=left",)]),
        (
            [{"nozzle_set_c": 245}, {"nozzle_set_c": 245, "layer_height_mm": 0.16}],
            [("layer_height_mm=0.16",)],
        ),
    ],
)
@pytest.mark.one_database("made of the table's rows")
def test_a_condition_of_which_nothing_is_recorded_is_chosen_alone_only(
    book: Book, spool: str, plates: Sequence[dict[str, Any]], settings: list[tuple[str, ...]]
) -> None:
    """No setting names it where there are others; one condition needs none."""
    for plate in plates:
        pull_all(book, a_job(book, "bar:XYZ:1", spools=(spool,), **plate).also, [48.0])

    assert [each.settings for each in choosable(book, "Nordlicht ASA")] == settings


def test_grades_are_those_that_methods_declare() -> None:
    """Appearance is judged in grades; no strength is."""
    grades = graded(load())

    assert {name.partition(".")[0] for name in grades} == {"appearance"}
    assert len(grades) > 1


@pytest.mark.one_database("made of the table's rows")
def test_an_empty_table_says_why(two_conditions: Book) -> None:
    """A filter that holds of nothing, quantities that nobody measured; nothing where there are rows."""
    whole = summary_table(two_conditions)
    none = summary_table(two_conditions, where=parse_filter("nozzle_c>300"))
    other = summary_table(two_conditions, quantities=["creep.strain_24h", "tap.modulus"])

    assert whole.why_empty == ""
    assert none.why_empty == "nozzle_c>300 holds of nothing. Recorded is 245 to 270."
    assert other.why_empty == "There are no results of creep.strain_24h, tap.modulus in this book yet."
