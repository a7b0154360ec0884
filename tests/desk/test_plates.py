"""Pieces and settings from plate files, on both databases."""

from __future__ import annotations

from typing import Any

import pytest

from tests.desk.bench import WHO, a_material, a_spool, row_of
from tests.plates import FLAT, UPRIGHT, plate
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.jobplates import PlateFile, read_job_plate, read_piece
from tracker.desk.jobs import add_job
from tracker.desk.offbed import open_pieces, plate_map
from tracker.desk.platefacts import agreed_hint, boxed, object_of
from tracker.desk.plates import (
    alike,
    give_geometries,
    mark_dummies,
    numbers_of,
    plate_of,
    read_pieces,
    settings_of,
)
from tracker.errors import Refused
from tracker.forms import FormError
from tracker.platefile import Hint, orientation_of
from tracker.plugins import load


def a_plate_job(book: Book, data: bytes, **more: Any) -> str:
    """Enter a job from a plate and return its ID."""
    a_material(book, density_g_cm3=1.07, family="ASA")
    return add_job(
        book, WHO, more.pop("typed", {}), spools=[a_spool(book)], plate=PlateFile("plate.gcode", data), **more
    ).id


def facts(book: Book, job: str, number: int = 0) -> dict[str, Any]:
    """Return the plate facts of a piece."""
    found: dict[str, Any] = row_of(book, job).specimens[number].plate_facts
    return found


def test_a_plate_is_read_wherever_the_job_comes_from(book: Book) -> None:
    """Not only at the command line."""
    row = row_of(book, a_plate_job(book, plate(UPRIGHT)))
    assert [piece.name for piece in row.specimens] == ["tower", "tower_#2", "cube"]
    assert (row.nozzle_set_c, row.layer_height_mm) == (250, 0.2)


def test_typed_pieces_correct_those_of_the_plate(book: Book) -> None:
    """Names that are objects give them their letters."""
    job = a_plate_job(book, plate(FLAT, layers=20), pieces=[read_piece("bar:XZY")])
    assert [piece.orientation for piece in row_of(book, job).specimens] == ["XYZ", "XZY"]


def test_a_flat_bars_section_is_a_window_along_it(book: Book) -> None:
    """64 mm between the supports, in the middle of 80 mm from X 20."""
    section = facts(book, a_plate_job(book, plate(FLAT, layers=20)))["section"]
    assert section["window"].endswith("along X")
    assert "by the share" in section["how"]


def test_an_upright_pieces_section_is_a_range_of_heights(book: Book) -> None:
    """A free shape is its own gauge section."""
    found = facts(book, a_plate_job(book, plate(UPRIGHT)))
    assert found["section"]["z_mm"] == [0.0, 20.0]
    assert len(found["spans_s"]) == len(found["tops_mm"]) == found["layers"] == 100


def test_a_set_point_that_changes_has_its_range_over_the_section(book: Book) -> None:
    """250 °C for fifty layers, 260 °C for fifty."""
    data = plate(UPRIGHT, later=["M104 S260"], later_from=51)
    nozzle = facts(book, a_plate_job(book, data))["section"]["nozzle_c"]
    assert nozzle == {"value": 255.0, "low": 250.0, "high": 260.0, "basis": "commanded"}


def test_a_set_point_hidden_in_a_macro_is_stated_not_commanded(book: Book) -> None:
    """Where it was read is shown beside it."""
    data = plate(UPRIGHT).replace(b"M104 S250", b"START_PRINT EXTRUDER_TEMP=255")
    nozzle = facts(book, a_plate_job(book, data))["section"]["nozzle_c"]
    assert (nozzle["value"], nozzle["basis"]) == (255.0, "stated by slicer")
    assert "EXTRUDER_TEMP=255" in nozzle["origin"]
    assert row_of(book, "J0001-J").nozzle_set_c is None


