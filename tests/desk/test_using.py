"""Spools of a job, specimens entered later, instruments and photographs: each rule from both sides."""

from __future__ import annotations

import datetime as dt
import io
from types import SimpleNamespace
from typing import Any, Self

import pytest
from PIL import Image
from sqlalchemy import select

from tests.desk.bench import (
    WHO,
    Plain,
    a_job,
    a_material,
    a_piece,
    a_pull,
    a_spool,
    entries,
    last_entry,
    plugged_with,
    row_of,
)
from tests.platefile.builder import ring
from tests.plates import FLAT, plate
from tracker.api import Outcome, Quantity, Recording, fields, validate
from tracker.book import Book
from tracker.desk import labelling, photographs, platemaps, plausibility, voiding
from tracker.desk.correcting import correct
from tracker.desk.importing import binding, carrying, day, drafts, planning, sheet
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import (
    add_job,
    add_specimens,
    change_setting,
    end_job,
    read_assignment,
    spool_answers,
    use_spool,
)
from tracker.desk.measuring import _as_the_rig_writes, computed_again, measure, recomputing, understandings
from tracker.desk.method_inputs import (
    compliance_in_force,
    in_force,
    instrument_of,
    instruments,
    piece_from,
    warning_of,
)
from tracker.desk.overtime import append, running
from tracker.desk.photographs import PictureError, add_photograph, check_pixels, photograph_of
from tracker.desk.plates import _unstated, read_pieces
from tracker.desk.voiding import void
from tracker.errors import Refused
from tracker.forms import FormError
from tracker.kinds import find
from tracker.model import Photograph
from tracker.platefile import Hint
from tracker.plugins import load

# --- which spool printed what ------------------------------------------------------------------------------


def spools_of(book: Book, job: str) -> list[tuple[int, int, int | None, list[int] | None]]:
    """Return spool, tool, first layer and pieces of the spools of a job that count."""
    rows = [each for each in row_of(book, job).spools if each.voided is None]
    return sorted((each.spool_id, each.tool, each.from_layer, each.pieces) for each in rows)


def test_another_spool_of_a_job_has_a_part_of_its_own(book: Book) -> None:
    """A tool, a layer or pieces; the same part twice is refused with what to do."""
    job = a_job(book)
    spools = [a_spool(book) for _ in range(3)]
    before = entries(book)
    for typed in ({}, {"tool": "0"}):
        with pytest.raises(FormError) as refusal:
            use_spool(book, WHO, job.id, {"spool": spools[0], **typed})
        assert str(refusal.value) == (
            f"{job.id} is printed from S0001-R there already. Say --tool, --from-layer or --pieces; to put a "
            f"mistake right: strandbook correct {job.id} spool={spools[0]} --reason WHY"
        )
    assert entries(book) == before
    use_spool(book, WHO, job.id, {"spool": spools[0], "tool": "1", "filament_g": "12 g"})
    use_spool(book, WHO, job.id, {"spool": spools[1], "from_layer": "40"})
    use_spool(book, WHO, job.id, {"spool": spools[2], "pieces": "2-3"})
    assert spools_of(book, job.id) == [
        (1, 0, None, None),
        (2, 1, None, None),
        (3, 0, 40, None),
        (4, 0, None, [2, 3]),
    ]
    # What can be corrected is that of the spool that stands for the plate.
    assert [value for _, _, value in spool_answers(row_of(book, job.id))] == ["S0001-R", ""]
    # A spool that is named again has another part from then on.
    use_spool(book, WHO, job.id, {"spool": spools[2], "tool": "2"})
    assert spools_of(book, job.id)[-1] == (4, 2, None, None)
    correct(book, WHO, load(), job.id, [f"spool={spools[2]}", "from_layer=40"], "the other reel")
    assert spools_of(book, job.id) == [(1, 0, None, None), (2, 1, None, None), (4, 0, 40, None)]


