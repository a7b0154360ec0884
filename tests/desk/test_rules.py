"""Small rules of the desk, each at its limits: what is said in words, kept, counted and put back."""

from __future__ import annotations

import datetime as dt
import json
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import select

from tests.conftest import BenchClock
from tests.desk.bench import (
    WHO,
    Plain,
    Spooled,
    a_calibrated_rig,
    a_job,
    a_material,
    a_pull,
    a_spool,
    at,
    last_entry,
    plugged_with,
    row_of,
)
from tracker.api import Recording
from tracker.book import Book
from tracker.desk import measuring, plausibility, voiding
from tracker.desk.correcting import _assignment
from tracker.desk.curves import curve_of, thinned_curve
from tracker.desk.entering import _setting, choose, set_programme
from tracker.desk.importing import read_sheet
from tracker.desk.importing.binding import _numbers, unit_of_factor
from tracker.desk.importing.planning import (
    Asked,
    _Found,
    _Kind,
    _questions,
    counted,
    ranges,
    refused_lines,
)
from tracker.desk.importing.sheet import ImportRefusedError, LineRefusal
from tracker.desk.logs import _broke, _line, mapped_columns
from tracker.desk.measuring import (
    _fill,
    _refuse_incomplete,
    _without_value,
    _writer,
    measure,
    result_columns,
    rigs_used,
)
from tracker.desk.merging import _too_much
from tracker.desk.overtime import _since
from tracker.desk.plausibility import sibling_values
from tracker.desk.voiding import _counted, _is_as, _key, _put_back, _refuse_resting, _value, judge, undo, void
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.kinds import find
from tracker.model import Choice, Job, JobSpool, JournalRecord, Measurement, Programme, Result, Rig, Spool
from tracker.plugins import Computation, Computed, load

# --- what has no value ---------------------------------------------------------------------------------


def refused(**why: str) -> list[Computed]:
    """Return outcomes that have no value, each with its reason."""
    return [Computed(name, None, "MPa", refused=reason) for name, reason in why.items()]


def test_up_to_two_quantities_without_a_value_are_told_one_by_one() -> None:
    """Those of one reason together; what has a value is no news."""
    good = Computed("d", 5.0, "MPa")
    assert _without_value([good], "M0001-Y") == []
    assert _without_value([*refused(a="no section."), good], "M0001-Y") == ["a: no section"]
    assert _without_value(refused(a="no section.", b="no force"), "M0001-Y") == [
        "a: no section",
        "b: no force",
    ]
    assert _without_value(refused(a="no section.", b="no section"), "M0001-Y") == ["a, b: no section"]


def test_of_three_the_reasons_that_two_share_are_told_once() -> None:
    """All reasons stand with the measurement where they differ."""
    assert _without_value(refused(a="x; y", b="x; y.", c="x; y"), "M0001-Y") == [
        "No value yet of a, b, c: x; y."
    ]
    assert _without_value(refused(a="x; y", b="z; x", c="w"), "M0001-Y") == [
        "No value yet of a, b, c: x. The reason of each is shown with M0001-Y."
    ]
    assert _without_value(refused(a="x; x", b="y", c="z"), "M0001-Y") == [
        "No value yet of a, b, c. The reason of each is shown with M0001-Y."
    ]


@pytest.mark.parametrize(
    ("outcomes", "problem", "over_time", "series", "refuses"),
    [
        (refused(a="no width.", b="no width", c="no force."), None, "", [], True),
        ([*refused(a="no width"), Computed("b", 1.0, "MPa")], None, "", [], False),
        (refused(a="no width"), "plugin failed", "", [], False),
        ([], None, "", [], False),
        (refused(a="no width"), None, "series", [], False),
        (refused(a="no width"), None, "series", [(1, 2)], True),
    ],
)
def test_readings_without_any_result_are_incomplete(
    outcomes: Any, problem: Any, over_time: str, series: Any, refuses: bool
) -> None:
    """But for a plugin's fault, and a test over time that was just begun; each reason once."""
    method: Any = SimpleNamespace(over_time=over_time, title="Pull")
    readings: Any = SimpleNamespace(series=series)
    made = Computation(tuple(outcomes), problem)
    if not refuses:
        _refuse_incomplete(method, readings, made)
        return
    with pytest.raises(measuring.IncompleteError) as said:
        _refuse_incomplete(method, readings, made)
    assert said.value.what == "These readings give no result of pull"
    assert said.value.why == ("no width; no force" if len(outcomes) > 1 else "no width")


