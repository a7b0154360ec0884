"""What tells one row of a material from another: settings, what was measured, drying, treatment, the test."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from tests.desk.bench import at
from tracker.book import Book
from tracker.lazy_modules import np
from tracker.model import Drying, DryingSpool, Job, JobSpool, Material, Spool, StoragePeriod
from tracker.table.conditions import (
    Origins,
    SpoolsOfJobs,
    _Days,
    _lengthened,
    _tested,
    departures,
    distinguishing_settings,
    ranges,
    words,
)


def a_bench(book: Book, *jobs: Mapping[str, Any]) -> None:
    """Enter two materials, a spool of each, and jobs of the first spool unless they name others."""
    with book.act("prepare", "Ada Bench") as act:
        act.session.add_all(
            [Material(name="Quarzit ASA", family="ASA"), Material(name="Basalt PA", family="PA")]
        )
        act.session.flush()
        act.session.add_all([Spool(material_id=1), Spool(material_id=2)])
        act.session.flush()
        for number, each in enumerate(jobs, start=1):
            known = dict(each)
            spools = known.pop("spools", (1,))
            act.session.add(Job(id=number, **known))
            act.session.flush()
            act.session.add_all(
                JobSpool(job_id=number, spool_id=spool, tool=tool) for tool, spool in enumerate(spools)
            )


def condition_of(book: Book, plate: int, *own: Any) -> tuple[str | None, str | None, dict[str, Any]]:
    """Return material, family and condition of a plate."""
    with book.connect() as connection:
        origins = Origins(connection)
        material, family, condition = origins.of(origins.of_plate(plate), *(own or (None, None, None)))
    return material, family, dict(condition)


def test_a_condition_is_what_was_set(book: Book) -> None:
    """What is not recorded is not in it."""
    a_bench(book, {"nozzle_set_c": 245.0, "fan_set_pct": 20.0, "layer_height_mm": 0.2, "printer": "left"}, {})

    assert condition_of(book, 1) == (
        "Quarzit ASA", "ASA",
        {"nozzle_c": 245.0, "fan_pct": 20.0, "layer_height_mm": 0.2, "printer": "left"},
    )  # fmt: skip
    assert condition_of(book, 2) == ("Quarzit ASA", "ASA", {})


@pytest.mark.parametrize(
    ("meant", "got", "known"),
    [
        (60.0, None, {"chamber_c": 60.0}),
        (60.0, 55.0, {"chamber_c": 60.0}),
        (60.0, 65.0, {"chamber_c": 60.0}),
        (60.0, 54.9, {"chamber_c": 55.0, "chamber_basis": "measured", "chamber_set_c": 60.0}),
        (60.0, 38.0, {"chamber_c": 40.0, "chamber_basis": "measured", "chamber_set_c": 60.0}),
        (None, 38.0, {"chamber_c": 40.0, "chamber_basis": "measured"}),
    ],
)
@pytest.mark.one_database("reads the same columns on both")
def test_a_measured_temperature_counts_where_it_is_off(
    book: Book, meant: float | None, got: float | None, known: dict[str, Any]
) -> None:
    """Five degrees are within what a chamber wanders; beyond, what was measured counts, in steps of five."""
    a_bench(book, {"chamber_set_c": meant, "chamber_measured_c": got})

    assert condition_of(book, 1)[2] == known


def test_nozzle_and_bed_are_held_against_their_own_readings(book: Book) -> None:
    """Neither is taken for the other's."""
    readings = {"nozzle_set_c": 240.0, "nozzle_measured_c": 251.0, "bed_set_c": 100.0, "bed_measured_c": 91.0}
    a_bench(book, readings)

    assert condition_of(book, 1)[2] == {
        "nozzle_c": 250.0, "bed_c": 90.0, "nozzle_basis": "measured", "nozzle_set_c": 240.0,
        "bed_basis": "measured", "bed_set_c": 100.0,
    }  # fmt: skip