def test_a_spool_that_a_job_names_twice_is_refused(book: Book) -> None:
    """And a job of nothing."""
    a_material(book)
    spool = a_spool(book)
    with pytest.raises(FormError, match=r"A spool is named twice\. Name each once"):
        add_job(book, WHO, {}, spools=[spool, spool.lower()])
    with pytest.raises(FormError, match=r"needs to know what it was printed from\. Give --spool ID"):
        add_job(book, WHO, {})


def test_specimens_of_a_bare_job_get_numbers_that_never_come_again(book: Book) -> None:
    """Behind those that were taken back; a job that has some takes no others."""
    a_material(book)
    job = add_job(book, WHO, {}, material="Nordlicht ASA")
    assert (job.notes, job.also) == (["It has no pieces yet."], [])
    with pytest.raises(FormError, match=r"no specimens to enter\. Give --piece NAME:ORIENTATION:COUNT"):
        add_specimens(book, WHO, job.id, [])
    made = add_specimens(book, WHO, job.id, [read_piece("bar:ZXY:2"), read_piece("cube")])
    assert (made.id, [each[:8] for each in made.also]) == (job.id, ["J0001-01", "J0001-02", "J0001-03"])
    assert '"J0001-J","J0001-01' in last_entry(book).body.replace(" ", "")
    with pytest.raises(FormError, match=rf"{job.id} has 3 specimens already\. Correct those, or take back"):
        add_specimens(book, WHO, job.id, [read_piece("bar")])
    for each in made.also:
        void(book, WHO, load(), each, "nobody printed it")
    again = add_specimens(book, WHO, job.id, [read_piece("bar:ZXY:2")])
    assert [each[:8] for each in again.also] == ["J0001-04", "J0001-05"]


def test_a_change_lies_at_one_place_within_the_job(book: Book) -> None:
    """From its very begin to its very end."""
    job = a_job(book, started_at="2026-03-02 05:00").id
    end_job(book, WHO, job, {"outcome": "finished", "ended_at": "2026-03-02 07:00"})
    for place in ({"layer": "3", "height_mm": "2"}, {"at": "2026-03-02 06:00", "layer": "3"}):
        with pytest.raises(FormError, match=r"are both given\. Say from when only one way"):
            change_setting(book, WHO, job, "fan=50", place)
    with pytest.raises(FormError, match=rf"2026-03-02 07:01 is after {job} ended \(2026-03-02 07:00\)"):
        change_setting(book, WHO, job, "fan=50", {"at": "2026-03-02 07:01"})
    with pytest.raises(FormError, match="would end at 2026-03-02 04:59, before it began"):
        change_setting(book, WHO, job, "fan=50", {"at": "2026-03-02 04:59"})
    for moment in ("2026-03-02 05:00", "2026-03-02 07:00"):
        change_setting(book, WHO, job, "Fan = 50 %", {"at": moment})
    change_setting(book, WHO, job, "glue=thin", {"height_mm": "0"})
    found = [(each.setting, each.value, each.text, each.height_mm) for each in row_of(book, job).changes]
    assert found == [("fan", 50, None, None)] * 2 + [("glue", None, "thin", 0)]


@pytest.mark.parametrize("text", ["fan", "=50", "fan=", " = 50"])
def test_what_is_no_assignment_is_refused(text: str) -> None:
    """With how one is written; a known setting needs its number."""
    with pytest.raises(FormError, match=r"is no setting\. Write NAME=VALUE, as in fan=50"):
        read_assignment(text)
    with pytest.raises(FormError, match="nozzle: 'hot' is not a number"):
        read_assignment("nozzle=hot")
    assert read_assignment("Purge = 3") == ("purge", 3.0, None)


# --- instruments -----------------------------------------------------------------------------------------


def calibrated(day: int, compliance: float | None = None, **more: Any) -> Any:
    """Return a calibration of a day in February."""
    known = {"u_abs": 2.0, "u_rel": 0.01, "errors": None, "done_on": dt.date(2026, 2, day)}
    return SimpleNamespace(**{**known, "compliance": compliance, **more})


def a_row(**more: Any) -> Any:
    """Return a rig."""
    known = {
        "id": 1, "name": "Gantry", "unit": "N", "resolution": 0.1, "low": None, "capacity": 5000.0,
        "recalibrate_days": 30, "measures": "force", "calibrations": [],
    }  # fmt: skip
    return SimpleNamespace(**{**known, **more})


