"""What a form of corrections shows: every value that can be corrected, as it would be typed again."""

from __future__ import annotations

from typing import Any

import pytest

from tests.books import fill
from tests.desk.bench import (
    WHO,
    Plain,
    a_calibrated_rig,
    a_job,
    a_material,
    a_pull,
    a_rig,
    a_spool,
    calibrate,
    plugged_with,
    row_of,
)
from tracker.api import Recording
from tracker.book import Book
from tracker.desk.correcting import Correctable, _read_otherwise, changed, correct, correctable
from tracker.desk.measuring import measure
from tracker.errors import Refused
from tracker.forms import FormError
from tracker.model import Measurement, MeasurementFile
from tracker.plugins import load


def values(book: Book, target: str, plugged: Any = None) -> dict[str, Correctable]:
    """Return what can be corrected of a record, by name."""
    name, found = correctable(book, plugged or load(), target)
    assert name == target
    assert len({each.name for each in found}) == len(found)
    return {each.name: each for each in found}


@pytest.mark.parametrize(
    "target", ["Nordlicht ASA", "S0001-R", "D0001-Q", "J0001-J", "J0001-01-Z", "R0001-M"]
)
def test_what_is_recorded_is_taken_again_as_it_is_shown(book: Book, target: str) -> None:
    """Typing every field of a record as it stands changes none."""
    fill(book)
    shown = values(book, target)
    # The log of this book's job is none, so that no time may move: it would be laid against it again.
    still = {name: each.was for name, each in shown.items() if each.was and not name.endswith("_at")}
    same = [f"{name}={was}" for name, was in still.items() if "." not in name]
    assert same
    correct(book, WHO, load(), target, same, "looked through", sure=True)
    assert {name: each.was for name, each in values(book, target).items()} == {
        name: each.was for name, each in shown.items()
    }


def test_parts_of_a_record_are_shown_under_their_names(book: Book) -> None:
    """Of a spool its storage and weighings, of a drying the masses, of a job its first spool."""
    fill(book)
    spool, drying, job = values(book, "S0001-R"), values(book, "D0001-Q"), values(book, "J0001-J")

    assert {name.partition(".")[0] for name in spool if "." in name} == {"storage1", "weighing1"}
    assert spool["weighing1.mass_g"].label.startswith("weighing1, ")
    assert spool["weighing1.mass_g"].unit == "g"
    masses = {name: each for name, each in drying.items() if name.startswith("S0001-R.")}
    assert {name: (each.label, each.unit) for name, each in masses.items()} == {
        "S0001-R.before_g": ("Mass of S0001-R before", "g"),
        "S0001-R.after_g": ("Mass of S0001-R after", "g"),
    }  # fmt: skip
    assert (job["spool"].was, job["from_layer"].was, job["from_layer"].label) == (
        "S0001-R",
        "",
        "Spool, first layer printed from it",
    )
    assert any(name.startswith("change1.") for name in job)


def test_a_measurement_shows_what_it_was_done_on_and_with(book: Book) -> None:
    """And each reading that is no file; of a method that is gone only the rest."""
    rig, other = a_calibrated_rig(book), a_rig(book, "Second")
    piece = a_job(book).also[0]
    pull = a_pull(book, piece, rigs=[rig, other]).id
    shown = values(book, pull)

    assert (shown["specimen"].was, shown["specimen"].label) == (piece, "Measured on")
    assert (shown["rigs"].was, shown["max_force"].was, shown["max_force"].unit) == (
        f"{rig} {other}",
        "1830.0",
        "N",
    )
    assert (shown["area"].was, shown["max_force"].label) == ("", "max force")
    assert "curve" not in shown
    gone = values(book, pull, plugged_with(Plain()))
    assert "max_force" not in gone
    assert gone["operator"].was == WHO


def test_rigs_of_a_measurement_are_put_in_the_place_of_others(book: Book) -> None:
    """With the calibration in force that day; one that is taken away comes back with its link."""
    first, second = a_calibrated_rig(book, "20 N"), a_rig(book, "Second")
    calibrate(book, WHO, second, {"uncertainty": "40 N", "done_on": "2026-02-01"})
    pull = a_pull(book, a_job(book).also[0], rigs=[first]).id
    found = []
    for rigs in (second, "", f"{first}, {second}", first):
        correct(book, WHO, load(), pull, [f"rigs={rigs}"], "wrote the wrong one", sure=True)
        row = row_of(book, pull)
        u = next(each.uncertainty for each in row.results if each.value is not None)
        found.append(([each.rig_id for each in row.rigs], u))
        assert all(each.calibration is not None for each in row.rigs)

    assert [rigs for rigs, _ in found] == [[2], [], [1, 2], [1]]
    assert found[0][1] > found[3][1] > found[1][1]


