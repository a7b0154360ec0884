"""Files as test machines write them, of one pull whose truth is known: 30.00 MPa and 2265 MPa.

The curve is made here: σ = E·ε − c·ε³ with E = 2265 MPa, its greatest stress 30.00 MPa on 10.00 × 4.00 mm,
with a level stretch before the pull and after the break, and noise of 0.2 N.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from tracker_methods.softening import Softening
from tracker_methods.tensile import Tensile

from tests.api.close import approx
from tracker.api import Ambiguous, Outcome, Recording, nominal, read_curve, testing

E_MPA, STRENGTH, AREA, GAUGE = 2265.0, 30.0, 40.0, 50.0


def pull(noise: float = 0.2, rows: int = 1500) -> tuple[Any, Any, Any]:
    """Return time in s, extension in mm and force in N of the pull."""
    # σ = Eε − cε³ has its maximum where ε² = E/3c, so that σ_max = (2/3)·E·ε there.
    top = 1.5 * STRENGTH / E_MPA
    strain = np.concatenate((np.zeros(40), np.linspace(0.0, 1.02 * top, rows), np.full(60, 1.02 * top)))
    stress = E_MPA * strain - E_MPA / (3 * top**2) * strain**3
    stress[-60:] = 0.0
    force = stress * AREA + np.random.default_rng(7).normal(0.0, noise, len(strain))
    return np.arange(len(strain)) * 0.05, strain * GAUGE, force


def lines(header: str, columns: tuple[Any, ...], formats: tuple[str, ...], comma: bool = False) -> str:
    """Write a table, decimal commas where wanted."""
    rows = []
    for row in zip(*columns, strict=True):
        cells = [format(value, each) for value, each in zip(row, formats, strict=True)]
        rows.append(";".join(cells).replace(".", ",") if comma else ",".join(cells))
    return header + "\n" + "\n".join(rows) + "\n"


def measured(text: str, /, read_as: dict[str, str] | None = None, **more: Any) -> dict[str, Outcome]:
    """Return what a tensile test makes of a file."""
    curve = Recording("pull.csv", text.encode(), read_as or {})
    raw = {"width": 10.0, "thickness": 4.0, "gauge_length": GAUGE, "curve": curve, **more}
    return testing.outcomes(Tensile(), raw)


def check_truth(found: dict[str, Outcome]) -> None:
    """Hold strength and modulus to the truth."""
    assert nominal(found["tensile.strength"].value) == approx(STRENGTH, abs=0.02)
    assert nominal(found["tensile.modulus"].value) == approx(E_MPA, rel=0.01)


def grouped(value: float, group: str, point: str, places: int) -> str:
    """Write a number with thousands parted: ``1.234,50``."""
    text = f"{value:,.{places}f}"
    return text.replace(",", "#").replace(".", point).replace("#", group)


def test_decimal_commas_with_thousands() -> None:
    """``1.234,50`` with semicolons (was 24.99 MPa)."""
    time, travel, force = pull()
    body = "\n".join(
        f"{t:.2f};{x:.5f};".replace(".", ",") + grouped(f, ".", ",", 2)
        for t, x, f in zip(time, travel, force, strict=True)
    )
    check_truth(measured("time_s;extension_mm;force_N\n" + body))


def test_whole_numbers_with_points_for_thousands() -> None:
    """``1.234`` after ``998`` is a thousand; other columns have decimal commas (was 24.93 MPa)."""
    time, travel, force = pull()
    body = "\n".join(
        f"{t:.2f};{x:.5f};".replace(".", ",") + grouped(f, ".", ",", 0)
        for t, x, f in zip(time, travel, force, strict=True)
    )
    found = measured("time_s;extension_mm;force_N\n" + body)
    assert nominal(found["tensile.strength"].value) == approx(STRENGTH, abs=0.04)


def test_a_column_against_the_others_is_a_question() -> None:
    """``1.234`` after ``998`` beside times with decimal points: the option that decides is named."""
    time, travel, force = pull()
    rows = zip(time, travel, force, strict=True)
    body = "\n".join(f"{t:.2f};{x:.5f};{grouped(f, '.', ',', 0)}" for t, x, f in rows)
    with pytest.raises(Ambiguous, match="decimal=point") as asked:
        read_curve(Recording("pull.csv", ("time_s;extension_mm;force_N\n" + body).encode()))
    assert asked.value.option == "decimal"


def test_quoted_thousands() -> None:
    """``"1,002.5"`` among commas (was 24.99 MPa)."""
    time, travel, force = pull()
    rows = zip(time, travel, force, strict=True)
    body = "\n".join(f'{t:.2f},{x:.5f},"{grouped(f, ",", ".", 2)}"' for t, x, f in rows)
    check_truth(measured("time_s,extension_mm,force_N\n" + body))


@pytest.mark.parametrize(
    ("header", "factor"),
    [("force_kN", 1e-3), ("Force (kN)", 1e-3), ("Kraft [N]", 1.0), ("load_lbf", 1 / 4.4482216152605)],
)
def test_units_of_force_in_the_header(header: str, factor: float) -> None:
    """0.03 MPa of a column in kilonewtons is 30.00."""
    time, travel, force = pull()
    text = lines(f"time_s,extension_mm,{header}", (time, travel, force * factor), (".2f", ".5f", ".8f"))
    check_truth(measured(text))


def test_a_row_of_units_under_the_header() -> None:
    """Time in ms, travel in µm, force in kN."""
    time, travel, force = pull()
    text = lines(
        "t;Weg;F\nms;µm;kN", (time * 1e3, travel * 1e3, force / 1e3), (".1f", ".2f", ".7f"), comma=True
    )
    check_truth(measured(text))


def test_kilonewtons_without_a_unit_can_be_stated() -> None:
    """What the header does not say, ``--read`` does."""
    time, travel, force = pull()
    text = lines("time_s,extension_mm,force", (time, travel, force / 1e3), (".2f", ".5f", ".7f"))
    check_truth(measured(text, {"force.unit": "kN"}))


def test_percent_of_strain_without_a_unit_is_a_question() -> None:
    """E was 24 MPa; said once, it is 2265."""
    time, travel, force = pull()
    text = lines("time_s,strain,force_N", (time, 100 * travel / GAUGE, force), (".2f", ".5f", ".2f"))
    with pytest.raises(Ambiguous, match=r"strain\.unit"):
        read_curve(Recording("pull.csv", text.encode()))
    check_truth(measured(text, {"strain.unit": "%"}))
    check_truth(measured(text.replace("strain", "strain_%")))


def test_clock_times_and_inches() -> None:
    """``hh:mm:ss`` and inches in the header."""
    time, travel, force = pull()
    stamps = [f"10:{int(t) // 60:02d}:{t % 60:05.2f}" for t in time]
    body = "\n".join(f"{s},{x / 25.4:.7f},{f:.2f}" for s, x, f in zip(stamps, travel, force, strict=True))
    check_truth(measured("time,extension_in,force_N\n" + body))


def as_text(force: Any) -> str:
    """Write the pull with another force."""
    time, travel, _ = pull()
    return lines("time_s,extension_mm,force_N", (time, travel, force), (".2f", ".5f", ".2f"))


def named(found: dict[str, Outcome], words: str) -> bool:
    """Tell whether a finding is shown beside the strength."""
    outcome = found["tensile.strength"]
    return any(words in each for each in (*outcome.remarks, outcome.refused))


def test_a_spike_refuses_the_strength_until_somebody_says() -> None:
    """A single row of 2,400 N."""
    force = pull()[2]
    force[900] = 2400.0
    found = measured(as_text(force))
    assert found["tensile.strength"].value is None
    assert "Spike" in found["tensile.strength"].refused
    assert "--take 'spike=leave out'" in found["tensile.strength"].refused
    check_truth(measured(as_text(force), {"take.spike": "leave out"}))
    assert nominal(measured(as_text(force), {"take.spike": "keep"})["tensile.strength"].value) == approx(60.0)


def test_a_clipped_recording_refuses_the_strength_or_bounds_it() -> None:
    """An amplifier that ends at 1,000 N."""
    force = np.minimum(pull()[2], 1000.0)
    assert "Clipping" in measured(as_text(force))["tensile.strength"].refused
    bound = measured(as_text(force), {"take.clipping": "limit"})["tensile.strength"]
    assert (nominal(bound.value), bound.relation) == (approx(25.0), ">")


def test_an_offset_before_and_after_is_subtracted() -> None:
    """+60 N on the whole recording."""
    found = measured(as_text(pull()[2] + 60))
    check_truth(found)
    assert named(found, "before the pull and after the break. Taken: subtract")


def test_an_offset_that_may_be_a_preload_is_asked_about() -> None:
    """The same without the rows after the break."""
    time, travel, force = pull()
    text = lines(
        "time_s,extension_mm,force_N", (time[:1520], travel[:1520], force[:1520] + 60), (".2f", ".5f", ".2f")
    )
    assert "a preload, or a zero" in measured(text)["tensile.strength"].refused


def test_a_preload_is_named_and_kept() -> None:
    """100 N before the pull, nothing after the break."""
    force = pull()[2]
    force[:-60] = np.maximum(force[:-60], 100.0)
    found = measured(as_text(force))
    assert named(found, "Preload: the recording begins at 100")
    assert nominal(found["tensile.strength"].value) == approx(STRENGTH, abs=0.02)


def test_an_inverted_sign_is_reversed() -> None:
    """A load cell that counts pulling negative."""
    found = measured(as_text(-pull()[2]))
    check_truth(found)
    assert named(found, "sign turned")


def test_a_drop_out_is_left_out() -> None:
    """Six rows of nothing on the way up."""
    force = pull()[2]
    force[700:706] = 0.0
    found = measured(as_text(force))
    check_truth(found)
    assert named(found, "Drop-out: the force is lost for 6 rows")


def test_a_slip_keeps_strain_from_being_used() -> None:
    """The force falls to half at once and recovers: too deep for a yield, strain and modulus must be said."""
    force = pull()[2]
    force[1000:1540] = np.linspace(500.0, 1200.0, 540)
    found = measured(as_text(force))
    assert named(found, "Slip: the force falls at once")
    assert nominal(found["tensile.strength"].value) == approx(STRENGTH, abs=0.05)
    assert "Slip" in found["tensile.strain_at_break"].refused
    assert measured(as_text(force), {"take.slip": "later maximum"})["tensile.modulus"].value is not None


def test_a_fall_that_may_be_a_yield_refuses_the_strength_until_somebody_says() -> None:
    """From 1,000 to 850 N at once, and on to 1,200 N: a slip is 30 MPa, a yield what it fell from."""
    force = pull()[2]
    fallen = float(force[1000])
    force[1003:1540] = np.linspace(0.85 * fallen, 1200.0, 537)
    found = measured(as_text(force))["tensile.strength"]
    assert found.value is None
    assert "Was it a yield" in found.refused
    assert "--take 'slip=later-maximum' or 'slip=yield'" in found.refused.replace(
        "later maximum", "later-maximum"
    )
    later = measured(as_text(force), {"take.slip": "later maximum"})["tensile.strength"]
    assert nominal(later.value) == approx(STRENGTH, abs=0.05)
    first = measured(as_text(force), {"take.slip": "yield"})["tensile.strength"]
    assert nominal(first.value) == approx(fallen / 40.0, rel=0.01)


def test_a_written_force_leaves_the_other_findings_as_they_are() -> None:
    """A zero offset of 30 N before and after the break is reported beside what was decided of the fall."""
    force = pull()[2]
    fallen = float(force[1000])
    force[1003:1540] = np.linspace(0.85 * fallen, 1200.0, 537)
    found = measured(as_text(force + 30.0), max_force=1200.0)
    assert named(found, "Zero offset: 29.99 N")
    assert named(found, "The force written down, 1200 N, is the later maximum.")


@pytest.mark.parametrize("maximum", ["later", "first"])
def test_a_written_force_says_which_maximum_is_meant(maximum: str) -> None:
    """Who wrote 1,200 N down has looked at the display; strain still waits, where it was a slip."""
    force = pull()[2]
    fallen = float(force[1000])
    force[1003:1540] = np.linspace(0.85 * fallen, 1200.0, 537)
    written = 1200.0 if maximum == "later" else fallen
    found = measured(as_text(force), max_force=written)
    assert nominal(found["tensile.strength"].value) == approx(written / 40.0, rel=0.01)
    assert bool(found["tensile.strain_at_break"].refused) is (maximum == "later")
    assert named(found, "The force written down")
    assert not named(found, "Was it a yield")


def test_a_recording_that_ends_while_it_rises_is_a_bound() -> None:
    """Stopped at two thirds: at least so much."""
    time, travel, force = pull()
    text = lines(
        "time_s,extension_mm,force_N", (time[:700], travel[:700], force[:700]), (".2f", ".5f", ".2f")
    )
    found = measured(text)["tensile.strength"]
    assert found.relation == ">"
    assert any("ends while the force still rises" in each for each in found.remarks)


def test_few_rows_widen_the_uncertainty() -> None:
    """Every hundredth row: the true maximum may lie between two of them."""
    time, travel, force = (each[::100] for each in pull())
    text = lines("time_s,extension_mm,force_N", (time, travel, force), (".2f", ".5f", ".2f"))
    found = measured(text)["tensile.strength"]
    assert any("Sampled coarsely" in each for each in found.remarks)
    dense = measured(as_text(pull()[2]))["tensile.strength"]
    assert found.value.std_dev > 5 * dense.value.std_dev


def test_a_clean_recording_has_no_findings() -> None:
    """Nothing is said where nothing is wrong, and both truths come out."""
    found = measured(as_text(pull()[2]))
    check_truth(found)
    assert not any(
        word in each
        for each in found["tensile.strength"].remarks
        for word in ("Spike", "Slip", "Zero", "Preload")
    )


@pytest.mark.parametrize("rule", ["least squares", "chord"])
def test_the_modulus_knows_its_own_scatter(rule: str) -> None:
    """Over 40 pulls with noise of 5 N the stated u covers their real scatter within a factor of 1.6."""
    values, stated = [], []
    for seed in range(40):
        time, travel, force = pull(noise=0.0, rows=600)
        noisy = force + np.random.default_rng(seed).normal(0.0, 5.0, len(force))
        text = lines("time_s,extension_mm,force_N", (time, travel, noisy), (".2f", ".6f", ".3f"))
        found = measured(text, modulus_rule=rule)["tensile.modulus"].value
        values.append(found.nominal_value)
        own = [u for v, u in found.error_components().items() if str(v.tag).startswith("curve: ")]
        stated.append(math.hypot(*own))
    real = float(np.std(values, ddof=1))
    assert real / 1.6 < float(np.mean(stated)) < 1.6 * real


def test_a_toe_does_not_soften_the_modulus() -> None:
    """A toe of 0.3 % strain: found by its curvature, the interval moved behind it."""
    time, travel, force = pull(noise=0.1)
    toe = 0.003
    strain = travel / GAUGE
    real = np.interp(strain, strain[40:-60] + toe / 2, force[40:-60], left=0.0)
    bent = np.where(strain < toe, E_MPA * AREA * strain**2 / (2 * toe), real)
    bent[-60:] = 0.0
    text = lines("time_s,extension_mm,force_N", (time, travel, bent), (".2f", ".5f", ".2f"))
    # The curve bends of its own: behind a toe of 0.3 % its slope is 2 % below that at its beginning.
    assert nominal(measured(text, strain_zero="foot")["tensile.modulus"].value) == approx(E_MPA, rel=0.04)
    assert nominal(measured(text)["tensile.modulus"].value) < 0.7 * E_MPA


OVEN = [25.0 + 0.5 * i for i in range(120)]


def oven(header: str, rows: list[tuple[str, ...]]) -> Outcome:
    """Return the temperature of first deformation of an oven log."""
    log = Recording("oven.csv", (header + "\n" + "\n".join(",".join(row) for row in rows)).encode())
    return testing.outcomes(Softening(), {"log": log})["softening.onset"]


def bend(celsius: float) -> float:
    """Return the deflection in mm: flat to 60 °C, then giving."""
    return 0.0004 * (celsius - 25) + 0.02 * max(0.0, celsius - 60.0) ** 1.5


@pytest.mark.parametrize(
    ("header", "temperature", "length"),
    [
        ("temp_f,deflection_mm", lambda c: 1.8 * c + 32, 1.0),
        ("temp_k,deflection_um", lambda c: c + 273.15, 1000.0),
        ("temperature_c,deflection_in", lambda c: c, 1 / 25.4),
    ],
)
def test_oven_logs_in_other_units(header: str, temperature: Any, length: float) -> None:
    """°F, K, µm and inch give the onset of the log in °C and mm."""
    rows = [(f"{temperature(c):.6f}", f"{bend(c) * length:.9f}") for c in OVEN]
    plain = oven("temperature_c,deflection_mm", [(f"{c:.6f}", f"{bend(c):.9f}") for c in OVEN])
    assert nominal(oven(header, rows).value) == approx(nominal(plain.value), abs=0.01)


def test_oven_logs_with_a_clock() -> None:
    """``hh:mm:ss`` is a time: the heating rate is known."""
    rows = [
        (f"12:{i // 2:02d}:{30 * (i % 2):02d}", f"{c:.2f}", f"{bend(c):.5f}")
        for i, c in enumerate(OVEN[:110])
    ]
    found = oven("time,temperature_c,deflection_mm", rows)
    assert not any("rate not known" in each for each in found.remarks)
