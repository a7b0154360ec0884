"""Whole answers of a trace, word for word: a line that changes or goes missing is seen here."""

from __future__ import annotations

import datetime as dt
import xml.etree.ElementTree as ET
from typing import Any

import pytest

from tests.lineage.scene import Scene
from tests.trace.test_missing import bare
from tests.trace.test_said import SVG, change
from tracker.book import Book
from tracker.ids import Ident
from tracker.model import (
    Calibration,
    Drying,
    FactorRecord,
    Job,
    JobSpool,
    Material,
    Measurement,
    Result,
    SettingChange,
    Specimen,
    Spool,
    StoragePeriod,
)
from tracker.trace import picture as drawing
from tracker.trace import stations, trace
from tracker.trace.facts import drying_facts, factor_facts
from tracker.trace.walk import Path
from tracker.trace.way import Station, Way, calibrated, hours, humidity, percent, place

ON_THE_WAY = """\
M0001-Y
number        tensile.strength 48.42 ± 0.39 MPa (U, k = 2.0, 95 %); counted; The curve's maximum was
              used.
  budget      parts of the variance; R0001: calibration 93 %; curve: resolution 7 %
  verdict     counted; broke in the gauge section; Ada Bench, 2026-02-08 08:00
measured      M0001-Y; time 2026-02-07 08:00; operator Bo Helper; room 22 °C, 48 % RH; typed
  method      tensile 1.0
  readings    as taken; area 25 mm²; max_force 1210.5 N
  curve       pull.csv; 35 bytes; SHA-256 a41892d17bc90ec6…
  rig         R0001-M crank; resolution 0.5 N; capacity 5000 N; calibrated 2026-01-05: u 0.4 %
              against weights
specimen      J0002-01-T; orientation ZXY, upright; outcome usable; place on the plate 40.5, 60 mm;
              geometry bar; remark rough edges
  factors     typed, Bo Helper; raster_deg 45
job           J0002-H “bars again”; began 2026-02-05 08:00; printer left; ended finished; another
              attempt at J0001-J
  plate file  bars.gcode; 18 bytes; SHA-256 2aeadcbe949ccd59…
  settings    set and measured; nozzle set 250 °C, measured 247 °C; bed set 100 °C, measured not
              recorded; chamber set 70 °C, measured 58.5 °C; fan 20 %; layer height 0.2 mm; room
              21 °C
  changed     by hand while it ran; nozzle_c 255 from layer 12 on
  log         chamber.csv; SHA-256 b0f49e1b4c04331e…; aligned by the job's start
spool         S0001-R; lot L-17; received 2026-01-20; bought; on arrival bag intact
  drying      D0001-Q; 2026-02-03 08:00, 6 h; set 80 °C, measured 76.5 °C; mass 1251.2 g → 1247.9 g
  kept        before the print; open air from 2026-02-02 08:00 to 2026-02-03 08:00: 22.5 °C, 45 %
              RH; dry box from 2026-02-03 15:12 to 2026-02-05 08:00: 22.5 °C, 12 % RH
material      Quarzit ASA; family ASA; maker Quarzit; nozzle 240 to 260 °C; chamber 60 to 80 °C
journal       2026-03-02 Ada Bench: 2 material add; 3 spool add; 4 spool keep; 7 job add; 8 job add;
              9 job change; 11 rig add; 13 verdict
              2026-03-02 Bo Helper: 5 dry; 10 job log; 12 measure; 14 amend; 15 amend
corrected     J0002-01-T outcome: good → usable (entry 14, Bo Helper, 2026-03-02 08:00: edges were
              rough after all)
              J0002-01-T remark: not recorded → rough edges (entry 14, Bo Helper, 2026-03-02 08:00:
              edges were rough after all)
              M0001-Y readings max_force: 272.1 → 1210.5 (entry 15, Bo Helper, 2026-03-02 08:00:
              typed in pounds)
not recorded  line width, room humidity at the print
"""

