"""Measuring: readings are kept whatever becomes of them; results come with uncertainty and budget."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from sqlalchemy import select

from tests.conftest import BenchClock
from tests.desk.bench import (
    PULL,
    WHO,
    Plain,
    Spooled,
    a_calibrated_rig,
    a_job,
    a_material,
    a_piece,
    a_pull,
    a_rig,
    a_spool,
    at,
    calibrate,
    entries,
    plugged_with,
    row_of,
)
from tracker.api import ReadingsError, Recording
from tracker.book import Book, new_book
from tracker.desk.correcting import correct
from tracker.desk.doubts import Doubt
from tracker.desk.measuring import IncompleteError, in_units, last_readings, last_rigs, measure
from tracker.desk.offbed import PieceOutcome, take_off
from tracker.errors import Refused
from tracker.forms import FormError
from tracker.kinds import NotFoundError, WrongKindError, find
from tracker.model import Measurement
from tracker.plugins import load

HALF = 0.5 / math.sqrt(3)
"""Standard uncertainty of a reading in steps of one: JCGM 100:2008, 4.3.7."""


def test_readings_are_understood_with_their_units(book: Book) -> None:
    """Grouped digits, a unit of one's own, a decimal comma."""
    typed = {"max_force": "1,83 kN", "width": "1 cm", "thickness": "4,00"}
    assert a_pull(book, a_piece(book), typed).results[0].value == pytest.approx(45.75)


def test_units_are_kept_beside_the_readings(book: Book) -> None:
    """The number can be read on the day when its method is no longer there."""
    pull = a_pull(book, a_piece(book), {"max_force": "186.6 kgf", "width": "10", "thickness": "4"})
    assert row_of(book, pull.id).units == {"max_force": "N", "width": "mm", "thickness": "mm"}


def test_a_width_in_kilograms_is_refused(book: Book) -> None:
    """A unit of another kind is never converted."""
    piece = a_piece(book)
    with pytest.raises(Refused, match="width: 5 kg is not a quantity in mm"):
        a_pull(book, piece, {**PULL, "width": "5 kg"})


@pytest.mark.parametrize("width", ["0", "-10", "nan", "inf", "1e999"])
def test_a_width_that_is_none_is_refused_and_nothing_is_kept(book: Book, width: str) -> None:
    """No measurement is made of it."""
    piece = a_piece(book)
    before = entries(book)
    with pytest.raises(Refused, match="width"):
        a_pull(book, piece, {**PULL, "width": width})
    assert entries(book) == before


def test_a_reading_that_the_method_does_not_know_is_refused(book: Book) -> None:
    """A misspelt field is not silently dropped."""
    piece = a_piece(book)
    with pytest.raises(ReadingsError, match="widht"):
        a_pull(book, piece, {**PULL, "widht": "10"})


def test_blank_readings_are_not_recorded() -> None:
    """Enter at a prompt is no reading."""
    assert in_units(load().method("tensile"), {"width": " ", "thickness": "4"}) == {"thickness": 4.0}


def test_the_resolution_is_in_the_uncertainty(book: Book) -> None:
    """Without a rig the method's own steps make it: 1 N, 0.01 mm, 0.01 mm."""
    result = a_pull(book, a_piece(book)).results[0]
    parts = (HALF / 1830, 0.01 * HALF / 10, 0.01 * HALF / 4)
    assert result.uncertainty == pytest.approx(45.75 * math.hypot(*parts), rel=1e-6)


def test_resolution_and_calibration_are_both_in_the_uncertainty(book: Book) -> None:
    """A rig of 0.1 N steps, 2 N and 1 % at k = 2: its force counts 1 N, 0.5 % and the step."""
    rig = a_calibrated_rig(book, "2 N + 1 %", k="2")
    result = a_pull(book, a_piece(book), rigs=[rig]).results[0]
    force = math.hypot(1.0, 0.005 * 1830, 0.1 * HALF)
    parts = (force / 1830, 0.01 * HALF / 10, 0.01 * HALF / 4)
    assert result.uncertainty == pytest.approx(45.75 * math.hypot(*parts), rel=1e-6)