def test_what_a_rig_reads_and_how_far_it_gives_are_found_apart() -> None:
    """The newest of each, done on the day or before."""
    rig = a_row(calibrations=[calibrated(1), calibrated(3, 0.5), calibrated(5), calibrated(7, 0.25)])
    days = [dt.date(2026, 1, 31), *(dt.date(2026, 2, day) for day in (1, 3, 4, 5, 9))]
    assert [found and found.done_on.day for found in (in_force(rig, day) for day in days)] == [
        None,
        1,
        1,
        1,
        5,
        5,
    ]
    assert [found and found.done_on.day for found in (compliance_in_force(rig, day) for day in days)] == [
        None, None, 3, 3, 3, 7,
    ]  # fmt: skip


def test_a_calibration_is_due_after_its_days() -> None:
    """On the day itself it is in order; a rig that reads nothing needs none."""
    rig, done = a_row(), calibrated(1)
    assert warning_of(rig, done, dt.date(2026, 3, 3)) == ""
    assert (
        warning_of(rig, done, dt.date(2026, 3, 4))
        == "The calibration of R0001-M Gantry was due on 2026-03-03."
    )
    assert warning_of(a_row(recalibrate_days=None), done, dt.date.max) == ""
    assert warning_of(a_row(unit=None), None, dt.date.max) == ""
    assert warning_of(rig, None, dt.date.min) == (
        "R0001-M Gantry is not calibrated: only its resolution is in the uncertainty."
    )


def test_what_arithmetic_needs_of_a_rig() -> None:
    """Nothing is said of a day that is not known; without a calibration nought is added."""
    errors = [["10", "0.5"], [20, 1]]
    found = instrument_of(
        a_row(), calibrated(1, errors=errors), calibrated(2, 0.25, u_abs=0.01), dt.date(2026, 3, 9)
    )
    assert found is not None
    assert (found.id, found.unit, found.resolution, found.capacity, found.low) == (
        "R0001-M",
        "N",
        0.1,
        5000.0,
        None,
    )
    assert (found.u_abs, found.u_rel, found.errors) == (2.0, 0.01, ((10.0, 0.5), (20.0, 1.0)))
    assert (found.compliance, found.u_compliance, found.note) == (0.25, 0.01, "calibrated 2026-02-01")
    assert found.warning.endswith("was due on 2026-03-03.")
    bare = instrument_of(a_row(), None)
    assert bare is not None
    assert (bare.u_abs, bare.u_rel, bare.errors, bare.compliance, bare.u_compliance) == (
        0.0,
        0.0,
        (),
        None,
        0.0,
    )
    assert (bare.note, bare.warning) == ("not calibrated", "")
    assert instrument_of(a_row(unit=None), None) is None


def test_instruments_serve_readings_or_their_kind() -> None:
    """One that was said to have taken some serves those alone; of a kind the first counts."""

    def used(number: int, fields: list[str] | None = None, **more: Any) -> Any:
        return SimpleNamespace(rig=a_row(id=number, **more), calibration=None, compliance=None, fields=fields)

    found = instruments(
        [used(1), used(2), used(3, ["width"], measures="length"), used(4, measures=None), used(5, unit=None),
         used(6, ["force", "width"])]
    )  # fmt: skip
    assert {name: each.id[:5] for name, each in found.items()} == {"force": "R0006", "width": "R0006"}
    assert {name: each.id[:5] for name, each in instruments([used(1), used(2)]).items()} == {"force": "R0001"}


def test_a_box_of_a_piece_is_known_whole_or_not_at_all() -> None:
    """And without a specimen it is a spool that was tested."""

    def specimen(z: float | None) -> Any:
        return SimpleNamespace(
            size_x_mm=1.0,
            size_y_mm=2.0,
            size_z_mm=z,
            name=None,
            orientation="XYZ",
            outcome=None,
            geometry="free",
        )

    material: Any = SimpleNamespace(name="ASA", family="ASA", density_g_cm3=1.07)
    whole, part = (piece_from("X", specimen(z), material) for z in (3.0, None))
    assert (whole.box_mm, part.box_mm, whole.name, whole.nominal_mm) == ((1.0, 2.0, 3.0), None, "", {})
    spool = piece_from("S", None, material)
    assert (spool.kind, spool.name, spool.density_g_cm3, whole.kind) == ("spool", "ASA", 1.07, "specimen")
    assert piece_from("S", None, None).name == ""


