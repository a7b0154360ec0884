"""Tension."""

from __future__ import annotations

import csv
from typing import Any

import pytest
from tracker_methods.tensile import Tensile

from tests.api.close import approx
from tests.api.test_elastic import LENGTH, LOAD
from tests.realdata import real_data
from tracker.api import Outcome, Piece, Recording, nominal, testing

IRON = {"width": 15.9, "thickness": 4.8, "gauge_length": 75.0}


def curve(*rows: tuple[float, float], words: str = "extension_mm,force_N") -> Recording:
    """Return a recording of rows."""
    return Recording("pull.csv", (words + "\n" + "".join(f"{x!r},{f!r}\n" for x, f in rows)).encode())


def iron(**more: Any) -> dict[str, Outcome]:
    """Return what is answered of the cast iron of ``tests/api/test_elastic.py``."""
    rows = zip((LENGTH - 75.0).tolist(), LOAD.tolist(), strict=True)
    return testing.outcomes(Tensile(), {**IRON, "curve": curve(*rows), **more})


def refusal(name: str, **raw: Any) -> str:
    """Return why a quantity is refused."""
    return testing.outcomes(Tensile(), raw)[f"tensile.{name}"].refused


def test_strength_is_force_over_section() -> None:
    """31 280 N on 4.8 × 15.9 mm: 409.853 MPa (published record, recomputed by numpy)."""
    assert nominal(iron()["tensile.strength"].value) == approx(409.853, abs=5e-4)


def test_the_cast_iron_has_its_published_strain_at_break() -> None:
    """18.300 %."""
    assert nominal(iron()["tensile.strain_at_break"].value) == approx(18.300, abs=5e-4)


def test_least_squares_is_the_rule_unless_the_chord_is_chosen() -> None:
    """80 549 MPa by chord, 88 870 MPa by least squares; the rule is named beside the value."""
    chord, fitted = iron(modulus_rule="chord")["tensile.modulus"], iron()["tensile.modulus"]
    assert (nominal(chord.value), nominal(fitted.value)) == (approx(80_549, abs=0.5), approx(88_870, abs=0.5))
    assert chord.remarks[0].startswith("Chord between 0.05 and 0.25 % strain")
    assert fitted.remarks[0].startswith("Least squares between 0.05 and 0.25 % strain")


def test_fewer_than_five_readings_in_the_interval_are_warned_of() -> None:
    """The cast iron has four."""
    assert any(remark.startswith("Fewer than 5 readings") for remark in iron()["tensile.modulus"].remarks)


def test_how_the_strain_zero_was_treated_is_reported() -> None:
    """Without toe compensation the remark says so."""
    assert "Strain zero as recorded, no toe compensation." in iron()["tensile.modulus"].remarks


def test_the_cast_iron_yields_at_its_greatest_force() -> None:
    """The first maximum is both yield and strength here."""
    found = iron()
    assert nominal(found["tensile.yield"].value) == approx(nominal(found["tensile.strength"].value))


def slack(**more: Any) -> dict[str, Outcome]:
    """Return a pull of 2000 MPa that begins with 0.02 mm of slack (0.04 % of 50 mm)."""
    rows = [(i * 0.005, max(0.0, 40 * 2000 * (i * 0.005 - 0.02) / 50)) for i in range(100)]
    raw = {"area": 40.0, "gauge_length": 50.0, "curve": curve(*rows), **more}
    return testing.outcomes(Tensile(), raw)


def test_slack_is_noticed() -> None:
    """A straight part that does not meet the zero is said."""
    assert any("meets zero stress at 0.040 %" in remark for remark in slack()["tensile.modulus"].remarks)


def test_counting_from_the_foot_takes_slack_off_the_strain() -> None:
    """Strain at break is 0.04 % less, the modulus the same."""
    plain, footed = slack(), slack(strain_zero="foot")
    shift = nominal(plain["tensile.strain_at_break"].value) - nominal(footed["tensile.strain_at_break"].value)
    assert shift == approx(0.04, abs=1e-6)
    assert nominal(footed["tensile.modulus"].value) == approx(2000.0, rel=1e-6)


def test_the_curve_s_maximum_goes_before_the_typed_force() -> None:
    """And the difference is said where it exceeds half a per cent."""
    found = iron(max_force=31_000)["tensile.strength"]
    assert nominal(found.value) == approx(409.853, abs=5e-4)
    said = "The curve's maximum 31280 N was used; the typed max_force 31000 N is another."
    assert said in found.remarks


