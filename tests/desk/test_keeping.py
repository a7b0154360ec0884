"""What acts keep and what they refuse, word by word: merging, drying, storing, the bed, logs, imports."""

from __future__ import annotations

import datetime as dt
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import select

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_rig, a_spool, at, entries, last_entry, row_of
from tests.desk.test_logs import START, a_plate_job, rising
from tests.desk.test_rules import reason
from tracker.api import Quantity
from tracker.book import Book
from tracker.desk import labelling
from tracker.desk.dryings import _mass_notes, _masses, end_drying, start_drying
from tracker.desk.entering import fill_in, keep_spool
from tracker.desk.importing import carrying
from tracker.desk.importing.carrying import _check
from tracker.desk.importing.drafts import (
    Drafts,
    FactorDraft,
    RowReader,
    SpecimenDraft,
    _either,
    _explained,
    _outcome,
    _possible,
)
from tracker.desk.importing.planning import Asked
from tracker.desk.importing.sheet import ImportRefusedError, LineRefusal
from tracker.desk.labelling import PrintError, label_sheet, print_pdf
from tracker.desk.logs import LogFile, _channel_data, _over, add_log, aligned_with_job, first_layer
from tracker.desk.merging import cut_specimen, exchange_labels, merge, wind_spool
from tracker.desk.offbed import PieceOutcome, open_pieces, read_outcomes, take_off
from tracker.desk.platefacts import _rounded, _short, agreed_hint, as_data, usual_set_points
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.model import Drying, DryingSpool, Job, StoragePeriod
from tracker.platefile import Hint
from tracker.platefile.facts import Reading
from tracker.plugins import Computed, load

# --- merging, cutting, winding -----------------------------------------------------------------------------


def test_merging_names_what_it_merges_and_why(book: Book) -> None:
    """A reason is wanted, two records, of a kind that can be merged."""
    a_material(book)
    keep, gone = a_spool(book, lot="1", colour="red"), a_spool(book, lot="2", colour="red")
    before = entries(book)
    for one, other, why, said in (
        (keep, gone, " ", "Merging needs a reason. Give it with --reason"),
        (keep, keep, "x", f"{keep} is one record. Name another one"),
        (
            keep,
            "Nordlicht ASA",
            "x",
            f"{keep} and Nordlicht ASA cannot be merged. Name two of a kind: materials",
        ),
    ):
        with pytest.raises(Refused) as refusal:
            merge(book, WHO, one, other, why)
        assert str(refusal.value).startswith(said)
    assert entries(book) == before
    with pytest.raises(Doubt) as doubt:
        merge(book, WHO, keep, gone, "x")
    assert doubt.value.questions == (f"Lot: {keep} says 1, {gone} says 2",)
    done = merge(book, WHO, keep, gone, " entered \n twice ", sure=True)
    assert (done.id, done.notes[0]) == (keep, f"{gone} leads to {keep} from now on.")
    assert (reason(last_entry(book)), last_entry(book).act) == ("entered twice", "merge")


def test_parts_of_a_cut_specimen_have_what_the_whole_had(book: Book) -> None:
    """Its place, orientation and outcome; a shape of their own, numbered behind all pieces of the job."""
    job = a_job(book)
    take_off(
        book, WHO, job.id, [PieceOutcome(1, "failed", "came loose"), PieceOutcome(2, "usable", "warped")]
    )
    with pytest.raises(Doubt, match=f"{job.also[0]} failed on the bed"):
        cut_specimen(book, WHO, job.also[0], ["left"], {})
    failed = cut_specimen(book, WHO, job.also[0], ["left"], {"cut_at": "2026-03-02 07:00"}, sure=True)
    fine = cut_specimen(book, WHO, job.also[1], ["a", "b"], {"note": "with a saw"})
    left, a, b = (row_of(book, ident) for ident in (*failed.also, *fine.also))
    whole = row_of(book, job.also[0])

    assert [(each.piece, each.name, each.geometry) for each in (left, a, b)] == [
        (4, "left", "free"), (5, "a", "free"), (6, "b", "free"),
    ]  # fmt: skip
    assert [(each.outcome, each.remark, each.note) for each in (left, b)] == [
        ("failed", None, None), ("usable", "warped", "with a saw"),
    ]  # fmt: skip
    assert (whole.broken_at, left.cut_at, left.cut_from_id) == (at("2026-03-02 07:00"),) * 2 + (whole.id,)
    assert left.confirmed == [f"{job.also[0]} failed on the bed"]
    assert a.confirmed is None
    again = cut_specimen(book, WHO, job.also[0], ["right"], {}, sure=True).also[0]
    assert row_of(book, again).confirmed == [
        f"{job.also[0]} failed on the bed", f"{job.also[0]} is used up",
    ]  # fmt: skip
    assert row_of(book, job.also[0]).broken_at == at("2026-03-02 07:00")