# --- computed again ----------------------------------------------------------------------------------------


class Fickle(Plain):
    """Gives another quantity above 10 N."""

    quantities = (  # type: ignore[assignment]
        Quantity("plain.load", "N", None, "load"),
        Quantity("plain.heavy", "N", None, "heavy"),
    )

    def compute(self, readings: Any, piece: Any) -> Any:
        """Give the load back, by one of two names."""
        del piece
        yield Outcome("plain.heavy" if readings.load.nominal_value > 10 else "plain.load", readings.load)


def test_a_result_that_is_not_given_any_more_is_emptied_and_kept(book: Book) -> None:
    """Verdicts and tables point at it; when it comes back it counts again."""
    plugged, piece = plugged_with(Fickle()), a_piece(book)
    pull = measure(book, WHO, plugged, piece, "plain", {"load": "5"}).id
    found = []
    for load_n in ("20", "6"):
        correct(book, WHO, plugged, pull, [f"load={load_n}"], "misread", sure=True)
        found.append({each.quantity: (each.value, each.counted) for each in row_of(book, pull).results})
    assert found == [
        {"plain.load": (None, False), "plain.heavy": (20.0, True)},
        {"plain.load": (6.0, True), "plain.heavy": (None, False)},
    ]
    heavy = next(each for each in row_of(book, pull).results if each.quantity == "plain.heavy")
    assert (heavy.refused, heavy.uncertainty) == ("the readings as corrected no longer give it", None)


def test_verify_computes_again_what_the_same_version_gave(book: Book) -> None:
    """Of another version, or a method that is gone, nothing is said."""
    plugged, piece = plugged_with(Fickle()), a_piece(book)
    pull, again = measure(book, WHO, plugged, piece, "plain", {"load": "5"}).id, recomputing(book, plugged)
    with book.read() as session:
        row = find(book, session, pull)
        assert again(row) == {"plain.load": 5.0}
        assert computed_again(book, plugged, row).version == "1"
        assert recomputing(book, load())(row) is None
        row.method_version = "2"
        assert again(row) is None


def test_a_corrected_time_that_moves_no_calibration_needs_no_method(book: Book) -> None:
    """No number hangs on it: nothing is computed again."""
    pull = measure(book, WHO, plugged_with(Plain()), a_piece(book), "plain", {"load": "5"}).id
    correct(book, WHO, load(), pull, ["at=2026-03-02 07:00"], "entered late")
    assert f"{row_of(book, pull).at:%H:%M}" == "07:00"


def test_a_file_that_no_reader_knows_is_not_understood() -> None:
    """It is kept raw; a reading that no reader reads is passed by."""
    tensile = load().methods["tensile"].method
    assert understandings(tensile, {"curve": Recording("x.csv", b"no numbers here")}) == {}
    assert understandings(tensile, {}) == {}
    rows = b"time s,force N\n" + b"".join(b"%d,%d\n" % (n, n * 60) for n in range(30))
    assert set(understandings(tensile, {"curve": Recording("x.csv", rows)})) == {"curve"}


