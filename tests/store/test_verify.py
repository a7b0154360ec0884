"""What verify finds, and what it lets pass."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping

import pytest
from sqlalchemy import event, text

from tests.books import CURVE, Filled, add_in_bulk, add_material, add_measurement
from tracker.book import Book
from tracker.desk.method_inputs import instruments, piece_of
from tracker.errors import Refused
from tracker.journal import canonical, hash_of
from tracker.model import DERIVED, Base, Measurement, Specimen
from tracker.verify import Finding, Findings, verify


@pytest.fixture(autouse=True)
def filled(filled_once: Filled) -> Filled:
    """Give every test here a filled book."""
    return filled_once


def _change(book: Book, statement: str, **values: object) -> None:
    """Write past the journal, as a slip of the hand in a database tool would."""
    with book.engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SET session_replication_role = replica"))
        else:
            connection.execute(text("PRAGMA defer_foreign_keys = ON"))
        connection.execute(text(statement), values)


def _delete_unheld(book: Book, statement: str) -> None:
    """Delete rows that others refer to, as only a tool without foreign keys can."""
    if book.engine.dialect.name == "postgresql":
        _change(book, statement)
        return
    with book.engine.connect() as connection:
        driver = connection.connection.driver_connection
        assert driver is not None
        driver.execute("PRAGMA foreign_keys = OFF")
        driver.execute(statement)
        driver.execute("PRAGMA foreign_keys = ON")


def _only(findings: Findings) -> Finding:
    assert len(findings.found) == 1, findings.lines()
    return findings.found[0]


def _last(book: Book) -> int:
    with book.connect() as connection:
        return int(connection.scalar(text("SELECT max(seq) FROM journal")))


def _body(book: Book, seq: int) -> dict[str, object]:
    with book.connect() as connection:
        body = connection.scalar(text("SELECT body FROM journal WHERE seq = :seq"), {"seq": seq})
    entry: dict[str, object] = json.loads(body)
    return entry


def _rewrite(book: Book, seq: int, body: str) -> None:
    """Write another text into an entry, and a hash that fits it."""
    _change(
        book, "UPDATE journal SET body = :body, hash = :hash WHERE seq = :seq",
        body=body, hash=hash_of(body), seq=seq,
    )  # fmt: skip


class TestClean:
    """What is as the journal says."""

    def test_a_filled_book(self, book: Book) -> None:
        """A book with a row of every kind is what its journal says."""
        assert verify(book).lines()[:-3] == []

    def test_the_helper_fills_every_table(self, book: Book) -> None:
        """The book of these tests has a row in every table, so none goes unchecked."""
        with book.connect() as connection:
            empty = [
                name
                for name in set(Base.metadata.tables) - DERIVED
                if not connection.scalar(text(f'SELECT count(*) FROM "{name}"'))  # noqa: S608 - our own tables
            ]

        assert empty == []

    def test_corrections(self, book: Book) -> None:
        """Rows changed by acts, twice over, are what their last entry says."""
        for note in ("warped", None):
            with book.act("amend", "Ben", reason="seen again") as act:
                specimen = act.session.get_one(Specimen, 2)
                specimen.note = note
                specimen.plate_facts = {"layers": 21, "scale": 1e-7, "far": 2.0**60}
                specimen.broken_at = act.at

        assert verify(book).clean

    def test_bulk(self, book: Book) -> None:
        """Rows that came in bulk, and rows of them corrected later, are what the journal says."""
        add_in_bulk(book, 300)
        with book.act("amend", "Ben") as act:
            act.session.get_one(Specimen, 150).note = "bent"

        findings = verify(book)

        assert findings.clean, findings.lines()
        assert findings.counts["rows"] > 300

    @pytest.mark.parametrize("value", [2.0**53, 2.0**60, 1e21, 1e-7, -0.0, 5e-324, 1.7976931348623157e308])
    def test_floats_at_the_seams(self, book: Book, value: float) -> None:
        """A float that JSON writes like an integer, or with an exponent, comes back as the same."""
        with book.act("amend", "Ben") as act:
            act.session.get_one(Specimen, 2).x_mm = value

        assert verify(book).clean

    def test_a_column_the_journal_does_not_know(self, book: Book) -> None:
        """A row that left out a column with a default holds the default."""
        with book.act("import", "Ben") as act:
            first = act.next_number(Base.metadata.tables["result"])
            row = {"id": first, "measurement_id": 1, "quantity": "tensile.modulus", "value": 2100.0}
            act.bulk(
                Base.registry._class_registry["Result"],  # type: ignore[arg-type]
                [{**row, "unit": "MPa", "remarks": [], "counted": True}],
            )

        assert verify(book).clean

    def test_counts(self, book: Book) -> None:
        """The answer says how much was looked at."""
        findings = verify(book)

        assert (findings.counts["entries"], findings.counts["attachments"]) == (_last(book), 3)

    def test_a_file_nobody_names(self, book: Book) -> None:
        """A file that no act names, as a crash leaves it, is a note and no finding."""
        book.files.put(b"left over")

        findings = verify(book)

        assert findings.clean
        assert "1 file in the attachment folder belongs to no act" in findings.notes[0]


class TestRows:
    """Rows changed, made or removed past the journal."""

    def test_a_changed_number(self, book: Book, filled: Filled) -> None:
        """A changed number is named with both values, the piece, and who entered it."""
        _change(book, "UPDATE specimen SET x_mm = 13.5 WHERE id = 3")

        assert _only(verify(book)).text == (
            f"The specimen {filled.specimens[2]} is not as entry 5 "
            "(2026-03-02 08:00:04 UTC, Ada Bench, job add) left it: x_mm is 13.5, the journal says 37.5"
        )

    def test_the_id(self, book: Book, filled: Filled) -> None:
        """A finding carries the ID, table, key and column as data."""
        _change(book, "UPDATE measurement SET operator = 'Eve' WHERE id = 2")

        finding = _only(verify(book))

        assert (finding.id, finding.table, finding.key) == (filled.measurements[1], "measurement", "2")
        assert [(d.column, d.journal, d.book) for d in finding.differences] == [
            ("operator", "Ada Bench", "Eve")
        ]

    @pytest.mark.parametrize("table", sorted(set(Base.metadata.tables) - {"journal", *DERIVED}))
    def test_every_table(self, book: Book, table: str) -> None:
        """A row of any table that claims another entry is found."""
        _change(book, f'UPDATE "{table}" SET entry = entry + 100')  # noqa: S608 - our own tables

        assert {finding.table for finding in verify(book).found} == {table}

    def test_a_value_within_a_document(self, book: Book) -> None:
        """A reading changed inside its document is found."""
        _change(book, """UPDATE measurement SET readings = '{"max_force": 1999, "area": 40}' WHERE id = 1""")

        assert "readings is {" in _only(verify(book)).text

    def test_a_row_nobody_entered(self, book: Book) -> None:
        """A row that no entry speaks of is named."""
        _change(book, "INSERT INTO specimen (id, job_id, piece, entry) VALUES (99, 1, 9, 5)")

        finding = _only(verify(book))

        assert finding.text.startswith("The specimen J0001-09-")
        assert "nobody entered it" in finding.text

    def test_a_row_that_is_gone(self, book: Book, filled: Filled) -> None:
        """A row that was deleted is named with the entry that wrote it."""
        _delete_unheld(book, "DELETE FROM specimen WHERE id = 4")

        assert _only(verify(book)).text.startswith(f"The specimen {filled.specimens[3]} is gone; entry 5 (")

    def test_a_row_without_an_id(self, book: Book, filled: Filled) -> None:
        """A row that has no ID of its own is named by what it belongs to."""
        _change(book, "UPDATE factor SET text = 'as printed'")

        finding = _only(verify(book))

        assert f"The factor 'treatment' of specimen {filled.specimens[0]} is not as" in finding.text
        assert finding.id == filled.specimens[0]

    def test_a_bulk_row(self, book: Book) -> None:
        """A changed row of a bulk import is named with what the list of the import says."""
        add_in_bulk(book, 300)
        _change(book, "UPDATE specimen SET x_mm = -1 WHERE piece = 200")

        assert "x_mm is -1.0, the journal says 19.9" in _only(verify(book)).text

    def test_the_book_itself(self, book: Book) -> None:
        """The record of the book itself is compared with the journal too."""
        _change(book, "UPDATE book SET zone = 'Europe/Vienna'")

        assert "zone is 'Europe/Vienna'" in _only(verify(book)).text

    def test_the_schema_version(self, book: Book) -> None:
        """A second schema version in the book is found."""
        _change(book, "INSERT INTO alembic_version VALUES ('0002x')")

        assert _only(verify(book)).table == "alembic_version"

    def test_very_many(self, book: Book) -> None:
        """Of very many findings a thousand are reported and the rest counted."""
        add_in_bulk(book, 1300)
        _change(book, "UPDATE specimen SET note = 'x' WHERE piece > 100")

        findings = verify(book)

        assert (len(findings.found), findings.more) == (1000, 200)


class TestChain:
    """The journal itself."""

    def test_a_changed_text(self, book: Book) -> None:
        """An entry whose text was changed is the one named, and the rest is gone through still."""
        _change(book, "UPDATE journal SET body = replace(body, 'Gantry', 'Gantrx') WHERE seq = 6")

        chain = verify(book).of("chain")

        assert [finding.key for finding in chain] == ["6"]
        assert "The text of entry 6 (" in chain[0].text

    def test_a_forged_text(self, book: Book) -> None:
        """Where text and hash were both changed, the entry after it no longer follows."""
        body = _body(book, 6)
        _rewrite(book, 6, canonical({**body, "who": "Ada Bench", "reason": "forged"}))

        assert _only(verify(book)).text.startswith("Entry 7 (")

    @pytest.mark.parametrize(("column", "value"), [("who", "Eve"), ("act", "amend")])
    def test_a_column(self, book: Book, column: str, value: str) -> None:
        """A column beside the text that says something else is named."""
        _change(book, f"UPDATE journal SET {column} = :value WHERE seq = 3", value=value)  # noqa: S608 - ours

        assert f"The column {column} of entry 3 says '{value}'" in _only(verify(book)).text

    def test_the_time(self, book: Book) -> None:
        """A moved time is found."""
        later = dt.datetime(2026, 3, 3, tzinfo=dt.UTC)
        stored = later.replace(tzinfo=None).isoformat(" ") + ".000000"
        value: object = stored if book.engine.dialect.name == "sqlite" else later
        _change(book, "UPDATE journal SET at = :value WHERE seq = 3", value=value)

        assert "The column at of entry 3" in _only(verify(book)).text

    def test_an_entry_that_is_gone(self, book: Book) -> None:
        """A missing entry is named by its neighbours."""
        _change(book, "DELETE FROM journal WHERE seq = 8")

        assert verify(book).of("chain")[0].text.startswith("After entry 7 of the journal comes entry 9")

    def test_the_first_entry_is_gone(self, book: Book) -> None:
        """A journal that does not begin with its first entry is found."""
        _change(book, "DELETE FROM journal WHERE seq = 1")

        assert verify(book).of("chain")[0].text.startswith("After entry 0 of the journal comes entry 2")

    def test_the_last_entry_is_gone(self, book: Book) -> None:
        """Where the last entry was cut off, its rows are in the book and nobody entered them."""
        _change(book, f"DELETE FROM journal WHERE seq = {_last(book)}")  # noqa: S608 - a number

        findings = verify(book)

        assert {finding.kind for finding in findings.found} == {"row"}
        assert "measurement" in {finding.table for finding in findings.found}

    def test_an_empty_journal(self, book: Book) -> None:
        """A book without a journal is found out."""
        _change(book, "DELETE FROM journal")

        assert verify(book).found[0].text == "The journal is empty"

    def test_another_way_of_writing(self, book: Book) -> None:
        """An entry with right content and right hash, not in canonical form, was not written by us."""
        last = _last(book)
        _rewrite(book, last, json.dumps(_body(book, last)))

        assert "is not canonical JSON" in _only(verify(book)).text

    def test_what_is_no_number_in_json(self, book: Book) -> None:
        """JSON knows no NaN, though Python's own reader takes it: this program never writes it."""
        last = _last(book)
        body = json.dumps(
            _body(book, last) | {"zone": float("nan")},
            ensure_ascii=False,
            sort_keys=True,
            separators=(",", ":"),
        )
        _rewrite(book, last, body)

        assert "is not canonical JSON" in _only(verify(book)).text

    @pytest.mark.parametrize("body", ["", "[]", "{", "null", '{"seq": 10}', '{"rows": [{"table": 3}]}'])
    def test_nonsense(self, book: Book, body: str) -> None:
        """Nonsense in place of an entry is a finding and no crash."""
        _rewrite(book, _last(book), body)

        assert verify(book).found[0].key == str(_last(book))

    def test_a_false_before(self, book: Book) -> None:
        """An entry that says a row was before it what it was not is found, though the chain holds."""
        with book.act("amend", "Ben") as act:
            act.session.get_one(Specimen, 1).note = "bent"
        last = _last(book)
        body = _body(book, last)
        body["rows"][0]["before"]["x_mm"] = 12.6  # type: ignore[index]
        _rewrite(book, last, canonical(body))

        assert "says how specimen 1 was before it, but entry 5 left it otherwise" in _only(verify(book)).text

    def test_the_head(self, book: Book) -> None:
        """The hash of the last entry is given, to be written down elsewhere."""
        with book.connect() as connection:
            last = connection.scalar(text("SELECT hash FROM journal ORDER BY seq DESC LIMIT 1"))

        assert verify(book).head == last