def test_a_wound_spool_is_the_filament_of_the_old_one(book: Book) -> None:
    """Of one mass alone nothing follows; what is weighed is the new reel with and without it."""
    a_material(book)
    old = a_spool(book, net_g=800, lot="7", colour="grey", diameter_mm=1.75)
    done = wind_spool(book, WHO, old, {"gross_g": 900, "reel": "cardboard", "note": "split"})
    new = row_of(book, done.id)

    assert (new.lot, new.colour, new.reel, new.note, new.gross_g, new.empty_g) == (
        "7", "grey", "cardboard", "split", 900, None,
    )  # fmt: skip
    assert (new.net_g, new.received_on, done.notes) == (
        800,
        dt.date(2026, 3, 2),
        [f"{old} is empty from then on."],
    )


def test_labels_are_exchanged_between_two_for_a_reason(book: Book) -> None:
    """Not with itself."""
    one, other = a_job(book).also[:2]
    for words, second, said in (
        (" ", other, "Exchanging labels needs a reason"),
        ("x", one, f"{one} is named twice"),
    ):
        with pytest.raises(FormError, match=said):
            exchange_labels(book, WHO, load(), one, second, words)
    first, last = (
        a_pull(book, one).id,
        a_pull(book, other, {"max_force": "1500", "width": "10", "thickness": "4"}).id,
    )
    done = exchange_labels(book, WHO, load(), one, other, " mixed \n up ")
    assert (done.id, done.also, done.notes, reason(last_entry(book))) == (one, [other], [], "mixed up")
    assert [row_of(book, each).specimen_id for each in (first, last)] == [2, 1]


# --- drying and storing --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["900"], "1 masses after for 2 spools. Give --after once for each spool, in their order"),
        (["900", "0"], "A mass after must be above zero"),
        (["900", "-1 g"], "A mass after must be above zero"),
    ],
)  # fmt: skip
def test_masses_go_with_spools_by_their_order(typed: list[str], said: str) -> None:
    """As many as there are; each with its unit."""
    with pytest.raises(FormError) as refusal:
        _masses(typed, [1, 2], "after")
    assert str(refusal.value) == said
    assert _masses([], [1, 2], "after") == [None, None]
    assert _masses(["0.9 kg", "0.5"], [1, 2], "after") == [900.0, 0.5]


def test_what_the_scales_said_of_each_spool() -> None:
    """Only where it was weighed twice; nothing lost is no gain."""
    pairs = [(900.0, 899.44), (900.0, 900.0), (900.0, 900.26), (None, 900.0), (900.0, None)]
    drying = Drying(
        spools=[DryingSpool(spool_id=n, before_g=b, after_g=a) for n, (b, a) in enumerate(pairs, start=1)]
    )
    assert [note.partition(" ")[2] for note in _mass_notes(drying)] == [
        "lost 0.6 g.", "lost 0.0 g.", "GAINED (check the weighings) 0.3 g.",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("heat", "hotter"), [({"set_c": 85}, None), ({"set_c": 60, "measured_c": 85.5}, "85.5")]
)
def test_the_hotter_of_dial_and_thermometer_counts(
    book: Book, heat: dict[str, float], hotter: str | None
) -> None:
    """At the limit it stands."""
    a_material(book)
    spool = a_spool(book)
    if hotter is None:
        assert start_drying(book, WHO, [spool], heat).id == "D0001-Q"
        return
    told: list[str] = []
    with pytest.raises(Doubt, match=rf"{hotter} °C is hotter than Nordlicht ASA withstands \(85 °C\)"):
        start_drying(book, WHO, [spool], heat, caution=told.append)
    assert told == []
    done = start_drying(book, WHO, [spool], heat, sure=True, caution=told.append)
    assert (len(told), done.notes) == (1, [])