OF_A_JOB = """\
J0002-H
specimens     2 pieces; J0002-01-T ZXY usable; J0002-02-R ZXY good
job           J0002-H “bars again”; began 2026-02-05 08:00; printer left; ended finished; another
              attempt at J0001-J
  plate file  bars.gcode; 18 bytes; SHA-256 2aeadcbe949ccd59…
  settings    set and measured; nozzle set 250 °C, measured 247 °C; bed set 100 °C, measured not
              recorded; chamber set 70 °C, measured 58.5 °C; fan 20 %; layer height 0.2 mm; room
              21 °C
  changed     by hand while it ran; nozzle_c 255 from layer 12 on
  log         chamber.csv; SHA-256 b0f49e1b4c04331e…; aligned by the job's start
spool         S0001-R; lot L-17; received 2026-01-20; bought; on arrival bag intact
  drying      D0001-Q; 2026-02-03 08:00, 6 h; set 80 °C, measured 76.5 °C; mass 1251.2 g → 1247.9 g
  kept        before the print; open air from 2026-02-02 08:00 to 2026-02-03 08:00: 22.5 °C, 45 %
              RH; dry box from 2026-02-03 15:12 to 2026-02-05 08:00: 22.5 °C, 12 % RH
material      Quarzit ASA; family ASA; maker Quarzit; nozzle 240 to 260 °C; chamber 60 to 80 °C
journal       2026-03-02 Ada Bench: 2 material add; 3 spool add; 4 spool keep; 7 job add; 8 job add;
              9 job change
              2026-03-02 Bo Helper: 5 dry; 10 job log
not recorded  line width, room humidity at the print
"""

OF_A_SPOOL = """\
S0001-R
hangs on it   2 jobs; J0001-J “bars”, 2026-02-05 08:00: 2 specimens, 0 measurements; J0002-H “bars
              again”, 2026-02-05 08:00: 2 specimens, 1 measurements
spool         S0001-R; lot L-17; received 2026-01-20; bought; on arrival bag intact
  drying      D0001-Q; 2026-02-03 08:00, 6 h; set 80 °C, measured 76.5 °C; mass 1251.2 g → 1247.9 g
              D0002-O; 2026-02-10 08:00, 6 h; set 80 °C, measured 76.5 °C; mass 1251.2 g → 1247.9 g
  kept        since it came in; open air from 2026-02-02 08:00 to 2026-02-03 08:00: 22.5 °C, 45 %
              RH; dry box from 2026-02-03 15:12 to 2026-02-05 08:00: 22.5 °C, 12 % RH; open air from
              2026-02-08 08:00 on: 22.5 °C, 45 % RH
material      Quarzit ASA; family ASA; maker Quarzit; nozzle 240 to 260 °C; chamber 60 to 80 °C
journal       2026-03-02 Ada Bench: 2 material add; 3 spool add; 4 spool keep
              2026-03-02 Bo Helper: 5 dry; 6 dry
not recorded  nothing is missing
"""

OF_A_RIG = """\
R0001-M
hangs on it   measurements; 1 under the calibration of 2026-01-05, M0001-Y to M0001-Y
rig           R0001-M crank; resolution 0.5 N; capacity 5000 N
  calibration calibrated 2026-01-05: u 0.4 % against weights
journal       2026-03-02 Ada Bench: 11 rig add
not recorded  nothing is missing
"""


@pytest.mark.one_database("words of rows that are read alike on both")
@pytest.mark.parametrize(
    ("ident", "said"),
    [
        ("M0001-Y", ON_THE_WAY),
        ("J0002-01-T", ON_THE_WAY.replace("M0001-Y\n", "J0002-01-T\n", 1)),
        ("J0002-H", OF_A_JOB),
        ("S0001-R", OF_A_SPOOL),
        ("D0001-Q", OF_A_SPOOL.replace("S0001-R\n", "D0001-Q\n", 1)),
        ("R0001-M", OF_A_RIG),
    ],
)
def test_the_whole_way_in_words(book: Book, scene: Scene, ident: str, said: str) -> None:
    """From the number to the material and from the far ends to what hangs on them, at 100 columns."""
    del scene

    assert "\n".join(trace(book, ident).lines(100)) + "\n" == said


BARE = """\
M0001-Y
number        tensile.strength 48 MPa; uncertainty not recorded; counted
measured      M0001-Y; time not recorded; operator not recorded; room not recorded, humidity not
              recorded; given as a value, without readings
  method      tensile, version not recorded
  readings    not recorded
  rig         not recorded
specimen      J0001-01-Z; orientation not recorded; outcome not recorded; place on the plate not
              recorded
  factors     stated, old.csv; printer left
job           J0001-J “old”; began not recorded; printer left; ended not recorded
  plate file  not recorded
  settings    not recorded
spool         not recorded
  drying      not recorded
  kept        not recorded
material      Basalt PA; family not recorded; maker not recorded
journal       2026-03-02 Ada Bench: 2 import
not recorded  uncertainty of the number, readings behind the number, version of the method, rig,
              when it was measured, who measured, room temperature at the test, room humidity at the
              test, orientation, outcome of the specimen, geometry of the piece, place on the plate,
              plate file, nozzle, when the print began, nozzle temperature set, bed temperature set,
              chamber temperature set, chamber temperature measured, fan set, layer height, line
              width, room temperature at the print, room humidity at the print, spool, lot, drying
              before the print, where the spool was kept, maker of the material, polymer family
"""


