"""Heads noted outside a book find what its chain alone cannot: a chain computed again, a tail cut off."""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import shutil
import subprocess
import zoneinfo
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import text

from tests.books import Filled, add_material, fill
from tracker.book import Book, new_book, open_book
from tracker.cli import strandbook
from tracker.heads import FOLDER, HeadError, KeyRing, head_of, write_head
from tracker.journal import canonical, hash_of
from tracker.model import Material
from tracker.verify import attach_stamp, head_now, mend_derived, read_heads, verify


@pytest.fixture
def noted(book: Book, filled_once: Filled, tmp_path: Path) -> Path:
    """Note the head of a filled book outside it; this computer's own list is lost."""
    del filled_once
    write_head(head_now(book), tmp_path / "head.json")
    for file in Path(os.environ[FOLDER]).glob("*.heads"):
        file.unlink()
    return tmp_path / "head.json"


def rewrite(book: Book, name: str) -> None:
    """Do as one who can write to the database: change a row, and compute the whole chain again."""
    with book.engine.begin() as connection:
        connection.execute(text("UPDATE material SET name = :name WHERE id = 1"), {"name": name})
        before = "0" * 64
        for seq, body in connection.execute(text("SELECT seq, body FROM journal ORDER BY seq")).all():
            entry = json.loads(body)
            entry["prev"] = before
            for row in entry["rows"]:
                if row["table"] == "material":
                    row["after"]["name"] = name
            changed = canonical(entry)
            before = hash_of(changed)
            connection.execute(
                text("UPDATE journal SET body = :body, hash = :hash WHERE seq = :seq"),
                {"body": changed, "hash": before, "seq": seq},
            )


def test_a_chain_computed_again(book: Book, noted: Path) -> None:
    """The book fits its journal, entry by entry, and only the noted head tells."""
    rewrite(book, "Better ASA")
    assert verify(book).clean
    (found,) = verify(book, against=read_heads(noted)).found
    assert "is not the one that was noted" in found.text
    assert "rewritten" in found.text


def test_a_tail_cut_off(book: Book, noted: Path) -> None:
    """What was entered last is gone, rows, entries and what was kept of them, and what is left is whole."""
    head = read_heads(noted)[0]
    with book.engine.begin() as connection:
        last = connection.execute(text("SELECT max(seq) FROM journal")).scalar()
        for table in ("verdict", "result", "measurement_file", "measurement_rig", "measurement"):
            connection.execute(text(f"DELETE FROM {table} WHERE entry = :last"), {"last": last})  # noqa: S608 - ours
        connection.execute(text("DELETE FROM journal WHERE seq = :last"), {"last": last})
    mend_derived(book)
    assert verify(book).clean
    (found,) = verify(book, against=[head]).found
    assert f"ends before entry {head.entry}" in found.text


def test_a_list_of_heads_has_one_on_each_line(book: Book, tmp_path: Path) -> None:
    """A file of several is read in order; blank lines are nothing, and an empty one holds none."""
    heads = [head_now(book)]
    add_material(book, "later")
    heads.append(head_now(book))
    file = tmp_path / "heads.jsonl"
    file.write_text("\n\n".join(json.dumps(each.as_json()) for each in heads) + "\n", "utf-8")
    assert read_heads(file) == heads
    for content, why in (("", "is empty"), ("not one\n", "is no head of a journal")):
        file.write_text(content, "utf-8")
        with pytest.raises(HeadError, match=why):
            read_heads(file)


def test_a_book_that_went_on(book: Book, noted: Path) -> None:
    """Entries after the noted one are no finding."""
    add_material(book, "later")
    assert verify(book, against=read_heads(noted)).clean


def test_what_this_computer_signed_is_looked_for_unasked(book: Book) -> None:
    """Each backup, published folder and note leaves its head here."""
    fill(book)
    head_now(book)
    rewrite(book, "Better ASA")
    assert not verify(book).clean


def test_a_head_of_another_book(book: Book, noted: Path) -> None:
    """It proves nothing here, and that is said."""
    (head,) = read_heads(noted)
    ring = KeyRing()
    ring.new_key("QQ2")
    foreign = ring.sign("QQ2", head.entry, head.hash, book.clock())
    assert "is of the book QQ2" in verify(book, against=[foreign]).found[0].text


def test_a_time_stamp_of_a_head_of_another_book_is_refused(book: Book, noted: Path) -> None:
    """Whether its code comes before or after the book's own; nothing is attached."""
    before = head_now(book)
    for code in {"000", "001", "ZZY", "ZZZ"} - {book.code}:
        ring = KeyRing()
        ring.new_key(code)
        write_head(ring.sign(code, 1, before.hash, book.clock()), noted.with_name(f"{code}.json"))
        with pytest.raises(HeadError, match=f"is a head of the book {code}, and not of {book.code}"):
            attach_stamp(book, "Ada", noted, noted.with_name(f"{code}.json"))
    assert head_now(book).entry == before.entry


