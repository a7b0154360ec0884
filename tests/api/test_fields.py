"""The fields of a readings model, from which prompts, forms and columns are made."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import pydantic
import pytest

from tracker.api import Field, Reading, Readings, Recording, Refused, fields


class Sample(Readings):
    """One field of every kind."""

    force: Annotated[float, Reading("N", "read the dial", resolution=0.5), pydantic.Field(gt=0, le=500)]
    note: Annotated[str | None, Reading(help="anything")] = None
    side: Annotated[Literal["left", "right"], Reading(ask=False)] = "left"
    rows: Annotated[
        tuple[tuple[Literal["X", "Y"], float], ...],
        Reading(columns=("axis", "size"), units=("", "mm"), resolutions=(None, 0.01)),
    ] = ()
    curve: Annotated[Recording | None, Reading()] = None


def field(name: str) -> Field:
    """Return one field of the sample."""
    return next(each for each in fields(Sample) if each.name == name)


def test_kinds_follow_from_types() -> None:
    """A type decides what is typed for it."""
    assert [each.kind for each in fields(Sample)] == ["number", "text", "choice", "series", "file"]


def test_a_number_carries_unit_help_and_resolution() -> None:
    """The annotation of a field is found again in it."""
    assert (field("force").unit, field("force").help, field("force").resolution) == (
        "N",
        "read the dial",
        0.5,
    )


def test_bounds_are_written_in_words() -> None:
    """What is allowed can be shown beside a prompt."""
    assert field("force").allowed == "greater than 0 and 500 or less"


def test_only_a_field_without_default_is_required() -> None:
    """A default makes a reading optional."""
    assert [each.name for each in fields(Sample) if each.required] == ["force"]


def test_choices_are_listed() -> None:
    """A choice knows what may be answered."""
    assert field("side").choices == ("left", "right")


def test_a_rare_reading_is_not_asked_for() -> None:
    """A reading may be left out of the prompts."""
    assert not field("side").ask


def test_the_parts_of_a_series_are_known() -> None:
    """Names, units, steps and choices of each part are there."""
    rows = field("rows")
    assert (rows.columns, rows.units, rows.resolutions) == (("axis", "size"), ("", "mm"), (None, 0.01))
    assert rows.column_choices == (("X", "Y"), ())


@pytest.mark.parametrize(
    ("name", "hint"), [("force", "N"), ("side", "left/right"), ("rows", "axis:size [mm]"), ("curve", "")]
)
def test_the_hint_says_what_to_type(name: str, hint: str) -> None:
    """Unit, choices or form of an entry stand behind the name."""
    assert field(name).hint == hint


def test_a_series_whose_parts_are_not_named_is_refused() -> None:
    """A series that cannot be prompted for is refused with what to write."""

    class Unnamed(Readings):
        """A series with one name for two parts."""

        rows: Annotated[tuple[tuple[float, float], ...], Reading(columns=("a",))] = ()

    with pytest.raises(Refused, match="has 2 parts an entry and names 1"):
        fields(Unnamed)


def test_a_type_that_cannot_be_typed_is_refused() -> None:
    """A mapping can neither be prompted for nor written in a table."""

    class Odd(Readings):
        """A mapping."""

        things: Annotated[dict[str, Any], Reading()]

    with pytest.raises(Refused, match="neither prompted for"):
        fields(Odd)