class TestAttachments:
    """Files changed or lost."""

    def _path(self, book: Book) -> str:
        return book.files.put(CURVE)

    def test_changed(self, book: Book, filled: Filled) -> None:
        """A flipped bit in an attachment is found, and the measurement it belongs to named."""
        place = book.files.path(self._path(book))
        place.write_bytes(CURVE.replace(b"1830", b"1831"))

        finding = _only(verify(book))

        assert finding.id == filled.measurements[0]
        assert "The attachment 'c.csv'" in finding.text
        assert "its bytes are not the ones that were kept" in finding.text

    def test_missing(self, book: Book) -> None:
        """A lost attachment is named with the entry that brought it in."""
        book.files.path(self._path(book)).unlink()

        assert "is missing from the attachment folder; entry " in _only(verify(book)).text

    def test_a_lost_list_of_rows(self, book: Book) -> None:
        """Where the list of a bulk import is lost, that is one finding, not one for each row."""
        add_in_bulk(book, 300)
        body = _body(book, _last(book))
        manifest = body["bulk"][0]["manifest"]  # type: ignore[index]
        book.files.path(manifest).unlink()

        assert "its rows cannot be checked" in _only(verify(book)).text


class TestResults:
    """Results computed again."""

    @staticmethod
    def _strength(measurement: Measurement) -> Mapping[str, float | None]:
        readings = measurement.readings or {}
        return {"tensile.strength": readings["max_force"] / readings["area"]}

    def test_the_same(self, book: Book) -> None:
        """Results that the readings still give are counted and no finding."""
        findings = verify(book, self._strength)

        assert (findings.found, findings.notes, findings.counts["results"]) == ([], [], 2)

    def test_another(self, book: Book, filled: Filled) -> None:
        """A result that its readings no longer give is named with both values."""
        findings = verify(book, lambda m: {"tensile.strength": self._strength(m)["tensile.strength"] * m.id})  # type: ignore[operator]

        assert _only(findings).text == (
            f"The readings of {filled.measurements[1]} no longer give its tensile.strength: 45.8 MPa in the "
            "book (by tensile version 1), 91.6 MPa computed again"
        )

    def test_nearly_the_same(self, book: Book) -> None:
        """The last digits of a float do not matter."""
        nudged = 1 + 5e-10

        findings = verify(
            book, lambda m: {"tensile.strength": self._strength(m)["tensile.strength"] * nudged}  # type: ignore[operator]
        )  # fmt: skip

        assert findings.clean

    def test_no_longer_a_value(self, book: Book) -> None:
        """A quantity that the method no longer gives is found."""
        assert len(verify(book, lambda _: {}).of("result")) == 2

    def test_a_method_that_is_not_here(self, book: Book) -> None:
        """A missing method is a note."""
        findings = verify(book, lambda _: None)

        assert findings.clean
        assert "2 measurements by 'tensile' were not computed again" in findings.notes[0]

    @pytest.mark.parametrize("error", [ZeroDivisionError("no"), Refused("area: it is 0")])
    def test_a_method_that_fails(self, book: Book, error: Exception) -> None:
        """A method that raises costs its own measurements a finding, nothing else."""
        calls: list[int] = []

        def recompute(measurement: Measurement) -> Mapping[str, float | None]:
            calls.append(measurement.id)
            raise error

        findings = verify(book, recompute)

        assert calls == [1, 2]
        assert str(error) in findings.found[0].text

    def test_without(self, book: Book) -> None:
        """Without a way to compute, a note says that results were left alone."""
        assert verify(book).notes == ["Results were not computed again"]

    def test_what_is_computed_from_is_read_beforehand(self, book: Book) -> None:
        """To compute a measurement asks the database nothing; its questions took most of the time."""
        asked: list[str] = []

        def recompute(measurement: Measurement) -> Mapping[str, float | None]:
            event.listen(book.engine, "before_cursor_execute", note)
            piece_of(measurement.specimen or measurement.spool)  # type: ignore[arg-type] # it is of one of them
            instruments(measurement.rigs)
            event.remove(book.engine, "before_cursor_execute", note)
            return self._strength(measurement)

        def note(*about: object) -> None:
            asked.append(str(about[2]))

        assert verify(book, recompute).counts["results"] == 2
        assert asked == []

    def test_a_page_of_measurements(self, book: Book) -> None:
        """Measurements are gone through to the last, however they are read in portions."""
        for _ in range(3):
            add_measurement(book, 3)

        assert verify(book, self._strength).counts["results"] == 5


