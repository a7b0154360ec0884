"""Whatever a person can type is kept as typed, and what no database keeps is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy import select

from tests.books import fill
from tests.databases import KINDS, Places
from tracker.backup import backup, restore
from tracker.book import Book, open_book
from tracker.errors import Refused
from tracker.model import Job, Material, Specimen
from tracker.verify import verify

TEXTS = [
    """O'Brien's "best" `ASA` \\ \\u0000 %s {x} :name ?""",
    "'; DROP TABLE specimen; --",
    "$(rm -rf /) | cat > /etc/passwd; && `id` \n\r\t\x07",
    "مادة ABS سوداء \u202eevil\u202c",
    "👩🏽\u200d🔬 🧪 𝔘𝔫𝔦 ﬁ é é ß İ",
    "高温尼龙 ナイロン 나일론",
    "x" * 500,
    "\ufeff\u2028\u2029\ufffe\uffff\U0010ffff",
    "",
]


@pytest.mark.parametrize("other", KINDS)
def test_texts_survive(book: Book, places: Places, tmp_path: Path, other: str) -> None:
    """Any text survives storing, journal, verify, backup and restore, on both databases."""
    with book.act("material add", TEXTS[0], reason=TEXTS[1], about=tuple(TEXTS)) as act:
        act.session.add_all(Material(name=text, note=text) for text in TEXTS)
        act.session.add(Job(name=TEXTS[3]))
        act.session.flush()
        act.session.add(Specimen(job_id=1, piece=1, plate_facts={text: [text] for text in TEXTS}))
        act.bulk(
            Specimen, [{"id": 50 + n, "job_id": 1, "piece": 50 + n, "note": t} for n, t in enumerate(TEXTS)]
        )
    assert verify(book).clean
    backup(book, tmp_path / "b")
    place = places.empty(other)

    restore(tmp_path / "b", place)

    with open_book(place) as again, again.read() as session:
        assert list(session.scalars(select(Material.name).order_by(Material.id))) == TEXTS
        assert (
            list(session.scalars(select(Specimen.note).where(Specimen.id >= 50).order_by(Specimen.id)))
            == TEXTS
        )
        assert session.get_one(Specimen, 1).plate_facts == {text: [text] for text in TEXTS}
        assert verify(again).clean


BAD = [("a\0b", "NUL"), ("a\ud800b", "surrogate"), ("\udfff", "surrogate")]


@pytest.mark.parametrize(("bad", "word"), BAD)
class TestRefused:
    """Text that is none."""

    def test_in_a_row(self, book: Book, bad: str, word: str) -> None:
        """A NUL or half a surrogate pair in a row is refused with the column's name, in one line."""
        with pytest.raises(Refused, match=f"The text of name holds .*{word}") as refusal:
            _add(book, Material(name=bad))

        assert "\n" not in str(refusal.value)

    @pytest.mark.parametrize("where", ["value", "key", "deep"])
    def test_in_a_document(self, book: Book, bad: str, word: str, where: str) -> None:
        """The same within a document, in values and in names."""
        fill(book)
        facts = {"value": {"a": bad}, "key": {bad: 1}, "deep": {"a": [{"b": [bad]}]}}[where]

        with pytest.raises(Refused, match=word):
            _add(book, Specimen(job_id=1, piece=40, plate_facts=facts))

    def test_in_a_correction(self, book: Book, bad: str, word: str) -> None:
        """The same in a row that is changed."""
        fill(book)

        with pytest.raises(Refused, match=word):
            _amend(book, bad)

    def test_in_bulk(self, book: Book, bad: str, word: str) -> None:
        """The same in a bulk import, and none of its rows is there."""
        fill(book)
        before = verify(book).counts

        with pytest.raises(Refused, match=word):
            _import(book, bad)

        assert verify(book).counts == before

    @pytest.mark.parametrize("field", ["who", "reason", "about"])
    def test_in_the_entry(self, book: Book, bad: str, word: str, field: str) -> None:
        """The same in who, why and about what."""
        with pytest.raises(Refused, match=f"The text of the entry holds .*{word}"):
            _say(book, bad, field)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
class TestNumbers:
    """Numbers that are none."""

    def test_in_a_row(self, book: Book, value: float) -> None:
        """A number that is none is refused in one line, and nothing is written."""
        before = verify(book).counts

        with pytest.raises(Refused, match="This cannot be written down") as refusal:
            _add(book, Material(name="x", density_g_cm3=value))

        assert "\n" not in str(refusal.value)
        assert verify(book).counts == before

    def test_in_bulk(self, book: Book, value: float) -> None:
        """The same in a bulk import."""
        fill(book)

        with pytest.raises(Refused, match="This cannot be written down"):
            _import(book, "good", value)


def _add(book: Book, row: object) -> None:
    with book.act("add", "Ada") as act:
        act.session.add(row)


def _amend(book: Book, text: str) -> None:
    with book.act("amend", "Ada") as act:
        act.session.get_one(Specimen, 1).note = text


def _import(book: Book, text: str, value: float = 1.0) -> None:
    with book.act("import", "Ada") as act:
        first = act.next_number(Specimen.__table__)  # type: ignore[arg-type]
        act.bulk(Specimen, [{"id": first, "job_id": 1, "piece": 90, "note": text, "x_mm": value}])


def _say(book: Book, text: str, field: str) -> None:
    who = text if field == "who" else "Ada"
    with book.act("add", who, reason=text if field == "reason" else "") as act:
        act.session.add(Material(name="x"))
        if field == "about":
            act.about.append(text)