def test_what_a_piece_has_of_its_own_is_in_place_of_the_plates(book: Book) -> None:
    """A temperature given for the piece is neither the job's reading nor its setting; a material replaces."""
    a_bench(book, {"chamber_set_c": 60.0, "chamber_measured_c": 38.0, "nozzle_set_c": 245.0})

    assert condition_of(book, 1, '{"chamber_c": 50.0, "treatment": "wet"}', None, None)[2] == {
        "nozzle_c": 245.0, "chamber_c": 50.0, "treatment": "wet",
    }  # fmt: skip
    assert condition_of(book, 1, '{"material": 2}', None, None)[:2] == ("Basalt PA", "PA")
    assert condition_of(book, 1, '{"material": null}', None, None)[:2] == (None, None)


def test_humidity_and_water_at_the_test_are_part_of_it(book: Book) -> None:
    """Rounded, so that like goes with like; the plate's own condition stays."""
    a_bench(book, {"nozzle_set_c": 245.0})

    assert condition_of(book, 1, None, 50.3, None)[2] == {"nozzle_c": 245.0, "conditioned_rh_pct": 50.0}
    assert set(condition_of(book, 1, None, None, 0.31)[2]) == {"nozzle_c", "test_water_pct"}


def test_a_spool_that_was_tested_itself_has_its_material_and_no_condition(book: Book) -> None:
    """Below zero stands the spool; one that is not there, and a job that is not, are unknown."""
    a_bench(book, {"nozzle_set_c": 245.0})

    assert condition_of(book, -2) == ("Basalt PA", "PA", {})
    assert condition_of(book, -3) == (None, None, {})
    assert condition_of(book, 99) == (None, None, {})


def test_drying_is_reported_by_hours_in_open_air_before_the_print(book: Book) -> None:
    """To the day of the print: open-air and printer hours add up over 24; a dry box does not count."""
    days = {
        "2025-02-28 09:00": "no drying recorded",
        "2025-03-01 08:00": "dried",
        "2025-03-01 12:00": "dried",
        "2025-03-02 20:00": "dried",
        "2025-03-03 05:00": "over 24 h in open air since drying",
        "2025-03-10 12:00": "dried",
    }
    a_bench(
        book, *({"started_at": at(day)} for day in days), {}, {"spools": (2,), "started_at": at("2025-03-02")}
    )
    stays = (
        ("open air", "2025-02-01 00:00", "2025-03-01 08:00"),
        ("open air", "2025-03-01 16:00", "2025-03-02 04:00"),
        ("dry box", "2025-03-02 04:00", "2025-03-02 16:00"),
        ("printer", "2025-03-02 16:00", None),
    )
    with book.act("dry", "Ada Bench") as act:
        for began, ended in (("2025-03-10 08:00", None), ("2025-03-01 08:00", "2025-03-01 16:00")):
            drying = Drying(began_at=at(began), ended_at=ended and at(ended), set_c=80.0)
            drying.spools.append(DryingSpool(spool_id=1))
            act.session.add(drying)
        act.session.add_all(
            StoragePeriod(spool_id=1, place=place, began_at=at(began), ended_at=ended and at(ended))
            for place, began, ended in stays
        )
    found = [condition_of(book, number)[2].get("drying") for number in range(1, 9)]

    # Up to its end a drying says nothing of the spool yet.
    assert found == [
        "no drying recorded", "no drying recorded", "no drying recorded", "dried",
        "over 24 h in open air since drying", "dried", None, None,
    ]  # fmt: skip


def test_temperatures_are_compared_where_both_are_known(book: Book) -> None:
    """Off by more than five degrees they are told, with the span of all plates."""
    a_bench(
        book,
        {
            "chamber_set_c": 60.0,
            "chamber_measured_c": 39.0,
            "nozzle_set_c": 240.0,
            "nozzle_measured_c": 243.0,
        },
        {"chamber_set_c": 60.0, "chamber_measured_c": 58.0, "bed_set_c": 100.0},
        {"chamber_measured_c": 20.0, "bed_measured_c": 90.0},
    )
    with book.connect() as connection:
        heated = Origins(connection).heated(np.array([1, 2, 3, 99]))

    assert {name: [each.tolist() for each in both] for name, both in heated.items()} == {
        "nozzle": [[240.0], [243.0]], "chamber": [[60.0, 60.0], [39.0, 58.0]],
    }  # fmt: skip
    assert departures(heated) == ("chamber set 60 °C, measured 39 to 58 °C",)
    assert ranges(heated) == {"nozzle_c": (243.0, 243.0), "chamber_c": (39.0, 58.0)}