class TestReport:
    """The answer in words and as data."""

    def test_json(self, book: Book) -> None:
        """The answer goes through JSON whole."""
        _change(book, "UPDATE specimen SET plate_facts = NULL, broken_at = NULL, x_mm = 1 WHERE id = 3")

        told = json.loads(json.dumps(verify(book).as_json()))

        assert told["clean"] is False
        assert told["findings"][0]["origin"]["seq"] == 5
        assert [d["column"] for d in told["findings"][0]["differences"]] == ["plate_facts", "x_mm"]

    def test_progress(self, book: Book) -> None:
        """Progress is reported table by table."""
        stages: list[str] = []

        verify(book, progress=lambda stage, _done, _total: stages.append(stage))

        assert {"specimen", "measurement", "material"} <= set(stages)

    def test_a_name_with_everything(self, book: Book) -> None:
        """A finding about a name of 500 odd characters is one line of bearable length."""
        add_material(book, "'; DROP TABLE job; -- \u202e\U0001f52c" + "x" * 480)
        _change(book, "UPDATE material SET maker = name WHERE id = 2")

        line = _only(verify(book)).text

        assert "\n" not in line
        assert len(line) < 400

    def test_nothing_is_written(self, book: Book) -> None:
        """Verifying leaves no entry."""
        before = _last(book)

        verify(book)

        assert _last(book) == before


