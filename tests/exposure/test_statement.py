"""The words that go with an estimate."""

from __future__ import annotations

import pytest

from tests.exposure.days import family, hour
from tracker.exposure import Drying, StoragePeriod, Timeline, Water, timeline, water
from tracker.exposure.statement import percent


def days(*periods: StoragePeriod, dryings: tuple[Drying, ...] = (), until: float = 20.0) -> Timeline:
    """Return days up to ``until`` hours."""
    return timeline(periods, dryings, [], hour(until))


def told(of: Timeline, hours: float = 20.0, name: str = "PLA") -> Water:
    """Return the answer for a family."""
    return water(of, hour(hours), family(name), 1.75, 0.2)


@pytest.mark.parametrize(
    ("value", "text"), [(1.234, "1.23"), (0.1, "0.10"), (0.0567, "0.057"), (0.0012, "0.0012"), (0.0, "0")]
)
def test_percentages_keep_two_digits(value: float, text: str) -> None:
    """A water content has two decimals, or two digits where it is small."""
    assert percent(value) == text


def test_without_a_drying_it_counts_from_the_first_record() -> None:
    """The statement says from when it counts."""
    said = told(days(StoragePeriod("open air", hour(0), hour(20), 23.0, 50.0))).sentence
    assert said.startswith(
        "No drying recorded, since records began (2025-03-01 00:00 UTC, unknown before): "
        "open air 20.0 h at 50 %RH, 23 °C;"
    )


def test_without_any_record_it_says_so() -> None:
    """A spool of which nothing is recorded has a statement as well."""
    assert told(days()).sentence.startswith("Without any record: open air 0.0 h;")


def test_a_drying_is_reported_with_what_it_changed() -> None:
    """Temperature, hours, change of mass with its sign, and the end are reported."""
    dried = Drying(hour(0), hour(6), 45.0, before_g=1236.4, after_g=1229.9, key="D0003-M")
    said = told(days(dryings=(dried,), until=6.0), 6.0).sentence
    assert "drying D0003-M (45 °C set, 6.0 h, mass change -6.5 g, ended 2025-03-01 06:00 UTC)" in said


def test_a_drying_without_a_key_is_reported_by_its_beginning() -> None:
    """A drying the caller did not name still is told."""
    said = told(days(dryings=(Drying(hour(0), hour(6), 45.0),), until=6.0), 6.0).sentence
    assert said.startswith("Since drying from 2025-03-01 00:00 (45 °C set")


def test_a_range_of_humidity_is_reported() -> None:
    """A logged range is given behind the mean."""
    said = told(days(StoragePeriod("open air", hour(0), hour(20), 23.0, 50.0, 41.0, 58.0))).sentence
    assert "at 50 %RH (41 to 58), 23 °C" in said


def test_hours_without_humidity_are_reported() -> None:
    """Open air at a humidity nobody recorded is told as that."""
    found = told(days(StoragePeriod("open air", hour(0), hour(20))))
    assert "open air 20.0 h at a humidity nobody recorded" in found.sentence
    assert any("not recorded for 20.0 h in open air" in note for note in found.sentences)


def test_a_box_without_humidity_is_reported() -> None:
    """A dry box nobody read is told with what was taken."""
    found = told(days(StoragePeriod("dry box", hour(0), hour(20))))
    assert any("20.0 h in a dry box: taken as 5 to 30 %RH" in note for note in found.sentences)


def test_set_temperatures_are_reported() -> None:
    """A drying temperature that was only set is reported as such."""
    notes = told(days(dryings=(Drying(hour(0), hour(6), 45.0),), until=6.0), 6.0).sentences
    assert "A drying temperature is as set, not measured." in notes


def test_a_measured_dryer_is_not_doubted() -> None:
    """With temperature and humidity measured neither is remarked on."""
    dried = Drying(hour(0), hour(6), 45.0, 44.0, dryer_rh_pct=9.0)
    notes = told(days(dryings=(dried,), until=6.0), 6.0).sentences
    assert not any("vented" in note or "as set" in note for note in notes)


def test_the_vented_dryer_is_reported() -> None:
    """That a closed dryer saturates itself is reported where its humidity is computed."""
    notes = told(days(dryings=(Drying(hour(0), hour(6), 45.0, 44.0),), until=6.0), 6.0).sentences
    assert any("as for a vented dryer; without a vent it is higher" in note for note in notes)


def test_the_bounds_are_distinguished() -> None:
    """Winding, diffusion coefficient and isotherm each have their part in the statement."""
    said = told(days(StoragePeriod("open air", hour(0), hour(20), 23.0, 50.0)), name="ABS").sentence
    for words in ("winding alone, slower by up to 10", "×/÷ 3", "isotherm ± 30 %", "generic figures of ABS"):
        assert words in said


def test_the_statement_is_one_line() -> None:
    """The statement has no line breaks and ends with a full stop."""
    said = told(days(StoragePeriod("open air", hour(0), hour(20), 23.0, 50.0))).sentence
    assert "\n" not in said
    assert said.endswith(".")
