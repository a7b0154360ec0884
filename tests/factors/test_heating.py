"""Heating before the first layer, changes by hand in a section, factors of a piece; no book is needed."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tracker.factors import Changed, InForce, in_force
from tracker.factors.inforce import (
    MOST_S,
    check_first_layer,
    first_layer_s,
    heating,
    heating_doubt,
    heating_of,
    plan_begins_s,
)
from tracker.factors.printed import gauge_section, of_job, of_piece, put_given
from tracker.factors.registry import Factors, basis_of, factor_data, factor_named, put, rounded, unit_of
from tracker.forms import FormError

EIGHT = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)
SECTION: dict[str, Any] = {
    "first_layer": 11,
    "spans_s": [[100.0 * n, 100.0 * n + 50.0] for n in range(10)],
    "tops_mm": [2.2 + 0.2 * n for n in range(10)],
}
"""Ten layers, 11 to 20, tops 2.2 to 4 mm, each laid for 50 s of every 100 s."""

BASE = (100.0, 90.0, 110.0)


def minutes(count: float) -> dt.datetime:
    """Return a moment in minutes after eight."""
    return EIGHT + dt.timedelta(minutes=count)


def a_row(**more: Any) -> Any:
    """Make a job of an hour by its plan, with a piece of which a plate file says when its layers begin."""
    facts = [{"first_layer_s": 30.0}]
    known: dict[str, Any] = {
        "id": 7, "started_at": EIGHT, "first_layer_at": None, "ended_at": None, "outcome": None,
        "time_s": 3600.0, "nozzle_set_c": 250.0, "bed_set_c": 100.0,
        "specimens": [SimpleNamespace(plate_facts=each) for each in more.pop("facts", facts)],
    }  # fmt: skip
    return SimpleNamespace(**{**known, **more})


@pytest.mark.parametrize(
    ("more", "seconds", "low", "high"),
    [
        ({"first_layer_at": minutes(12)}, None, 720, 720),
        ({"first_layer_at": minutes(12)}, 30.0, 690, 690),
        ({"first_layer_at": minutes(0)}, 30.0, 0, 0),
        # 54 minutes is the least that a plan of 60 takes; a heating of nothing is not told from no bound.
        ({"ended_at": minutes(54), "outcome": "finished"}, None, 0, MOST_S),
        ({"ended_at": minutes(54.5), "outcome": "finished"}, None, 0, 30),
        ({"ended_at": minutes(113), "outcome": "finished"}, None, 0, 3540),
        ({"ended_at": minutes(115), "outcome": "finished"}, None, 0, 3600),
        ({"ended_at": minutes(70), "outcome": "failed"}, None, 0, MOST_S),
        ({"ended_at": minutes(70), "outcome": "finished", "time_s": None}, None, 0, MOST_S),
        ({"ended_at": minutes(70), "outcome": "finished", "started_at": None}, None, 0, MOST_S),
    ],
)
def test_the_heating_of_a_job(more: dict[str, Any], seconds: float | None, low: float, high: float) -> None:
    """To the first layer less what the plate's own times spend before it; else within what bounds it."""
    found = heating(a_row(**more), seconds)

    assert (found.low_s, found.high_s) == (low, high)
    assert found.known is (low == high)
    assert MOST_S == 3600


def test_how_a_heating_is_known_is_told() -> None:
    """By the first layer's time, by how long the job lasted, or not at all."""
    rows = (
        a_row(first_layer_at=minutes(12)), a_row(ended_at=minutes(70), outcome="finished"), a_row(),
    )  # fmt: skip

    assert [heating_of(row).how for row in rows] == [
        "the first layer's time is recorded",
        "estimated from how much longer the job lasted than planned",
        "nothing recorded bounds it; an hour is taken",
    ]


