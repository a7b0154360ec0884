"""Odd values are asked about before they are stored, and marked for ever where they were meant."""

from __future__ import annotations

import pytest

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool, add_spool, entries, row_of, weigh_spool
from tracker.book import Book
from tracker.desk import voiding
from tracker.desk.correcting import correct
from tracker.desk.doubts import Done
from tracker.desk.dryings import start_drying
from tracker.desk.entering import keep_spool
from tracker.desk.jobplates import read_piece
from tracker.desk.jobs import add_job, add_specimens, end_job, use_spool
from tracker.errors import Doubt, Refused
from tracker.forms import FormError
from tracker.history import mass_left
from tracker.kinds import card_of, find, find_row
from tracker.plugins import load


@pytest.fixture
def spool(book: Book) -> str:
    """Enter a spool that came on the first of March, 1200 g with its reel of 200 g."""
    a_material(book, nozzle_low_c=240, nozzle_high_c=260)
    return a_spool(book, net_g=1000, gross_g=1200, empty_g=200, received_on="2026-03-01")


@pytest.mark.parametrize(
    ("mass", "question"),
    [("1400", "more than the whole spool"), ("150", "less than the empty reel")],
)
def test_a_mass_that_cannot_be_is_asked_about(book: Book, spool: str, mass: str, question: str) -> None:
    """Against the label."""
    before = entries(book)
    with pytest.raises(Doubt, match=question):
        weigh_spool(book, WHO, spool, {"mass_g": mass})
    assert entries(book) == before


def test_a_spool_that_got_heavier_is_asked_about(book: Book, spool: str) -> None:
    """Against the weighing before; a gram or two are the scales."""
    weigh_spool(book, WHO, spool, {"mass_g": "1100", "at": "2026-03-01 12:00"})
    weigh_spool(book, WHO, spool, {"mass_g": "1103", "at": "2026-03-01 13:00"})
    with pytest.raises(Doubt, match=r"47 g more than it weighed .* a spool gets lighter"):
        weigh_spool(book, WHO, spool, {"mass_g": "1150"})


def test_what_was_confirmed_is_marked_for_ever(book: Book, spool: str) -> None:
    """On its card and in its JSON, after a correction too."""
    part = weigh_spool(book, WHO, spool, {"mass_g": "1400"}, sure=True).parts[0]
    correct(book, WHO, load(), part, ["mass_g=1100"], "read the wrong line")
    with book.read() as session:
        card = card_of(session, find_row(book, session, part), book.zone)
    assert "more than the whole spool" in card.data["confirmed"][0]
    assert any(fact.label == "confirmed though unusual" for fact in card.facts)


def test_a_set_point_outside_of_the_sheet_is_asked_about(book: Book, spool: str) -> None:
    """With what the sheet says; on the bed nothing is known, and nothing is asked."""
    with pytest.raises(Doubt, match=r"nozzle set to 280 °C; the sheet of Nordlicht ASA says 240 – 260 °C"):
        add_job(book, WHO, {"nozzle_set_c": 280, "bed_set_c": 110}, spools=[spool])
    add_job(book, WHO, {"nozzle_set_c": 250, "bed_set_c": 110}, spools=[spool])


def test_a_set_point_unlike_the_printer_is_asked_about(book: Book) -> None:
    """A slip of one digit, where no sheet says anything."""
    a_material(book)
    spool = a_spool(book)
    for hour in range(3):
        add_job(
            book,
            WHO,
            {"bed_set_c": 100, "printer": "P1", "started_at": f"2026-03-01 0{hour}:00"},
            spools=[spool],
        )
    with pytest.raises(Doubt, match=r"bed set to 10 °C; in 3 other jobs P1 was set to 100 – 100 °C"):
        add_job(book, WHO, {"bed_set_c": 10, "printer": "P1"}, spools=[spool])


def test_two_jobs_at_once_on_one_printer_are_asked_about(book: Book) -> None:
    """Each printer prints one plate."""
    a_material(book)
    spool = a_spool(book)
    first = add_job(book, WHO, {"printer": "P1", "started_at": "2026-03-01 08:00"}, spools=[spool]).id
    end_job(book, WHO, first, {"outcome": "finished", "ended_at": "2026-03-01 10:00"})
    with pytest.raises(Doubt, match=rf"{first} ran on P1 at the same time"):
        add_job(book, WHO, {"printer": "P1", "started_at": "2026-03-01 09:00"}, spools=[spool])
    add_job(book, WHO, {"printer": "P2", "started_at": "2026-03-01 09:00"}, spools=[spool])