def test_what_is_stored_of_a_quantity() -> None:
    """Empty words and lists are nothing; each source of the budget is a row."""
    part = SimpleNamespace(source="force", share=1.0)
    full: Any = Computed("a", 1.0, "MPa", 0.1, ">", ("odd",), "", (part,), "left", 9.0, 0.8, 1.2)  # type: ignore[arg-type]
    assert result_columns(full, "2") == {
        "quantity": "a", "value": 1.0, "unit": "MPa", "uncertainty": 0.1, "dof": 9.0, "low": 0.8, "high": 1.2,
        "group": "left", "relation": ">", "remarks": ["odd"], "refused": None,
        "budget": [{"source": "force", "share": 1.0}], "method_version": "2",
    }  # fmt: skip
    bare = result_columns(Computed("a", None, "MPa", refused="no section"), "")
    assert {name for name, value in bare.items() if value is None} == {
        "value", "uncertainty", "dof", "low", "high", "group", "budget", "method_version",
    }  # fmt: skip
    assert (bare["refused"], bare["remarks"], bare["relation"]) == ("no section", [], "=")


@pytest.mark.parametrize(
    ("was_refused", "was_counted", "value", "counts"),
    [
        ("no section", False, 5.0, True), (None, False, 5.0, False), (None, True, 5.0, True),
        (None, True, None, False), ("no section", False, None, False),
    ],
)  # fmt: skip
def test_a_value_that_comes_back_counts_and_one_set_aside_stays_aside(
    was_refused: str | None, was_counted: bool, value: float | None, counts: bool
) -> None:
    """Whatever it is now."""
    row = Result(quantity="a", refused=was_refused, counted=was_counted)
    _fill(row, Computed("a", value, "MPa", refused="" if value else "gone"), "1")
    assert (row.counted, row.value, row.refused) == (counts, value, None if value else "gone")


# --- rigs ----------------------------------------------------------------------------------------------


def used(rig: str, role: str, *fields: str) -> Any:
    """Return what a measurement was taken with."""
    return SimpleNamespace(rig=SimpleNamespace(id=rig, role=role), fields=list(fields) or None)


@pytest.mark.parametrize(
    ("rigs", "writer"),
    [
        ([], None),
        ([used("a", "rig")], "a"),
        ([used("a", "instrument")], None),
        ([used("a", "instrument"), used("b", "rig")], "b"),
        ([used("a", "rig"), used("b", "rig")], None),
        ([used("a", "rig"), used("b", "instrument", "trace.force")], "b"),
        ([used("a", "instrument", "trace"), used("b", "rig", "trace")], "a"),
        ([used("a", "rig"), used("b", "instrument", "load")], "a"),
    ],
)
def test_the_rig_that_wrote_a_recording(rigs: list[Any], writer: str | None) -> None:
    """The one said to, else the only one whose role is that; of two rigs none is guessed."""
    found: Any = _writer(SimpleNamespace(rigs=rigs), "trace")  # type: ignore[arg-type]
    assert (found and found.id) == writer