def test_the_first_layer_is_that_of_the_first_piece_of_a_plate_file() -> None:
    """Pieces that no plate file knows say nothing of it."""
    assert first_layer_s(a_row()) == 30.0
    assert first_layer_s(a_row(facts=[None, {}, {"first_layer_s": 40.0}, {"first_layer_s": 50.0}])) == 40.0
    assert first_layer_s(a_row(facts=[{"layers": 3}, {"first_layer_s": 50.0}])) is None
    assert first_layer_s(a_row(facts=[])) is None


def test_a_plan_begins_after_a_heating_that_is_known() -> None:
    """With one that is only bounded at the job's start."""
    assert plan_begins_s(a_row(first_layer_at=minutes(12))) == 690.0
    assert plan_begins_s(a_row(ended_at=minutes(70), outcome="finished")) == 0.0
    assert plan_begins_s(a_row()) == 0.0


@pytest.mark.parametrize(
    ("first", "ended", "said"),
    [
        (minutes(0), minutes(60), None),
        (minutes(60), minutes(60), None),
        (None, minutes(60), None),
        (minutes(-1), minutes(60), "The heating would end at 2026-03-02 07:59"),
        (minutes(61), minutes(60), "The printing would end at 2026-03-02 09:00"),
    ],
)
def test_a_first_layer_lies_in_its_job(
    first: dt.datetime | None, ended: dt.datetime, said: str | None
) -> None:
    """Not before its beginning, nor after its end; at either it may."""
    row = a_row(first_layer_at=first, ended_at=ended)
    if said is None:
        check_first_layer(row, dt.UTC)
    else:
        with pytest.raises(FormError, match=said):
            check_first_layer(row, dt.UTC)


def a_log(offset_s: float = 0.0, **channels: list[float]) -> Any:
    """Make a log with a reading a minute, laid beside a job."""
    made = {
        name: SimpleNamespace(values=np.array(values), t_s=60.0 * np.arange(len(values)))
        for name, values in channels.items()
    }
    return SimpleNamespace(log=SimpleNamespace(channels=made), offset_s=offset_s)


NOZZLE_AT_4, BED_AT_7 = [20.0, 80, 150, 220, 246, 250, 250, 250], [20.0, 40, 60, 70, 80, 90, 94, 95]


@pytest.mark.parametrize(
    ("logs", "minute", "how"),
    [
        ([], 60, "nothing recorded bounds it; an hour is taken"),
        ([a_log(nozzle=NOZZLE_AT_4)], 4, "by the log the nozzle came near 250 °C then"),
        ([a_log(nozzle=NOZZLE_AT_4, bed=BED_AT_7)], 7, "by the log the bed came near 100 °C then"),
        ([a_log(nozzle=NOZZLE_AT_4), a_log(bed=BED_AT_7)], 7, "by the log the bed came near 100 °C then"),
        ([a_log(120.0, nozzle=NOZZLE_AT_4)], 6, "by the log the nozzle came near 250 °C then"),
        # A rise before the job is not its heating; a heater that nobody logged or that stays cold none.
        ([a_log(-240.0, nozzle=NOZZLE_AT_4)], 60, "nothing recorded bounds it; an hour is taken"),
        ([a_log(-239.0, nozzle=NOZZLE_AT_4)], 0, "by the log the nozzle came near 250 °C then"),
        ([a_log(chamber=BED_AT_7, bed=[20.0, 94.9])], 60, "nothing recorded bounds it; an hour is taken"),
    ],
)
def test_a_log_bounds_the_heating_by_the_last_heater(logs: list[Any], minute: int, how: str) -> None:
    """The printer waits for nozzle and bed: when the later of them came near, it can begin."""
    (said,) = heating_doubt(a_row(), logs)

    assert said == (
        "The heating before the first layer is not recorded: times of layers may be early by 0 – "
        f"{minute} min (estimate: {how}). Say when it began: strandbook job first-layer J0007-7 TIME"
    )