def test_the_spools_of_jobs_are_each_named_once(book: Book) -> None:
    """Those of jobs with one spool and with several; a job without any has none."""
    a_bench(book, {}, {"spools": (2, 1)}, {"spools": ()}, {"spools": (2,)})
    with book.connect() as connection:
        spools = SpoolsOfJobs(connection)

    assert [sorted(spools.of(np.array(jobs))) for jobs in ([1], [2], [3], [4], [1, 4], [1, 3])] == [
        [1], [1, 2], [], [2], [1, 2], [1],
    ]  # fmt: skip


def test_spools_are_renewed_for_the_jobs_that_were_touched(book: Book) -> None:
    """Others stay as they were read."""
    a_bench(book, {}, {}, {})
    with book.connect() as connection:
        spools = SpoolsOfJobs(connection)
    with book.act("correct", "Ada Bench") as act:
        for job in (2, 3):
            act.session.query(JobSpool).filter_by(job_id=job).one().spool_id = 2
    with book.connect() as connection:
        spools.renew(connection, [2])

    assert [sorted(spools.of(np.array([job]))) for job in (1, 2, 3)] == [[1], [2], [1]]


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ({"nozzle_c": 255.0}, "nozzle 255 °C"),
        ({"fan_pct": 20.0}, "fan 20 %"),
        ({"layer_height_mm": 0.16}, "layer 0.16 mm"),
        ({"printer": "left"}, "left"),
        ({"treatment": "wet"}, "wet"),
        ({"conditioned_rh_pct": 50.0}, "conditioned at 50 %RH"),
        ({"test_water_pct": 0.3}, "tested with water 0.3 %"),
        ({"chamber_c": 40.0, "chamber_basis": "measured"}, "chamber 40 °C measured"),
        (
            {"chamber_c": 40.0, "chamber_basis": "measured", "chamber_set_c": 60.0},
            "chamber 40 °C measured (60 set)",
        ),
    ],
)
def test_a_setting_in_words(known: dict[str, Any], said: str) -> None:
    """With its unit; measured only where it says so."""
    assert words(tuple(known.items()), [next(iter(known))]) == said


def test_what_is_not_recorded_is_reported_to_be_so() -> None:
    """By the word for it, or by its name."""
    assert words((("nozzle_c", 255.0),), ["nozzle_c", "bed_c", "printer", "drying"]) == (
        "nozzle 255 °C, bed not recorded, printer not recorded, drying not recorded"
    )


def test_rows_are_distinguished_by_what_they_differ_in() -> None:
    """Not by what all share, but for treatment, drying and water, which are told wherever known."""
    rows: list[dict[str, Any]] = [
        {"nozzle_c": 245.0, "bed_c": 100.0, "drying": "dried"},
        {"nozzle_c": 270.0, "bed_c": 100.0, "drying": "dried"},
    ]
    alike: list[dict[str, Any]] = [
        {"chamber_c": 40.0, "chamber_set_c": 60.0}, {"chamber_c": 40.0, "chamber_set_c": 50.0},
    ]  # fmt: skip

    assert distinguishing_settings([tuple(each.items()) for each in rows]) == ["nozzle_c", "drying"]
    assert distinguishing_settings([tuple(each.items()) for each in alike]) == ["chamber_c"]
    assert distinguishing_settings([(("nozzle_c", 245.0),)]) == []
    assert distinguishing_settings([(("nozzle_c", 245.0),), ()]) == ["nozzle_c"]
    wet = (("test_water_pct", 0.3),)
    assert distinguishing_settings([wet, wet]) == ["test_water_pct"]