def test_the_head_is_the_last_entry(book: Book) -> None:
    """Number and hash, to be written down."""
    findings = verify(book)

    assert findings.lines()[-1] == f"Head of the journal: entry {findings.head_entry}, {findings.head}"
    assert findings.head_entry == findings.counts["entries"]


def test_a_head_noted_earlier_is_found_again(book: Book) -> None:
    """By its beginning, after more was entered."""
    noted = verify(book)
    add_material(book, "later")
    findings = verify(book, noted=noted.head[:12].upper())

    assert findings.clean
    assert findings.noted_entry is not None
    assert findings.noted_entry.seq == noted.head_entry
    assert findings.lines()[-1].endswith("; 1 entry since")


def test_a_head_that_no_entry_has_is_a_finding(book: Book) -> None:
    """The whole journal may have been rewritten, with a chain that holds."""
    findings = verify(book, noted="0123456789ab")

    assert _only(findings).kind == "chain"
    assert "0123456789ab" in findings.found[0].text
    assert findings.as_json()["noted"] == {"hash": "0123456789ab", "entry": None}


@pytest.mark.parametrize("typed", ["abc", "nothing of a hash", "0" * 65])
def test_what_is_no_head_is_refused(book: Book, typed: str) -> None:
    """Four characters would be found by chance."""
    with pytest.raises(Refused, match="is no head of a journal"):
        verify(book, noted=typed)


