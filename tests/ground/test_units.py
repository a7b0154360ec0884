"""Quantities as people type them."""

from __future__ import annotations

import math
from typing import Any

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.stating import compact, shown
from tracker.units import UnitError, factor_between, parse, same_kind

PINT: Any = pint.UnitRegistry(cache_folder=None)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
CANONICAL = ["mm", "N", "MPa", "degC", "s", "g", "J", "mm^2", "kJ/m^2", "percent", "N*m", "1"]


class TestNumbers:
    """A bare number takes the unit that was asked for."""

    @given(FINITE, st.sampled_from(CANONICAL))
    def test_round_trip(self, value: float, unit: str) -> None:
        """A number typed as Python writes it is that number, with its unit or without."""
        for text in (
            repr(value),
            f" {value!r} ",
            f"{value!r} {unit if unit != '1' else ''}",
            f"{value!r}{shown(unit)}",
        ):
            assert parse(text, unit) == value

    @pytest.mark.parametrize(
        ("text", "value"),
        [
            ("1 830", 1830.0),
            ("1\u202f830,5", 1830.5),
            ("1'830.5", 1830.5),
            ("1’830", 1830.0),
            ("4,02", 4.02),
            (",5", 0.5),
            (".5", 0.5),
            ("-3", -3.0),
            ("\u22123,5", -3.5),
            ("+7", 7.0),
            ("1e3", 1000.0),
            ("0,125", 0.125),
            ("12,5000", 12.5),
            ("٣", 3.0),
        ],
    )
    def test_ways_of_writing(self, text: str, value: float) -> None:
        """Blanks and apostrophes group digits, a comma may be the decimal point."""
        assert parse(text, "N") == value

    @pytest.mark.parametrize("text", ["1,234", "12,500", "-1,000", "1 234,567"[2:]])
    def test_an_ambiguous_comma(self, text: str) -> None:
        """A comma before exactly three digits is refused with both readings."""
        with pytest.raises(UnitError, match=r"can mean .* or "):
            parse(text, "N")

    @pytest.mark.parametrize(
        "text",
        [
            "",
            " ",
            "abc",
            "nan",
            "NaN",
            "inf",
            "-inf",
            "1e999",
            "--3",
            "1.2.3",
            "N",
            "5 6 x",
            "1;2",
            "\0",
        ],
    )
    def test_what_is_no_number(self, text: str) -> None:
        """What is no finite number is refused in one line that names the field."""
        with pytest.raises(UnitError, match=r"^width: ") as refusal:
            parse(text, "mm", "width")

        assert "\n" not in str(refusal.value)

    @given(st.text(max_size=25))
    def test_anything(self, text: str) -> None:
        """Any text gives a finite number or a refusal."""
        try:
            assert math.isfinite(parse(text, "mm"))
        except UnitError as refusal:
            assert "\n" not in str(refusal)  # noqa: PT017 - either outcome is right


class TestUnits:
    """Another unit of the same kind is converted."""

    @pytest.mark.parametrize(
        ("text", "unit", "value"),
        [
            ("0.5 in", "mm", 12.7),
            ('0.5"', "mm", 12.7),
            ("80 °F", "degC", 80 / 9 * 5 - 160 / 9),
            ("80 F", "degC", 26.666666666666668),
            ("353.15 K", "degC", 80.0),
            ("90 min", "s", 5400.0),
            ("1.5 h", "s", 5400.0),
            ("2 days", "s", 172800.0),
            ("1.83 kN", "N", 1830.0),
            ("1 lbf", "N", 4.4482216152605),
            ("5 kgf", "N", 49.03325),
            ("1 kg", "g", 1000.0),
            ("2 GPa", "MPa", 2000.0),
            ("40 mm²", "mm^2", 40.0),
            ("0.4 cm^2", "mm^2", 40.0),
            ("400 µm", "mm", 0.4),
            ("1 830 N", "N", 1830.0),
            ("1,5 kN", "N", 1500.0),
            ("3 %", "percent", 3.0),
            ("50 %", "1", 0.5),
        ],
    )
    def test_examples(self, text: str, unit: str, value: float) -> None:
        """What people type means what it says (exact definitions; see SOURCES.md)."""
        assert parse(text, unit) == pytest.approx(value, rel=1e-12)

    @given(
        st.floats(-1e9, 1e9),
        st.sampled_from(
            [("inch", "mm"), ("psi", "MPa"), ("degF", "degC"), ("hour", "s"), ("oz", "g"), ("ft*lbf", "J")]
        ),
    )
    def test_against_pint(self, value: float, units: tuple[str, str]) -> None:
        """A conversion agrees with pint's own to 12 digits."""
        typed, unit = units
        expected = PINT.Quantity(value, typed).to(unit).magnitude

        assert parse(f"{value!r} {typed}", unit) == pytest.approx(expected, rel=1e-12, abs=1e-12)

    @pytest.mark.parametrize(
        ("text", "unit"),
        [
            ("5 kg", "mm"),
            ("5 kg", "N"),
            ("3 s", "mm"),
            ("1 N", "MPa"),
            ("2 mm", "mm^2"),
            ("4 foo", "mm"),
            ("4 mm mm", "mm"),
            ("4 __import__('os')", "mm"),
            ("4 mm**", "mm"),
            ("7 °", "degC"),
        ],
    )
    def test_another_kind(self, text: str, unit: str) -> None:
        """A unit of another kind, or none at all, is refused in one line."""
        with pytest.raises(UnitError) as refusal:
            parse(text, unit, "width")

        assert str(refusal.value).startswith("width: ")
        assert "\n" not in str(refusal.value)

    def test_a_weight(self) -> None:
        """A mass where a force is due gets the word for the force of its weight."""
        with pytest.raises(UnitError, match="type 5 kgf"):
            parse("5 kg", "N")

    @given(
        st.floats(-1e6, 1e6), st.sampled_from([("degF", "degC"), ("inch", "mm"), ("N", "N"), ("lbf", "N")])
    )
    def test_whole_columns(self, value: float, units: tuple[str, str]) -> None:
        """The factor for a whole column gives what each cell alone would."""
        scale, offset = factor_between(*units)

        assert scale * value + offset == pytest.approx(
            parse(f"{value!r} {units[0]}", units[1]), rel=1e-9, abs=1e-9
        )

    def test_kinds(self) -> None:
        """Units of one kind are known for it, and none is refused."""
        assert same_kind("inch", "mm")
        assert not same_kind("N", "mm")
        with pytest.raises(UnitError, match="is not a unit"):
            same_kind("foo", "mm")


class TestShown:
    """Numbers as people read them."""

    def test_missing(self) -> None:
        """A missing number is said to be not recorded."""
        assert (compact(None, "mm"), compact(1 / 3, "mm^2")) == ("not recorded", "0.333333 mm²")