def test_the_budget_names_its_sources_and_adds_up(book: Book) -> None:
    """Shares of the variance, together one."""
    done = a_pull(book, a_piece(book), rigs=[a_calibrated_rig(book)])
    budget = row_of(book, done.id).results[0].budget
    assert sum(each["share"] for each in budget) == pytest.approx(1.0)
    assert any("max_force" in each["source"] for each in budget)


def test_a_measurement_without_a_rig_says_so(book: Book) -> None:
    """The uncertainty is smaller than the truth, and the person is told."""
    assert any("Rig not recorded" in each for each in a_pull(book, a_piece(book)).notes)


def test_a_rig_without_calibration_says_so(book: Book) -> None:
    """What was never compared is not trusted silently."""
    done = a_pull(book, a_piece(book), rigs=[a_rig(book)])
    assert any("is not calibrated" in each for each in done.notes)


def test_the_calibration_in_force_that_day_is_kept(book: Book) -> None:
    """A pull of January is not judged by a calibration of February."""
    rig = a_calibrated_rig(book, done_on="2026-02-05")
    done = a_pull(book, a_piece(book), rigs=[rig], about={"at": "2026-01-10 10:00"})
    assert row_of(book, done.id).rigs[0].calibration is None


def test_the_day_of_a_calibration_is_the_benchs(tmp_path: Path) -> None:
    """On the morning of the day in Auckland it is yesterday in UTC; the calibration is in force."""
    with new_book(str(tmp_path / "far"), WHO, zone="Pacific/Auckland") as far:
        rig = a_calibrated_rig(far, done_on="2026-02-05")
        done = a_pull(far, a_piece(far), rigs=[rig], about={"at": "2026-02-05 08:00"})
        assert row_of(far, done.id).rigs[0].calibration is not None


def test_a_calibration_is_overdue_from_the_day_after_at_the_bench(tmp_path: Path) -> None:
    """Due on 7 March: not that evening in New York, when UTC has the 8th, but the next morning."""
    clock = BenchClock()
    clock.forward(days=20)
    with new_book(str(tmp_path / "far"), WHO, zone="America/New_York", clock=clock) as far:
        rig, pieces = a_rig(far, recalibrate_days="30"), a_job(far).also
        calibrate(far, WHO, rig, {"uncertainty": "2 N", "done_on": "2026-02-05"})
        notes = [
            " ".join(a_pull(far, piece, rigs=[rig], about={"at": at}).notes)
            for piece, at in zip(pieces, ("2026-03-07 22:00", "2026-03-08 08:00"), strict=False)
        ]
        assert ["was due on 2026-03-07" in each for each in notes] == [False, True]


def test_what_is_no_rig_is_no_rig(book: Book) -> None:
    """A specimen is not what it was measured with."""
    piece = a_piece(book)
    with pytest.raises(WrongKindError, match="Here a rig is wanted"):
        a_pull(book, piece, rigs=[piece])


def test_readings_without_any_result_are_refused_and_the_piece_stays_free(book: Book) -> None:
    """Five Enters spoil no specimen: what is missing is named, and nothing is stored."""
    piece = a_piece(book)
    for typed in ({}, {"max_force": "1830"}):
        with pytest.raises(IncompleteError, match="give no result of tensile test") as caught:
            a_pull(book, piece, typed, sure=True)
    assert "width and thickness, or area" in caught.value.why
    with book.read() as session:
        assert session.scalars(select(Measurement)).all() == []
        assert find(book, session, piece).broken_at is None