def test_how_the_files_of_a_rig_are_read_is_remembered_with_it() -> None:
    """What is said of one file goes before; how a finding is to be taken belongs to that file alone."""
    tensile = load().methods["tensile"].method
    kind = next(each.reading.reads for each in fields(tensile.Readings) if each.name == "curve")
    rig = SimpleNamespace(id=1, role="rig", columns=None)
    measured: Any = SimpleNamespace(rigs=[SimpleNamespace(rig=rig, fields=None)])
    for typed, kept, taken in (
        ({}, None, {}),
        ({"take.spike": "leave out"}, None, {"take.spike": "leave out"}),
        ({"decimal": "comma"}, {"decimal": "comma"}, {"decimal": "comma"}),
        (
            {"decimal": "comma", "force": "2"},
            {"decimal": "comma", "force": "2"},
            {"decimal": "comma", "force": "2"},
        ),
        ({"force": "2"}, {"decimal": "comma", "force": "2"}, {"decimal": "comma", "force": "2"}),
        ({"force": "3"}, {"decimal": "comma", "force": "3"}, {"decimal": "comma", "force": "3"}),
        ({}, {"decimal": "comma", "force": "3"}, {"decimal": "comma", "force": "3"}),
    ):
        curve = Recording("a.csv", b"1", typed)
        readings: Any = _as_the_rig_writes(
            tensile, validate(tensile, {"width": 10.0, "curve": curve}), measured
        )
        assert (rig.columns and rig.columns[kind], dict(readings.curve.read_as)) == (kept, taken)
    nobody: Any = SimpleNamespace(rigs=[])
    alone = validate(tensile, {"curve": Recording("a.csv", b"1", {"x": "1"})})
    assert _as_the_rig_writes(tensile, alone, nobody) is alone
    rig.columns["other"] = {"a": "b"}
    validated = validate(tensile, {"curve": Recording("a.csv", b"1", {"x": "1"})})
    _as_the_rig_writes(tensile, validated, measured)
    assert rig.columns == {"other": {"a": "b"}, kind: {"decimal": "comma", "force": "3", "x": "1"}}


def test_of_several_tests_over_days_one_is_to_be_named(book: Book) -> None:
    """By its method, or by its own ID."""
    plugged, piece = load(), a_piece(book)
    hung = {"force": "280", "width": "10", "thickness": "4", "reference_length": "80"}
    first = measure(book, WHO, plugged, piece, "creep", hung).id
    others = [name for name, each in plugged.methods.items() if each.method.over_time and name != "creep"]
    assert [each.id for each in running(book, plugged, piece, "creep")] == [first]
    assert running(book, plugged, piece, others[0] if others else "tensile") == []
    with pytest.raises(FormError, match=f"No test over time runs on {piece}. Begin one with measure {piece}"):
        append(book, WHO, plugged, piece, ["80.36"], method="tensile")
    pulled = a_pull(book, a_job(book, spools=("S0001-R",)).also[0]).id
    assert running(book, plugged, pulled) == []


# --- plates ----------------------------------------------------------------------------------------------


def test_parts_under_one_marker_are_told_apart_where_each_fits_a_template() -> None:
    """Where one fits none they stay together."""

    def read(*second: float) -> Any:
        more = b"\n".join(line.encode() for line in ring(*second))
        whole = plate({"set": FLAT["bar"]}, layers=20)
        return read_pieces(whole.replace(b"EXCLUDE_OBJECT_END", more + b"\nEXCLUDE_OBJECT_END"))

    apart, together = read(*FLAT["second"]), read(20.0, 60.0, 33.0, 27.0)
    assert [piece.name for piece in apart.pieces] == ["set #2", "set #1"]
    assert apart.notes[0] == (
        "2 parts that share a marker fit a template each and are specimens of their own;"
        " --together makes one of them."
    )
    assert [(piece.name, piece.thing.parts) for piece in together.pieces] == [("set", 2)]


def test_a_set_point_that_no_command_sets_is_to_be_confirmed() -> None:
    """Where hints agree; one that is commanded is not asked."""

    def whole(value: float | None, *hints: float) -> Any:
        points = SimpleNamespace(bed_c=SimpleNamespace(value=value))
        return SimpleNamespace(
            set_points=points, hints=[Hint("bed_c", each, "START BED=90") for each in hints]
        )

    assert _unstated(whole(None, 90.0, 90.0), "bed_c", "bed") == [
        "No command sets the bed; 'START BED=90' says 90 °C: confirm with --bed-set 90."
    ]
    assert (
        _unstated(whole(90.0, 90.0), "bed_c", "bed")
        == _unstated(whole(None, 90.0, 95.0), "bed_c", "bed")
        == []
    )
    assert _unstated(whole(None), "bed_c", "bed") == []


