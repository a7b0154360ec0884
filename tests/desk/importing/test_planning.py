"""Plans: what would be made, what is refused and why; nothing is written."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from sqlalchemy import func, select

from tests.databases import BEGUN_BY
from tests.desk.importing.sheets import HEADER, MAP, ROWS, bring_in, plan_of
from tracker.book import Book
from tracker.desk.doubts import Doubt
from tracker.desk.importing import MapError, Plan, carry_out, plan_json, plan_lines
from tracker.desk.importing.drafts import FactorDraft, MeasurementDraft
from tracker.desk.importing.planning import _Found, _Kind, ranges, refused_lines
from tracker.model import JournalRecord, Measurement
from tracker.plugins import Plugged

GIVEN = """
[specimen]
material = "material"
plate = ["material"]
[quantities]
"tensile.strength" = { column = "force", unit = "kPa" }
"""


def row(**cells: str) -> str:
    """Return a row with some cells changed."""
    whole = dict(zip(HEADER.split(","), ROWS[0].split(","), strict=True)) | cells
    return ",".join(whole.values())


def first_measurement(plan: Plan) -> MeasurementDraft:
    """Return the first measurement of a plan."""
    return next(each for job in plan.jobs for each in job.measurements())


def test_a_plan_counts_what_it_would_make(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Two plates of one material, three pieces, two of them with a strength."""
    assert plan_of(book, plugged, tmp_path).counts() == {
        "materials": 1, "jobs": 2, "specimens": 3, "measurements": 3, "results": 2, "files": 1,
    }  # fmt: skip


