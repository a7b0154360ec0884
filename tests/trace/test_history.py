"""Journals behind a path: who wrote what, and what it said before."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.lineage.scene import BO, Scene
from tracker.book import Book, now
from tracker.journal import Entry, RowChange, hash_of
from tracker.model import Job, Specimen
from tracker.trace import trace
from tracker.trace.history import Written


def changed(found: dict[str, Any]) -> list[dict[str, Any]]:
    """Return all corrections of a trace, oldest first."""
    return [change for entry in found["journal"] for change in entry["changed"]]


def test_every_row_on_the_way_has_its_entry(traced: dict[str, Any]) -> None:
    """The entries are those that wrote the rows, each with who and what; acts elsewhere are left out."""
    assert [(entry["entry"], entry["act"]) for entry in traced["journal"]] == [
        (2, "material add"), (3, "spool add"), (4, "spool keep"), (5, "dry"), (7, "job add"), (8, "job add"),
        (9, "job change"), (10, "job log"), (11, "rig add"), (12, "measure"), (13, "verdict"), (14, "amend"),
        (15, "amend"),
    ]  # fmt: skip


def test_a_correction_shows_old_new_who_and_why(traced: dict[str, Any]) -> None:
    """The outcome said good before; the entry says who put it right, and why."""
    entry = next(each for each in traced["journal"] if each["entry"] == 14)

    assert {"table": "specimen", "key": "3", "field": "outcome", "old": "good", "new": "usable"} in entry[
        "changed"
    ]
    assert (entry["who"], entry["reason"]) == (BO, "edges were rough after all")


def test_corrected_readings_keep_their_old_values(traced: dict[str, Any]) -> None:
    """The readings as first typed are still there to be read."""
    old = [change["old"] for change in changed(traced) if change["field"] == "readings"]

    assert old == [{"max_force": 272.1, "area": 25.0}]


def test_the_first_writing_is_found_behind_a_correction(traced: dict[str, Any]) -> None:
    """The entry that first wrote a corrected row is among the entries, though the row names a later one."""
    assert 12 in [entry["entry"] for entry in traced["journal"]]


def test_corrections_of_corrections_are_followed(book: Book, scene: Scene) -> None:
    """Each earlier state of a row is shown, oldest first."""
    for outcome in ("failed", "good"):
        with book.act("amend", BO, reason=f"now {outcome}") as act:
            act.session.get_one(Specimen, scene.specimen).outcome = outcome
    found = trace(book, "M0001-Y").as_json()

    assert [(each["old"], each["new"]) for each in changed(found) if each["field"] == "outcome"] == [
        ("good", "usable"), ("usable", "failed"), ("failed", "good"),
    ]  # fmt: skip


def test_corrections_elsewhere_are_left_out(book: Book, scene: Scene) -> None:
    """A correction of another job in the same book is no part of this way."""
    del scene
    before = trace(book, "M0001-Y").as_json()
    with book.act("amend", BO, reason="another job") as act:
        act.session.get_one(Job, 1).printer = "right"

    assert trace(book, "M0001-Y").as_json() == before


def test_a_row_of_an_entry_that_changed_another_row_is_new(book: Book, scene: Scene) -> None:
    """An act that changes one row and writes another gives the new one no history."""
    with book.act("measure", BO, reason="mixed") as act:
        act.session.get_one(Specimen, scene.specimen).remark = "seen again"
        from tracker.model import FactorRecord  # noqa: PLC0415 - wanted here only

        act.session.add(
            FactorRecord(
                specimen_id=scene.specimen, name="wet", number=None, text="no", basis="typed", source=BO
            )
        )
    found = trace(book, "M0001-Y").as_json()

    assert {change["table"] for change in changed(found)} == {"specimen", "measurement"}


def test_more_entries_than_fit_one_question_are_all_found(book: Book, scene: Scene) -> None:
    """Thirty acts on one path are thirty entries of its journal."""
    for number in range(30):
        with book.act("amend", BO, reason=str(number)) as act:
            act.session.get_one(Specimen, scene.specimen).note = str(number)

    reasons = {entry["reason"] for entry in trace(book, "M0001-Y").as_json()["journal"]}
    assert {str(number) for number in range(30)} <= reasons


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


@given(TEXT, TEXT, TEXT)
def test_the_head_of_an_entry_is_read_whatever_it_says(reason: str, who: str, note: str) -> None:
    """Whatever is typed as reason or name, the head is cut off where the rows begin."""
    rows = (RowChange("job", "1", None, {"note": note}), RowChange("job", "2", {"note": ""}, {"note": note}))
    nasty = reason + ',"rows":[' + note
    entry = Entry(
        1, now(), who, "amend", "0" * 64, reason=nasty, rows=rows, bulk=({"table": "x", "rows": 3},)
    )
    body = entry.body()
    written = Written(entry.seq, entry.at, entry.who, entry.act, body, hash_of(body))

    assert written.reason == nasty
    assert set(written.changes) == {("job", "2")}
    assert written.change_of("job", "2") == ({"note": ""}, {"note": note})
    assert written.change_of("job", "1") is None


@given(TEXT, st.booleans())
def test_a_change_is_found_whatever_a_document_in_the_row_looks_like(key: str, first: bool) -> None:
    """A document that reads like a new row of the same name hides no correction."""
    likeness = {"before": None, "key": key, "table": "factor"}
    rows = [
        RowChange("factor", key, {"note": "old"}, {"note": "new"}),
        RowChange("job", "2", None, {"facts": likeness}),
    ]
    entry = Entry(1, now(), "Ada", "amend", "0" * 64, rows=tuple(rows if first else rows[::-1]))
    body = entry.body()
    written = Written(entry.seq, entry.at, entry.who, entry.act, body, hash_of(body))

    assert written.change_of("factor", key) == ({"note": "old"}, {"note": "new"})
    assert written.change_of("job", "2") is None