def test_a_bare_number_says_at_every_station_what_nobody_recorded(book: Book) -> None:
    """A value out of an old table: no station is left out, and every gap is in the last lines."""
    bare(book)

    assert "\n".join(trace(book, "M0001-Y").lines(100)) + "\n" == BARE


def test_a_piece_that_was_not_measured_yet(book: Book, scene: Scene) -> None:
    """It has no number; what is to come has a station of its own."""
    del scene
    found = trace(book, "J0002-02-R")

    assert found.lines(100)[:4] == [
        "J0002-02-R",
        "measured      not yet",
        "specimen      J0002-02-R; orientation ZXY, upright; outcome good; place on the plate 81, 60 mm;",
        "              geometry bar",
    ]
    assert "  factors     not recorded" in found.lines(100)
    assert (found.number, found.chosen) == (None, None)


def test_a_print_of_everything(book: Book, scene: Scene) -> None:
    """Causes, notes, changes by height and by the clock, older storage, words for refused and voided."""
    change(book, Job, scene.job, cause="nozzle clogged", note="second try", name=None)
    change(book, Specimen, scene.specimen, cause="lifted", note="seen")
    change(book, Result, 1, value=None, refused="no section", counted=False, budget=None)
    change(book, Measurement, 1, problem="slipped", remark="again", room_c=None, method_version=None)
    change(book, Spool, 1, lot=None, received_on=None, supplied=None, condition=None)
    with book.act("test", "Ada Bench") as act:
        act.session.add_all(
            [
                SettingChange(job_id=2, setting="fan_pct", value=30.5, height_mm=4.25),
                SettingChange(
                    job_id=2, setting="printer", text="right", at=dt.datetime(2026, 2, 5, 9, tzinfo=dt.UTC)
                ),
                *(
                    StoragePeriod(
                        spool_id=1, place="dry box", began_at=dt.datetime(2026, 1, day, tzinfo=dt.UTC)
                    )
                    for day in (20, 21)
                ),
                FactorRecord(specimen_id=3, name="treatment", text="wet", basis="typed", source="Bo Helper"),
            ]
        )
    said = " ".join(" ".join(trace(book, "M0001-Y").lines(100)).split())

    for part in (
        "number tensile.strength has no value; refused: no section; The curve's maximum was used.",
        "room not recorded, 48 % RH; typed; slipped; again",
        "method tensile, version not recorded",
        "geometry bar; remark rough edges; cause lifted; note seen",
        "factors typed, Bo Helper; raster_deg 45; treatment wet",
        "another attempt at J0001-J; nozzle clogged; second try plate file",
        "nozzle_c 255 from layer 12 on; fan_pct 30.5 from 4.25 mm on; printer right at 2026-02-05 09:00",
        "lot not recorded; received not recorded; supply not recorded drying",
        "kept before the print; 1 earlier; dry box from 2026-01-21 00:00 on: not recorded, humidity not",
        "version of the method, room temperature at the test,",
    ):
        assert part in said


def test_a_spool_is_the_last_before_the_print_where_several_are(book: Book, scene: Scene) -> None:
    """Of two spools both stand on the way; drying and storage are missing where one of them has none."""
    with book.act("test", "Ada Bench") as act:
        act.session.add(Material(name="Basalt PA"))
        act.session.flush()
        act.session.add(Spool(material_id=2))
        act.session.flush()
        act.session.add(JobSpool(job_id=scene.job, spool_id=2, tool=1))
    found = trace(book, "J0002-H")

    assert found.missing == ["job.line_width_mm", "job.room_rh_pct", "dryings", "storage"]
    heads = [line.partition(";")[0] for line in found.lines(100) if line.startswith(("spool", "material"))]
    assert heads == ["spool         S0001-R", "spool         S0002-P", "material      Quarzit ASA"]