def test_a_recording_that_waits_for_a_word_is_kept(book: Book) -> None:
    """A fall that may be a slip or a yield refuses every number; the recording is stored all the same."""
    rise = [(i * 0.02, 10.0 * i) for i in range(100)]
    again = [(2.0 + i * 0.02, 850.0 + 5.0 * i) for i in range(80)]
    rows = [*rise, *again, (3.62, 0.0), (3.64, 0.0)]
    text = "extension_mm,force_N\n" + "\n".join(f"{x:.2f},{force:.1f}" for x, force in rows)
    typed = {"width": "10", "thickness": "4", "gauge_length": "50"}
    files = {"curve": Recording("pull.csv", text.encode())}
    done = measure(book, WHO, load(), a_piece(book), "tensile", typed, files=files, sure=True)
    assert all(each.value is None for each in done.results)
    assert any("Was it a yield" in each.refused for each in done.results)


def test_a_test_over_days_is_begun_without_its_first_reading(book: Book) -> None:
    """A creep test hangs there before it has been read."""
    typed = {"force": "280", "width": "10", "thickness": "4", "reference_length": "80"}
    assert measure(book, WHO, load(), a_piece(book), "creep", typed).id


def test_a_missing_section_is_refused_by_name_and_the_force_is_kept(book: Book) -> None:
    """Strength is not guessed without a section; the reading waits where that is meant."""
    done = a_pull(book, a_piece(book), {"max_force": "1830"}, incomplete=True)
    row = row_of(book, done.id)
    assert row.readings["max_force"] == 1830.0
    assert (row.results[0].value, row.results[0].counted) == (None, False)
    assert "width and thickness, or area" in row.results[0].refused


def test_a_section_measured_later_gives_the_strength(book: Book) -> None:
    """The waiting reading is computed as soon as it can be, and counts."""
    done = a_pull(book, a_piece(book), {"max_force": "1830"}, incomplete=True)
    correct(book, WHO, load(), done.id, ["area=0.4 cm^2"], "measured afterwards")
    result = row_of(book, done.id).results[0]
    assert (result.value, result.refused, result.counted) == (pytest.approx(45.75), None, True)


def test_a_piece_that_failed_on_the_bed_is_asked_about(book: Book) -> None:
    """Its number would say more of the bed than of the material."""
    job = a_job(book)
    take_off(book, WHO, job.id, [PieceOutcome(1, "failed", "came loose")])
    with pytest.raises(Doubt, match=r"failed on the bed \(came loose\)"):
        a_pull(book, job.also[0])


def test_a_piece_already_broken_is_asked_about(book: Book) -> None:
    """Nothing is pulled in two twice."""
    piece = a_piece(book)
    a_pull(book, piece)
    with pytest.raises(Doubt, match="was used up by a test on 2026-03-02"):
        a_pull(book, piece)


def test_a_doubt_is_passed_when_it_is_meant(book: Book) -> None:
    """The person at the rig knows."""
    piece = a_piece(book)
    a_pull(book, piece)
    assert a_pull(book, piece, sure=True).results


def test_a_destructive_method_uses_the_piece_up(book: Book) -> None:
    """From then on it is broken, since the time of the test."""
    piece = a_piece(book)
    a_pull(book, piece, about={"at": "2026-03-02 07:30"})
    assert row_of(book, piece).broken_at == at("2026-03-02 07:30")


def test_another_method_leaves_the_piece_whole(book: Book) -> None:
    """Measuring its load does not break it."""
    piece = a_piece(book)
    measure(book, WHO, plugged_with(Plain()), piece, "plain", {"load": "5"})
    assert row_of(book, piece).broken_at is None


def test_a_spool_at_a_rig_for_pieces_is_refused(book: Book) -> None:
    """Both kinds are named."""
    a_material(book)
    spool = a_spool(book)
    with pytest.raises(FormError, match=rf"{spool} is a spool; Tensile test is done on a specimen"):
        a_pull(book, spool)