def test_a_heating_in_doubt_is_told_only_where_layers_have_times() -> None:
    """Where it is recorded, or no plate file gives times, there is nothing to be early."""
    log = a_log(nozzle=NOZZLE_AT_4)

    assert heating_doubt(a_row(first_layer_at=minutes(12)), [log]) == []
    assert heating_doubt(a_row(facts=[None, {}]), [log]) == []
    assert heating_doubt(a_row(facts=[None, {"layers": 9}]), [log])
    assert "60 min" in heating_doubt(a_row(nozzle_set_c=None), [log])[0]


@pytest.mark.parametrize(
    ("start", "near"), [(230.0, True), (230.1, False), (20.0, True)]
)  # fmt: skip
def test_a_heater_has_risen_from_twenty_degrees_below(start: float, near: bool) -> None:
    """One that was nearly there at the first reading did not heat for this job."""
    (said,) = heating_doubt(a_row(), [a_log(nozzle=[start, 244.9, 245.0, 250.0])])
    assert ("by the log" in said) is near
    assert ("2 min" in said) is near


@pytest.mark.parametrize(
    ("change", "mean"),
    [
        (Changed("fan", 0.0, layer=11), 0.0),
        (Changed("fan", 0.0, layer=12), 10.0),
        (Changed("fan", 0.0, layer=20), 90.0),
        (Changed("fan", 0.0, height_mm=2.1), 0.0),
        (Changed("fan", 0.0, height_mm=2.2), 10.0),
        (Changed("fan", 0.0, height_mm=2.1995), 10.0),
        (Changed("fan", 0.0, height_mm=2.198), 0.0),
        (Changed("fan", 0.0, height_mm=4.0), 100.0),
        (Changed("fan", 0.0, at_s=0.0), 0.0),
        (Changed("fan", 0.0, at_s=50.0), 10.0),
        (Changed("fan", 0.0, at_s=100.0), 10.0),
        (Changed("fan", 0.0, at_s=110.0), 12.0),
        (Changed("fan", 0.0, at_s=949.0), 99.8),
        (Changed("fan", 0.0, at_s=950.0), 100.0),
        (Changed("fan", 0.0), 100.0),
    ],
)
def test_from_where_on_a_change_holds(change: Changed, mean: float) -> None:
    """From its layer, above its height to a micrometre, in part of a layer; nowhere unless that is said."""
    found = in_force((100.0, 100.0, 100.0), [change], SECTION)

    assert found is not None
    assert found.value == pytest.approx(mean)
    assert found.low == (0.0 if mean < 100.0 else 100.0)


def test_a_part_of_the_section_keeps_the_range_of_its_base() -> None:
    """Least and greatest of what was in force before the change are still in force over its part."""
    assert in_force(BASE, [Changed("fan", 95.0, layer=16)], SECTION) == InForce(97.5, 90.0, 110.0)


def test_a_change_within_a_section_of_unknown_base_gives_what_it_was_changed_to() -> None:
    """What held before it nobody knows: the last value, between all of them, and not placed."""
    changes = [Changed("fan", 50.0, layer=12), Changed("fan", 30.0, layer=14), Changed("fan", 40.0, layer=15)]

    assert in_force(None, changes, SECTION) == InForce(40.0, 30.0, 50.0, placed=False)
    assert in_force(None, [Changed("fan", 50.0, layer=11)], SECTION) == InForce(50.0, 50.0, 50.0)


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ([Changed("fan", 50.0, layer=1)], InForce(50.0, 50.0, 50.0)),
        ([Changed("fan", 50.0, layer=2)], InForce(80.0, 50.0, 110.0, placed=False)),
        ([Changed("fan", 50.0, height_mm=0.0)], InForce(50.0, 50.0, 50.0)),
        ([Changed("fan", 50.0, height_mm=0.1)], InForce(80.0, 50.0, 110.0, placed=False)),
        ([Changed("fan", 50.0, at_s=0.0)], InForce(50.0, 50.0, 50.0)),
        ([Changed("fan", 50.0, at_s=0.1)], InForce(80.0, 50.0, 110.0, placed=False)),
        ([Changed("fan", 50.0)], InForce(50.0, 50.0, 50.0)),
        ([Changed("fan", 9.0, layer=1), Changed("fan", 50.0, layer=1)], InForce(50.0, 50.0, 50.0)),
        (
            [Changed("fan", 50.0, layer=1), Changed("fan", 9.0, layer=2)],
            InForce(59.5, 9.0, 110.0, placed=False),
        ),
    ],
)
def test_without_layers_a_change_holds_from_the_start_or_somewhere(
    changes: list[Changed], found: InForce
) -> None:
    """From the first layer, the bed or the beginning on it is the value; else between all there were."""
    assert in_force(BASE, changes, {}) == found