def test_a_spool_is_weighed_after_a_drying_once(book: Book) -> None:
    """The same mass again is no other one."""
    a_material(book)
    spool = a_spool(book)
    drying = start_drying(
        book, WHO, [spool], {"set_c": 70, "began_at": "2026-03-02 05:00"}, before=["900"]
    ).id
    for _ in range(2):
        assert f"{spool} lost 10.0 g." in end_drying(book, WHO, drying, {}, ["890"]).notes
    with pytest.raises(FormError) as refusal:
        end_drying(book, WHO, drying, {}, ["880"])
    assert str(refusal.value) == (
        f"{spool} was weighed after {drying} already: 890 g. Correct it with its reason: strandbook correct "
        f"{drying} {spool}.after_g=880 --reason WHY"
    )


@pytest.mark.parametrize(
    ("before", "provisional", "refused"),
    [(None, None, False), (5, None, False), (4, None, True), (4, {"tool": 4}, False), (4, {"tool": 3}, True)],
)
def test_what_is_recorded_is_not_filled_in_again(before: Any, provisional: Any, refused: bool) -> None:
    """But the same once more, and what stood only until the real one came."""
    row = SimpleNamespace(tool=before)
    if refused:
        with pytest.raises(
            FormError, match=r"tool of X1 is recorded as 4 already\. .*correct X1 'tool=5' --reason"
        ):
            fill_in(row, {"tool": 5}, "X1", provisional)
    else:
        fill_in(row, {"tool": 5}, "X1", provisional)
    assert row.tool == (4 if refused else 5)


def test_a_spool_goes_on_where_it_was_after_a_short_stay(book: Book) -> None:
    """With all that was said of that place; the first one ends when the second begins."""
    a_material(book)
    spool = a_spool(book)
    first = keep_spool(
        book, WHO, spool,
        {"place": "dry box", "where": "shelf 3", "began_at": "2026-03-01 08:00", "rh_pct": 20,
        "note": "with gel"},
    )  # fmt: skip
    done = keep_spool(
        book, WHO, spool,
        {"place": "open air", "began_at": "2026-03-01 10:00", "ended_at": "2026-03-01 12:00"},
    )  # fmt: skip
    with book.read() as session:
        periods = list(session.scalars(select(StoragePeriod)))
    assert (first.notes, first.parts, done.notes, done.parts) == (
        [], ["storage1"], ["dry box ended 2026-03-01 10:00."], ["storage2"],
    )  # fmt: skip
    kept = [(each.place, each.began_at.hour, each.ended_at and each.ended_at.hour) for each in periods]
    assert sorted(kept, key=lambda each: each[1]) == [
        ("dry box", 8, 10), ("open air", 10, 12), ("dry box", 12, None),
    ]  # fmt: skip
    again = max(periods, key=lambda each: each.began_at)
    assert (again.where, again.rh_pct, again.note) == ("shelf 3", 20, "with gel")


# --- off the bed ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("1-3,7", [(1, ""), (2, ""), (3, ""), (7, "")]),
        ("5=came loose,17=warped", [(5, "came loose"), (17, "warped")]),
        ("5, 6 = came loose, badly; 7-8=warped", [(5, "came loose, badly"), (6, "came loose, badly"),
                                                  (7, "warped"), (8, "warped")]),
        ("4-4", [(4, "")]), ("5=a=b", [(5, "a=b")]),
    ],
)  # fmt: skip
def test_pieces_and_what_became_of_them(text: str, found: list[tuple[int, str]]) -> None:
    """Numbers, ranges, words behind the sign; the next numbers with a sign begin anew."""
    assert [(each.piece, each.words) for each in read_outcomes("failed", text)] == found