# --- photographs -------------------------------------------------------------------------------------------


class Header:
    """A picture whose header says how large it is."""

    def __init__(self, size: tuple[int, int], kind: str, *, progressive: bool = False) -> None:
        self.size, self.format, self.info = size, kind, {"progressive": 1} if progressive else {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None


@pytest.mark.parametrize(
    ("kind", "most"),
    [
        ("JPEG", 50_000_000),
        ("JPEG, progressive", 25_000_000),
        ("PNG", 33_333_333),
        ("GIF", 33_333_333),
        ("WEBP", 11_764_705),
        ("TIFF", 11_764_705),
    ],
)
def test_a_photograph_has_as_many_pixels_as_can_be_unpacked(
    kind: str, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of each kind what takes 200 MB; the next row of pixels is refused, with a plain JPEG as the way out."""
    plain, _, progressive = kind.partition(", ")
    for height, fits in ((most // 1000, True), (most // 1000 + 1, False)):
        header = Header((1000, height), plain, progressive=bool(progressive))
        monkeypatch.setattr("tracker.desk.photographs.Image.open", lambda _, header=header: header)
        if fits:
            check_pixels(b"", "x.jpg")
        else:
            with pytest.raises(PictureError) as refusal:
                check_pixels(b"", "x.jpg")
            assert refusal.value.why.startswith(f"at most {most // 1_000_000} million")
            assert ("or save it as a plain JPEG" in refusal.value.do) is (most < 50_000_000)


def test_photographs_are_shown_at_what_they_are_of(book: Book) -> None:
    """A job's also at the job; at another record there is none of that number."""
    made = io.BytesIO()
    Image.new("RGB", (8, 6), "red").save(made, "PNG")
    job = a_job(book)
    done = add_photograph(book, WHO, job.also[0], "a.png", made.getvalue(), "  ")
    add_photograph(book, WHO, job.id, "b.png", made.getvalue(), " the plate ")
    with book.read() as session:
        kept = session.scalars(select(Photograph))
        notes = {each.name: (each.note, each.by, each.kind) for each in kept}

    assert done.notes == [f"Kept a photograph of {job.also[0]}."]
    assert notes["a.png"] == (None, WHO, "image/png")
    assert notes["b.png"] == ("the plate", WHO, "image/png")
    assert photograph_of(book, job.also[0], 1)[1] == photograph_of(book, job.id, 1)[1] == "image/png"
    for target, number in ((job.also[1], 1), (job.also[0], 2), (job.id, 3)):
        with pytest.raises(Refused, match=f"{target} has no photograph {number}"):
            photograph_of(book, target, number)
    full = made.getvalue() + bytes(15_000_000 - len(made.getvalue()))
    assert add_photograph(book, WHO, job.id, "d.png", full).id == job.id
    with pytest.raises(PictureError, match=r"e\.png has more than 15 MB\. Take a smaller one"):
        add_photograph(book, WHO, job.id, "e.png", full + b"\0")
    with pytest.raises(PictureError, match="is no photograph that can be shown"):
        add_photograph(book, WHO, job.id, "c.txt", b"text")


def test_what_is_held_and_waited_for_is_bounded() -> None:
    """What a sheet, a photograph or a printer that sleeps may take of memory and of time."""
    assert (sheet.MOST_ROWS, day.MOST_ROWS, sheet._LONGEST_ROW) == (250_000, 5_000, 65_536)
    assert (drafts._AT_ONCE, drafts._CHARACTERS, drafts._MOST_ALIKE) == (1_000, 2_000_000, 4_096)
    assert (carrying._AT_ONCE, carrying._CHARACTERS, carrying._CHUNK) == (20_000, 8_000_000, 500)
    assert (binding._MOST_MET, planning._MOST_SIBLINGS, plausibility._MOST_SIBLINGS) == (4_096, 60, 60)
    assert (voiding._LOOKED_AT, platemaps._NARROW, photographs.THUMBNAIL) == (500, 44, 480)
    assert (labelling._WAIT_S, labelling._FRESH_S) == (10.0, 60.0)
