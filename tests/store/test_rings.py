"""Keys, heads, findings and rows by themselves, without a book: what is written, forgiven and refused."""

from __future__ import annotations

import base64
import datetime as dt
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from sqlalchemy import JSON, Boolean, Column, Date, DateTime, Float, Integer, MetaData, Table, Text, select
from sqlalchemy.exc import OperationalError

from tracker.book import Book
from tracker.heads import FOLDER, Head, HeadError, KeyRing, head_of, keys_folder, write_head
from tracker.ids import specimen_id
from tracker.journal import canonical, hash_of
from tracker.model import Material
from tracker.stored_rows import RawTable, batched, digest, one_of
from tracker.verify.chain import _is_canonical, _parsed, _trouble
from tracker.verify.findings import Difference, Finding, Findings, Origin, id_of, named, noting

JOB, TEST, PIECE = id_of("job", {"id": 12}), id_of("measurement", {"id": 7}), specimen_id(12, 3)
F60, CHANGED = "f" * 60, "change of a setting"
AT = dt.datetime(2026, 5, 4, 10, 11, 12, 345678, tzinfo=dt.UTC)


@pytest.fixture
def ring(tmp_path: Path) -> KeyRing:
    """Give an empty ring of keys."""
    return KeyRing(tmp_path / "keys")