class TestInParts:
    """A book verified by several processes."""

    def test_it_finds_what_one_process_finds(self, book: Book) -> None:
        """Damage of every kind is named in the same sentences, by however many processes."""
        add_in_bulk(book, 40)
        _change(book, "UPDATE specimen SET note = 'bent' WHERE id = 2")
        _change(book, "UPDATE spool SET lot = 'L-18'")
        _change(book, "UPDATE result SET value = value + 1 WHERE id = 1")
        _change(book, "UPDATE journal SET who = 'Eve' WHERE seq = 4")
        book.files.remove(next(book.files.stored()))
        alone = verify(book, processes=1)

        together = verify(book, processes=2)

        assert {each.kind for each in alone.found} >= {"chain", "row", "attachment"}
        assert sorted(each.text for each in together.found) == sorted(each.text for each in alone.found)
        assert together.counts == alone.counts
        assert together.head == alone.head

    def test_results_and_what_is_kept_are_divided_too(self, book: Book) -> None:
        """A sound book is found sound, with as many results computed again as by one process."""
        from tracker.desk.measuring import recomputing_anew  # noqa: PLC0415 - loads the methods

        _change(book, "UPDATE job_in_force SET attempt = 7")
        again = recomputing_anew(book)
        alone = verify(book, again, processes=1)

        together = verify(book, again, anew=recomputing_anew, processes=2)

        assert {each.kind for each in together.found} == {"derived"}
        assert together.lines() == alone.lines()