def test_the_day_of_a_head_is_the_day_at_the_bench(book: Book, noted: Path) -> None:
    """Noted at half past eleven in the evening, UTC: in Vienna that was the next day."""
    (head,) = read_heads(noted)
    ring = KeyRing()
    ring.new_key("QQ2")
    foreign = ring.sign("QQ2", head.entry, head.hash, dt.datetime(2026, 3, 1, 23, 30, tzinfo=dt.UTC))
    book.zone = zoneinfo.ZoneInfo("Europe/Vienna")
    assert verify(book, against=[foreign]).found[0].text.startswith("The noted head of 2026-03-02 is of")


@pytest.mark.parametrize("name", ["hash", "entry", "at", "book", "key"])
def test_a_forged_head(book: Book, noted: Path, name: str) -> None:
    """Whoever has not the key cannot change a word of it."""
    del book
    told = json.loads(noted.read_text())
    told[name] = {"entry": 3, "key": "A" * 43 + "="}.get(name, "0" * 64)
    noted.write_text(json.dumps(told))
    with pytest.raises(HeadError, match="signature"):
        read_heads(noted)


def test_a_head_signed_with_a_key_the_book_never_had(book: Book, noted: Path) -> None:
    """A note of the verification says so: anybody can make a key."""
    KeyRing().new_key(book.code)
    head = head_now(book)
    assert any("a key that the journal does not name" in note for note in verify(book, against=[head]).notes)
    del noted


@pytest.mark.parametrize("content", ["", "{}", "[]", "nonsense", '{"what": "head of a strandbook journal"}'])
def test_a_file_that_is_no_head(tmp_path: Path, content: str) -> None:
    """It is refused in one line."""
    (tmp_path / "h").write_text(content)
    with pytest.raises(HeadError, match=r"is empty|is no head of a journal"):
        read_heads(tmp_path / "h")


