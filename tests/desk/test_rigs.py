"""Rigs and instruments: what they read, how finely, how far they can be trusted."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.desk.bench import WHO, a_calibrated_rig, a_rig, calibrate, row_of
from tracker.book import Book
from tracker.desk.method_inputs import in_force, instruments, rigs_serving
from tracker.errors import Refused
from tracker.forms import FormError
from tracker.kinds.rig import read_uncertainty
from tracker.model import MeasurementRig


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("2 N", (2.0, 0.0)),
        ("0.5 %", (0.0, 0.005)),
        ("1 N + 0.2 %", (1.0, 0.002)),
        ("0.2% of reading + 1", (1.0, 0.002)),
        ("0.01 kN", (10.0, 0.0)),
    ],
)
def test_uncertainties_as_they_are_typed(typed: str, found: tuple[float, float]) -> None:
    """An amount, a part of the reading, or both."""
    assert read_uncertainty(typed, "N") == pytest.approx(found)


@pytest.mark.parametrize("typed", ["0", "0 %", "-1 N", "-1 N + 5 N", "2 mm", "%", "+", "some", "nan"])
def test_uncertainties_that_are_none_are_refused(typed: str) -> None:
    """Zero, negative, of another kind, or no number."""
    with pytest.raises(Refused, match=r"never below zero|is none|not a number|not a quantity in N"):
        read_uncertainty(typed, "N")


@given(st.text(max_size=20))
def test_any_text_is_an_uncertainty_above_zero_or_refused(typed: str) -> None:
    """Nothing else comes of what is typed."""
    try:
        absolute, relative = read_uncertainty(typed, "N")
    except Refused:
        return
    assert absolute >= 0
    assert relative >= 0
    assert absolute + relative > 0


def test_figures_are_kept_in_the_canonical_unit(book: Book) -> None:
    """Five kilonewton are 5000 N."""
    row = row_of(book, a_rig(book))
    assert (row.unit, row.capacity, row.resolution) == ("N", 5000.0, 0.1)


def test_a_figure_needs_to_know_what_is_read(book: Book) -> None:
    """A capacity of 5 kN of nothing is not kept."""
    with pytest.raises(FormError, match="--measures"):
        a_rig(book, measures=None)


@pytest.mark.parametrize("typed", [{"capacity": "0"}, {"resolution": "-1 N"}, {"low": "-1"}])
def test_figures_below_zero_are_refused(book: Book, typed: dict[str, str]) -> None:
    """No rig steps by nothing."""
    with pytest.raises(FormError, match="above zero"):
        a_rig(book, **typed)


def test_a_range_upside_down_is_refused(book: Book) -> None:
    """The least reading is below the greatest."""
    with pytest.raises(FormError, match="range runs from 6 kN to 5 kN"):
        a_rig(book, low="6 kN")


def test_a_name_is_taken_once(book: Book) -> None:
    """The same name in other letters is the same rig."""
    a_rig(book, "Gantry")
    with pytest.raises(FormError, match="'Gantry' already"):
        a_rig(book, "GANTRY")


def test_the_coverage_factor_is_divided_out(book: Book) -> None:
    """2 N at k = 2 are a standard uncertainty of 1 N."""
    calibration = row_of(book, a_calibrated_rig(book, "2 N + 1 %", k="2")).calibrations[0]
    assert (calibration.u_abs, calibration.u_rel) == (1.0, 0.005)


def test_a_calibration_without_a_factor_is_a_standard_uncertainty(book: Book) -> None:
    """Nothing is divided that was not said to be expanded."""
    assert row_of(book, a_calibrated_rig(book, "2 N")).calibrations[0].u_abs == 2.0


def test_a_calibration_in_the_future_is_refused(book: Book) -> None:
    """What was not yet done says nothing."""
    with pytest.raises(FormError, match="is in the future"):
        a_calibrated_rig(book, done_on="2026-03-09")


def test_a_rig_that_reads_nothing_is_not_calibrated(book: Book) -> None:
    """A drop tower without a scale has nothing to compare."""
    rig = a_rig(book, measures=None, capacity=None, resolution=None)
    with pytest.raises(FormError, match="reads nothing"):
        calibrate(book, WHO, rig, {"uncertainty": "2 N"})


def test_the_calibration_in_force_is_the_newest_before_the_day(book: Book) -> None:
    """Neither an older one nor one that came later counts."""
    rig = a_calibrated_rig(book, "1 N", done_on="2026-01-05")
    calibrate(book, WHO, rig, {"uncertainty": "2 N", "done_on": "2026-02-05"})
    row = row_of(book, rig)
    found = [in_force(row, dt.date(2026, month, day)) for month, day in ((1, 4), (1, 5), (2, 4), (2, 5))]
    assert [each and each.u_abs for each in found] == [None, 1.0, 1.0, 2.0]


def test_the_first_rig_of_a_kind_counts(book: Book) -> None:
    """Two load cells named: the first one gave the force."""
    first, second = row_of(book, a_rig(book, "A")), row_of(book, a_rig(book, "B"))
    used = [MeasurementRig(rig=second), MeasurementRig(rig=first)]
    assert instruments(used)["force"].id.startswith("R0002")


def test_an_instrument_says_since_when_it_is_calibrated(book: Book) -> None:
    """The day is in the note, or that there is none."""
    row = row_of(book, a_calibrated_rig(book, done_on="2026-02-05"))
    notes = [
        instruments([MeasurementRig(rig=row, calibration=each)])["force"].note
        for each in (row.calibrations[0], None)
    ]
    assert notes == ["calibrated 2026-02-05", "not calibrated"]


def test_rigs_that_serve_a_method_are_offered_newest_first(book: Book) -> None:
    """A rig for other methods, or one that reads something else, is left out."""
    a_rig(book, "any")
    a_rig(book, "bends only", methods="flexure")
    a_rig(book, "callipers", role="instrument", measures="length", capacity="150 mm", resolution="0.01")
    a_rig(book, "pulls", methods="tensile, flexure")
    with book.read() as session:
        assert [rig.name for rig in rigs_serving(session, "tensile", ["N"])] == ["pulls", "any"]
        everything = [rig.name for rig in rigs_serving(session, None)]
    assert everything == ["pulls", "callipers", "bends only", "any"]
