"""From what was typed or scanned to the row that is meant."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.desk.bench import a_job, a_material, a_rig, a_spool
from tracker.book import Book, new_book
from tracker.errors import Refused
from tracker.ids import IdError, check_character, job_id, read_payload, spool_id
from tracker.kinds import NotFoundError, WrongKindError, find, ident_of, material_named

LENIENT = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def found(book: Book, text: str, *kinds: str) -> str:
    """Return the ID of what a text names."""
    with book.read() as session:
        return str(ident_of(find(book, session, text, *kinds)))


@pytest.mark.parametrize("text", ["J0001-01-Z", "j000101z", " J0001 01 Z ", "JOOOl-0l-Z", "J0001–01–Z"])
def test_an_id_is_found_however_it_is_typed(book: Book, text: str) -> None:
    """Lower case, blanks, missing or long dashes, O and l for digits."""
    a_job(book)
    assert found(book, text) == "J0001-01-Z"


def test_a_label_of_this_book_is_found(book: Book) -> None:
    """With the book's code, and with a bench address before it."""
    a_job(book)
    texts = (f"J0001-01-Z.{book.code}", f"http://192.168.1.7:8000/J0001-01-Z.{book.code}")
    assert [found(book, text) for text in texts] == ["J0001-01-Z"] * 2


def test_a_label_of_another_book_is_refused_by_name(book: Book) -> None:
    """The same number in another book is another piece."""
    a_job(book)
    other = "222" if book.code != "222" else "333"
    with pytest.raises(NotFoundError, match=rf"label of another book \({other}\); this one is {book.code}"):
        found(book, f"J0001-01-Z.{other}")


def test_a_wrong_check_character_names_the_nearest_that_exist(book: Book) -> None:
    """Off by one key: the piece that was meant is offered, not taken."""
    a_job(book)
    with pytest.raises(IdError, match=r"wrong check character\. Nearest in this book: J0001-01-Z"):
        found(book, "J0001-01-Y")


def test_a_wrong_check_character_near_nothing_says_how_it_would_read(book: Book) -> None:
    """Where nothing is near, the digits as typed are worth a second look."""
    with pytest.raises(IdError, match="the digits as typed would be"):
        found(book, "J0001-01-Y")


def test_a_right_id_that_nobody_has_is_refused_with_the_list_to_look_at(book: Book) -> None:
    """The command that shows what there is is in the refusal."""
    with pytest.raises(NotFoundError, match=rf"no {spool_id(9)} in this book\. strandbook list spools"):
        found(book, spool_id(9))


def test_a_row_of_another_kind_is_refused(book: Book) -> None:
    """A job where a spool is wanted."""
    job = a_job(book).id
    with pytest.raises(WrongKindError, match=rf"{job} is a job\. Here a spool or drying is wanted"):
        found(book, job, "spool", "drying")


@pytest.mark.parametrize("digits", ["9" * 19, "9" * 30, "9" * 5000])
def test_a_number_that_no_database_holds_is_not_found(book: Book, digits: str) -> None:
    """Nor does it make a database fail."""
    with pytest.raises(Refused, match=r"There is no S9+-I in this book|is too long for an ID"):
        found(book, f"S{digits}-{check_character('S' + digits)}")


@LENIENT
@given(st.text(max_size=30))
def test_any_text_is_refused_in_an_empty_book(book: Book, text: str) -> None:
    """Whatever is typed or scanned is answered, and nothing is found where nothing is."""
    with pytest.raises(Refused):
        found(book, text)


def test_job_and_piece_that_share_their_characters_are_distinguished_by_what_exists(book: Book) -> None:
    """Without dashes the piece is meant first; where it is not there, the job is."""
    a_job(book)
    assert found(book, job_id(1).replace("-", "")) == job_id(1)
    assert len(read_payload("J000101Z").readings) >= 1


@pytest.mark.parametrize("typed", ["nordlicht asa", "NORDLICHT ASA", " Nordlicht ASA "])
def test_a_material_is_found_in_any_letters(book: Book, typed: str) -> None:
    """Upper and lower case are one name."""
    a_material(book)
    with book.read() as session:
        assert material_named(session, typed).name == "Nordlicht ASA"


def test_a_material_misspelt_is_answered_with_close_names(book: Book) -> None:
    """The name is offered, never taken."""
    a_material(book)
    with book.read() as session, pytest.raises(NotFoundError, match=r"Did you mean Nordlicht ASA\?"):
        material_named(session, "Nordlight ASA")


def test_a_material_like_no_other_is_answered_with_how_to_enter_it(book: Book) -> None:
    """The command is in the refusal."""
    with book.read() as session, pytest.raises(NotFoundError, match="strandbook material add"):
        material_named(session, "PEEK")


def test_a_spool_of_one_book_is_not_one_of_another(book: Book, tmp_path: object) -> None:
    """Two books number their spools alike; only the label tells them apart."""
    a_material(book)
    spool = a_spool(book)
    with new_book(f"{tmp_path}/other", "Ben") as other:
        a_material(other)
        assert a_spool(other) == spool
        with pytest.raises(NotFoundError, match="another book"):
            found(other, f"{spool}.{book.code}")


@pytest.mark.parametrize("text", ["J0001-01", "j1-1", "J0001-1", "JOOOI-O1"])
def test_what_lacks_its_check_character_is_offered_whole(book: Book, text: str) -> None:
    """Offered, not taken: without the character nothing would catch a slip."""
    a_job(book)
    with pytest.raises(IdError, match=r"lacks its check character\. Did you mean J0001-01-Z\?"):
        found(book, text)


@pytest.mark.parametrize("text", ["S9", "J1-99", "J1-0", "J" + "9" * 300, "J1-" + "9" * 30])
def test_nothing_that_is_not_there_is_offered(book: Book, text: str) -> None:
    """No spool, no such piece, and numbers beyond every database."""
    a_job(book)
    with pytest.raises(Refused) as caught:
        found(book, text)
    assert "Did you mean" not in str(caught.value)


def test_a_rig_goes_by_its_name_where_a_rig_is_wanted(book: Book) -> None:
    """Its label hangs on the rig; at the desk one knows the name."""
    rig = a_rig(book)
    with book.read() as session:
        name = find(book, session, rig).name
    assert found(book, f" {name.upper()} ", "rig") == rig


def test_a_name_is_no_answer_where_anything_is_wanted(book: Book) -> None:
    """A rig and a spool may well be called alike."""
    rig = a_rig(book)
    with book.read() as session, pytest.raises(IdError, match="'GANTRY' is not an ID"):
        find(book, session, find(book, session, rig).name)


def test_a_reason_that_asks_is_not_ended_twice() -> None:
    """A refusal inside a refusal keeps its question mark."""
    inner = Refused("It is none", do="Did you mean J0001-J?")
    assert str(Refused("No", why=str(inner), do="Name one")).endswith("J0001-J? Name one")