HOUR = 3600.0


@pytest.mark.parametrize(
    ("open_air", "at_h", "said"),
    [
        ([(0.0, 24.0)], 24.0, "dried"),
        ([(0.0, 24.1)], 24.1, "over 24 h in open air since drying"),
        # Before the drying, after the moment, and in between it was somewhere else: none of it counts.
        ([(-9.0, -3.0), (0.0, 24.0), (30.0, 40.0)], 24.0, "dried"),
        ([(-9.0, 3.0), (10.0, 31.0)], 31.0, "dried"),
        ([(-9.0, 3.0), (10.0, 31.1)], 31.1, "over 24 h in open air since drying"),
        ([(0.0, 90.0)], 24.0, "dried"),
        ([], 900.0, "dried"),
        ([(0.0, 90.0)], 0.0, "dried"),
        ([(0.0, 90.0)], -0.1, "no drying recorded"),
    ],
)
def test_a_day_in_open_air_is_the_most_that_still_counts_as_dried(
    open_air: list[tuple[float, float]], at_h: float, said: str
) -> None:
    """To the second, in the hours between drying and print alone."""
    days = _Days([0.0], [(began * HOUR, ended * HOUR) for began, ended in open_air])
    assert days._before(at_h * HOUR) == said


def test_the_last_drying_before_a_print_counts() -> None:
    """A later one has not happened yet; each moment is answered for itself."""
    days = _Days([0.0, 50 * HOUR], [(10 * HOUR, 49 * HOUR)])

    assert [days._before(at * HOUR) for at in (20, 45, 50, 60)] == [
        "dried", "over 24 h in open air since drying", "dried", "dried",
    ]  # fmt: skip


def test_what_belongs_to_the_test_is_told_last_and_rounded() -> None:
    """Humidity to whole steps, so that 50 and 50.3 % are one row."""
    assert _tested((("nozzle_c", 245.0),), 50.3, 0.314)[0] == ("nozzle_c", 245.0)
    assert [name for name, _ in _tested((), 50.0, 0.3)] == ["conditioned_rh_pct", "test_water_pct"]
    assert _tested((), 50.0, None) == _tested((), 50.3, None)
    assert _tested((), 0.0, 0.0) == (("conditioned_rh_pct", 0.0), ("test_water_pct", 0.0))
    assert _tested((), None, None) == ()


@pytest.mark.parametrize("length", [0, 2, 3, 5])
def test_arrays_by_number_grow_and_never_shrink(length: int) -> None:
    """New jobs have no origin yet, and no temperature that anybody knows."""
    codes, heated = _lengthened(np.array([7, 8, 9]), length), _lengthened(np.ones((3, 2)), length)

    assert codes.tolist() == [7, 8, 9, 0, 0][: max(length, 3)]
    assert codes.dtype.kind == "i"
    assert heated.shape == (max(length, 3), 2)
    assert np.isnan(heated[3:]).all()
    assert (heated[:3] == 1).all()


def test_a_spool_is_as_dry_as_its_own_drying_left_it(book: Book) -> None:
    """The drying of another spool, a week later, does not count for it."""
    a_bench(
        book, {"started_at": at("2025-03-10 12:00")}, {"spools": (2,), "started_at": at("2025-03-10 12:00")}
    )
    with book.act("dry", "Ada Bench") as act:
        for spool, day in ((1, "2025-03-01"), (2, "2025-03-10")):
            drying = Drying(began_at=at(f"{day} 02:00"), ended_at=at(f"{day} 08:00"), set_c=80.0)
            drying.spools.append(DryingSpool(spool_id=spool))
            act.session.add(drying)
            act.session.flush()
            act.session.add(StoragePeriod(spool_id=spool, place="open air", began_at=at(f"{day} 08:00")))

    assert [condition_of(book, job)[2]["drying"] for job in (1, 2)] == [
        "over 24 h in open air since drying", "dried",
    ]  # fmt: skip
