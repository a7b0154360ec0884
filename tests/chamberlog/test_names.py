"""Headings and what they mean."""

from __future__ import annotations

import pytest

from tracker.chamberlog.reading import channel_of, choose, time_columns, tokens, unit_of
from tracker.errors import Refused


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("Chamber_T [°C]", ["chamber", "t", "c"]),
        ("T1 (F)", ["t1", "f"]),
        ("", []),
        ("Düse/°C", ["düse", "c"]),
    ],
)
def test_words_of_a_heading(header: str, words: list[str]) -> None:
    """Words are separated by anything but letters, and their digits stay with them."""
    assert tokens(header) == words


@pytest.mark.parametrize("header", ["status", "fan", "fan rpm", "power", "layer", "earth", "T3", "voltage"])
def test_other_headings_name_no_channel(header: str) -> None:
    """What is not a known quantity is not made one, not even where its letters hold a short word."""
    assert channel_of(header) is None


@pytest.mark.parametrize("header", ["rH", "RH", "r.H.", "rF %", "Rel. Humidity", "rel. Luftfeuchte"])
def test_ways_to_write_humidity(header: str) -> None:
    """Humidity has many short forms."""
    assert channel_of(header) == "humidity"


@pytest.mark.parametrize(
    ("header", "where"),
    [
        (["time", "chamber"], [0]),
        (["chamber", "Zeitstempel"], [1]),
        (["No.", "Datum", "Uhrzeit", "Kammer"], [1, 2]),
        (["Date Time", "Temp"], [0]),
        (["elapsed (s)", "chamber"], [0]),
        (["a", "b"], []),
        ([], []),
    ],
)
def test_columns_of_the_time(header: list[str], where: list[int]) -> None:
    """Date and time columns are found by their words."""
    assert time_columns(header) == where


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("chamber", "°C"),
        ("chamber [°C]", "°C"),
        ("chamber °F", "°F"),
        ("chamber(F)", "°F"),
        ("chamber_f", "°F"),
        ("chamber front", "°C"),
        ("chamber_fan", "°C"),
        ("chamber [K]", "K"),
        ("chamber_k", "K"),
    ],
)
def test_units_of_temperature(header: str, unit: str) -> None:
    """Degrees Celsius unless the heading says Fahrenheit or kelvin; a word that begins with f is no unit."""
    assert unit_of(header, "chamber") == unit


def test_humidity_has_one_unit() -> None:
    """Humidity is in per cent, whatever letters are around it."""
    assert unit_of("RH (F)", "humidity") == "%RH"


def test_columns_left_over_are_reported() -> None:
    """What is neither time nor channel is listed as unused."""
    chosen = choose(["t", "chamber", "fan", "power"], 4, [0], None)
    assert (chosen.columns, chosen.unused) == ({"chamber": 1}, [2, 3])


def test_what_was_asked_for_is_all_that_is_read() -> None:
    """Where the person names columns nothing else is guessed."""
    chosen = choose(["t", "chamber", "bed"], 3, [0], {"chamber": "bed"})
    assert (chosen.columns, chosen.unused) == ({"chamber": 2}, [1])


def test_nothing_known_is_refused_with_what_is_there() -> None:
    """The refusal lists the columns and says what to type."""
    with pytest.raises(Refused, match=r"there are 'fan', 'power'\. Say which it is, for example chamber=2"):
        choose(["t", "fan", "power"], 3, [0], None)