def test_without_layers_and_base_the_last_change_is_all_that_is_known() -> None:
    """And it is not placed."""
    changes = [Changed("fan", 50.0, layer=2), Changed("fan", 30.0, layer=4)]
    assert in_force(None, changes, {}) == InForce(30.0, 30.0, 30.0, placed=False)


def test_a_doubt_ends_where_its_section_does() -> None:
    """A change whose latest place is before the section, or earliest after it, was never in doubt there."""
    section = {**SECTION, "spans_s": [[a + 1000, b + 1000] for a, b in SECTION["spans_s"]]}

    def doubted(at_s: float, doubt_s: float) -> InForce | None:
        return in_force((100.0, 100.0, 100.0), [Changed("fan", 50.0, at_s=at_s, doubt_s=doubt_s)], section)

    assert doubted(1000.0, 900.0) == InForce(50.0, 50.0, 50.0)
    assert doubted(2500.0, 550.0) == InForce(100.0, 100.0, 100.0)
    half = doubted(1500.0, 500.0)
    assert half == InForce((75.0 + 50.0) / 2, 50.0, 100.0, sure=False)


def test_of_several_changes_only_those_in_time_are_moved_by_the_doubt() -> None:
    """A change from a layer on stays at its layer, however long the printer heated."""
    changes = [Changed("fan", 0.0, layer=16), Changed("fan", 50.0, at_s=1500.0, doubt_s=2000.0)]
    found = in_force((100.0, 100.0, 100.0), changes, SECTION)

    # Late: half at 100, half at 0. Early: all at 50, then half at 0.
    assert found == InForce((50.0 + 25.0) / 2, 0.0, 100.0, sure=False)


JOB: dict[str, Any] = {
    "nozzle_set_c": 250.0, "nozzle_measured_c": 247.0, "bed_set_c": 100.0, "bed_measured_c": None,
    "chamber_set_c": None, "chamber_measured_c": 55.0, "fan_set_pct": 20.0, "layer_height_mm": 0.2,
    "line_width_mm": 0.45, "room_c": 21.0, "room_rh_pct": 40.0, "lot": "L1", "printer": "left",
    "nozzle": "0.4", "surface": "PEI", "operator": "Bo", "spool_id": 3, "started_at": EIGHT,
    "first_layer_at": EIGHT, "ended_at": None, "time_s": None, "outcome": None,
}  # fmt: skip


def told(found: Factors) -> dict[str, tuple[Any, ...]]:
    """Return value, basis and source of factors."""
    return {name: (each.value, each.basis, each.source) for name, each in found.items()}


def test_what_all_pieces_of_a_job_share() -> None:
    """What was read before what was set, each with where it comes from."""
    assert told(of_job(SimpleNamespace(**JOB), 2)) == {
        "nozzle_c": (247.0, "measured", "read while the job ran"),
        "bed_c": (100.0, "commanded", "set for the job"),
        "chamber_c": (55.0, "measured", "read while the job ran"),
        "fan_pct": (20.0, "commanded", "set for the job"),
        "layer_height_mm": (0.2, "commanded", "set for the job"),
        "line_width_mm": (0.45, "commanded", "set for the job"),
        "print_room_c": (21.0, "measured", "read while the job ran"),
        "print_room_rh": (40.0, "measured", "read while the job ran"),
        "attempt": (2.0, "measured", "counted"),
        "lot": ("L1", "typed", "spool"), "printer": ("left", "typed", "job"),
        "nozzle": ("0.4", "typed", "job"), "surface": ("PEI", "typed", "job"),
        "printed_by": ("Bo", "typed", "job"),
        "spool": ("S0003-N", "typed", "job"),
    }  # fmt: skip