@pytest.mark.parametrize(("facts", "first"), [(None, "S0001-R"), ({"layers": 40}, "S0002-P")])
def test_a_piece_of_two_spools_comes_from_the_one_in_its_middle(
    book: Book, scene: Scene, facts: dict[str, Any] | None, first: str
) -> None:
    """The second began at layer 10: of a piece of 40 layers it is the main one, of unknown ones the first."""
    change(book, Specimen, scene.specimen, plate_facts=facts)
    with book.act("test", "Ada Bench") as act:
        act.session.add(Spool(material_id=1))
        act.session.flush()
        act.session.add(JobSpool(job_id=scene.job, spool_id=2, tool=0, from_layer=10))

    assert trace(book, "M0001-Y").as_json()["spools"][0]["id"] == first


def test_relations_of_prov_are_those_of_the_way(book: Book, scene: Scene) -> None:
    """Each statement once, by the names on the labels."""
    del scene
    document = trace(book, "M0001-Y").prov()
    curve, plate = (next(name for name, each in document["entity"].items() if each.get("prov:label") == file)
                    for file in ("pull.csv", "bars.gcode"))  # fmt: skip
    relations = {
        kind: [tuple(ends.values()) for ends in document[kind].values()]
        for kind in document
        if kind not in ("prefix", "entity", "activity", "agent")
    }
    strength, modulus = "sb:M0001-Y.tensile.strength", "sb:M0001-Y.tensile.modulus"

    assert relations == {
        "wasAssociatedWith": [
            ("sb:M0001-Y", "sb:person.Bo_20_Helper"), ("sb:J0002-H", "sb:person.Ada_20_Bench"),
        ],
        "used": [
            ("sb:M0001-Y", "sb:J0002-01-T"), ("sb:M0001-Y", "sb:R0001-M"), ("sb:J0002-H", plate),
            ("sb:J0002-H", "sb:S0001-R"), ("sb:D0001-Q", "sb:S0001-R"),
        ],
        "wasGeneratedBy": [
            (curve, "sb:M0001-Y"), ("sb:M0001-Y.readings", "sb:M0001-Y"), ("sb:J0002-01-T", "sb:J0002-H"),
        ],
        "wasDerivedFrom": [
            (result, source) for result in (strength, modulus) for source in (curve, "sb:M0001-Y.readings")
        ],
        "wasAttributedTo": [(strength, "sb:method.tensile.1.0"), (modulus, "sb:method.tensile.1.0")],
        "wasInformedBy": [("sb:J0002-H", "sb:J0001-J")],
        "specializationOf": [("sb:S0001-R", "sb:material.1")],
    }  # fmt: skip
    assert document["activity"]["sb:J0002-H"] == {
        "prov:type": {"$": "term:job", "type": "prov:QUALIFIED_NAME"}, "prov:label": "bars again",
        "prov:startTime": "2026-02-05T08:00:00.000000Z", "prov:endTime": "2026-02-05T12:48:00.000000Z",
        "term:printer": "left", "term:nozzle_set_c": 250.0, "term:chamber_measured_c": 58.5,
    }  # fmt: skip
    assert document["entity"]["sb:M0001-Y.readings"] == {
        "prov:type": {"$": "term:readings", "type": "prov:QUALIFIED_NAME"},
        "term:max_force": 1210.5, "term:area": 25.0,
    }  # fmt: skip


def test_prov_of_a_job_without_spool_names_its_material(book: Book) -> None:
    """The material it names itself is what it used; a first attempt is informed by none."""
    bare(book)
    document = trace(book, "J0001-J").prov()

    assert [tuple(each.values()) for each in document["used"].values()] == [("sb:J0001-J", "sb:material.1")]
    assert "wasInformedBy" not in document
    assert [tuple(each.values()) for each in document["wasGeneratedBy"].values()] == [
        ("sb:J0001-01-Z", "sb:J0001-J")
    ]


def test_prov_of_a_measured_spool_uses_the_spool(book: Book, scene: Scene) -> None:
    """A density is of the filament; without readings a value derives from the spool itself."""
    del scene
    with book.act("measure", "Bo Helper") as act:
        row = Measurement(spool_id=1, method="density", source="given")
        row.results = [Result(quantity="density.value", value=1.07, unit="g/cm^3", remarks=[], counted=True)]
        act.session.add(row)
    document = trace(book, "M0002-W").prov()

    assert ("sb:M0002-W", "sb:S0001-R") in [tuple(each.values()) for each in document["used"].values()]
    assert [tuple(each.values()) for each in document["wasDerivedFrom"].values()] == [
        ("sb:M0002-W.density.value", "sb:S0001-R")
    ]


