"""Numbers that look wrong are asked about before they are stored."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_rig, a_spool, load
from tests.plates import UPRIGHT, plate
from tracker.api.mechanics import family_span
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.doubts import Doubt
from tracker.desk.jobplates import PlateFile
from tracker.desk.jobs import add_job
from tracker.desk.plausibility import beside

SECTION = {"width": "10.00", "thickness": "4.00"}


def pulls(book: Book, *forces: str) -> list[str]:
    """Pull the pieces of one job, and return them and one more."""
    pieces = a_job(book, f"bar:ZXY:{len(forces) + 1}").also
    for piece, force in zip(pieces, forces, strict=False):
        a_pull(book, piece, {"max_force": force, **SECTION})
    return pieces


def test_a_slip_of_the_decimal_point_is_asked_about(book: Book) -> None:
    """18.30 N where the others lie at 1,800: the question names the reading and the siblings."""
    last = pulls(book, "1830", "1795", "1810")[-1]
    with pytest.raises(Doubt) as asked:
        a_pull(book, last, {"max_force": "18.30", **SECTION})
    (question,) = asked.value.questions
    assert question.startswith("Tensile strength 0.4575 MPa, where the other 3 of this material")
    assert "max_force 18.3 N, where the others lie at 1810" in question


def test_nothing_is_stored_by_a_question(book: Book) -> None:
    """Until the person says that it is meant; then it is."""
    last = pulls(book, "1830", "1795", "1810")[-1]
    with pytest.raises(Doubt, match=r"Tensile strength 0\.4575 MPa"):
        a_pull(book, last, {"max_force": "18.30", **SECTION})
    assert a_pull(book, last, {"max_force": "18.30", **SECTION}, sure=True).id.startswith("M0004")


def test_an_aborted_pull_is_asked_about(book: Book) -> None:
    """2 to 3 MPa where siblings reach 45 (issue: aborted pulls)."""
    last = pulls(book, "1830", "1700")[-1]
    with pytest.raises(Doubt, match=r"Tensile strength 2\.5 MPa"):
        a_pull(book, last, {"max_force": "100", **SECTION})


def test_ordinary_scatter_is_not_asked_about(book: Book) -> None:
    """A fifth below siblings that agree closely is no slip."""
    last = pulls(book, "1830", "1829", "1831")[-1]
    assert a_pull(book, last, {"max_force": "1450", **SECTION}).id


def test_another_orientation_is_no_sibling(book: Book) -> None:
    """Upright bars may be four times weaker."""
    pulls(book, "1830", "1795", "1810")
    flat = a_job(book, "bar:XYZ:1", spools=("S0001-R",)).also[0]
    assert a_pull(book, flat, {"max_force": "450", **SECTION}).id


def test_a_family_speaks_where_there_are_no_siblings(book: Book) -> None:
    """A kilonewton taken for a newton: 0.03 MPa is no strength of any polymer."""
    a_material(book, "Nordlicht PETG", family="PETG")
    piece = a_job(book, "bar:X:1", spools=(a_spool(book, "Nordlicht PETG"),)).also[0]
    with pytest.raises(Doubt, match="PETG lies between 8 and 60 MPa"):
        a_pull(book, piece, {"max_force": "1.2", **SECTION})


def test_a_reading_beyond_the_load_cell_is_asked_about(book: Book) -> None:
    """1830 N on a load cell for 500 N."""
    piece = a_job(book).also[0]
    rig = a_rig(book, capacity="500 N")
    with pytest.raises(Doubt, match="beyond the 500 N"):
        a_pull(book, piece, {"max_force": "1830", **SECTION}, rigs=[rig])


def test_questions_come_together(book: Book) -> None:
    """A piece used up and a number that is off are two questions, and one yes answers both as read."""
    first = pulls(book, "1830", "1795", "1810")[0]
    with pytest.raises(Doubt) as asked:
        a_pull(book, first, {"max_force": "18.30", **SECTION})
    assert len(asked.value.questions) == 2


def test_a_correction_that_makes_a_number_odd_is_asked_about(book: Book) -> None:
    """The measurement corrected is no sibling of itself."""
    pulls(book, "1830", "1795", "1810")
    with pytest.raises(Doubt, match=r"Tensile strength 0\.4575 MPa"):
        correct(book, WHO, load(), "M0001-Y", ["max_force=18.3"], "typed wrong")
    correct(book, WHO, load(), "M0001-Y", ["max_force=1820"], "typed wrong")


@given(st.lists(st.floats(0.9, 1.1), min_size=1, max_size=9), st.floats(0.8, 1.25))
def test_no_question_within_a_quarter(others: list[float], value: float) -> None:
    """Whatever the siblings' scatter within a tenth, a quarter off is not asked about."""
    found = beside(value, others)
    assert found is not None
    assert abs(found.z) <= 6