def test_a_rig_may_have_taken_one_reading_alone(book: Book) -> None:
    """``READING=ID``; twice named it took both, and a name twice is one."""
    rig = a_calibrated_rig(book)
    moment = at("2026-03-02 08:00")
    twice = [f"load={rig}", f"trace.force={rig}", f"load={rig}"]
    with book.read() as session:
        (one,) = rigs_used(book, session, Plain(), twice, moment)
        (whole,) = rigs_used(book, session, Plain(), [rig, rig], moment)
        with pytest.raises(FormError, match=r"Plain has no reading 'lod'\. It has load, trace"):
            rigs_used(book, session, Plain(), [f"lod={rig}"], moment)
    assert (one.fields, whole.fields, one.calibration is not None) == (["load", "trace.force"], None, True)


# --- siblings ------------------------------------------------------------------------------------------


def test_a_measurement_is_no_sibling_of_itself(book: Book) -> None:
    """Whether it lies before or after the others; of spools as of pieces, the newest first."""
    plugged = plugged_with(Spooled(), Plain())
    a_material(book)
    spool, second = a_spool(book), a_spool(book)
    a_material(book, "Sorrel PLA")
    other = a_spool(book, "Sorrel PLA")
    for ident, load_n in ((spool, "5"), (second, "6"), (spool, "7"), (other, "9")):
        measure(book, WHO, plugged, ident, "spooled", {"load": load_n}, sure=True)
    pieces = a_job(book, "bar:ZXY:3", "bar::1", spools=(spool,)).also
    for piece, load_n in zip(pieces, ("5", "6", "7", "8"), strict=True):
        measure(book, WHO, plugged, piece, "plain", {"load": load_n}, sure=True)
    with book.read() as session:
        row, piece, flat = (find(book, session, ident) for ident in (spool, pieces[0], pieces[3]))
        for number in (None, 1, 2, 3):
            found = sibling_values(session, row, "spooled.load", "N", leave_out=number)
            assert found == [value for value, at in ((7, 3), (6, 2), (5, 1)) if at != number]
            found = sibling_values(session, piece, "plain.load", "N", leave_out=number and number + 4)
            assert found == [value for value, at in ((7, 3), (6, 2), (5, 1)) if at != number]
        assert sibling_values(session, flat, "plain.load", "N") == [8]
        assert sibling_values(session, row, "spooled.load", "kN") == []
        assert sibling_values(session, row, "plain.load", "N") == []
        assert sibling_values(session, row, "spooled.load", "N", group="left") == []
    with book.read() as session:
        # Of no material only what was measured on the piece itself is beside it.
        bare = find(book, session, pieces[1])
        statement = plausibility._of_the_kind(select(Measurement.id), bare)
        assert session.scalars(statement).all() == [5, 6, 7]


# --- over days -----------------------------------------------------------------------------------------