def test_a_plan_writes_nothing(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """After planning, the journal and the folder of attachments are as before."""
    plan_of(book, plugged, tmp_path)

    with book.read() as session:
        assert session.scalar(select(func.count()).select_from(JournalRecord)) == 1
    assert list(book.files.stored()) == []


def test_rows_alike_in_the_plate_columns_are_one_job(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Plates are named by their values joined by a blank and hold their rows in order."""
    jobs = plan_of(book, plugged, tmp_path).jobs

    assert [(job.name, [each.line for each in job.specimens]) for job in jobs] == [
        ("Quarzit ASA XY 1", [2, 3]),
        ("Quarzit ASA Z 1", [4]),
    ]


def test_without_plate_columns_each_row_is_a_plate(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """``plate = []`` claims of no two pieces that they were printed together."""
    columns = MAP.replace('["material", "orientation", "session"]', "[]")

    assert [job.name for job in plan_of(book, plugged, tmp_path, columns=columns).jobs] == [None] * 3


def test_a_missing_area_refuses_the_strength_alone(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Without area there is no strength; line, quantity and the blank cell are named, the curve waits."""
    plan = plan_of(book, plugged, tmp_path, ROWS[2])
    said = [str(each) for each in plan.refused_quantities if each.quantity == "tensile.strength"]

    assert said == [
        "line 2: tensile.strength refused: no section: give width and thickness, or area (area is empty)"
    ]
    assert first_measurement(plan).files[0].name == "pull.csv"


def test_strength_is_the_curves_maximum_over_the_area(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """With a curve of at most 497.5 N on 25 mm² the strength is 19.9 MPa, whatever force was typed."""
    plan = plan_of(book, plugged, tmp_path, row(force="500", curve="pull.csv"))
    strength = next(r for r in first_measurement(plan).results if r.quantity == "tensile.strength")

    assert strength.value == pytest.approx(19.9, abs=1e-9)


def test_a_curve_that_cannot_be_read_is_kept(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A broken recording costs its quantity, not the piece and not the recording."""
    plan = plan_of(book, plugged, tmp_path, row(curve="pull.csv"), curve="no numbers here")

    assert plan.counts()["files"] == 1
    assert "the curve cannot be read" in plan.refused_quantities[0].why


def test_a_row_without_readings_is_a_piece_and_nothing_more(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """Blank readings make a specimen without measurement."""
    counts = plan_of(book, plugged, tmp_path, row(force="", area="")).counts()

    assert (counts["specimens"], counts["measurements"]) == (1, 0)


def test_units_of_the_sheet_are_converted(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A column in kN and one in cm² become N and mm²."""
    columns = MAP.replace('unit = "N"', 'unit = "kN"').replace('unit = "mm^2"', 'unit = "cm^2"')
    readings = first_measurement(
        plan_of(book, plugged, tmp_path, row(force="1.2", area="0.25"), columns=columns)
    )

    assert readings.readings is not None
    assert readings.readings["max_force"] == pytest.approx(1200)
    assert readings.readings["area"] == pytest.approx(25)


def test_decimal_commas_are_understood(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A sheet with semicolons and decimal commas gives the same numbers."""
    plan = plan_of(
        book, plugged, tmp_path, row(force="1000_5", area="25_0").replace(",", ";").replace("_", ","),
        header=HEADER.replace(",", ";"),
    )  # fmt: skip

    assert first_measurement(plan).readings == {
        "max_force": 1000.5, "area": 25.0, "area_u": 0.0, "modulus_rule": "least squares",
        "strain_zero": "as recorded",
    }  # fmt: skip


@pytest.mark.one_database("refused as it is read, before a book is asked")
@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ({"area": "-25"}, "area -25.0 mm^2: must be greater than 0"),
        ({"area": "0"}, "area 0.0 mm^2: must be greater than 0"),
        ({"area": "NaN"}, "tensile.area: 'NaN' is not a number"),
        ({"force": "inf"}, "tensile.max_force: 'inf' is not a number"),
        ({"force": "5 kg"}, "tensile.max_force: 5 kg is not a quantity in N"),
        ({"layer": "thin"}, "layer_height_mm: 'thin' is not a number"),
        ({"material": ""}, "no material"),
        ({"curve": "absent.csv"}, "there is no file 'absent.csv'"),
        ({"curve": "../old.csv"}, "leads out of the folder"),
    ],
)
def test_a_bad_cell_refuses_its_line(
    book: Book, plugged: Plugged, tmp_path: Path, cells: dict[str, str], said: str
) -> None:
    """A cell that cannot be refuses its line with number, field and what is wrong; others are taken."""
    plan = plan_of(book, plugged, tmp_path, ROWS[0], row(**cells))

    assert [each.line for each in plan.refused_rows] == [3]
    assert said in plan.refused_rows[0].why
    assert plan.counts()["specimens"] == 1


def test_words_do_not_tell_how_numbers_are_written(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A comma in a note leaves it open whether 1,143 N are one newton or a thousand."""
    line = row(force="1_143", note="bent by 2_5 mm").replace(",", ";").replace("_", ",")
    for note, why in ((line, "can mean"), (line.replace("bent by 2,5 mm", "2,5"), "can mean")):
        plan = plan_of(book, plugged, tmp_path, note, header=HEADER.replace(",", ";"))
        assert why in plan.refused_rows[0].why


def test_two_materials_on_one_plate_are_refused(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A plate of which two materials are told is refused from the second on, with both lines."""
    columns = MAP.replace('["material", "orientation", "session"]', '["session"]')
    plan = plan_of(book, plugged, tmp_path, ROWS[0], row(material="Basalt PA"), columns=columns)

    assert plan.refused_rows[0].why.startswith("plate '1' is of Quarzit ASA on line 2 and of Basalt PA here")


def test_factors_are_numbers_or_words(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A name with a unit holds numbers, another words; blank cells make no factor."""
    specimen = plan_of(book, plugged, tmp_path, row(printer="")).jobs[0].specimens[0]

    assert specimen.factors == (FactorDraft("layer_height_mm", 0.2, None),)


def test_a_column_with_one_word_holds_words(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A factor whose column holds "7" and "7b" is a word on both lines."""
    plan = plan_of(book, plugged, tmp_path, row(printer="7"), row(printer="7b"))
    factors = [each.factors[0] for each in plan.jobs[0].specimens]

    assert factors == [FactorDraft("printer", None, "7"), FactorDraft("printer", None, "7b")]


def test_an_orientation_outside_the_notation_is_kept_as_a_factor(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """An orientation such as "45°" is not recorded as one: it is kept as written, and said."""
    plan = plan_of(book, plugged, tmp_path, row(orientation="45°"))
    specimen = plan.jobs[0].specimens[0]

    assert "orientation" not in specimen.texts
    assert FactorDraft("orientation_as_written", None, "45°") in specimen.factors
    assert any("45°" in note for note in plan.notes)


def test_words_for_orientations_are_understood(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Upright is ZXY."""
    plan = plan_of(book, plugged, tmp_path, row(orientation="upright"))

    assert plan.jobs[0].specimens[0].texts["orientation"] == "ZXY"


def test_values_without_readings_are_marked(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A given value is converted, has no method version, no readings and no uncertainty, and says so."""
    given = first_measurement(plan_of(book, plugged, tmp_path, row(force="48300"), columns=GIVEN))
    result = given.results[0]

    assert (given.source, given.version, given.readings) == ("given", None, None)
    assert result.value == pytest.approx(48.3)
    assert result.uncertainty is None
    assert "readings were not recorded" in result.remarks[0]


def test_a_given_value_that_cannot_be_is_refused(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A strength below zero refuses its line."""
    plan = plan_of(book, plugged, tmp_path, row(force="-1"), columns=GIVEN)

    assert "tensile.strength: -0.001 MPa must be greater than 0" in plan.refused_rows[0].why


@pytest.mark.one_database("refused as it is read, before a book is asked")
@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"layer"', '"layers"', "factors.layer_height_mm names the column 'layers', which old.csv has not"),
        ("readings.tensile", "readings.tensil", "readings.tensil is no method: did you mean tensile?"),
        ("area = {", "aera = {", "readings.tensile.aera is no reading: did you mean area?"),
        ('unit = "mm^2"', 'unit = "kg"', "readings.tensile.area.unit 'kg' cannot be converted to mm^2"),
        ('unit = "N"', 'unit = "blah"', "readings.tensile.max_force.unit 'blah' cannot be converted to N"),
        (', unit = "N"', "", 'readings.tensile.max_force.unit is missing: write unit = "N"'),
        (", file = true", "", "readings.tensile.curve is a file: write file = true"),
        ('unit = "N"', "file = true", "readings.tensile.max_force is not a file"),
        ('"printer"', '{ column = "printer", unit = "mm" }', "does not end in the unit it is stored in"),
    ],
)
def test_a_map_that_does_not_fit_names_the_key(
    book: Book, plugged: Plugged, tmp_path: Path, old: str, new: str, said: str
) -> None:
    """Missing columns, unknown methods and fields, and units of another kind are refused by key."""
    with pytest.raises(MapError) as caught:
        plan_of(book, plugged, tmp_path, columns=MAP.replace(old, new))

    assert said in str(caught.value)


def test_a_misspelt_quantity_is_refused(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A quantity that its method does not know is refused with the nearest."""
    with pytest.raises(MapError, match=r"did you mean tensile\.strength"):
        plan_of(book, plugged, tmp_path, columns=GIVEN.replace("strength", "strenght"))


def test_a_quantity_of_no_method_is_kept_and_reported(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A number whose method nobody here supplies is kept in the sheet's unit, with a note."""
    plan = plan_of(book, plugged, tmp_path, columns=GIVEN.replace("tensile.strength", "polishing.gloss"))

    assert first_measurement(plan).results[0].unit == "kPa"
    assert any("polishing.gloss" in note for note in plan.notes)


def test_ragged_lines_are_among_the_refused(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A line with a cell too few is refused with its number beside the others."""
    plan = plan_of(book, plugged, tmp_path, ROWS[0], "Quarzit ASA,XY", row(area="-1"))

    assert [each.line for each in plan.refused_rows] == [3, 4]


def test_columns_nobody_named_are_reported(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A column that the map leaves out is named: nothing is dropped in silence."""
    plan = plan_of(book, plugged, tmp_path, columns=MAP.replace('note = "note"\n', ""))

    assert any(note.startswith("Columns that the map does not name: note") for note in plan.notes)


def test_the_same_recording_twice_is_reported(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Two lines with one recording are an old slip of the hand worth a look."""
    plan = plan_of(book, plugged, tmp_path, row(curve="pull.csv"), row(curve="pull.csv"))

    assert "Line 3: its recording is byte for byte that of line 2" in plan.notes


def test_spellings_of_one_material_are_reported(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Upper and lower case alike are one material, and the plan says so."""
    plan = plan_of(book, plugged, tmp_path, row(), row(material="quarzit asa"))

    assert plan.materials == ("Quarzit ASA",)
    assert "Quarzit ASA and quarzit asa are taken as one material" in plan.notes


def test_job_names_that_exist_are_reported(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Another sheet with plates of the same names gets a note with the jobs that bear them."""
    bring_in(book, plugged, tmp_path, ROWS[0])

    assert any(
        "Quarzit ASA XY 1 (J0001-" in note for note in plan_of(book, plugged, tmp_path, row(note="b")).notes
    )


def test_progress_counts_the_rows(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """The person is told of every row up to the last."""
    from tests.desk.importing.sheets import write_sheet  # noqa: PLC0415 - wanted here only
    from tracker.desk.importing import plan_import, read_map  # noqa: PLC0415 - the same

    told: list[tuple[int, int, str]] = []
    sheet = write_sheet(tmp_path, *ROWS)
    plan_import(book, plugged, sheet, read_map(MAP.encode()), lambda *what: told.append(what))

    assert told[-1] == (3, 3, "rows read")


def test_lines_name_every_refusal(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """What is shown names the counts, the refused line and the refused quantity."""
    shown = "\n".join(plan_lines(plan_of(book, plugged, tmp_path, *ROWS, row(area="-1"))))

    assert "3 specimens" in shown
    assert "line 5 refused: " in shown
    assert "line 4: tensile.strength refused: no section" in shown


def test_many_lines_of_one_reason_are_shown_together(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """Thirty lines refused for one reason are one line on screen, with all their numbers."""
    why = "no section: give width and thickness, or area (area is empty)"
    plan = plan_of(book, plugged, tmp_path, *[row(area="", session=str(n)) for n in range(30)])

    assert [line for line in refused_lines(plan.refused_quantities) if "strength" in line] == [
        f"30 lines: tensile.strength refused: {why}; lines 2-31"
    ]


def test_ranges_are_short_and_whole() -> None:
    """Neighbours are joined, and each number is in it."""
    assert ranges([7, 2, 3, 4, 9, 10]) == "2-4, 7, 9-10"


def test_json_of_a_plan_is_plain(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """The same for programs: counts, plates with their lines, refusals."""
    said = plan_json(plan_of(book, plugged, tmp_path))

    assert said["would_make"]["specimens"] == 3
    assert said["jobs"][1] == {"name": "Quarzit ASA Z 1", "material": "Quarzit ASA", "lines": [4]}
    assert {each["line"] for each in said["refused_quantities"]} == {4}


@pytest.mark.parametrize(("u", "kept"), [('"exact"', 0.0), ("0.5", 0.5), ('"2 %"', 0.5), ('"0.4 %"', 0.1)])
def test_a_nominal_area_has_the_uncertainty_that_the_map_states(
    book: Book, plugged: Plugged, tmp_path: Path, u: str, kept: float
) -> None:
    """It is with the readings, so that whoever computes again finds it, and in the budget."""
    columns = MAP.replace('u = "exact"', f"u = {u}")
    measurement = first_measurement(plan_of(book, plugged, tmp_path, row(), columns=columns))
    assert measurement.readings is not None
    assert measurement.readings["area_u"] == pytest.approx(kept)
    sources = [part.source for part in measurement.results[0].budget]
    assert ("area: as given" in sources) == (kept > 0)


@pytest.mark.parametrize("u", ["", ', u = "about"'])
def test_a_nominal_area_without_a_word_on_its_uncertainty_is_refused(
    book: Book, plugged: Plugged, tmp_path: Path, u: str
) -> None:
    """An area taken for exact unasked would be a result stated too well: "exact" must be said."""
    columns = MAP.replace(', u = "exact"', u)
    with pytest.raises(MapError, match=r'readings\.tensile\.area\.u .*u = "exact"'):
        plan_of(book, plugged, tmp_path, row(), columns=columns)


def many(*forces: float) -> list[str]:
    """Return rows of one plate, alike but for their force in N."""
    return [row(force=f"{force:g}", curve="") for force in forces]


def test_a_slip_in_a_sheet_is_asked_about_with_its_line(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A tenth of what the others of the sheet have: the dry run lists it, and says so as JSON."""
    plan = plan_of(book, plugged, tmp_path, *many(1000, 1010, 99, 990, 1005))
    (asked,) = plan.questions()
    assert (asked.line, asked.quantity) == (4, "tensile.strength")
    assert asked.question.startswith("Tensile strength 3.96 MPa, where the other 4 of this material")
    assert f"Is this right? line 4: {asked.question}" in list(plan_lines(plan))
    assert plan_json(plan)["questions"][0]["line"] == 4


def test_siblings_in_the_book_count_too(book: Book, plugged: Plugged, tmp_path: Path) -> None:
    """A sheet of one line is compared with what the book has of the material and orientation."""
    bring_in(book, plugged, tmp_path, *many(1000, 1010, 990))
    assert len(plan_of(book, plugged, tmp_path, *many(99)).questions()) == 1
    assert plan_of(book, plugged, tmp_path, *many(1003)).questions() == []


def test_a_possible_outlier_of_a_sheet_is_a_hint_and_no_question(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """Farther from its plate's mean than chance allows, and yet no slip."""
    plan = plan_of(book, plugged, tmp_path, *many(1000, 1002, 1001, 1003, 1002, 1040))
    assert plan.questions() == []
    (hint,) = [note for note in plan.notes if "possible outlier" in note]
    assert hint.startswith("Line 7: tensile.strength 41.6 MPa: possible outlier (G = ")


def test_what_is_meant_is_kept_with_the_question_for_ever(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """Without a yes nothing is written; with it the measurement bears what was asked."""
    plan = plan_of(book, plugged, tmp_path, *many(1000, 1010, 99, 990, 1005))
    with pytest.raises(Doubt) as raised:
        carry_out(book, plan, BEGUN_BY)
    assert raised.value.questions == (str(plan.questions()[0]),)
    carry_out(book, plan, BEGUN_BY, sure=True)
    with book.read() as session:
        kept = session.scalars(select(Measurement.confirmed).order_by(Measurement.id)).all()
    assert [bool(each) for each in kept] == [False, False, True, False, False]
    assert kept[2] == [plan.questions()[0].question]


def test_a_result_of_the_sheet_keeps_its_uncertainty_where_it_has_one() -> None:
    """Results are kept as plain numbers: what is not one there stands for no uncertainty."""
    found = _Found()
    found.values.extend([50.0, 51.0])
    found.uncertainties.extend([0.5, math.nan])
    kind = _Kind("petg", None, "tensile.strength", "MPa", "")
    assert [found.result(at, kind).uncertainty for at in (0, 1)] == [0.5, None]


def test_of_two_materials_on_one_plate_the_second_is_refused_in_either_order(
    book: Book, plugged: Plugged, tmp_path: Path
) -> None:
    """Not by the alphabet: the line above said the other one."""
    columns = MAP.replace('["material", "orientation", "session"]', '["session"]')
    plan = plan_of(book, plugged, tmp_path, row(material="Basalt PA"), ROWS[0], columns=columns)

    assert plan.refused_rows[0].why.startswith("plate '1' is of Basalt PA on line 2 and of Quarzit ASA here")