def a_piece(section: dict[str, Any] | None = None, **more: Any) -> Any:
    """Make a specimen's row."""
    known = {"section": section, "x_mm": None, "y_mm": None, "size_z_mm": None, "filament_g": None,
             "orientation": None, "geometry": None, "logged": None}  # fmt: skip
    return SimpleNamespace(**{**known, **more})


def changed(setting: str, value: float | None, **where: Any) -> Any:
    """Make a change by hand, from the first layer on unless it says where."""
    return SimpleNamespace(
        setting=setting, value=value, **{"at": None, "layer": 1, "height_mm": None, **where}
    )


def reading(value: float | None, low: float | None = None, high: float | None = None) -> dict[str, Any]:
    """Make a figure of a plate file."""
    return {"value": value, "low": low, "high": high, "basis": "commanded"}


def test_where_a_piece_stands_is_told() -> None:
    """By the plate file; the middle of its section above the bed, else of the piece."""
    job = SimpleNamespace(**JOB)
    section = {"z_mm": [10.0, 30.0]}
    found = of_piece(a_piece(section, x_mm=1.5, y_mm=2.5, size_z_mm=9.0, filament_g=4.2), job, {}, ())

    assert told(found) == {
        "x_mm": (1.5, "commanded", "plate file"), "y_mm": (2.5, "commanded", "plate file"),
        "height_mm": (20.0, "commanded", "plate file, gauge section"),
        "filament_g": (4.2, "commanded", "plate file"),
    }  # fmt: skip
    bare = of_piece(a_piece(size_z_mm=9.0, filament_g=4.2, orientation="ZXY", geometry="bar"), job, {}, ())
    assert told(bare) == {
        "height_mm": (4.5, "estimated", "middle of the piece"), "filament_g": (4.2, "typed", "job"),
        "orientation": ("ZXY", "typed", "specimen"), "geometry": ("bar", "typed", "specimen"),
    }  # fmt: skip


def test_speed_and_flow_scale_what_the_plate_commands() -> None:
    """Half the speed halves speed and flow and doubles the layer's time; its factor goes with the flow."""
    job = SimpleNamespace(**JOB)
    section = {
        name: reading(40.0, 30.0, 50.0)
        for name in ("print_speed_mm_s", "flow_mm3_s", "layer_time_s", "flow_factor_pct")
    }
    slow = of_piece(a_piece(section), job, {}, [changed("speed", 50.0)])
    lean = of_piece(a_piece(section), job, {}, [changed("flow", 90.0)])
    same = of_piece(a_piece(section), job, {}, [changed("speed", 100.0)])

    assert {name: (each.value, each.low, each.high) for name, each in slow.items()} == {
        "print_speed_mm_s": (20.0, 15.0, 25.0), "flow_mm3_s": (20.0, 15.0, 25.0),
        "layer_time_s": (80.0, 60.0, 100.0), "flow_factor_pct": (40.0, 30.0, 50.0),
    }  # fmt: skip
    assert {name: each.value for name, each in lean.items()} == {
        "print_speed_mm_s": 40.0, "flow_mm3_s": 36.0, "layer_time_s": 40.0, "flow_factor_pct": 36.0,
    }  # fmt: skip
    assert (slow["flow_mm3_s"].basis, slow["flow_mm3_s"].source) == (
        "estimated", "plate file and speed changed by hand",
    )  # fmt: skip
    # What is as commanded stays the plate file's.
    assert {each.source for each in same.values()} == {"plate file, gauge section"}
    assert slow["flow_factor_pct"].basis == "commanded"