def test_what_cannot_become_of_a_piece_is_refused(book: Book) -> None:
    """A stranger, one named twice, another outcome than it has; the same again is none."""
    job = a_job(book)
    take_off(book, WHO, job.id, [PieceOutcome(1, "good")])
    mend = f"Correct it with its reason: strandbook correct {job.also[0]} outcome=failed --reason WHY"
    for outcomes, said in (
        ([(4, "good"), (9, "good")], f"{job.id} has no piece 4, 9. Its pieces are 1 to 3"),
        ([(2, "good"), (2, "good")], "Piece 2 is named twice. Give each piece one outcome"),
        ([(1, "failed")], f"{job.also[0]} is recorded as good already. {mend}"),
    ):
        with pytest.raises(FormError) as refusal:
            take_off(book, WHO, job.id, [PieceOutcome(*each, "loose") for each in outcomes])
        assert str(refusal.value) == said
    assert open_pieces(book, job.id) == [
        (number, f"{job.also[number - 1]}  bar ZXY") for number in (2, 3)
    ]  # fmt: skip
    done = take_off(book, WHO, job.id, [PieceOutcome(1, "good"), PieceOutcome(2, "failed", "loose")])
    assert (done.also, done.notes) == (job.also[:1], [f"Without an outcome yet: {job.also[2]}."])
    row = row_of(book, job.also[1])
    assert (row.cause, row.remark) == ("loose", None)


def test_the_last_piece_off_the_bed_ends_its_job(book: Book) -> None:
    """When that is said; without a plan at the time that is named, which may be read."""
    job = a_job(book, started_at="2026-03-02 05:00")
    done = take_off(book, WHO, job.id, [], rest="good", ended="2026-03-02 07:00", end=True)
    row = row_of(book, job.id)

    assert (row.outcome, row.ended_at, done.also) == ("finished", at("2026-03-02 07:00"), job.also)
    assert done.notes == [f"{job.id} finished 2026-03-02 07:00."]
    again = take_off(book, WHO, job.id, [PieceOutcome(1, "good")], ended="2026-03-02 06:00")
    assert (again.notes, row_of(book, job.id).ended_at) == ([], at("2026-03-02 07:00"))


# --- logs ----------------------------------------------------------------------------------------------


def test_the_first_layer_begins_after_the_heating(book: Book) -> None:
    """Given as a time or as minutes, once; the logs are cut again."""
    job = a_plate_job(book)
    for typed in ({}, {"first_layer_at": START, "heating_s": "5 min"}):
        with pytest.raises(FormError, match=r"When did the first layer begin\. Give its TIME, or --heating"):
            first_layer(book, WHO, load(), job, typed)
    add_log(book, WHO, load(), job, LogFile("log.csv", rising()))
    before = row_of(book, job).specimens[0].log_facts["section"]["chamber"]["mean"]
    done = first_layer(book, WHO, load(), job, {"heating_s": "12 min"})
    row = row_of(book, job)
    late = (row.first_layer_at - row.started_at).total_seconds() - 720

    assert 0 <= late < 60
    assert row.specimens[0].log_facts["section"]["chamber"]["mean"] == pytest.approx(before + 12, abs=0.1)
    assert done.notes[0].startswith("The first layer began at 2026-03-02 07:12")
    bare = a_job(book, "bar:ZXY:1", spools=("S0001-R",)).id
    with pytest.raises(FormError, match=f"{bare} has no start to count the heating from. Give the TIME"):
        first_layer(book, WHO, load(), bare, {"heating_s": "5 min"})
    with pytest.raises(
        FormError, match=f"{bare} has no start to align the log with. strandbook correct {bare} sta"
    ):
        add_log(book, WHO, load(), bare, LogFile("log.csv", rising()))