def a_file(name: str = "curve", read_as: dict[str, str] | None = None) -> MeasurementFile:
    """Return a recording of a measurement."""
    return MeasurementFile(field=name, name="pull.csv", sha256="0", read_as=read_as)


def test_how_a_recording_is_read_is_corrected_option_by_option() -> None:
    """An empty value takes one back; without any nothing is kept."""
    row = Measurement(files=[a_file(read_as={"decimal": "comma"})])
    _read_otherwise(row, {"take.spike": "leave out", "read.force": "2"})
    assert row.files[0].read_as == {"decimal": "comma", "take.spike": "leave out", "force": "2"}
    _read_otherwise(row, {"take.spike": "", "read.force": "3"})
    assert row.files[0].read_as == {"decimal": "comma", "force": "3"}
    _read_otherwise(row, {"read.force": "", "read.decimal": "", "read.never": ""})
    assert row.files[0].read_as is None


@pytest.mark.parametrize(("files", "has"), [((), "none"), (("curve", "video"), "curve, video")])
def test_which_recording_is_meant_must_be_clear(files: tuple[str, ...], has: str) -> None:
    """Of none or of two nothing is guessed."""
    with pytest.raises(FormError, match=f"not clear which recording to replace: it has {has}"):
        _read_otherwise(Measurement(files=[a_file(name) for name in files]), {"read.decimal": "comma"})


def test_a_recording_is_added_to_a_measurement_that_had_none(book: Book) -> None:
    """And how it is to be read goes with it."""
    plain = plugged_with(Plain())
    done = measure(book, WHO, plain, a_job(book).also[0], "plain", {"load": "5"})
    for number in (1, 2):
        trace = Recording(f"{number}.csv", bytes([number]), {"decimal": "comma"} if number == 2 else {})
        correct(book, WHO, plain, done.id, [], "found it", {"trace": trace})
        (kept,) = row_of(book, done.id).files
        assert (kept.field, kept.name, book.files.get(kept.sha256)) == ("trace", f"{number}.csv", trace.data)
        assert kept.read_as == (trace.read_as or None)


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ("X1.before_g", "There is no 'X1' to correct here"),
        ("S0002-P.before_g", r"S0002-P was not in D0001-Q"),
        ("7.note", "There is no '7' to correct here"),
        ("storage9.note", r"D0001-Q has no storage 9"),
        ("storage.note", r"D0001-Q has no storage \."),
    ],
)
def test_a_part_that_is_not_there_is_named(book: Book, part: str, said: str) -> None:
    """With where to look."""
    fill(book)
    a_spool(book)
    with pytest.raises(Refused, match=said):
        correct(book, WHO, load(), "D0001-Q", [f"{part}=5"], "typed wrong")


def of(name: str, was: str) -> Correctable:
    """Return a value that can be corrected."""
    return Correctable(name, name.title(), "", (), was)


def test_a_form_sends_what_was_changed_in_it() -> None:
    """Blanks at the ends are none; what the record has not is left out."""
    now = [of("lot", "7"), of("colour", ""), of("note", "a")]
    sent = {"lot": " 8 ", "colour": "", "note": "a ", "other": "x"}

    assert changed(sent, {"lot": "7", "note": "a"}, now) == ["lot=8"]
    assert changed({"lot": "", "colour": "red"}, {"lot": "7"}, now) == ["lot=", "colour=red"]


@pytest.mark.parametrize(("was", "says"), [("9", "it says 9 now"), ("", "it says nothing now")])
def test_a_value_that_somebody_else_corrected_is_not_overwritten(was: str, says: str) -> None:
    """Only where this form changes it too."""
    with pytest.raises(FormError, match=f"Lot was corrected meanwhile: {says}. Load the page again"):
        changed({"lot": "8"}, {"lot": "7"}, [of("lot", was)])
    assert changed(
        {"lot": "7", "note": "b"}, {"lot": "7", "note": "a"}, [of("lot", was), of("note", "a")]
    ) == ["note=b"]


def test_the_material_of_a_spool_is_corrected_by_its_name(book: Book) -> None:
    """It leads to the record of that name."""
    a_material(book)
    a_material(book, "Sorrel PLA")
    spool = a_spool(book)
    correct(book, WHO, load(), spool, ["material=sorrel pla"], "the other reel")
    assert row_of(book, spool).material.name == "Sorrel PLA"