def test_a_scaled_value_keeps_what_is_not_known_of_it() -> None:
    """Without a range its value is its range; without a value, or a change that says nothing, it is none."""
    job = SimpleNamespace(**JOB)
    bare = of_piece(a_piece({"flow_mm3_s": reading(8.0)}), job, {}, [changed("speed", 25.0)])
    none = of_piece(a_piece({}), job, {}, [changed("speed", 25.0), changed("nozzle", None)])

    assert [(each.value, each.low, each.high) for each in bare.values()] == [(2.0, 2.0, 2.0)]
    assert none == {}
    unsaid = of_piece(a_piece({"flow_mm3_s": reading(8.0)}), job, {}, [changed("speed", 0.0)])
    assert unsaid["flow_mm3_s"].value == 8.0


UNPLACED = "changed by hand, where in the piece is not known"


@pytest.mark.parametrize(
    ("change", "job", "told_so"),
    [
        (changed("fan", 60.0), {}, (60.0, "commanded", "changed by hand")),
        (changed("fan", 60.0, layer=5), {}, (40.0, "estimated", UNPLACED)),
        (
            changed("fan", 60.0, layer=None, at=minutes(10)), {"first_layer_at": None},
            (50.0, "estimated", UNPLACED),
        ),
        (changed("brightness", 60.0), {}, (20.0, "commanded", "set for the job")),
    ],
)  # fmt: skip
def test_what_a_hand_set_is_told_with_how_sure_it_is(
    change: Any, job: dict[str, Any], told_so: tuple[float, str, str]
) -> None:
    """From the first layer on it is commanded; where nobody knows which layers it met it is estimated."""
    row = SimpleNamespace(**{**JOB, **job})
    found = of_piece(a_piece(), row, of_job(row, 1), [change])

    assert told(found)["fan_pct"] == told_so
    assert told(found)["nozzle_c"][0] == 247.0


@pytest.mark.parametrize(
    ("section", "said"),
    [
        ({}, "gauge section"),
        ({"gauge": None}, "gauge section"),
        ({"gauge": "10 to 30 mm", "by": "Bo"}, "gauge section 10 to 30 mm stated by Bo"),
        ({"gauge": "10 to 30 mm", "by": ""}, "gauge section 10 to 30 mm stated by somebody"),
    ],
)
def test_a_gauge_section_that_somebody_stated_is_told_with_who_did(
    section: dict[str, Any], said: str
) -> None:
    """The program's own needs no name."""
    assert gauge_section(section) == said


@pytest.mark.parametrize(
    ("covered", "source"),
    [
        (None, "log, gauge section"),
        (1.0, "log, gauge section"),
        (0.995, "log, gauge section"),
        (0.994, "log, gauge section, 99% of it covered"),
        (0.5, "log, gauge section, 50% of it covered"),
    ],
)
def test_a_log_says_how_much_of_the_section_it_covers(covered: float | None, source: str) -> None:
    """Unless it is all of it to a per cent; each channel measures its factor."""
    logged = {
        channel: {
            "mean": 48.0,
            "low": 47.0,
            "high": 49.0,
            **({} if covered is None else {"covered": covered}),
        }
        for channel in ("nozzle", "bed", "chamber", "room", "humidity")
    }
    found = of_piece(a_piece(logged={**logged, "fan": logged["bed"]}), SimpleNamespace(**JOB), {}, ())

    assert told(found) == dict.fromkeys(
        ("nozzle_c", "bed_c", "chamber_c", "print_room_c", "print_room_rh"), (48.0, "measured", source)
    )
    assert (found["bed_c"].low, found["bed_c"].high) == (47.0, 49.0)
    empty = {"chamber": {"mean": None}, "bed": None}
    assert of_piece(a_piece(logged=empty), SimpleNamespace(**JOB), {}, ()) == {}