def test_hints_that_contradict_each_other_are_none() -> None:
    """105 and 110 °C: nobody knows which."""
    hints = [Hint("bed_c", 110.0, "first"), Hint("bed_c", 105.0, "later"), Hint("nozzle_c", 250.0, "macro")]
    assert agreed_hint("bed_c", hints) is None
    assert agreed_hint("nozzle_c", hints) == hints[2]


def test_the_figures_of_a_section_carry_their_basis(book: Book) -> None:
    """Commanded, stated, estimated, not stated."""
    section = facts(book, a_plate_job(book, plate(UPRIGHT)))["section"]
    bases = {name: section[name]["basis"] for name in ("nozzle_c", "layer_time_s", "flow_mm3_s", "chamber_c")}
    assert bases == {
        "nozzle_c": "commanded", "layer_time_s": "estimated", "flow_mm3_s": "estimated",
        "chamber_c": "not stated",
    }  # fmt: skip


def test_print_speed_is_as_commanded(book: Book) -> None:
    """1200 mm/min are 20 mm/s."""
    section = facts(book, a_plate_job(book, plate(UPRIGHT)))["section"]
    assert section["print_speed_mm_s"]["value"] == 20.0


def test_settings_are_read_from_the_kept_file(book: Book) -> None:
    """As text, whatever the keys are; the first of a repeated key."""
    job = a_plate_job(book, plate(FLAT, layers=5, settings=["walls = 3", "seam = rear, left", "walls = 4"]))
    found = settings_of(book, job)
    assert (found["walls"], found["seam"]) == ("3", "rear, left")


def test_a_job_without_a_plate_has_no_settings(book: Book) -> None:
    """An empty block, and a refusal where the plate itself is wanted."""
    a_material(book)
    job = add_job(book, WHO, {}, material="Nordlicht ASA")
    assert settings_of(book, job.id) == {}
    with pytest.raises(Refused, match="has no plate file"):
        plate_of(book, row_of(book, job.id))


def test_another_attempt_at_the_same_plate_is_not_read_again(book: Book) -> None:
    """Its pieces are taken over as they were corrected."""
    data = plate(FLAT, layers=5)
    job = a_plate_job(book, data)
    assert read_job_plate(book, PlateFile("again.gcode", data), again=job) is None
    assert read_job_plate(book, PlateFile("again.gcode", data + b"; another\n"), again=job) is not None


def test_mass_rests_on_the_material_of_an_attempts_spool(book: Book) -> None:
    """The spool of the attempt before, where none is named."""
    job = a_plate_job(book, plate(FLAT, layers=5))
    read = read_job_plate(book, PlateFile("new.gcode", plate(FLAT, layers=6)), again=job)
    assert read is not None
    assert read.plate.density_g_cm3 == 1.07


def test_mass_rests_on_a_material_named_without_a_spool(book: Book) -> None:
    """None where neither is known."""
    a_material(book, density_g_cm3=1.07)
    file = PlateFile("new.gcode", plate(FLAT, layers=5))
    named = read_job_plate(book, file, material="Nordlicht ASA")
    bare = read_job_plate(book, file)
    assert named is not None
    assert bare is not None
    assert (named.plate.density_g_cm3, bare.plate.density_g_cm3) == (1.07, None)


def test_a_piece_is_drawn_from_what_is_kept_of_it(book: Book) -> None:
    """Box, key and way of lying are those of the object."""
    data = plate(UPRIGHT)
    kept = object_of("tower", facts(book, a_plate_job(book, data)))
    thing = read_pieces(data).pieces[0].thing
    assert (kept.key, orientation_of(kept)) == (thing.key, orientation_of(thing))
    assert kept.box_mm == pytest.approx(thing.box_mm, abs=1e-3)