def test_the_time_of_a_reading_has_five_digits(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundredth of a second of hours, rounded; one at the start is nought, one before it refused."""
    monkeypatch.setattr("tracker.desk.overtime._unit_s", lambda _: 3600.0)
    test: Any = SimpleNamespace(began=at("2026-03-02 08:00"), method=None, id="M0001-Y")

    assert _since(test, test.began + dt.timedelta(seconds=1), dt.UTC) == 0.00028
    assert _since(test, test.began + dt.timedelta(hours=5), dt.UTC) == 5.0
    assert _since(test, test.began, dt.UTC) == 0.0
    with pytest.raises(FormError, match="2026-03-02 07:59 is before M0001-Y was begun, at 2026-03-02 08:00"):
        _since(test, test.began - dt.timedelta(seconds=1), dt.UTC)


# --- taken back ----------------------------------------------------------------------------------------


def test_what_goes_with_it_is_named_up_to_four() -> None:
    """One in the singular; of five the fifth is three dots."""
    rigs = [Rig(id=number) for number in range(1, 6)]
    assert _counted(rigs[:1]) == "1 rig (R0001-M)"
    assert _counted(rigs[:4]).startswith("4 rigs (R0001-M, R0002-")
    assert not _counted(rigs[:4]).endswith(" …)")
    assert _counted([*rigs, Spool(id=1)]).endswith(" …), 1 spool (S0001-R)")
    assert _counted([]) == ""


@pytest.mark.parametrize(("number", "more"), [(6, ""), (7, " and 1 more"), (9, " and 3 more")])
def test_what_rests_on_it_is_named_up_to_six(number: int, more: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of their names, each once; the rest is counted."""
    monkeypatch.setattr(voiding, "object_session", lambda row: row)
    rigs = [Rig(id=at) for at in range(number, 0, -1)]
    with pytest.raises(Refused) as said:
        _refuse_resting(Spool(id=1), [*rigs, rigs[0]])
    assert said.value.what.endswith(f"{more} rest on S0001-R")
    assert said.value.what.startswith("R0001-M, R0002-")
    assert said.value.what.count("R000") == 6
    _refuse_resting(Spool(id=1), [])


@pytest.mark.parametrize(
    ("column", "held", "value"),
    [
        (Spool.__table__.c.net_g, 1000, 1000.0), (Spool.__table__.c.net_g, None, None),
        (Spool.__table__.c.lot, "2026-03-02", "2026-03-02"),
        (Spool.__table__.c.received_on, "2026-03-02", dt.date(2026, 3, 2)),
        (Spool.__table__.c.wound_at, "2026-03-02T08:00:00+00:00", dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)),
        (Spool.__table__.c.material_id, 3, 3), (Measurement.__table__.c.readings, {"a": 1}, {"a": 1}),
    ],
)  # fmt: skip
def test_a_value_of_the_journal_comes_back_in_its_type(column: Any, held: Any, value: Any) -> None:
    """A whole number where the column holds fractions, days and moments from their text."""
    found = _value(column, held)
    assert (found, type(found)) == (value, type(value))


def test_keys_of_the_journal_are_numbers_and_words() -> None:
    """One alone, or several in the order of the table; a word may hold the sign between them."""
    assert _key(Spool, "12") == 12
    assert _key(JobSpool, "3:7") == (3, 7)