def test_without_a_key_a_head_is_noted_all_the_same(
    book: Book, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The hash alone finds what it finds; only nobody vouches for it."""
    monkeypatch.setenv(FOLDER, str(tmp_path / "none"))
    head = head_now(book)
    assert (head.key, head.signature) == ("", "")
    assert head_of(head.as_json(), "it") == head
    assert verify(book, against=[replace(head, hash="0" * 64)]).found


class TestKeys:
    """Where keys are, and who may read them."""

    def test_a_new_book_has_one(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Outside the book, for its owner alone whatever the umask, and named by the first entry."""
        monkeypatch.setenv(FOLDER, str(tmp_path / "keys"))
        before = os.umask(0)
        try:
            with new_book(str(tmp_path / "b"), "Ada") as book:
                code = book.code
                with book.connect() as connection:
                    body = connection.exec_driver_sql("SELECT body FROM journal WHERE seq = 1").scalar()
        finally:
            os.umask(before)
        file = tmp_path / "keys" / f"{code}.key"
        assert file.stat().st_mode & 0o777 == 0o600
        assert file.parent.stat().st_mode & 0o777 == 0o700
        assert f'"signing key {KeyRing().public_key(code)}"' in str(body)

    def test_no_other_book_of_this_computer_has_its_code(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The heads remembered of another book of that code would say that the new one was cut off."""
        monkeypatch.setenv(FOLDER, str(tmp_path / "keys"))
        drawn = iter("ABC" + "ABC" + "XYZ")
        monkeypatch.setattr("tracker.book.book.secrets.choice", lambda _: next(drawn))
        for name, code in (("one", "ABC"), ("other", "XYZ")):
            with new_book(str(tmp_path / name), "Ada") as book:
                assert book.code == code

    def test_no_place_for_one(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The book is made without; heads are then not signed."""
        (tmp_path / "keys").write_text("a file in the way")
        monkeypatch.setenv(FOLDER, str(tmp_path / "keys" / "below"))
        with new_book(str(tmp_path / "b"), "Ada") as book:
            assert head_now(book).signature == ""

    def test_on_the_command_line(self, book: Book, book_place: str, tmp_path: Path) -> None:
        """key, key --new, verify --note and --against."""
        fill(book)
        book.close()

        def run(*arguments: str, code: int = 0) -> str:
            answer = CliRunner().invoke(
                strandbook, ["--book", book_place, "--who", "Ada Bench", "--clock-is-right", *arguments]
            )
            assert answer.exit_code == code, answer.output + answer.stderr
            return answer.output

        first = run("key").strip().splitlines()[-1]
        assert run("key", "--new").strip().splitlines()[-1] != first
        head = str(tmp_path / "h.json")
        run("verify", "--note", head)
        backup, folder = str(tmp_path / "b.backup"), str(tmp_path / "runs of each night")
        run("backup", backup)
        run("backup", "--folder", folder)
        # A note beside the backups of each night is a note still.
        (Path(folder) / "notes").mkdir()
        beside = str(shutil.copy(head, Path(folder) / "notes" / "h.json"))
        for each in (head, beside, backup, folder):
            assert "no head" not in run("verify", "--against", each)
        with open_book(book_place) as opened:
            rewrite(opened, "x")
        for file in Path(os.environ[FOLDER]).glob("*.heads"):
            file.unlink()
        run("verify")
        for each in (head, backup, folder):
            run("verify", "--against", each, code=1)


@pytest.mark.skipif(not shutil.which("openssl"), reason="no openssl to be a time-stamp service")
class TestTimeStamps:
    """RFC 3161 files of a service, here played by openssl with a certificate of its own."""

    @pytest.fixture
    def stamp(self, noted: Path, tmp_path: Path) -> Path:
        """Give a time stamp of the noted head."""
        config = tmp_path / "tsa.cnf"
        config.write_text(
            "[req]\ndistinguished_name=dn\nx509_extensions=ext\nprompt=no\n[dn]\nCN=test\n"
            "[ext]\nextendedKeyUsage=critical,timeStamping\n[tsa]\ndefault_tsa=t\n"
            f"[t]\nserial={tmp_path}/serial\nsigner_cert={tmp_path}/c\nsigner_key={tmp_path}/k\n"
            "signer_digest=sha256\ndefault_policy=1.2.3.4.1\ndigests=sha256\n"
        )
        (tmp_path / "serial").write_text("01")
        for command in (
            f"req -x509 -newkey rsa:2048 -nodes -keyout {tmp_path}/k -out {tmp_path}/c -config {config}",
            f"ts -query -data {noted} -sha256 -no_nonce -out {tmp_path}/q",
            f"ts -reply -config {config} -section t -queryfile {tmp_path}/q -out {tmp_path}/head.tsr",
        ):
            subprocess.run(["openssl", *command.split()], check=True, capture_output=True)
        return tmp_path / "head.tsr"

    def test_it_is_kept_with_the_head(self, book: Book, noted: Path, stamp: Path) -> None:
        """As attachments of an act of its own; the stamp's moment is reported."""
        at = attach_stamp(book, "Ada", stamp, noted)
        assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC", at)
        assert verify(book).clean
        with book.connect() as connection:
            names = set(connection.exec_driver_sql("SELECT name FROM attachment").scalars())
        assert {"head.json", "head.tsr"} <= names

    def test_one_of_another_file_is_refused(self, book: Book, noted: Path, stamp: Path) -> None:
        """It must be an answer and hold the digest of exactly this file; a request holds that too."""
        with pytest.raises(HeadError, match="not the answer of a service"):
            attach_stamp(book, "Ada", stamp.with_name("q"), noted)
        noted.write_text(noted.read_text() + "\n")
        with pytest.raises(HeadError, match="is no time stamp of"):
            attach_stamp(book, "Ada", stamp, noted)


class TestSince:
    """Only what was entered after a noted head."""

    def test_it_counts_what_is_new(self, book: Book, noted: Path) -> None:
        """An entry, its row, and nothing of before."""
        add_material(book, "later")
        (head,) = read_heads(noted)
        findings = verify(book, since=head)
        assert findings.clean, findings.lines()
        assert (findings.counts["entries"], findings.counts["rows"]) == (1, 1)
        assert any(f"after entry {head.entry}" in note for note in findings.notes)
        assert findings.head == verify(book).head

    def test_nothing_new(self, book: Book, noted: Path) -> None:
        """It ends with the head that it began with."""
        findings = verify(book, since=read_heads(noted)[0])
        assert findings.clean, findings.lines()
        assert findings.head == verify(book).head

    @pytest.mark.parametrize(
        "change", ["UPDATE material SET maker = 'x' WHERE id = 2", "DELETE FROM material WHERE id = 2"]
    )
    def test_a_new_row_changed_behind_the_journal(self, book: Book, noted: Path, change: str) -> None:
        """It is found as by a whole verification."""
        add_material(book, "later")
        with book.engine.begin() as connection:
            connection.execute(text(change))
        assert [each.table for each in verify(book, since=read_heads(noted)[0]).found] == ["material"]

    def test_an_old_row_corrected_since(self, book: Book, noted: Path) -> None:
        """What it was before is in an entry that is not gone through, and is taken as sound."""
        with book.act("correct", "Ada") as act:
            act.session.get_one(Material, 1).name = "corrected"
        assert verify(book, since=read_heads(noted)[0]).clean

    def test_a_journal_written_again_before_it(self, book: Book, noted: Path) -> None:
        """The head itself is compared with its entry."""
        add_material(book, "later")
        rewrite(book, "Better ASA")
        assert any("rewritten" in each.text for each in verify(book, since=read_heads(noted)[0]).found)

    def test_a_tail_cut_off_behind_it(self, book: Book, noted: Path) -> None:
        """It is not there any more."""
        with book.engine.begin() as connection:
            last = connection.execute(text("SELECT max(seq) FROM journal")).scalar()
            connection.execute(text("DELETE FROM journal WHERE seq = :last"), {"last": last})
        assert any("was cut off" in each.text for each in verify(book, since=read_heads(noted)[0]).found)