def test_a_typed_force_that_agrees_is_no_remark() -> None:
    """Half a per cent is within reading a dial."""
    assert not any("typed" in each for each in iron(max_force=31_200)["tensile.strength"].remarks)


def test_a_missing_section_is_refused_not_guessed() -> None:
    """The refusal says what would give a strength."""
    assert refusal("strength", max_force=100) == "no section: give width and thickness, or area"


def test_a_missing_force_is_refused() -> None:
    """A section alone is no strength."""
    assert refusal("strength", area=25) == "no force: give max_force, or attach a curve"


def test_a_curve_over_time_has_strength_and_no_modulus() -> None:
    """Without strain the other quantities are refused with what is missing."""
    found = testing.outcomes(
        Tensile(), {"area": 40, "curve": curve((0, 0), (1, 400), words="time_s,force_N")}
    )
    assert nominal(found["tensile.strength"].value) == 10.0
    assert "give gauge_length" in found["tensile.modulus"].refused


def test_a_curve_that_cannot_be_read_is_refused_by_name() -> None:
    """The file's own trouble is passed on."""
    assert "pull.csv is not text" in refusal("strength", area=40, curve=Recording("pull.csv", b"\x00"))


def test_a_curve_that_never_pulls_has_no_strength() -> None:
    """A recording of zeros is refused."""
    assert "never pulls" in refusal("strength", area=40, curve=curve((0, 0), (1, 0)))


@pytest.mark.parametrize("place", ["shoulder", "grip"])
def test_a_break_outside_the_gauge_section_is_a_remark(place: str) -> None:
    """The standard would not count it."""
    found = testing.outcomes(Tensile(), {"max_force": 100, "area": 25, "break_position": place})
    assert f"It broke in the {place}" in found["tensile.strength"].remarks[0]


def test_area_and_sides_that_disagree_are_reported() -> None:
    """The area is used, and the product of the sides told."""
    found = testing.outcomes(
        Tensile(), {"max_force": 100, "area": 25, "area_u": 0, "width": 10, "thickness": 4}
    )
    assert found["tensile.strength"].remarks == ("area 25 mm² was used; width × thickness give 40 mm².",)


@pytest.mark.parametrize(("u", "share"), [(None, None), (0, None), (0.5, 0.02)])
def test_an_area_counts_with_the_uncertainty_it_was_given_with(u: float | None, share: float | None) -> None:
    """25 ± 0.5 mm² is 2 % of the strength; nothing said is reported beside the result, and exact is exact."""
    found = testing.outcomes(Tensile(), {"max_force": 1000, "area": 25, "area_u": u})["tensile.strength"]
    of_area = dict(found.value.error_components()) if hasattr(found.value, "error_components") else {}
    parts = {str(variable.tag): part for variable, part in of_area.items()}
    unstated = "The uncertainty of the area was not stated (area_u) and is not in U."
    assert (unstated in found.remarks) == (u is None)
    if share is None:
        assert "area: as given" not in parts
    else:
        assert parts["area: as given"] == pytest.approx(share * 40.0)


def test_a_section_unlike_its_template_is_reported() -> None:
    """A width read in the wrong place is noticed while the piece is still there."""
    raw, piece = (
        {"max_force": 100, "width": 12, "thickness": 4},
        Piece(geometry="bar", nominal_mm={"width": 10.0}),
    )
    assert "differs by +20.0 %" in testing.outcomes(Tensile(), raw, piece)["tensile.strength"].remarks[0]


def test_every_real_curve_s_maximum_is_what_the_tester_wrote() -> None:
    """Strength from the curve equals written maximum over area within 0.01 MPa, 20 rows lack an area."""
    folder, refused, compared = real_data("pulls"), 0, 0
    with (folder / "pulls.csv").open(encoding="utf-8") as lines:
        for line in csv.DictReader(lines):
            raw: dict[str, Any] = {"max_force": line["written_max_force_N"], "area": line["area_mm2"]}
            if line["curve"]:
                file = folder / "curves" / line["curve"]
                raw["curve"] = Recording(file.name, file.read_bytes())
            found = testing.outcomes(Tensile(), raw)["tensile.strength"]
            refused += bool(found.refused)
            if found.value is not None:
                compared += 1
                written = float(line["written_max_force_N"]) / float(line["area_mm2"])
                assert nominal(found.value) == approx(written, abs=0.01)
    assert (refused, compared) == (20, 234)