@pytest.mark.parametrize(
    ("other", "column", "rests"),
    [
        (Job(id=2), "material_id", "J0002-"), (Job(id=2, voided=5), "material_id", None),
        (Job(id=2), "again_of_id", None), (Job(id=2, voided=5), "again_of_id", None),
        (JobSpool(job_id=2, spool_id=1), "spool_id", "something"),
    ],
)  # fmt: skip
def test_what_was_built_on_since_is_not_taken_back(
    other: Any, column: str, rests: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was taken back itself, and what is only named beside, bars nothing."""
    asked: list[Any] = []
    monkeypatch.setattr(voiding, "_references", lambda _, row: asked.append(row) or [(other, column)])
    monkeypatch.setattr(voiding, "_holder", lambda _, row: row)
    act: Any = SimpleNamespace(seq=9)
    rows = [
        Spool(id=1, voided=9),
        Spool(id=2),
        Spool(id=3, voided=8),
        JobSpool(job_id=1, spool_id=1, voided=9),
    ]
    if rests is None:
        voiding._refuse_built_on(asked, act, rows)  # type: ignore[arg-type]
    else:
        with pytest.raises(Refused, match=rf"^{rests}.* rests on S0001-R since"):
            voiding._refuse_built_on(asked, act, rows)  # type: ignore[arg-type]
    assert asked == rows[:1]
    # Of a bulk of more than 500 the jobs alone are looked at.
    many = [Spool(id=n, voided=9) for n in range(1, 501)]
    asked.clear()
    monkeypatch.setattr(voiding, "_references", lambda _, row: asked.append(row) or [])
    voiding._refuse_built_on(asked, act, many)  # type: ignore[arg-type]
    assert len(asked) == 500
    asked.clear()
    voiding._refuse_built_on(asked, act, [*many, job := Job(id=9, voided=9)])  # type: ignore[arg-type]
    assert asked == [job]


def test_a_row_is_put_back_but_for_its_key_and_entry() -> None:
    """What the entry does not tell of had no value then."""
    row = Spool(id=4, entry=9, material_id=2, lot="7", net_g=2.0)
    _put_back(row, {"id": 5, "entry": 3, "material_id": 1, "net_g": 3})
    assert (row.id, row.entry, row.material_id, row.lot, row.net_g) == (4, 9, 1, None, 3.0)
    assert _is_as(row, {"material_id": 1, "entry": 77})
    assert not _is_as(row, {"material_id": 2, "entry": 9})


def reason(record: JournalRecord) -> str:
    """Return why an act was done."""
    return str(json.loads(record.body)["reason"])


def test_an_act_of_yesterday_is_asked_about(book: Book, clock: BenchClock) -> None:
    """After more than a day, once; what was done since morning is not."""
    a_material(book)
    clock.forward(hours=23)
    spool = a_spool(book)
    clock.forward(hours=2)
    with pytest.raises(Doubt, match="material add Nordlicht ASA was done 2026-03-02"):
        undo(book, WHO, load(), entry=last_entry(book).seq - 1)
    done = undo(book, WHO, load(), reason="typed twice")
    act = last_entry(book)
    assert (done.id, act.act) == (spool, "undo")
    assert reason(act) == f"typed twice, undo of entry {act.seq - 1}: spool add {spool}"
    undo(book, WHO, load(), sure=True)
    assert reason(last_entry(book)) == f"undo of entry {act.seq - 2}: material add Nordlicht ASA"


@pytest.mark.parametrize("entry", [1, 99])
def test_an_entry_that_is_no_record_of_the_bench_is_not_undone(book: Book, entry: int) -> None:
    """The first entry began the book."""
    with pytest.raises(Refused, match=rf"Entry {entry} cannot be undone\. strandbook log lists"):
        undo(book, WHO, load(), entry=entry)


def test_a_record_that_counts_is_not_brought_back(book: Book) -> None:
    """Nor one that was merged; and no reason, no taking back."""
    a_material(book)
    spool = a_spool(book)
    with pytest.raises(Refused, match="S0001-R was not taken back"):
        void(book, WHO, load(), spool, "a slip", back=True)
    with pytest.raises(FormError, match="Taking back needs a reason"):
        void(book, WHO, load(), spool, "  ")
    void(book, WHO, load(), spool, " entered \n twice ")
    assert reason(last_entry(book)) == "entered twice"


@pytest.mark.parametrize(("counts", "word"), [(True, "counted"), (False, "set aside")])
def test_a_verdict_says_what_it_did_of_each_result(book: Book, counts: bool, word: str) -> None:
    """Of all that have a value, or of the one that is named."""
    pull = a_pull(book, a_job(book).also[0]).id
    done = judge(book, WHO, pull, counted=counts, reason=" a  slip ")
    (kept,) = (each for each in row_of(book, pull).results if each.value is not None)

    assert (done.id, done.notes) == (pull, [f"tensile.strength {word}."])
    assert [(each.reason, each.counted, each.by) for each in kept.verdicts] == [("a slip", counts, WHO)]
    with pytest.raises(FormError, match=rf"{pull} has no flexure\. It has tensile\.strength"):
        judge(book, WHO, pull, counted=counts, reason="a slip", quantity="flexure")


def test_a_measurement_without_results_has_nothing_to_judge(book: Book) -> None:
    """It says so."""

    class Faulty(Plain):
        """Fails."""

        fault = ZeroDivisionError("by zero")

    done = measure(book, WHO, plugged_with(Faulty()), a_job(book).also[0], "plain", {"load": "5"})
    with pytest.raises(FormError, match=r"has no value\. It has no results"):
        judge(book, WHO, done.id, counted=False, reason="a slip")


# --- recordings, choices, programmes, logs ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "title", "last"),
    [
        ("time s,extension mm,force N", "extension [mm]", 2.9), ("time s,force N", "time [s]", 29.0),
        ("strain %,force N", "strain [%]", 29.0),
    ],
)  # fmt: skip
def test_a_curve_is_drawn_over_the_best_that_was_recorded(head: str, title: str, last: float) -> None:
    """Strain, else extension, else time; force is up."""
    rows = [[n, n / 10, n * 60] if "extension" in head else [n, n * 60] for n in range(30)]
    data = "\n".join([head, *(",".join(map(str, row)) for row in rows)]).encode()
    drawn = thinned_curve(Recording("pull.csv", data), "J0001-01-Z")

    assert (drawn.of, drawn.x_title, drawn.y_title) == ("J0001-01-Z", title, "force [N]")
    assert drawn.points[-1] == pytest.approx((last, 29 * 60))
    assert drawn.as_json() == {"of": "J0001-01-Z", "x": title, "y": "force [N]", "points": drawn.points}


def test_the_first_recording_that_is_a_curve_is_drawn(book: Book) -> None:
    """Others are passed over; without any there is none."""
    curve = b"time s,force N\n" + b"".join(b"%d,%d\n" % (n, n * 60) for n in range(30))
    plugged, piece = load(), a_job(book).also[0]
    files = {"curve": Recording("pull.csv", curve)}
    typed = {"width": "10", "thickness": "4"}
    row = row_of(book, measure(book, WHO, plugged, piece, "tensile", typed, files=files).id)
    found = curve_of(book, plugged, row, piece)

    assert found is not None
    assert (found.x_title, len(found.points)) == ("time [s]", 30)
    assert curve_of(book, plugged_with(Plain()), row, piece) == found
    row.files[0].field = "video"
    assert curve_of(book, plugged, row, piece) is None
    none = {"trace": Recording("x", b"?")}
    plain = measure(book, WHO, plugged_with(Plain()), piece, "plain", {"load": "5"}, files=none, sure=True)
    assert curve_of(book, plugged_with(Plain()), row_of(book, plain.id), piece) is None


def test_the_condition_that_is_published_is_chosen_by_settings(book: Book) -> None:
    """Numbers as numbers, words as words; with a reason, and who chose it when."""
    a_material(book)
    with pytest.raises(FormError, match="A choice needs a reason"):
        choose(book, WHO, "Nordlicht ASA", ["nozzle_c=255"], " ")
    done = choose(
        book, WHO, "nordlicht asa", ["nozzle_c = 255", "lot=7b"], " best \n of all ", remark="dried"
    )
    with book.read() as session:
        (kept,) = session.scalars(select(Choice))
        assert (kept.condition, kept.reason, kept.remark, kept.by) == (
            {"nozzle_c": 255.0, "lot": "7b"}, "best of all", "dried", WHO,
        )  # fmt: skip
    assert (done.id, last_entry(book).act) == ("Nordlicht ASA", "choose")


@pytest.mark.parametrize("text", ["nozzle_c", "=255", "nozzle_c=", " = "])
def test_what_is_no_setting_is_refused(text: str) -> None:
    """With how one is written."""
    with pytest.raises(FormError, match=r"is no setting\. Write name=value, as in nozzle_c=255"):
        _setting(text)


def test_a_programme_is_one_for_all_materials_that_have_it(book: Book) -> None:
    """Given again under its name, it is replaced for each of them."""
    a_material(book)
    a_material(book, "Sorrel PLA")
    for name, programme, text in (
        ("Nordlicht ASA", "full", "a = 1"), ("Sorrel PLA", "short", "b = 1"), ("sorrel pla", "full", "a = 2"),
    ):  # fmt: skip
        assert set_programme(book, WHO, name, programme, text).id.casefold() == name.casefold()
    with book.read() as session:
        kept = session.scalars(select(Programme).order_by(Programme.id))
        assert [(each.name, each.text) for each in kept] == [
            ("full", "a = 2"), ("short", "b = 1"),
        ]  # fmt: skip
        one, other = (find(book, session, name, "material") for name in ("Nordlicht ASA", "Sorrel PLA"))
        assert one.programme_id == other.programme_id is not None


def test_columns_of_a_log_are_named_by_channel() -> None:
    """By heading or number."""
    assert mapped_columns(["chamber = T1", "nozzle=3"]) == {"chamber": "T1", "nozzle": "3"}
    for text in ("chamber", "chamber=", "=3", "weather=3"):
        with pytest.raises(FormError, match=r"names no column\. Write .*chamber.*=HEADING or =NUMBER"):
            mapped_columns([text])


@pytest.mark.parametrize(
    ("covered", "words"),
    [(1.0, ""), (0.995, ""), (0.994, ", 99% of it covered"), (0.5, ", 50% of it covered")],
)
def test_a_channel_over_a_section_in_words(covered: float, words: str) -> None:
    """What rounds to all of it is all of it."""
    line = _line("chamber", {"covered": covered, "mean": 61.26, "unit": "°C", "low": 58.04, "high": 63.96})
    assert line == f"chamber: mean 61.3 °C, from 58 to 64 °C{words}"


def test_a_piece_broke_in_the_layer_that_holds_the_height() -> None:
    """From its lower face on, below its upper one."""
    layers: Any = [SimpleNamespace(start_s=10.0 * n, z_mm=0.2 * n, height_mm=0.2) for n in range(1, 5)]
    assert [_broke(layers, height) for height in (None, 0.0, 0.1, 0.3, 0.75, 0.9)] == [
        [], [10.0], [10.0], [20.0], [40.0], [],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("wound", "left", "asked"),
    [
        (530.0, 500.0, False),
        (530.1, 500.0, True),
        (None, 500.0, False),
        (600.0, None, False),
        (5.0, 0.0, False),
    ],
)
def test_more_than_was_left_is_a_twentieth_and_five_grams(
    wound: float | None, left: float | None, asked: bool
) -> None:
    """Scales and labels are a few per cent off."""
    assert bool(_too_much(wound, left)) is asked


# --- sheets --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("above", "found"), [(30, True), (31, False)])
def test_the_header_is_looked_for_in_31_lines(above: int, found: bool) -> None:
    """Thirty may stand above it; further down nobody looks, and the first line is the header."""
    text = "\n".join([*(["title;"] * above), "Material;F", "ASA;5"])
    sheet = read_sheet(text.encode(), "old.csv", wanted=["Material", "F"])
    assert (sheet.header == ("Material", "F")) is found


@pytest.mark.parametrize(("rows", "ok"), [("1,2\n3,4\n", True), ("1,2\n3\n", True), ("1,2\n3\n4,5\n", False),
                                          ("1\n2\n3\n", False), ("1,2\n3,4\n5,6\n", False)])  # fmt: skip
def test_rows_of_a_sheet_are_bounded_whether_taken_or_not(rows: str, ok: bool) -> None:
    """Two at most: three are refused, with what to do."""
    if ok:
        sheet = read_sheet(f"a,b\n{rows}".encode(), "old.csv", most_rows=2)
        assert sheet.count + len(sheet.refused) == 2
    else:
        with pytest.raises(ImportRefusedError, match=r"more than 2 rows.*keep the rows of a plate together"):
            read_sheet(f"a,b\n{rows}".encode(), "old.csv", most_rows=2)


@pytest.mark.parametrize(("more", "ok"), [(0, True), (1, False)])
def test_a_row_has_65536_characters_with_its_line_breaks(more: int, ok: bool) -> None:
    """Over all its lines; the next row has as many again."""
    row = '"x\n' + "y" * (65_536 - 6 + more) + '",\n'
    assert len(row) == 65_536 + more
    data = f"a,b\n{row}{row}".encode()
    if ok:
        assert [each.line for each in read_sheet(data, "old.csv").rows] == [2, 4]
    else:
        with pytest.raises(ImportRefusedError, match=r"from line 2 on: the row has more than 65,536 char"):
            read_sheet(data, "old.csv")


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("layer_height_mm", "mm"), ("speed_mm_s", "mm/s"), ("flow_mm3_s", "mm^3/s"),
        ("density_g_cm3", "g/cm^3"), ("mm_s", "s"), ("mm", ""), ("printer", ""), ("fan_pct", "percent"),
        ("nozzle_c", "degC"), ("x_mm_h", "hour"),
    ],
)  # fmt: skip
def test_the_ending_of_a_factors_name_is_its_unit(name: str, unit: str) -> None:
    """Of two words behind a name; a name that is an ending alone has none."""
    assert unit_of_factor(name) == unit


def test_units_of_a_column_are_converted_with_scale_and_zero() -> None:
    """Kelvins to degrees, and nothing where both are one; a bare number has the unit of the heading."""
    assert _numbers("point", "K", "degC", "factors.nozzle_c")("300") == pytest.approx(26.85)
    assert _numbers("point", "", "N", "readings.force")("300") == 300.0
    assert _numbers("comma", "kN", "N", "readings.force")("0,3") == pytest.approx(300)
    with pytest.raises(Refused, match=r"^force"):
        _numbers("point", "kN", "N", "readings.force")("many")


def test_lines_refused_for_one_reason_are_named_one_by_one_up_to_25() -> None:
    """More are named together, behind those that are few."""

    def lines(first: int, number: int, why: str) -> list[LineRefusal]:
        return [LineRefusal(line, why, "q") for line in range(first, first + number)]

    few = list(refused_lines(lines(2, 25, "no area")))
    assert (len(few), few[0], few[-1]) == (25, "line 2: q refused: no area", "line 26: q refused: no area")
    assert list(refused_lines([*lines(2, 26, "no area"), *lines(40, 1, "no force")])) == [
        "line 40: q refused: no force", "26 lines: q refused: no area; lines 2-27",
    ]  # fmt: skip
    assert [ranges([]), ranges([3]), ranges([3, 3, 5, 4, 9])] == ["", "3", "3-5, 9"]
    assert counted({"jobs": 1, "specimens": 0, "results": 2}) == "1 job, 0 specimens, 2 results"
    assert str(Asked(4, "q", "Is it?")) == "line 4: Is it?"


def asked_of(values: list[float], before: list[float] = []) -> list[int]:  # noqa: B006 - never changed
    """Return the places of the values that are asked about."""
    found = _Found()
    for value in values:
        found.values.append(value)
        found.uncertainties.append(0.1)
    return [at for at, _ in _questions(_Kind("asa", None, "q", "MPa", ""), found, before, None, None)]


def test_a_value_among_many_is_asked_about_as_among_few() -> None:
    """A factor of 1.822 of values that are alike; within 1.5 of their middle nobody compares."""
    for number in (20, 55, 56, 59, 60, 200):
        assert asked_of([10.0] * number + [18.3, 18.2, 5.4, 5.6, 15.0]) == [number, number + 2]
        assert asked_of([18.3, 18.2], [10.0] * number) == [0]
    assert asked_of([10.0, 10.0, 10.0, 18.3]) == [3]
    assert asked_of([10.0, 100.0]) == [0, 1]
    assert asked_of([100.0]) == []
    # Around zero differences count, of five or more.
    assert asked_of([-1.0, *([1.0] * 6)]) == [0]
    assert asked_of([-1.0, *([1.0] * 4)]) == []


@pytest.mark.parametrize(
    ("text", "parts"),
    [("lot=7", ("lot", "7")), (" lot = a=b ", ("lot", "a=b")), ("lot=", ("lot", ""))],
)
def test_a_correction_is_a_field_and_a_value(text: str, parts: tuple[str, str]) -> None:
    """The first sign divides them."""
    assert _assignment(text) == parts
    for wrong in ("lot", "=7", " =7"):
        with pytest.raises(FormError, match=r"changes nothing\. Write field=value"):
            _assignment(wrong)