def test_what_the_plate_file_says_of_the_gauge_section_is_reported(book: Book, scene: Scene) -> None:
    """With its range where it had one and with its basis; what is not stated is not reported."""
    section = {
        "nozzle_c": {"value": 250.0, "low": 240.0, "high": 255.0, "basis": "commanded"},
        "bed_c": {"value": 100.0, "low": None, "high": 101.0, "basis": "commanded"},
        "fan_pct": {"value": None, "basis": "commanded"}, "layer_time_s": "12",
        "flow_mm3_s": {"value": 5.25, "low": 5.2, "high": 5.3, "basis": "estimated"},
        "pauses_at": ["layer 7"],
    }  # fmt: skip
    change(book, Specimen, scene.specimen, plate_facts={"section": section})
    (told,) = (
        side for stop in stations(trace(book, "M0001-Y")) for side in stop.sides if side.label == "section"
    )

    assert (told.head, told.facts) == (
        "by the plate file",
        (
            "nozzle 250 °C (240 to 255) commanded", "bed 100 °C commanded", "flow 5.25 mm³/s estimated",
            "pause layer 7",
        ),
    )  # fmt: skip


def test_what_is_not_known_is_marked_as_such(book: Book) -> None:
    """So that the picture draws it dashed: every station of a bare number but number, test, piece and job."""
    bare(book)
    every = [side for stop in stations(trace(book, "M0001-Y")) for side in (stop, *stop.sides)]

    assert [(each.label, each.known) for each in every] == [
        ("number", True), ("measured", True), ("method", False), ("readings", False), ("rig", False),
        ("specimen", True), ("factors", True), ("job", True), ("plate file", False), ("settings", False),
        ("spool", False), ("drying", False), ("kept", False), ("material", True),
    ]  # fmt: skip


DAY = dt.datetime(2026, 2, 2, 8, 0, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ({"ended_at": DAY + dt.timedelta(hours=6)}, "6 h"),
        ({"ended_at": DAY + dt.timedelta(hours=6, minutes=2)}, "6 h"),
        ({"ended_at": DAY + dt.timedelta(hours=6, minutes=30)}, "6.5 h"),
        ({"planned_h": 4.0}, "4 h planned, end not recorded"),
        ({}, "end not recorded"),
    ],
)
def test_how_long_a_drying_took(known: dict[str, Any], said: str) -> None:
    """Whole hours without a point, what was only planned as such."""
    assert hours(Drying(began_at=DAY, **known)) == said


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ({"u_abs": 2.0}, "u 2 N"),
        ({"u_rel": 0.00412}, "u 0.412 %"),
        ({"u_abs": 2.0, "u_rel": 0.004, "reference": "weights"}, "u 2 N and u 0.4 % against weights"),
        ({"reference": "weights"}, "no uncertainty stated against weights"),
    ],
)
def test_a_calibration_in_words(known: dict[str, Any], said: str) -> None:
    """Its day, both uncertainties as far as stated, and what it was compared with."""
    row = Calibration(done_on=dt.date(2026, 1, 5), **known)

    assert calibrated(row, "N") == f"calibrated 2026-01-05: {said}"


def test_small_figures_in_words() -> None:
    """A place needs both coordinates; a share is per cent without places."""
    assert [place(Specimen(x_mm=x, y_mm=y)) for x, y in ((40.5, 60.0), (None, 60.0), (40.5, None))] == [
        "40.5, 60 mm", "not recorded", "not recorded",
    ]  # fmt: skip
    assert (percent(0.934), humidity(45.0), humidity(None)) == ("93 %", "45 % RH", "humidity not recorded")
    known = {"name": "printer", "basis": "typed", "source": "Bo"}
    assert factor_facts(FactorRecord(text="left", **known))["value"] == "left"
    assert factor_facts(FactorRecord(number=0.0, text="", **known))["value"] == 0.0
    assert list(drying_facts([])) == []


def boxes_of(monkeypatch: pytest.MonkeyPatch, *stops: Station) -> ET.Element:
    """Return the picture of stations made by hand."""
    monkeypatch.setattr(drawing, "stations", lambda _: list(stops))
    way = Way("GAD", Path(Ident("job", 2)))
    return ET.fromstring(drawing.picture(way))  # noqa: S314 - it is our own


def numbers(element: ET.Element, *names: str) -> tuple[int, ...]:
    """Return attributes that are whole pixels."""
    return tuple(int(element.attrib[name]) for name in names)