def test_an_own_offset_must_be_stated() -> None:
    """As seconds after the job's start."""
    log: Any = None
    with pytest.raises(FormError, match=r"No offset was stated\. Say how long after"):
        aligned_with_job(Job(id=1, started_at=at(START)), log, "own offset")


def test_of_logs_that_cover_alike_the_later_one_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one that covers more before both; three digits of the mean, four of the cover."""
    stats = {
        (1, "chamber"): (40.12345, 0.9876), (2, "chamber"): (41.0, 0.9876), (3, "chamber"): (42.0, 0.5),
        (3, "room"): (20.0, 0.1), (2, "room"): (None, 0.0),
    }  # fmt: skip

    def cut(aligned: Any, name: str, _spans: Any) -> Any:
        mean, covered = stats[aligned.number, name]
        return SimpleNamespace(mean=mean, covered=covered, low=1.0, high=2.0, unit="°C", readings=9)

    monkeypatch.setattr("tracker.desk.logs.cut", cut)
    logs: Any = [
        (SimpleNamespace(id=number), SimpleNamespace(number=number, log=SimpleNamespace(channels=names)))
        for number, names in ((1, ["chamber"]), (2, ["chamber", "room"]), (3, ["chamber", "room"]))
    ]
    found = _over([(0.0, 1.0)], logs)
    assert {name: (each["mean"], each["covered"], each["log"]) for name, each in found.items()} == {
        "chamber": (41.0, 0.9876, 2), "room": (20.0, 0.1, 3),
    }  # fmt: skip
    assert _over([(0.0, 1.0)], logs[:1])["chamber"]["mean"] == 40.123


def test_a_channel_without_readings_has_no_bounds() -> None:
    """Else its least and greatest, to three digits."""
    import numpy as np  # noqa: PLC0415 - of this test only

    def channel(*values: float) -> Any:
        one = SimpleNamespace(name="chamber", unit="°C", header="T1", values=np.array(values))
        return SimpleNamespace(channels={"chamber": one})

    assert _channel_data(channel(20.12345, 61.98765), "chamber") == {
        "name": "chamber", "unit": "°C", "header": "T1", "readings": 2, "low": 20.123, "high": 61.988,
    }  # fmt: skip
    empty = _channel_data(channel(), "chamber")
    assert (empty["readings"], empty["low"], empty["high"]) == (0, None, None)


# --- plates --------------------------------------------------------------------------------------------


def test_figures_of_a_plate_are_kept_to_three_digits() -> None:
    """What is not known stays so."""
    assert _rounded((1.23456, 2.0)) == [1.235, 2.0]
    assert (_short(1.23456), _short(None), _short(0.0)) == (1.235, None, 0.0)
    assert as_data(Reading(1.23456, 1.0, None, "commanded")) == {
        "value": 1.235, "low": 1.0, "high": None, "basis": "commanded",
    }  # fmt: skip
    assert agreed_hint("bed_c", [Hint("bed_c", 90.0, "a"), Hint("bed_c", 90.0, "b")]) == Hint(
        "bed_c", 90.0, "a"
    )
    assert agreed_hint("bed_c", []) is None


def test_the_usual_set_point_is_that_of_most_filament() -> None:
    """Of those that are commanded; the fan is that of the part, to a tenth."""

    def stretch(filament: float, nozzle: float | None, fan: float | None) -> Any:
        fans = ((1, 99.0),) if fan is None else ((0, fan), (1, 99.0))
        return SimpleNamespace(
            filament_mm=filament, nozzle_c=nozzle, bed_c=None, chamber_c=0.0, fans_pct=fans
        )

    layers = [[stretch(3, 250, 30.04), stretch(2, 255, 30.02)], [stretch(2, 255, None), stretch(9, None, 50)]]
    objects = [SimpleNamespace(layer_facts=[SimpleNamespace(stretches=each)]) for each in layers]
    assert usual_set_points(SimpleNamespace(objects=objects)) == {  # type: ignore[arg-type]
        "nozzle_c": 255, "chamber_c": 0.0, "fan_pct": 50.0,
    }  # fmt: skip


# --- imports -------------------------------------------------------------------------------------------


def outcome(refused: str) -> Computed:
    """Return a quantity that has no value."""
    return Computed("q", None, "MPa", refused=refused)


@pytest.mark.parametrize(
    ("refused", "said"),
    [
        ("give width or area", "give width or area (width, area are empty)"),
        ("no area", "no area (area is empty)"),
        ("no areas", "no areas"), ("no force", "no force"), ("see curve", "see curve (curve is empty)"),
        ("", ""),
    ],
)  # fmt: skip
def test_a_refusal_names_the_blank_cells_that_it_asks_for(refused: str, said: str) -> None:
    """By whole words; those that are filled are not to blame."""
    bound: Any = SimpleNamespace(
        values={
            "force": SimpleNamespace(index=0),
            "width": SimpleNamespace(index=1),
            "area": SimpleNamespace(index=2),
        },
        files={"curve": 3},
    )
    row: Any = SimpleNamespace(cells=("5", "", "", ""))
    assert [each.refused for each in _explained((outcome(refused),), row, bound)] == [said]
    full: Any = SimpleNamespace(cells=("5", "6", "7", "8"))
    assert [each.refused for each in _explained((outcome(refused),), full, bound)] == [refused]


def test_values_of_a_sheet_that_cannot_be() -> None:
    """Nought of what is above it; an outcome that is none; a factor is its number or its word."""
    assert (_outcome("Good"), _either(FactorDraft("a", 0.0, None)), _either(FactorDraft("a", None, "x"))) == (
        "good", 0.0, "x",
    )  # fmt: skip
    with pytest.raises(ImportRefusedError, match="outcome 'fair' is none of good, usable, failed"):
        _outcome("fair")
    strength, offset = Quantity("t.strength", "MPa"), Quantity("t.offset", "%", positive=False)
    assert (_possible(strength, 0.1), _possible(offset, 0.0), _possible(offset, -1.0)) == (0.1, 0.0, -1.0)
    for value in (0.0, -1.0):
        with pytest.raises(ImportRefusedError, match=rf"t\.strength: {value:g} MPa must be greater than 0"):
            _possible(strength, value)


def test_plates_of_a_sheet_are_read_as_a_list(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of the sheet, their pieces too, though they are let go in parts."""
    monkeypatch.setattr("tracker.desk.importing.drafts._AT_ONCE", 3)
    drafts = Drafts()
    places = [drafts.add_job(name, "ASA", line) for line, name in enumerate("abc", start=2)]
    for line in range(10):
        drafts.add(places[line % 3], SpecimenDraft(line, {}, (), (), 5))
    lines = [[piece.line for piece in job.specimens] for job in drafts]

    assert lines == [[0, 3, 6, 9], [1, 4, 7], [2, 5, 8]]
    assert (len(drafts), drafts.specimens, [job.name for job in drafts.bare()]) == (3, 10, ["a", "b", "c"])
    assert [job.name for job in drafts[1:]] == ["b", "c"]
    assert (drafts[-1].line, [piece.line for piece in drafts[0].specimens]) == (4, lines[0])
    with pytest.raises(IndexError):
        drafts[3]
    # A page makes a plan in one thread and carries it out in another.
    with ThreadPoolExecutor(1) as other:
        assert other.submit(lambda: [job.name for job in drafts]).result() == ["a", "b", "c"]