def test_a_method_for_spools_takes_spools(book: Book) -> None:
    """Melt flow and moisture are measured on filament."""
    a_material(book)
    spool = a_spool(book)
    done = measure(book, WHO, plugged_with(Spooled()), spool, "spooled", {"load": "5"})
    assert (done.subject, done.results[0].value) == (spool, 5.0)


def test_a_job_is_nothing_to_measure(book: Book) -> None:
    """One of its pieces is."""
    job = a_job(book).id
    with pytest.raises(WrongKindError, match="specimen or spool is wanted"):
        a_pull(book, job)


def test_an_absent_piece_is_refused(book: Book) -> None:
    """An ID nobody gave out is not measured."""
    with pytest.raises(NotFoundError, match="There is no J0001-01-Z in this book"):
        a_pull(book, "J0001-01-Z")


def test_a_method_that_is_not_there_is_refused_with_close_names(book: Book) -> None:
    """A slip of the finger is answered with the name that was meant."""
    with pytest.raises(Refused, match="Did you mean tensile"):
        measure(book, WHO, load(), a_piece(book), "tensil", PULL)


def test_a_method_that_raises_costs_its_results_and_nothing_else(book: Book) -> None:
    """Readings are kept, the plugin is named, and the person is told."""

    class Faulty(Plain):
        """Fails."""

        fault = ZeroDivisionError("by zero")

    done = measure(book, WHO, plugged_with(Faulty()), a_piece(book), "plain", {"load": "5"})
    row = row_of(book, done.id)
    assert (row.readings["load"], row.results) == (5.0, [])
    assert "plain plugin failed: ZeroDivisionError" in row.problem
    assert any(each.startswith("Readings are kept; ") for each in done.notes)


def test_a_file_is_kept_with_its_measurement(book: Book) -> None:
    """Byte for byte, under the field it belongs to."""
    trace = Recording("t.csv", b"1;2\r\n\xff")
    done = measure(
        book, WHO, plugged_with(Plain()), a_piece(book), "plain", {"load": "5"}, files={"trace": trace}
    )
    kept = row_of(book, done.id).files[0]
    assert (kept.field, kept.name, book.files.get(kept.sha256)) == ("trace", "t.csv", trace.data)


def test_a_measurement_in_the_future_is_refused(book: Book) -> None:
    """A clock that is wrong shows itself."""
    piece = a_piece(book)
    with pytest.raises(FormError, match="is in the future"):
        a_pull(book, piece, about={"at": "2026-04-01 08:00"})


def test_who_enters_it_measured_it_unless_given_otherwise(book: Book) -> None:
    """The operator is recorded in any case."""
    job = a_job(book)
    done = [a_pull(book, job.also[0]), a_pull(book, job.also[1], about={"operator": "Ben"})]
    assert [row_of(book, each.id).operator for each in done] == [WHO, "Ben"]


def test_the_last_rigs_and_readings_are_offered(book: Book) -> None:
    """The next piece is most often pulled on the same rig."""
    rig = a_calibrated_rig(book)
    a_pull(book, a_piece(book), rigs=[rig])
    with book.read() as session:
        assert last_rigs(session, "tensile") == [rig]
        assert last_readings(session, "tensile")["width"] == 10.0


def test_before_the_first_measurement_nothing_is_offered(book: Book) -> None:
    """There is no last one."""
    with book.read() as session:
        assert (last_rigs(session, "tensile"), last_readings(session, "tensile")) == ([], {})


def test_a_section_off_its_template_is_a_remark(book: Book) -> None:
    """A bar said to be 10 mm wide that measures 11 mm is doubted at once, and the doubt is kept."""
    piece = a_piece(book)
    correct(book, WHO, load(), piece, ["geometry=iso178"], "a plain bar")
    measured = a_pull(book, piece, {"max_force": "1830", "width": "11.00", "thickness": "4.00"})

    assert any("width 11 mm differs by +10.0 %" in remark for remark in measured.results[0].remarks)