def _job(book: Book, spool: str) -> Done:
    return add_job(book, WHO, {"started_at": "2026-02-27 08:00"}, spools=[spool])


def _keep(book: Book, spool: str) -> Done:
    return keep_spool(book, WHO, spool, {"place": "dry box", "began_at": "2026-02-27 08:00"})


def _dry(book: Book, spool: str) -> Done:
    return start_drying(book, WHO, [spool], {"set_c": 60, "began_at": "2026-02-27 08:00"})


def _weigh(book: Book, spool: str) -> Done:
    return weigh_spool(book, WHO, spool, {"mass_g": 1100, "at": "2026-02-27 08:00"})


@pytest.mark.parametrize("act", [_job, _keep, _dry, _weigh])
def test_what_happened_before_the_spool_came_is_asked_about(book: Book, spool: str, act: object) -> None:
    """A slip in the month."""
    with pytest.raises(Doubt, match=r"before .*came"):
        act(book, spool)  # type: ignore[operator] # one of the four above


def test_a_test_before_its_job_ended_is_asked_about(book: Book) -> None:
    """The specimen was not there yet."""
    job = a_job(book, started_at="2026-03-01 08:00")
    end_job(book, WHO, job.id, {"outcome": "finished", "ended_at": "2026-03-01 10:00"})
    with pytest.raises(Doubt, match=r"measured 2026-03-01 09:00, before its job ended"):
        a_pull(book, job.also[0], about={"at": "2026-03-01 09:00"})


def test_a_correction_is_asked_about_too(book: Book, spool: str) -> None:
    """What would be odd to enter is odd to correct to."""
    part = weigh_spool(book, WHO, spool, {"mass_g": 1100}).parts[0]
    with pytest.raises(Doubt, match="more than the whole spool"):
        correct(book, WHO, load(), part, ["mass_g=1400"], "misread")


def test_an_end_at_a_bare_time_is_of_the_job_s_own_day(book: Book) -> None:
    """It ran past midnight, and is entered in the morning."""
    job = a_job(book, started_at="2026-03-01 22:00").id
    end_job(book, WHO, job, {"outcome": "finished", "ended_at": "01:30"})
    assert f"{row_of(book, job).ended_at:%Y-%m-%d %H:%M}" == "2026-03-02 01:30"


# --- two spools in a job -------------------------------------------------------------------------------


def test_a_second_spool_is_of_a_tool_a_layer_or_some_pieces(book: Book, spool: str) -> None:
    """Nothing told apart is refused; consumption follows where it is known."""
    job = a_job(book, spools=(spool,))
    other = a_spool(book, lot="2", net_g=1000, received_on="2026-03-01")
    with pytest.raises(FormError, match="printed from S0001-R there already"):
        use_spool(book, WHO, job.id, {"spool": other})
    use_spool(book, WHO, job.id, {"spool": other, "from_layer": 40, "filament_g": 30})
    with book.read() as session:
        told = card_of(session, find(book, session, job.id), book.zone)
    assert f"{other} Nordlicht ASA (from layer 40)" in dict(told.lines)["spools"]


def test_a_piece_is_of_the_spool_it_was_printed_from(book: Book, spool: str) -> None:
    """Of pieces that were named, and of no other."""
    a_material(book, "Südwind PETG")
    petg = a_spool(book, "Südwind PETG")
    job = a_job(book, spools=(spool,))
    correct(book, WHO, load(), job.id, [f"spool={spool}", "pieces=1,2"], "two materials on the plate")
    use_spool(book, WHO, job.id, {"spool": petg, "pieces": "3"})
    with book.read() as session:
        cards = [card_of(session, find(book, session, each), book.zone) for each in job.also]
    assert [card.data["material"] for card in cards] == ["Nordlicht ASA", "Nordlicht ASA", "Südwind PETG"]
    assert [card.data["spools"] for card in cards] == [[spool], [spool], [petg]]