def test_what_is_alike_is_held_once_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond it what is new is not remembered, and what is known still found."""
    monkeypatch.setattr("tracker.desk.importing.drafts._MOST_ALIKE", 2)
    reader = RowReader(*(Any,) * 3)  # type: ignore[arg-type]
    kept = [reader.held(key, [key]) for key in "ab"]
    assert [reader.held(key, [key]) is one for key, one in zip("ab", kept, strict=True)] == [True, True]
    assert (reader.held("c", [1]), reader.held("c", [2]), len(reader.alike)) == ([1], [2], 2)


def a_plan(refused: int = 0, asked: int = 0, jobs: int = 1) -> Any:
    """Return a plan of an import."""
    return SimpleNamespace(
        name="old.csv", rows=9, jobs=[1] * jobs,
        refused_rows=[LineRefusal(n, "no area.") for n in range(2, 2 + refused)],
        questions=lambda: [Asked(n, "q", f"Is it {n}?") for n in range(asked)],
    )  # fmt: skip


def test_an_import_stops_at_what_it_refuses_and_asks() -> None:
    """One line in the singular; up to eight questions are named, and all of them go with the doubt."""
    for number, said in ((1, "1 of 9 lines is refused"), (2, "2 of 9 lines are refused")):
        with pytest.raises(ImportRefusedError) as refusal:
            _check(a_plan(number), None, sure=True, leave_out=False)
        assert str(refusal.value) == (
            f"old.csv: {said}: first line 2 refused: no area. Correct the lines (--dry-run names each), or"
            " repeat with --leave-out-refused"
        )
    _check(a_plan(2), None, sure=False, leave_out=True)
    with pytest.raises(ImportRefusedError, match=r"old\.csv: no line is left to bring in"):
        _check(a_plan(2, jobs=0), None, sure=True, leave_out=True)
    one_more = "; and 1 more, which --dry-run lists"
    for asked, earlier, more in ((8, None, ""), (9, None, one_more), (8, "brought in before", one_more)):
        with pytest.raises(Doubt) as doubt:
            _check(a_plan(asked=asked), earlier, sure=False, leave_out=False)
        assert len(doubt.value.questions) == asked + bool(earlier)
        assert doubt.value.what.count("line ") == min(asked, 8 - bool(earlier))
        assert doubt.value.what.endswith(more or "line 7: Is it 7?")
        _check(a_plan(asked=asked), earlier, sure=True, leave_out=False)
    assert carrying._ABOUT_AT_MOST == 100


# --- labels --------------------------------------------------------------------------------------------


def test_designs_of_labels() -> None:
    """Name and orientation, else the orientation, else the lot; or the lot in any case."""
    facts = {
        "material": "ASA",
        "described": "bar, upright",
        "orientation": "ZXY",
        "lot": "7",
        "date": "d",
        "line": "l",
    }
    usual, by_lot = labelling.DESIGNS
    assert usual.lines(facts) == ("ASA", "bar, upright", "d", "l")
    assert usual.lines({**facts, "described": ""})[1] == "ZXY"
    assert usual.lines({**facts, "described": "", "orientation": ""})[1] == "7"
    assert (by_lot.lines(facts), usual.name, by_lot.name) == (("ASA", "7", "d", "l"), "usual", "lot")


def test_a_queue_that_is_not_there_or_silent_prints_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Those there are, are named."""
    monkeypatch.setattr(labelling, "print_queues", lambda: ("Desk", "Lab"))
    with pytest.raises(PrintError, match=r"There is no printer 'Hall' here\. There are Desk, Lab"):
        print_pdf(b"", "Hall", "t")
    monkeypatch.setattr("tracker.desk.labelling.shutil.which", lambda _: None)
    with pytest.raises(PrintError, match="This computer has no print queue"):
        print_pdf(b"", "Lab", "t")
    monkeypatch.setattr("tracker.desk.labelling.shutil.which", lambda _: "/no/such/lp")
    with pytest.raises(PrintError, match=r"The printer Lab does not answer\. Look whether it is on"):
        print_pdf(b"", "Lab", "t")
    monkeypatch.setattr(labelling, "print_queues", lambda: ())
    with pytest.raises(PrintError, match="There are none"):
        print_pdf(b"", "Hall", "t")


def test_nothing_is_no_sheet_of_labels(book: Book) -> None:
    """With what can be labelled."""
    a_rig(book)
    with pytest.raises(Refused, match=r"There is nothing to label\. Name spools, dryings, jobs or specimens"):
        label_sheet(book, [], "a4-3x8")
