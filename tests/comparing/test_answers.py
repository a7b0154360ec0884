"""Why two runs differ, asked of a book."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool

import numpy as np
import pytest
from sqlalchemy import select

from tests.conftest import begun_with
from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool
from tests.factors.test_kept import random_book
from tracker.book import Book
from tracker.comparing import Scope, asking, follow_up, plan_text, survey, watched, why
from tracker.comparing.asking import name_group
from tracker.desk.measuring import measure
from tracker.desk.voiding import judge
from tracker.errors import Refused
from tracker.factors import OF_DAYS, days_of, factors_of
from tracker.factors.kept import OF_PLACE
from tracker.model import FactorRecord, Measurement, Specimen
from tracker.plugins import Plugged, load
from tracker.selection import result_rows
from tracker.why import Cells, Value

STRENGTH = "tensile.strength"
CONTRACT = {
    "difference", "differed", "not_recorded", "shares", "groups", "remainder", "followup", "scope",
}  # fmt: skip


@pytest.fixture(scope="module")
def plugged() -> Plugged:
    """Load the methods once."""
    return load()


def plate(
    book: Book,
    spool: str,
    strengths: Sequence[float],
    way: str = "ZXY",
    section: float = 40.0,
    **settings: object,
) -> str:
    """Print and pull a plate of bars of a section in mm²; returns the job."""
    done = a_job(book, f"bar:{way}:{len(strengths)}", spools=(spool,), started_at="9 h ago", **settings)
    for piece, strength in zip(done.also, strengths, strict=True):
        a_pull(book, piece, {"max_force": f"{section * strength}", "area": f"{section:g}"})
    return done.id


def material_and_spool(book: Book) -> str:
    """Enter a material with a data sheet and a spool."""
    a_material(book, family="ASA", nozzle_low_c=240, nozzle_high_c=270, chamber_low_c=50, chamber_high_c=70)
    return a_spool(book, lot="L-17")


def two_plates(book: Book) -> None:
    """Print two plates that differ in nozzle and chamber at once."""
    spool = material_and_spool(book)
    first = plate(book, spool, [31.0, 31.6, 30.5, 31.2], nozzle_set_c=255, chamber_set_c=60)
    second = plate(book, spool, [21.0, 20.4, 21.5, 20.8], nozzle_set_c=245, chamber_set_c=40)
    assert (spool, first, second) == (SPOOL, *UNLIKE)


SPOOL, UNLIKE = "S0001-R", ("J0001-J", "J0002-H")
book_place = begun_with(unlike=two_plates)


@pytest.fixture
def spool(request: pytest.FixtureRequest, book: Book) -> str:
    """Give the spool that plates are printed of."""
    return SPOOL if "unlike" in request.fixturenames else material_and_spool(book)


@pytest.fixture
def unlike(book: Book) -> tuple[str, str]:
    """Give two plates that differ in nozzle and chamber at once."""
    del book
    return UNLIKE


def test_two_unlike_plates_differ(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """The difference is claimed, with its sign."""
    told = why(book, plugged, *unlike, STRENGTH)

    assert told.answer is not None
    assert told.answer.difference.claimed
    assert told.answer.as_json()["difference"]["delta"] < 0


def test_the_answer_has_the_keys_that_scripts_read(
    book: Book, plugged: Plugged, unlike: tuple[str, str]
) -> None:
    """The contract of ``why --json``."""
    told = why(book, plugged, *unlike, STRENGTH).as_json()

    assert set(told) >= CONTRACT
    assert set(told["difference"]) >= {
        "quantity", "unit", "mean_a", "mean_b", "delta", "low", "high", "relative", "claimed",
    }  # fmt: skip


def test_what_changed_together_is_one_group(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """Nozzle and chamber moved at once: nothing is claimed about one of them."""
    told = why(book, plugged, *unlike, STRENGTH).as_json()
    group = next(each for each in told["groups"] if "nozzle_c" in each["factors"])

    assert "chamber_c" in group["factors"]
    assert not any(share["separable"] for share in told["shares"] if share["factor"] in group["factors"])


def test_a_plate_that_separates_them_dissolves_the_group(
    book: Book, plugged: Plugged, spool: str, unlike: tuple[str, str]
) -> None:
    """With the nozzle moved alone on a third and fourth plate, each gets a share of its own."""
    plate(book, spool, [30.8, 31.3, 30.9, 31.1], nozzle_set_c=245, chamber_set_c=60)
    plate(book, spool, [21.2, 20.9, 20.7, 21.3], nozzle_set_c=255, chamber_set_c=40)
    told = why(book, plugged, *unlike, STRENGTH).as_json()
    shares = {each["factor"]: each for each in told["shares"]}

    assert shares["chamber_c"]["separable"]
    assert shares["nozzle_c"]["separable"]
    assert abs(shares["chamber_c"]["delta"]) > abs(shares["nozzle_c"]["delta"])


def test_never_caused_by(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """The words of an answer claim no cause."""
    assert "caused" not in "\n".join(why(book, plugged, *unlike, STRENGTH).sentences())


def test_filters_name_groups(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """The same two plates, asked for by what was set."""
    by_filter = why(book, plugged, "chamber_c>50", "chamber_c<50", STRENGTH).as_json()
    by_id = why(book, plugged, *unlike, STRENGTH).as_json()

    assert by_filter["difference"]["delta"] == pytest.approx(by_id["difference"]["delta"])


def test_without_a_quantity_every_shared_one_is_reported(
    book: Book, plugged: Plugged, unlike: tuple[str, str]
) -> None:
    """An overview, the largest standardised difference first."""
    told = why(book, plugged, *unlike)

    assert told.answer is None
    assert [each.problem.question.quantity for each in told.overview.answers] == [STRENGTH]


def test_one_run_against_itself_is_refused(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """A result cannot differ from itself."""
    with pytest.raises(Refused, match="same results"):
        why(book, plugged, unlike[0], unlike[0], STRENGTH)


def test_a_group_of_nothing_is_refused(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """A text that names nothing says what can be typed."""
    with pytest.raises(Refused, match="names no results"):
        why(book, plugged, unlike[0], "gibberish", STRENGTH)


def test_what_is_set_aside_is_left_out_and_reported(
    book: Book, plugged: Plugged, unlike: tuple[str, str]
) -> None:
    """Verdicts hold here too; ``--all`` lets them in again."""
    judge(book, WHO, "M0001-Y", counted=False, reason="slipped", quantity=STRENGTH)
    counted = why(book, plugged, *unlike, STRENGTH)
    everything = why(book, plugged, *unlike, STRENGTH, Scope(only_counted=False))

    assert counted.answer is not None
    assert everything.answer is not None
    assert (counted.answer.difference.a.n, everything.answer.difference.a.n) == (3, 4)
    assert "set aside by a verdict" in str(counted.as_json()["scope"])


def test_a_plan_warns_of_the_data_sheet(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """A chamber of 40 °C lies below the sheet's 50."""
    plan, material = follow_up(book, plugged, *unlike, STRENGTH)

    assert material == "Nordlicht ASA"
    assert any("chamber temperature" in warning and "data sheet" in warning for warning in plan.warnings)