def test_the_spool_of_a_job_is_corrected(book: Book, spool: str) -> None:
    """The other one lost nothing, and can be put back."""
    other = a_spool(book, net_g=1000, received_on="2026-03-01")
    job = a_job(book, spools=(spool,), started_at="2026-03-01 09:00").id
    for wanted in (other, spool):
        correct(book, WHO, load(), job, [f"spool={wanted}"], "took the wrong reel")
        with book.read() as session:
            assert card_of(session, find(book, session, job), book.zone).data["spools"] == [wanted]


def test_what_each_spool_gave_is_taken_from_it(book: Book, spool: str) -> None:
    """As it was entered; what is not known is said."""
    other = a_spool(book, net_g=1000, received_on="2026-03-01")
    job = a_job(book, spools=(spool,), started_at="2026-03-01 09:00").id
    use_spool(book, WHO, job, {"spool": other, "from_layer": 40, "filament_g": 30})
    with book.read() as session:
        now = book.clock()
        left = [mass_left(session, find(book, session, each), now, book.zone) for each in (spool, other)]
    assert left[1].left_g == 970
    assert "unknown mass" in left[0].how


def test_a_job_has_no_such_piece(book: Book, spool: str) -> None:
    """It is named."""
    job = a_job(book, spools=(spool,)).id
    with pytest.raises(Refused, match="no piece 9"):
        use_spool(book, WHO, job, {"spool": spool, "pieces": "9"})


def test_specimens_are_added_to_a_job_that_has_none(book: Book, spool: str) -> None:
    """With numbers that no label had; one that has some is left alone."""
    job = add_job(book, WHO, {}, spools=[spool]).id
    done = add_specimens(book, WHO, job, [read_piece("bar:ZXY:2")])
    assert done.also == ["J0001-01-Z", "J0001-02-X"]
    with pytest.raises(FormError, match="has 2 specimens already"):
        add_specimens(book, WHO, job, [read_piece("bar:ZXY:2")])
    for each in done.also:
        voiding.void(book, WHO, load(), each, "not on this plate")
    assert add_specimens(book, WHO, job, [read_piece("bar:X:1")]).also == ["J0001-03-V"]


def test_what_the_check_before_the_print_says_is_asked_with_all_else(book: Book, spool: str) -> None:
    """One question for all of it, and all of it stays marked."""
    stop = ["The plate file is incomplete"]
    with pytest.raises(Doubt, match=r"incomplete; nozzle set to 280") as caught:
        add_job(book, WHO, {"nozzle_set_c": 280}, spools=[spool], asked=stop)
    assert len(caught.value.questions) == 2
    job = add_job(book, WHO, {"nozzle_set_c": 280}, spools=[spool], asked=stop, sure=True).id
    assert row_of(book, job).confirmed == list(caught.value.questions)


@pytest.mark.parametrize(
    ("typed", "question"),
    [
        ({"net_g": "1.75", "gross_g": "1 kg"}, "leaves a reel of 998 g"),
        ({"net_g": "1 kg", "gross_g": "1236.4"}, ""),
        ({"net_g": "8 kg", "gross_g": "9 kg"}, ""),
    ],
)
def test_a_reel_that_would_be_too_heavy_is_asked_about(
    book: Book, typed: dict[str, str], question: str
) -> None:
    """A diameter typed where the mass belongs leaves nearly all of the spool to the reel."""
    a_material(book)
    if not question:
        add_spool(book, WHO, "Nordlicht ASA", typed)
        return
    with pytest.raises(Doubt, match=question):
        add_spool(book, WHO, "Nordlicht ASA", typed)


@pytest.mark.parametrize(
    ("before", "question"),
    [("80", "less than the empty reel"), ("1300", "more than the whole spool as it came"), ("1150", "")],
)
def test_a_mass_before_drying_is_held_to_the_spool(
    book: Book, spool: str, before: str, question: str
) -> None:
    """A temperature typed where the mass belongs is asked about before it is stored."""
    if question:
        with pytest.raises(Doubt, match=question):
            start_drying(book, WHO, [spool], {"set_c": 80}, before=[before])
    else:
        assert start_drying(book, WHO, [spool], {"set_c": 80}, before=[before]).id