def test_another_template_cuts_the_section_again(book: Book) -> None:
    """The gauge section of a bar, then the whole of it."""
    job = a_plate_job(book, plate(FLAT, layers=20))
    piece = row_of(book, job).specimens[0]
    before = piece.plate_facts["section"]["window"]
    correct(book, WHO, load(), "J0001-01-Z", ["geometry=free"], reason="own shape")
    assert facts(book, job)["section"]["window"] != before
    assert facts(book, job)["section"]["window"].endswith("along Z")


def test_another_template_keeps_who_stated_the_gauge_section(book: Book) -> None:
    """Where the piece was clamped does not hang on its template."""
    job = a_plate_job(book, plate(FLAT, layers=20))
    correct(book, WHO, load(), "J0001-01-Z", ["gauge=x:20-60"], reason="clamped so")
    correct(book, "Ben", load(), "J0001-01-Z", ["geometry=free"], reason="own shape")
    section = facts(book, job)["section"]
    assert (section["gauge"], section["by"]) == ("x:20-60", WHO)


def test_an_object_of_which_only_the_box_is_known_has_its_middle_and_size() -> None:
    """Corners at (10, 20, 0) and (40, 100, 4) mm."""
    thing = boxed("a", "bar", (10, 20, 0, 40, 100, 4))
    assert (thing.centre_mm, thing.size_mm, thing.rect_mm) == ((25, 60), (30, 80, 4), (30, 80))


def test_an_unknown_template_is_refused_in_a_correction(book: Book) -> None:
    """Those there are, are named."""
    a_plate_job(book, plate(FLAT, layers=20))
    with pytest.raises(Refused, match="iso178"):
        correct(book, WHO, load(), "J0001-01-Z", ["geometry=brick"], reason="slip")


def test_a_dummy_is_not_asked_for(book: Book) -> None:
    """Two pieces wait, and the map says which one does not."""
    a_material(book)
    file = PlateFile("plate.gcode", plate(UPRIGHT))
    read = read_job_plate(book, file, material="Nordlicht ASA")
    assert read is not None
    mark_dummies(read, ["3"])
    job = add_job(book, WHO, {}, material="Nordlicht ASA", plate=file, read=read).id
    assert [number for number, _ in open_pieces(book, job)] == [1, 2]
    assert "dummy" in plate_map(book, job, 80)


def test_not_every_piece_can_be_a_dummy() -> None:
    """Something has to be tested."""
    read = read_pieces(plate(FLAT, layers=2))
    with pytest.raises(FormError, match="Every piece is a dummy"):
        mark_dummies(read, ["bar", "second"])


def test_pieces_alike_are_confirmed_together() -> None:
    """Towers of one name, and the cube by itself."""
    read = read_pieces(plate(UPRIGHT))
    give_geometries(read, ["free"])
    assert [numbers_of(read, group) for group in alike(read)] == ["1", "2", "3"]


def test_numbers_of_pieces_are_reported_as_they_are_typed() -> None:
    """Neighbours as a range."""
    read = read_pieces(plate({f"bar{n}": (20.0, 120.0 - 20.0 * n, 79.6, 9.6) for n in range(5)}, layers=2))
    assert numbers_of(read, [read.pieces[n] for n in (0, 1, 2, 4)]) == "1-3,5"


def test_copies_are_one_kind_whatever_hangs_on_their_names() -> None:
    """Markers of one word carry file type, id and copy in the name; copies are numbered instead."""
    names = ("bar.stl_id_0_copy_0", "bar.stl_id_0_copy_1", "BAR_STL_ID_1_COPY_0")
    read = read_pieces(plate({n: (20.0, 60.0 - 20.0 * i, 79.6, 9.6) for i, n in enumerate(names)}, layers=2))
    assert [piece.name for piece in read.pieces] == ["bar #1", "bar #2", "BAR"]


def test_a_job_entered_by_hand_has_no_map(book: Book) -> None:
    """An empty text, and no numpy for it."""
    a_material(book)
    job = add_job(book, WHO, {}, material="Nordlicht ASA", pieces=[read_piece("bar:ZXY:2")])
    assert plate_map(book, job.id, 80) == ""