def test_a_plan_holds_only_what_can_be_set(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """Ages and room climates are no settings of a printer."""
    plan, material = follow_up(book, plugged, *unlike, STRENGTH)
    text = plan_text(plan, material)

    assert "nozzle_c" in text
    assert "age_h" not in text


def test_a_forbidden_combination_is_not_proposed(
    book: Book, plugged: Plugged, unlike: tuple[str, str]
) -> None:
    """The hot nozzle in the cold chamber is ruled out by the person."""
    plan, _ = follow_up(book, plugged, *unlike, STRENGTH, forbid=[{"nozzle_c": "A", "chamber_c": "B"}])

    assert all((p.sides["nozzle_c"], p.sides["chamber_c"]) != ("A", "B") for p in plan.plates)


def test_watching_a_small_book_says_why_not(book: Book, plugged: Plugged, spool: str) -> None:
    """Two results are too few to watch."""
    plate(book, spool, [30.0, 31.0])
    found, refused = watched(book, plugged, STRENGTH)

    assert (found, len(refused)) == ([], 1)


@pytest.mark.usefixtures("unlike")
def test_watching_answers_for_each_way_of_lying(book: Book, plugged: Plugged) -> None:
    """Upright pieces are looked over by themselves."""
    found, _ = watched(book, plugged, STRENGTH)

    assert [each.question.about for each in found] == ["interlayer"]


def test_a_time_looked_at_leaves_out_its_last_moment(
    book: Book, plugged: Plugged, unlike: tuple[str, str]
) -> None:
    """``--until`` a moment takes what was measured before it, and not what was measured at it."""
    with book.read() as session:
        moments = sorted(row.at for row in result_rows(session.connection(), quantities=[STRENGTH]) if row.at)
    later = why(book, plugged, *unlike, STRENGTH, Scope(until=moments[-1] + dt.timedelta(seconds=1)))
    assert later.answer is not None
    assert later.answer.scope.results == 8
    with pytest.raises(Refused, match="has no results"):
        why(book, plugged, *unlike, STRENGTH, Scope(until=moments[0]))
    last = sum(moment == moments[-1] for moment in moments)
    if last < 4:
        before = why(book, plugged, *unlike, STRENGTH, Scope(until=moments[-1]))
        assert before.answer is not None
        assert before.answer.scope.results == 8 - last


def test_the_family_is_looked_at_where_it_is_asked(
    book: Book, plugged: Plugged, unlike: tuple[str, str]
) -> None:
    """``--family`` lets plates of another material of the family teach; without it they stay out."""
    a_material(book, "Südlicht ASA", family="ASA")
    plate(book, a_spool(book, "Südlicht ASA"), [28.0, 28.4, 28.2, 27.9], nozzle_set_c=255, chamber_set_c=40)
    alone, all_of_it = (why(book, plugged, *unlike, STRENGTH, Scope(family=wide)) for wide in (False, True))
    assert alone.answer is not None
    assert all_of_it.answer is not None
    assert (alone.answer.scope.results, all_of_it.answer.scope.results) == (8, 12)


def test_only_materials_in_scope_are_read(book: Book, unlike: tuple[str, str]) -> None:
    """IDs say of which material they are, and no factor of another material is read."""
    a_material(book, "Südlicht ASA", family="ASA")
    plate(book, a_spool(book, "Südlicht ASA"), [28.0, 28.4], nozzle_set_c=255)
    with book.read() as session:
        named = name_group(book, session, " ".join(unlike))
    assert named.materials == {"Nordlicht ASA"}


def test_a_smallest_difference_can_be_asked(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """In per cent or in the unit; what is no size is refused."""
    in_unit = why(book, plugged, *unlike, STRENGTH, Scope(matters="2 MPa")).as_json()["verdict"]
    assert (in_unit["matters"], in_unit["matters_fraction"]) == (2.0, False)
    assert why(book, plugged, *unlike, STRENGTH, Scope(matters="3 %")).as_json()["verdict"]["matters"] == 0.03
    with pytest.raises(Refused, match="no difference"):
        why(book, plugged, *unlike, STRENGTH, Scope(matters="much"))


def test_set_aside_pieces_stand_in_the_answer(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """What a verdict took out of the mean is counted, with what the difference would be with it."""
    judge(book, WHO, "M0001-Y", counted=False, reason="slipped", quantity=STRENGTH)
    found = why(book, plugged, *unlike, STRENGTH).as_json()["difference"]["with_set_aside"]
    assert (found["of_a"], found["of_b"]) == (1, 0)


def test_sections_and_notes_are_listed_as_differences(book: Book, plugged: Plugged, spool: str) -> None:
    """Pieces of 30 and of 25 mm², and a note on the pieces of one plate, stand among what differed."""
    first = plate(book, spool, [31.0, 31.6], section=30.0)
    second = plate(book, spool, [31.0, 31.6], section=25.0, note="stringy due to humidity")

    told = why(book, plugged, first, second, STRENGTH).as_json()
    differed = {row["factor"]: (row["a"], row["b"]) for row in told["differed"]}
    assert differed["section"] == (30.0, 25.0)
    assert differed["note"] == ("none", "stringy due to humidity")


def test_who_tested_is_among_what_differed(book: Book, plugged: Plugged, spool: str) -> None:
    """The measurement's own factors are compared beside those of the piece: here two people pulled."""
    first = plate(book, spool, [31.0, 31.6])
    second = a_job(book, "bar:ZXY:2", spools=(spool,), started_at="9 h ago")
    for piece in second.also:
        measure(book, "Bo Helper", plugged, piece, "tensile", {"max_force": "1240", "area": "40"})

    told = why(book, plugged, first, second.id, STRENGTH).as_json()
    differed = {row["factor"]: (row["a"], row["b"]) for row in told["differed"]}
    assert differed["operator"] == (WHO, "Bo Helper")


def test_a_room_that_differs_by_less_than_its_instruments_is_not_known_to(
    book: Book, plugged: Plugged, spool: str
) -> None:
    """Two hygrometers 4 % apart may have stood in the same air; 30 % apart they did not."""
    plates = [plate(book, spool, [31.0, 31.6], room_rh_pct=rh) for rh in (40.0, 44.0, 70.0)]

    near, far = (why(book, plugged, plates[0], other, STRENGTH).as_json() for other in plates[1:])
    assert "print_room_rh" not in {row["factor"] for row in near["differed"]}
    assert "print_room_rh" in {row["factor"] for row in far["differed"]}


def test_what_nobody_recorded_is_reported(book: Book, plugged: Plugged, unlike: tuple[str, str]) -> None:
    """A room nobody measured is named, and not taken as equal."""
    found = why(book, plugged, *unlike, STRENGTH).as_json()
    assert "room humidity while printed" in found["recorded_nowhere"]
    assert {"printed_on", "tested_on", "note"} <= set(found["equal"]) | {
        row["factor"] for row in found["differed"]
    }


def test_of_very_many_plates_the_nearest_and_some_others_are_looked_at(
    book: Book, plugged: Plugged, unlike: tuple[str, str], spool: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer waits for no more plates than it needs, and says which it looked at."""
    for _ in range(4):
        plate(book, spool, [30.8, 31.3], nozzle_set_c=245, chamber_set_c=60)
    monkeypatch.setattr(asking, "_NEAREST", 1)
    monkeypatch.setattr(asking, "_SPREAD", 2)
    told = why(book, plugged, *unlike, STRENGTH).answer
    assert told is not None
    assert told.scope.results == 8 + 3 * 2
    assert told.scope.words.endswith(
        "of 4 other plates the 1 printed nearest to these and 2 spread over the rest"
    )
    monkeypatch.setattr(asking, "_SPREAD", 3)
    whole = why(book, plugged, *unlike, STRENGTH).answer
    assert whole is not None
    assert (whole.scope.results, "other plates" in whole.scope.words) == (16, False)


def test_of_very_many_results_those_on_the_newest_plates_are_looked_over(
    book: Book, plugged: Plugged, spool: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A watch of a very large book says from which plate on it looked, and reads the others not at all."""
    jobs = [plate(book, spool, [31.0 + n, 31.5 + n, 30.2 + n], nozzle_set_c=250) for n in range(4)]
    (every,), _ = watched(book, plugged, STRENGTH)
    monkeypatch.setattr(survey, "MOST", 10)
    (newest,), _ = watched(book, plugged, STRENGTH)

    assert [each.charts[0].plates for each in (every, newest)] == [tuple(jobs), tuple(jobs[1:])]
    assert every.looked_at == ""
    assert newest.looked_at == f"of 12 results the 9 on plates from {jobs[1]} on were looked over"
    assert newest.looked_at in " ".join(newest.sentences(200))


@pytest.mark.parametrize("seed", [3, 8, 21])
def test_a_survey_holds_of_every_result_what_is_recorded_of_it(
    book: Book, plugged: Plugged, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In columns, read plates together and in parts, the same as read piece by piece with the plain rule.

    Books drawn from all that factors are read from: settings changed by hand, second spools, dryings, plate
    files, logs, what was given outright, results of spools, records taken back.
    """
    monkeypatch.setattr(survey, "_AT_ONCE", 5)
    monkeypatch.setattr(survey, "_SPOOLS_AT_ONCE", 1)
    random_book(book, seed, 60)
    _as_tested(book, random.Random(seed))
    names = ["impact.strength", "impact.energy"]
    with book.read() as session:
        rows = result_rows(session.connection(), quantities=names)
        rows = [row for row in rows if row.counted and row.value is not None]
        asking._put_factors(session, plugged, rows)
    printed = {row.measurement for row in rows if row.printed_at is not None}
    plain = {(row.measurement, row.quantity): asking._observation(row, book.zone) for row in rows}

    found = list(survey.surveys(book, plugged, {}, names))
    seen = {}
    for each in found:
        cells = each.records.cells
        for number, cell in enumerate(each.records.cell.tolist()):
            measurement, of = each.records.name(number)
            one = plain[measurement, each.question.quantity]
            seen[measurement, each.question.quantity] = one
            assert each.records.values[number] == one.value
            assert (of, cells.plates[cells.plate[cell]]) == (one.specimen, one.plate)
            assert cells.materials[cells.material[cell]] == one.material
            assert bool(cells.bound[cell]) == (one.censored is not None)
            if measurement in printed:
                assert cells.order[cell] == one.order
            assert _of_cell(cells, cell) == _comparable(one.factors)
    assert seen.keys() == plain.keys()
    assert len(seen) > 5


def _as_tested(book: Book, draw: random.Random) -> None:
    """Say who tested where, give some pieces their water, and take back what is of pieces taken back."""
    with book.act("bench", WHO, reason="drawn") as act:
        pieces = list(act.session.scalars(select(Specimen.id)))
        for test in act.session.scalars(select(Measurement)):
            test.operator, test.room_c = draw.choice([None, "Bo"]), draw.choice([None, 22.5])
            if test.specimen_id is not None:
                test.voided = None if test.specimen_id in pieces else act.seq
        for piece in pieces:
            name, basis = draw.choice(["water_pct", "drying_c"]), draw.choice(["typed", "measured"])
            number, text = draw.choice([(0.3, None), (None, "wet"), (None, None)])
            if draw.random() < 0.5:
                act.session.add(
                    FactorRecord(
                        specimen_id=piece, name=name, number=number, text=text, basis=basis, source=""
                    )
                )


@pytest.mark.parametrize("seed", [3, 8])
def test_days_read_once_for_a_job_are_those_of_each_piece(book: Book, seed: int) -> None:
    """Of second spools and of what was given outright too."""
    random_book(book, seed, 60)
    _as_tested(book, random.Random(seed))
    with book.connect() as connection:
        pieces = list(connection.scalars(select(Specimen.id)))
        plain, quick = (
            {
                piece: {name: own[name] for name in own.keys() & OF_DAYS}
                for piece, own in read(connection, pieces, water=True).items()
            }
            for read in (factors_of, days_of)
        )
    assert quick == plain
    assert any(plain.values())


def _of_cell(cells: Cells, cell: int) -> dict[str, object]:
    found: dict[str, object] = {}
    for name, column in cells.factors.items():
        level, names = column.take(np.array([cell])).by_level()
        if level[0] >= 0 and name != "age_h":
            low, high = column.low[cell], column.high[cell]
            found[name] = names[level[0]] if column.word[cell] >= 0 else (low, high)
    return found


def _comparable(factors: Mapping[str, Value]) -> dict[str, object]:
    left_out = OF_PLACE | {"note", "printed_on", "tested_on", "section", "age_h", "material"}
    known = {name: value for name, value in factors.items() if name not in left_out and value is not None}
    return {
        name: value if isinstance(value, (str, tuple)) else (value, value) for name, value in known.items()
    }


@pytest.mark.parametrize("change", [False, True])
def test_days_worked_out_by_another_process_are_those_of_the_same_book(
    book: Book, plugged: Plugged, unlike: tuple[str, str], change: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was entered meanwhile would be another state: then they are worked out here."""
    del unlike
    (here,) = survey.surveys(book, plugged, {}, [STRENGTH])
    with book.connect() as connection:
        head = survey._head(connection)
    if change:
        a_material(book, name="Heide PETG", family="PETG")
    there = survey._days_there(book.place, [STRENGTH], 0, head)
    assert (there is None) == change
    with book.read() as session:
        found = survey._Gathered(session, None)
        found.take(survey._results(session.connection(), [STRENGTH], (0, None)), (0, None))
        asked: list[int] = []
        work = survey.of_spools
        monkeypatch.setattr(survey, "of_spools", lambda *a, **k: asked.append(1) or work(*a, **k))
        found.put_days(there)
    assert bool(asked) == change
    (both,) = found.surveys({})
    for name, column in here.records.cells.factors.items():
        other = both.records.cells.factors[name]
        assert np.array_equal(column.low, other.low, equal_nan=True)
        assert column.word.tolist() == other.word.tolist()


def test_a_process_that_ends_early_costs_its_work_alone(
    book: Book, plugged: Plugged, unlike: tuple[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The days are then worked out by the process that asks."""
    del unlike
    (here,) = survey.surveys(book, plugged, {}, [STRENGTH])
    monkeypatch.setattr(survey, "_APART", 1)

    class _Broken:
        def submit(self, *_: object) -> Future[None]:
            future: Future[None] = Future()
            future.set_exception(BrokenProcessPool())
            return future

        def shutdown(self, **_: object) -> None: ...

    monkeypatch.setattr(survey, "ProcessPoolExecutor", lambda *_: _Broken())
    (again,) = survey.surveys(book, plugged, {}, [STRENGTH])
    assert again.factors == here.factors
    assert again.records.values.tolist() == here.records.values.tolist()