@pytest.mark.parametrize("factor", [100, 0.01, 1000, 0.001, 9.80665, 1 / 9.80665])
def test_slips_of_units_always_stand_out(factor: float) -> None:
    """Percent, kilo, and kilogram-force for newton."""
    found = beside(45.0 * factor, [45.0, 44.0, 47.0])
    assert found is not None
    assert abs(found.z) > 6


def test_numbers_around_zero_are_compared_by_difference() -> None:
    """A shrinkage of -0.1 % beside 0.2 and 0.3 % has no logarithm."""
    found = beside(-0.1, [0.2, 0.3, 0.25, 0.22, 0.28])
    assert found is not None
    assert found.z < -6
    assert beside(-0.1, [0.2, 0.3, 0.25]) is None


def test_families_of_fibres_are_stiffer() -> None:
    """PA6-CF is a filled PA."""
    plain, filled = family_span("PA6", "modulus"), family_span("PA6-CF", "modulus")
    assert plain is not None
    assert filled == (plain[0], 6 * plain[1])


def test_a_caliper_is_no_force_rig(book: Book) -> None:
    """A force with nothing named that reads one is asked about; beside a rig the caliper is welcome."""
    caliper = a_rig(
        book, "caliper", role="instrument", measures="length", capacity="150 mm", resolution="0.01 mm"
    )
    first, second = a_job(book).also[:2]
    with pytest.raises(Doubt, match="reads mm, and no rig that reads a force is named"):
        a_pull(book, first, rigs=[caliper])
    assert a_pull(book, second, rigs=[caliper, a_rig(book)]).id


@pytest.fixture
def drawn(book: Book) -> str:
    """Enter a job whose plate draws towers of 10 × 4 × 20 mm; the first of them."""
    a_material(book)
    file = PlateFile("towers.gcode", plate(UPRIGHT))
    return add_job(book, WHO, {}, spools=(a_spool(book),), plate=file, sure=True).also[1]


def test_a_section_wider_than_the_body_is_asked_about(book: Book, drawn: str) -> None:
    """A bar of 15 × 4 mm typed for a tower of 10 × 4: another piece is in hand."""
    with pytest.raises(
        Doubt, match=r"section typed is 4 × 15 mm, and the plate's file draws this specimen 10 × 4 × 20 mm"
    ):
        a_pull(book, drawn, {"max_force": "1830", "width": "15.0", "thickness": "4.0"})


def test_a_section_that_printed_a_little_wide_is_not_asked_about(book: Book, drawn: str) -> None:
    """A first layer squeezed out makes a side some tenths of a millimetre wider than drawn."""
    assert a_pull(book, drawn, {"max_force": "1830", "width": "10.4", "thickness": "4.3"}).id


def test_a_waisted_section_is_not_asked_about(book: Book, drawn: str) -> None:
    """What is narrower than the body may be its waist."""
    assert a_pull(book, drawn, {"max_force": "600", "width": "5.0", "thickness": "4.0"}).id