@pytest.mark.parametrize(
    ("had", "basis", "value"),
    [
        ("measured", "typed", 1.0), ("measured", "measured", 2.0), ("measured", "imported", 2.0),
        ("measured", None, 1.0), ("commanded", "typed", 2.0), ("estimated", None, 2.0), (None, "typed", 2.0),
    ],
)  # fmt: skip
def test_what_was_given_stands_before_all_but_a_reading_of_ours(
    had: str | None, basis: str | None, value: float
) -> None:
    """A reading stays unless what was given was measured, too, or stood so in an old table."""
    found: Factors = {}
    put(found, "fan_pct", 1.0 if had else None, had or "", "job")
    row = SimpleNamespace(name="fan_pct", number=2.0, text=None, basis=basis, source="old.csv")
    put_given(found, [row])

    assert found["fan_pct"].value == value
    if value == 2.0:
        assert (found["fan_pct"].basis, found["fan_pct"].source) == (basis or "not recorded", "old.csv")


def test_a_zero_that_was_given_is_a_number_and_a_word_a_word() -> None:
    """A row that holds neither says nothing."""
    found: Factors = {}
    rows = [(0.0, "off"), (None, "off"), (None, None)]
    for name, (number, text) in zip("abc", rows, strict=True):
        put_given(found, [SimpleNamespace(name=name, number=number, text=text, basis="typed", source="")])
    assert {name: each.value for name, each in found.items()} == {"a": 0.0, "b": "off"}


@pytest.mark.parametrize(
    ("word", "basis"),
    [
        ("commanded", "commanded"), ("with flow factor", "commanded"), ("stated by slicer", "stated"),
        ("estimated", "estimated"), ("given", "typed"), ("not stated", "not recorded"),
        ("measured", "measured"), ("", "estimated"), ("anything else", "estimated"),
    ],
)  # fmt: skip
def test_the_basis_of_a_figure_is_that_of_its_factor(word: str, basis: str) -> None:
    """What is not known to be otherwise is an estimate."""
    assert basis_of(word) == basis


def test_a_factor_as_json_has_all_that_is_known_of_it() -> None:
    """Under the names that scripts rely on."""
    found: Factors = {}
    put(found, "chamber_c", 48.2, "measured", "log", 47.0, 51.0)

    assert factor_data(found["chamber_c"]) == {
        "name": "chamber_c", "value": 48.2, "unit": "degC", "low": 47.0, "high": 51.0, "resolution": 1.0,
        "span": 20.0, "basis": "measured", "source": "log",
    }  # fmt: skip


def test_undeclared_factors_are_made_of_their_values() -> None:
    """In words without underlines; without values, or where one is a word, a category."""
    number = factor_named("infill_pct", [20, 60.5])

    assert (number.words, number.span, number.settable, number.of_test) == ("infill pct", 40.5, True, False)
    assert [factor_named("wash_cycle", values).kind for values in ([], [None], ["a"], [1, "a"], [1])] == [
        "category", "category", "category", "category", "number",
    ]  # fmt: skip
    assert factor_named("wash_cycle").words == "wash cycle"


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("a_mm3_s", "mm^3/s"), ("a_mm_s", "mm/s"), ("a_mm", "mm"), ("a_pct", "percent"), ("a_rh", "percent"),
        ("a_c", "degC"), ("a_h", "h"), ("a_s", "s"), ("a_g", "g"), ("a_mpa", "MPa"), ("attempt", ""),
        ("pauses", ""), ("plastic", ""),
    ],
)  # fmt: skip
def test_every_ending_says_its_unit(name: str, unit: str) -> None:
    """The longer endings before the shorter ones that they end in."""
    assert unit_of(name) == unit


def test_numbers_are_told_to_four_digits() -> None:
    """Large, small and below zero."""
    assert [rounded(each) for each in (62.4419, 123456.0, 0.00012344, -5.43219)] == [
        62.44, 123500.0, 0.0001234, -5.432,
    ]  # fmt: skip