def plain(text: ET.Element) -> str:
    """Return what a text says; a number and its unit are kept on one line by a no-break space."""
    return (text.text or "").replace("\u00a0", " ")


SIDES = (Station("rig", "R0001-M crank"), Station("readings", "as taken", ("area 25 mm²",)))
WAY = (
    Station("number", "48.42 MPa", ("counted",), link="computed from", sides=SIDES),
    Station("material", "not recorded", known=False, link="never shown"),
)


def test_boxes_of_the_way_stand_below_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each as high as its lines, the next 44 px below the longest; what is shown beside it on the right."""
    found = [box for box in boxes_of(monkeypatch, *WAY).iter(f"{SVG}rect") if "rx" in box.attrib]

    # Lines of 17 px between two edges of 10 px: three, two, three and two of them.
    assert [numbers(box, "x", "y", "width", "height") for box in found] == [
        (24, 24, 360, 71), (444, 24, 432, 54), (444, 86, 432, 71), (24, 201, 360, 54),
    ]  # fmt: skip
    assert [box.get("stroke-dasharray") for box in found] == [None, None, None, "5 4"]
    assert [box.attrib["fill"] for box in found] == ["#e8f0ec", "#ffffff", "#ffffff", "#ffffff"]


def test_text_is_within_its_box(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten px from the edge, a line 17 px below the other; what is not known is pale."""
    texts = list(boxes_of(monkeypatch, *WAY).iter(f"{SVG}text"))

    assert [(plain(each), *numbers(each, "x", "y", "font-size")) for each in texts[:3]] == [
        ("number", 34, 46, 11), ("48.42 MPa", 34, 63, 14), ("counted", 34, 80, 12),
    ]  # fmt: skip
    assert [(plain(each), *numbers(each, "x", "y")) for each in texts[3:8]] == [
        ("rig", 454, 46), ("R0001-M crank", 454, 63), ("readings", 454, 108), ("as taken", 454, 125),
        ("area 25 mm²", 454, 142),
    ]  # fmt: skip
    assert [each.attrib["fill"] for each in texts[:3]] == ["#6b7883", "#1d2a33", "#1d2a33"]
    assert {each.attrib["fill"] for each in texts if each.text == "not recorded"} == {"#6b7883"}


@pytest.mark.parametrize(("letters", "lines"), [(49, 1), (50, 2)])
def test_a_line_of_facts_holds_49_letters(monkeypatch: pytest.MonkeyPatch, letters: int, lines: int) -> None:
    """340 px between the edges, 6.9 px an average letter; of a head 41, at 8.2 px."""
    drawn = boxes_of(monkeypatch, Station("note", "h" * (letters - 8), ("x" * letters,)))
    texts = [plain(each) for each in drawn.iter(f"{SVG}text")]

    assert [sum(each.startswith(letter) for each in texts) for letter in "hx"] == [lines, lines]


def test_brackets_and_arrows_join_what_belongs_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """From the box to a rail midway, down to the last beside it; an arrow to the next with how it comes."""
    drawn = boxes_of(monkeypatch, *WAY)
    paths = [each.attrib["d"] for each in drawn.iter(f"{SVG}path")]

    assert paths == [
        "M414 42 L444 42", "M414 104 L444 104", "M384 42 L414 42", "M414 42 L414 104",
        "M64 95 L64 195", "M60 194 l4 6 l4 -6 z", "M24 273 L876 273",
    ]  # fmt: skip
    (link,) = (each for each in drawn.iter(f"{SVG}text") if each.text == "computed from")
    assert numbers(link, "x", "y") == (74, 185)
    assert "never shown" not in [each.text for each in drawn.iter(f"{SVG}text")]


def test_the_foot_is_below_everything_and_the_page_holds_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Labels on the left, lines beside them, and the page ends below the last."""
    drawn = boxes_of(monkeypatch, *WAY)
    foot = [each for each in drawn.iter(f"{SVG}text") if int(each.attrib["y"]) > 273]

    assert [(each.text, *numbers(each, "x", "y")) for each in foot][:1] == [("not recorded", 24, 294)]
    assert numbers(foot[1], "x", "y") == (134, 294)
    assert numbers(drawn, "width") == (900,)
    last = max(int(each.attrib["y"]) for each in foot)
    assert int(drawn.attrib["height"]) >= last + 20
    assert drawn.attrib["viewBox"] == f"0 0 900 {drawn.attrib['height']}"
    assert next(drawn.iter(f"{SVG}title")).text == "The way back from J0002-H"
