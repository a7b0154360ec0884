"""Filament diameter, bend check, appearance."""

from __future__ import annotations

import statistics

import pytest
from tracker_methods.appearance import Appearance
from tracker_methods.bendcheck import Bendcheck
from tracker_methods.diameter import Diameter

from tests.api.close import approx
from tracker.api import Outcome, Recording, nominal, testing
from tracker.api.maths import budget


def test_mean_and_scatter_along_the_strand() -> None:
    """Each place counts with the middle of its two diameters."""
    found = testing.values(Diameter(), {"places": "1.75:1.73 1.74:1.75 1.76:1.74"})
    middles = [1.74, 1.745, 1.75]
    assert found["diameter.mean"] == approx(statistics.mean(middles))
    assert found["diameter.sd"] == approx(statistics.stdev(middles))


def test_ovality_is_the_mean_difference_across() -> None:
    """Whichever of the two is larger."""
    assert testing.values(Diameter(), {"places": "1.75:1.73 1.74:1.76"})["diameter.ovality"] == approx(0.02)


def test_the_scatter_is_part_of_the_mean_s_uncertainty() -> None:
    """s/√n is in the budget."""
    mean = testing.outcomes(Diameter(), {"places": "1.70:1.70 1.80:1.80"})["diameter.mean"].value
    assert budget(mean)[0].source == "places: scatter along the filament"


def test_a_scatter_of_few_places_is_itself_uncertain() -> None:
    """u(s) = s/√(2(n−1)), JCGM 100:2008, E.4.3; of three places half of s."""
    sd = testing.outcomes(Diameter(), {"places": "1.70:1.70 1.75:1.75 1.80:1.80"})["diameter.sd"]
    assert (sd.value, sd.uncertainty) == (approx(0.05), approx(0.025))


def test_one_place_has_no_scatter_and_one_reading_no_ovality() -> None:
    """Both are refused with what to read."""
    found = testing.outcomes(Diameter(), {"places": "1.75:-"})
    assert "read two or more" in found["diameter.sd"].refused
    assert "turn the filament" in found["diameter.ovality"].refused


def test_a_log_along_the_strand_is_read() -> None:
    """One or two columns of diameters."""
    log = Recording("strand.csv", b"diameter_mm;place\n1,75;1\n1,73;2\n")
    assert testing.values(Diameter(), {"log": log})["diameter.mean"] == approx(1.74)


def test_a_diameter_that_no_strand_has_is_questioned() -> None:
    """17.5 for 1.75."""
    remarks = testing.outcomes(Diameter(), {"places": "17.5:17.5"})["diameter.mean"].remarks
    assert "17.5 mm is no usual diameter: a slip?" in remarks


def bent(text: str) -> dict[str, Outcome]:
    """Return what is answered of some bends."""
    return testing.outcomes(Bendcheck(), {"bends": text})


@pytest.mark.parametrize(
    ("text", "relation", "mm"),
    [
        ("50:whole 30:whitened 20:broke", "=", 30.0),
        ("50:whole 30:whole", "<", 30.0),
        ("50:broke 30:broke", ">", 50.0),
        ("50:whole 40:broke 30:whole", "=", 50.0),
    ],
    ids=["between", "all held", "none held", "mixed"],
)
def test_the_least_mandrel_without_a_break(text: str, relation: str, mm: float) -> None:
    """A limit where all or none held; the cautious side where it is mixed."""
    found = bent(text)["bendcheck.least_diameter"]
    assert (found.relation, nominal(found.value)) == (relation, mm)


def test_whitening_is_no_break_but_is_distinguished() -> None:
    """The least mandrel without whitening is a quantity of its own."""
    found = bent("50:whole 30:whitened 20:broke")["bendcheck.least_whole"]
    assert (found.relation, nominal(found.value)) == ("=", 50.0)


def test_a_thinner_mandrel_that_held_by_luck_is_reported() -> None:
    """The doubt is shown beside the value."""
    assert (
        "A thinner mandrel held" in bent("50:whole 40:broke 30:whole")["bendcheck.least_diameter"].remarks[0]
    )


@pytest.mark.parametrize(("grades", "median"), [("3", 3), ("1 4 3", 3), ("2 3", 2), ("0 0 4", 0)])
def test_grades_have_a_median_never_a_mean(grades: str, median: int) -> None:
    """Of two middle grades the worse one counts."""
    found = testing.values(Appearance(), {"seam": grades})
    assert found["appearance.seam"] == median


def test_the_spread_of_grades_is_reported() -> None:
    """Judges differ, and that is said."""
    found = testing.outcomes(Appearance(), {"seam": "1 4 3"})["appearance.seam"]
    assert found.remarks == ("Grades 1 to 4 of 3 judges.",)


def test_grades_are_declared_ordinal() -> None:
    """So that no table averages them."""
    assert {quantity.scale for quantity in Appearance.quantities} == {"ordinal"}


@pytest.mark.parametrize("grade", [5, -1, 2.5, "good"])
def test_a_grade_off_the_scale_is_refused(grade: object) -> None:
    """0 to 4, whole."""
    with pytest.raises(ValueError, match="seam"):
        testing.values(Appearance(), {"seam": grade})


def test_no_luck_is_claimed_where_nothing_thinner_held() -> None:
    """The doubt is said only of a mandrel that held below one that did not."""
    remarks = bent("50:whole 40:broke 30:broke")["bendcheck.least_diameter"].remarks
    assert remarks == ("It broke at 40 mm.",)