class TestKeys:
    """The keys of books."""

    def test_a_key_is_its_owners(self, ring: KeyRing) -> None:
        """In a folder of the owner's, 32 bytes in Base64, and what it signs is told by the public one."""
        public = ring.new_key("AB2")
        file = ring.folder / "AB2.key"
        assert (ring.folder.stat().st_mode & 0o777, file.stat().st_mode & 0o777) == (0o700, 0o600)
        assert len(base64.b64decode(file.read_bytes())) == 32
        assert (ring.public_key("AB2"), len(base64.b64decode(public))) == (public, 32)
        assert ring.public_key("CD3") == ""

    def test_an_earlier_key_is_kept(self, ring: KeyRing) -> None:
        """Beside the new one; both belong to the book."""
        first, second = ring.new_key("AB2"), ring.new_key("AB2")
        assert first != second
        assert ring.public_key("AB2") == second
        names = sorted(path.name for path in ring.folder.iterdir())
        assert [len(names), names[0], names[1].endswith(".old")] == [2, "AB2.key", True]
        assert ring.books() == {"AB2"}

    @pytest.mark.parametrize(
        "content", [b"", b"no key", base64.b64encode(b"x" * 31), base64.b64encode(b"x" * 33)]
    )
    def test_what_is_no_key_signs_nothing(self, ring: KeyRing, content: bytes) -> None:
        """A head without a signature is noted all the same, and not remembered."""
        ring.folder.mkdir()
        (ring.folder / "AB2.key").write_bytes(content)
        head = ring.sign("AB2", 3, "a" * 64, AT)
        assert (head.key, head.signature, head.at) == ("", "", "2026-05-04T10:11:12.345678Z")
        assert ring.remembered("AB2") == []

    def test_where_keys_cannot_be_kept(self, tmp_path: Path) -> None:
        """Said with the way out."""
        (tmp_path / "file").touch()
        with pytest.raises(HeadError) as refused:
            KeyRing(tmp_path / "file" / "keys").new_key("AB2")
        assert refused.value.what == f"The signing key of book AB2 cannot be kept in {tmp_path}/file/keys"
        assert refused.value.do == f"Name another folder with {FOLDER}"

    def test_where_keys_are(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """As named, else in the person's own data, else below the home."""
        monkeypatch.setenv(FOLDER, str(tmp_path / "stick"))
        assert keys_folder() == tmp_path / "stick"
        monkeypatch.delenv(FOLDER)
        monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
        assert keys_folder() == tmp_path / "data" / "strandbook" / "keys"
        monkeypatch.delenv("XDG_DATA_HOME")
        monkeypatch.setenv("HOME", str(tmp_path))
        assert keys_folder() == tmp_path / ".local" / "share" / "strandbook" / "keys"


class TestHeads:
    """What is noted outside of a book."""

    def test_what_was_signed_is_remembered_in_order(self, ring: KeyRing) -> None:
        """For the owner alone; a line that was cut short does not hide the others."""
        ring.new_key("AB2")
        heads = [ring.sign("AB2", entry, f"{entry}" * 64, AT) for entry in (1, 2, 3)]
        file = ring.folder / "AB2.heads"
        assert file.stat().st_mode & 0o777 == 0o600
        assert ring.remembered("AB2") == heads
        lines = file.read_text().splitlines()
        file.write_text("\n".join([lines[0], lines[1][:40], "{}", lines[2]]))
        assert ring.remembered("AB2") == [heads[0], heads[2]]
        assert ring.remembered("CD3") == []

    @pytest.mark.parametrize(
        ("entry", "left"), [(0, []), (1, [1]), (2, [1, 2]), (3, [1, 2, 3]), (9, [1, 2, 3])]
    )
    def test_heads_beyond_an_entry_are_forgotten(self, ring: KeyRing, entry: int, left: list[int]) -> None:
        """That of the entry itself stays, and of another book nothing is made."""
        ring.new_key("AB2")
        for each in (1, 2, 3):
            ring.sign("AB2", each, "a" * 64, AT)
        ring.forget_after("AB2", entry)
        assert [head.entry for head in ring.remembered("AB2")] == left
        ring.forget_after("CD3", entry)
        assert not (ring.folder / "CD3.heads").exists()

    def test_a_list_that_cannot_be_written_is_passed_over(self, ring: KeyRing) -> None:
        """It is one witness more, and no condition."""
        ring.new_key("AB2")
        (ring.folder / "AB2.heads").mkdir()
        assert ring.sign("AB2", 1, "a" * 64, AT).signature
        ring.forget_after("AB2", 0)
        assert ring.remembered("AB2") == []

    def test_every_part_of_a_head_is_signed(self, ring: KeyRing) -> None:
        """Whatever is changed, the signature does not hold; without a key nothing is looked at."""
        ring.new_key("AB2")
        head = ring.sign("AB2", 3, "a" * 64, AT)
        assert head_of(head.as_json(), "h") == head
        for changes in (
            {"book": "CD3"},
            {"entry": 4},
            {"hash": "b" * 64},
            {"at": "2026"},
            {"signature": "x"},
        ):
            with pytest.raises(HeadError, match="The signature in h is not by the key it names"):
                head_of({**head.as_json(), **changes}, "h")
        bare = head_of({**head.as_json(), "key": "", "entry": 4}, "h")
        assert (bare.entry, bare.key) == (4, "")
        assert head.fingerprint == head.key[:16]

    @pytest.mark.parametrize(
        "value", [None, [], "x", {}, {"what": "head of a strandbook journal"}, {"what": "x", "book": "AB2"}]
    )
    def test_what_is_no_head(self, value: Any) -> None:
        """Refused by what it was read from."""
        with pytest.raises(HeadError, match="h is no head of a journal"):
            head_of(value, "h")

    def test_a_head_is_written_once(self, tmp_path: Path) -> None:
        """As JSON with a line end; nothing is overwritten."""
        head = Head("AB2", 3, "a" * 64, "2026")
        write_head(head, tmp_path / "h.json")
        text = (tmp_path / "h.json").read_text()
        assert json.loads(text) == head.as_json()
        assert text.endswith("}\n")
        with pytest.raises(HeadError, match="cannot be written"):
            write_head(head, tmp_path / "h.json")


class TestFindings:
    """What verify says."""

    def test_a_difference_and_an_entry_in_words(self) -> None:
        """Blanks and kinds can be seen; what is long is cut at sixty letters."""
        assert str(Difference("name", None, "x ")) == "name is 'x ', the journal says empty"
        assert str(Difference("n", 1, "1")) == "n is '1', the journal says 1"
        assert str(Difference("n", "j" * 58, "b" * 59)) == f"n is '{'b' * 58}…, the journal says '{'j' * 58}'"
        origin = Origin(7, "2026-05-04T10:11:12.345678Z", "Ada", "spool add")
        assert str(origin) == "entry 7 (2026-05-04 10:11:12 UTC, Ada, spool add)"

    def test_a_thousand_are_listed_and_the_rest_counted(self) -> None:
        """A book over the wrong folder differs in every row."""
        findings = Findings()
        assert findings.clean
        for n in range(1003):
            findings.add(Finding("row", f"{n}"))
        assert (len(findings.found), findings.more, findings.clean) == (1000, 3, False)
        assert findings.lines()[1000:] == [
            "… and 3 more like these", "Looked at 0 entries, 0 rows, 0 attachments, 0 results: 1003 found"
        ]  # fmt: skip
        assert findings.of("row") == findings.found
        assert findings.of("chain") == []

    @pytest.mark.parametrize(("noted", "since"), [(9, "no entries"), (8, "1 entry"), (6, "3 entries")])
    def test_the_answer_in_lines(self, noted: int, since: str) -> None:
        """Counts, verdict, notes, and the head with how much was entered since one noted earlier."""
        origin = Origin(noted, "2026-05-04T10:11:12Z", "Ada", "init")
        findings = Findings(notes=["odd"], head="a" * 64, head_entry=9, noted="ab", noted_entry=origin)
        findings.counts["rows"] = 4
        assert findings.lines() == [
            "Note: odd",
            "Looked at 0 entries, 4 rows, 0 attachments, 0 results: everything is as the journal says",
            f"Head of the journal: entry 9, {'a' * 64}",
            f"The head noted earlier is {origin}; {since} since",
        ]
        data = findings.as_json()
        assert data["noted"] == {"hash": "ab", "entry": vars(origin)}
        assert replace(findings, noted="").as_json()["noted"] is None
        assert replace(findings, noted_entry=None).as_json()["noted"] == {"hash": "ab", "entry": None}
        assert len(replace(findings, head_entry=0).lines()) == 2
        assert len(replace(findings, noted_entry=None).lines()) == 3

    @pytest.mark.parametrize(
        ("table", "values", "words"),
        [
            ("job", {"id": 12}, (JOB, f"job {JOB}")),
            ("specimen", {"job_id": 12, "piece": 3}, (PIECE, f"specimen {PIECE}")),
            ("result", {"measurement_id": 7, "quantity": "q"}, (TEST, f"result 'q' of measurement {TEST}")),
            # Before it belongs to a piece a result belongs to its measurement.
            ("result", {"specimen_id": 3, "measurement_id": 7}, (TEST, f"result 9 of measurement {TEST}")),
            ("job_spool", {"job_id": 12, "spool_id": 3}, (JOB, f"spool in a job 9 of job {JOB}")),
            (
                "change",
                {"job_id": 12, "setting": "f" * 90},
                (JOB, f"change of a setting '{F60}' of job {JOB}"),
            ),
            ("measurement_file", {"measurement_id": "x"}, ("", "file 9 of measurement x")),
            ("book", {}, ("", "record of the book itself")),
            ("person", {"name": "Ada"}, ("", "person 'Ada'")),
        ],
    )
    def test_what_people_call_a_row(self, table: str, values: dict[str, Any], words: tuple[str, str]) -> None:
        """By its own ID, or by what it hangs on."""
        assert named(SimpleNamespace(), table, 9, values) == words  # type: ignore[arg-type]

    def test_a_database_that_cannot_be_read_on_is_a_finding(self) -> None:
        """With the first line of what it said; another error goes on its way."""
        findings = Findings()
        for error in (Exception("torn\nmore"), Exception("")):
            with noting(findings, "The table"):
                raise OperationalError("SELECT", {}, error)
        assert [each.text for each in findings.of("database")] == [
            "The table cannot be read to the end: torn",
            "The table cannot be read to the end: OperationalError",
        ]  # fmt: skip
        with pytest.raises(KeyError), noting(findings, "x"):
            raise KeyError


def test_only_canonical_text_is_taken() -> None:
    """Names in order, no blanks, and floats as RFC 8785 writes them."""
    for text, holds in (
        ('{"a":1,"b":[1,2.5]}', True), ('{"b":1,"a":1}', False), ('{"a": 1}', False), ('{"a":1.0}', False),
        ('{"a":1e3}', False), ('{"a":1e-7}', True), ('{"a":1E-7}', False), ('{"a":"1.0]"}', True),
    ):  # fmt: skip
        assert _is_canonical(text, json.loads(text)) == holds
    assert [_parsed(text) for text in ('{"a":1}', "[1]", "x", None)] == [{"a": 1}, {}, {}, {}]


@pytest.mark.parametrize(
    ("changes", "last", "words"),
    [
        ({}, 0, ""),
        ({}, 1, "After entry 1 of the journal comes entry 1"),
        ({"seq": 2}, 0, "After entry 0 of the journal comes entry 2"),
        ({"hash": "0" * 64}, 0, "The text of entry 1"),
        ({"body": None}, 0, "The text of entry 1"),
        ({"who": "Eve"}, 0, "The column who of entry 1 says 'Eve', its hashed text says 'Ada'"),
        ({"act": "x"}, 0, "The column act of entry 1 says 'x'"),
        ({"at": "later"}, 0, "The column at of entry 1 says 'later'"),
    ],
)
def test_what_is_wrong_with_an_entry(changes: dict[str, Any], last: int, words: str) -> None:
    """Its number, its hash, its text, each column, and what it follows."""
    body = {"seq": 1, "at": "now", "who": "Ada", "act": "init", "prev": "0" * 64}
    text = canonical(body)
    row = {"seq": 1, "at": "now", "who": "Ada", "act": "init", "body": text, "hash": hash_of(text), **changes}
    found = _trouble(row, body, last, "0" * 64)
    assert found.startswith(words)
    assert bool(found) == bool(words)


def test_an_entry_follows_the_one_before() -> None:
    """As that one stands now."""
    body = {"seq": 1, "at": "now", "who": "Ada", "act": "init", "prev": "0" * 64}
    row = {**body, "body": canonical(body), "hash": hash_of(canonical(body))}
    assert _trouble(row, body, 0, "0" * 64) == ""
    assert "does not follow the entry before it" in _trouble(row, body, 0, "1" * 64)


TABLE = Table(
    "thing", MetaData(), Column("id", Integer, primary_key=True), Column("at", DateTime), Column("day", Date),
    Column("facts", JSON), Column("good", Boolean), Column("name", Text, default="none"),
    Column("mass", Float),
)  # fmt: skip


def test_a_row_in_the_terms_of_json() -> None:
    """What is not of its column's form stays as it is, and so differs from the journal."""
    reader = RawTable(TABLE, "sqlite")
    assert reader.columns == ["at", "day", "facts", "good", "id", "mass", "name"]
    moment, day = "2026-05-04 10:11:12.345678", "2026-05-04"
    assert reader.in_json([moment, day, '{"a":1}', 1, 7, 1.5, "x"]) == [
        "2026-05-04T10:11:12.345678Z", day, {"a": 1}, True, 7, 1.5, "x"
    ]  # fmt: skip
    damaged = ["2026-05-04 10:11:12", day, "{", 2, "7", b"x", 5]
    assert reader.in_json(damaged) == damaged
    assert reader.in_json([None, None, None, 0, 7, None, None]) == [None, None, None, False, 7, None, None]
    assert reader.in_json([5, day, 7, None, 7, 1.0, ""])[0] == 5
    server = RawTable(TABLE, "postgresql")
    assert server.in_json([AT, AT.date(), {"a": 1}, True, 7, 1.5, "x"])[:4] == [
        "2026-05-04T10:11:12.345678Z", "2026-05-04", {"a": 1}, True
    ]  # fmt: skip


def test_keys_and_defaults_of_a_row() -> None:
    """A number where there is one, else the parts joined; what the journal does not know has its default."""
    reader = RawTable(TABLE, "sqlite")
    assert (reader.numbered, reader.key([None, None, None, None, 7, None, None])) == (True, 7)
    assert (reader.read_key("7"), reader.read_key("7a")) == (7, "7a")
    assert reader.values({"id": 7, "mass": 2.0}) == [None, None, None, None, 7, 2.0, "none"]
    pair = Table(
        "pair", MetaData(), Column("b", Integer, primary_key=True), Column("a", Text, primary_key=True)
    )
    both = RawTable(pair, "sqlite")
    assert (both.numbered, both.columns, both.key(["x", 3])) == (False, ["a", "b"], "3:x")
    assert both.read_key("3") == "3"


def test_rows_have_digests_whatever_is_in_them() -> None:
    """Damage gives another one; what is equal in JSON gives the same."""
    assert len(digest([1, "x"])) == 16
    assert digest([1.0]) == digest([1])
    rows: list[list[Any]] = [[b"x"], [float("nan")], [{"a": b"x"}], [["\udc80"]], [{"a": "b'x'"}], [1], [2]]
    digests = [digest(row) for row in rows]
    # Damage stands as its repr.
    assert digest([{"a": b"x"}]) == digest([{"a": "b'x'"}])
    assert len(set(digests)) == len(rows) - 1


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4, 5])
def test_rows_come_some_at_a_time(count: int) -> None:
    """Two here: all of them, in order, the last batch perhaps smaller."""
    batches = list(batched(range(count), 2))
    assert [each for batch in batches for each in batch] == list(range(count))
    assert [len(batch) for batch in batches] == [2] * (count // 2) + [1] * (count % 2)


def test_rows_are_found_by_their_numbers(book: Book) -> None:
    """On either database, in a session or without: those there are, of many numbers, of one and of none."""
    with book.act("add", "Ada") as act:
        act.session.add_all(Material(name=name) for name in ("Basalt PA", "Heide PETG", "Quarzit ASA"))
    with book.read() as session:
        for source in (session, session.connection()):
            for numbers in ([3, 1, 99], {2}, range(-5000, 5000), []):
                found = session.scalars(select(Material.id).where(one_of(source, Material.id, numbers)))
                assert sorted(found) == [each for each in (1, 2, 3) if each in numbers]
