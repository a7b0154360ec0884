"""The whole schema of a book is compared with the one that the program makes; released revisions stay."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import text

from tests.books import fill
from tests.databases import Places
from tracker import migrations
from tracker.backup import BackupError, upgrade_book
from tracker.backup.tables import let_tables_be_copied
from tracker.book import Book, make_engine, open_book
from tracker.cli import strandbook
from tracker.migrations.schema import schema_differences
from tracker.model import SCHEMA
from tracker.verify import verify

OLD = "0010"
RELEASED = {
    "0001_first_book.py": "859fbac7ce8724d97c2e0fd7592ef21742ec02a268b31dad390b95d83e61b158",
    "0002_logs_and_plans.py": "0615705115f9b93b16b89a103f214f2b762679531af0d002a313d4f387de94e3",
    "0003_units_of_readings.py": "af89188b87cb6b3d828db2534b8f40a53c800fe6ca00bdbacf8a5c1e77c329d2",
    "0004_gauge_and_first_layer.py": "0c0fd32a2fdf43fabf1701654d15b3c41442eb4c6b41e33425ba234192718787",
    "0005_forms_sent_twice.py": "cb7ca8cb49236b5895af90334fb345ccf43a1b63bd26008b66c45573ce695253",
    "0006_photographs.py": "61443aafc7f40ff004bbc353ab6a42db8efad32a899764b7012b272e2285a0c7",
    "0007_taking_back.py": "23e00e2e1b96361995a413e0a056b50a685935f00540bbdac3d1be9bae9d82b3",
    "0008_stated_results.py": "c3d25c67baa8bc7756fa9c8051cb92374f2ae04e2e798d3f06abe97be4599c5f",
    "0009_device_roles.py": "4e3eb2132358350272cbcfd64bb18de282d15333c1e56e27b50a48aa8263eb45",
    "0010_publishing.py": "800f3802348f3422cacecf771359b39795aa872e80bc15acee171722dafad83e",
    "0011_repair.py": "084863d79e937097e4564b4b65372fb47f7e9ed974125f69cdcbc5bc17c1eebf",
    "0012_in_force.py": "61a19c3afdcbc86066cc8d0b444f2e982df6c2ffd5d6ae7679255573e1e6d374",
}
"""SHA-256 of every revision that books were made with. A revision that changes later leaves those books
without what it then makes; what must change comes in a new one."""


def run(book: Book, *statements: str) -> None:
    """Change a schema behind the program's back."""
    with book.engine.begin() as connection:
        for statement in statements:
            connection.execute(text(statement))


def schema_findings(book: Book) -> list[str]:
    """Return what verify says of the schema."""
    return [finding.text for finding in verify(book).of("schema")]


def test_released_revisions_never_change() -> None:
    """Each file that books were made with has the bytes it had then."""
    folder = Path(migrations.__file__).parent / "versions"
    found = {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in folder.glob("0*.py")}
    assert {name: found.get(name) for name in RELEASED} == RELEASED
    # The newest may be worked on; one behind which another comes is in books.
    assert set(sorted(found)[:-1]) <= set(RELEASED)


def test_a_new_book_has_no_difference(book: Book) -> None:
    """On either database."""
    with book.connect() as connection:
        assert schema_differences(connection, SCHEMA) == []


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("DROP INDEX ix_job_name", "The index ix_job_name of table job is missing"),
        ("ALTER TABLE spool DROP COLUMN reel", "The column reel of table spool is missing"),
        ("DROP TABLE photograph", "The table photograph is missing"),
        ("ALTER TABLE spool ADD COLUMN price int", None),
        ("CREATE INDEX mine ON job (note)", None),
        ("CREATE VIEW mine AS SELECT 1 AS one", None),
        ("CREATE TABLE recipes (id int)", None),
    ],
)
def test_what_is_missing_is_found_and_what_is_foreign_named(
    book: Book, statement: str, said: str | None
) -> None:
    """What is missing is a finding; what somebody added and that changes no row, a note."""
    run(book, statement)
    with book.connect() as connection:
        differences = [str(each) for each in schema_differences(connection, SCHEMA)]
    if said is None:
        (difference,) = differences
        assert difference.endswith("is none that the program made")
        assert difference in verify(book).notes
    else:
        assert said in differences


def test_a_trigger_is_a_finding(book: Book) -> None:
    """It can change what the next act writes."""
    if book.engine.dialect.name == "sqlite":
        run(book, "CREATE TRIGGER t_x AFTER INSERT ON spool BEGIN UPDATE spool SET lot = 'x'; END")
    else:
        run(
            book,
            "CREATE FUNCTION f_x() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'",
            "CREATE TRIGGER t_x BEFORE INSERT ON spool FOR EACH ROW EXECUTE FUNCTION f_x()",
        )
    assert schema_findings(book) == ["The trigger or rule t_x on table spool is none that the program made"]


def test_a_weakened_check_is_a_finding(places: Places) -> None:
    """One of the old name that lets more through is not the one that was made."""
    with open_book(places.fresh("postgresql")) as book:
        run(
            book,
            "ALTER TABLE job DROP CONSTRAINT ck_job_outcome",
            "ALTER TABLE job ADD CONSTRAINT ck_job_outcome CHECK "
            "(outcome IN ('running', 'finished', 'stopped', 'failed', 'melted'))",
        )
        assert schema_findings(book) == ["The check ck_job_outcome of table job is not as it was made"]


def test_another_constraint_is_a_finding(places: Places) -> None:
    """One that lets through what cannot be."""
    with open_book(places.fresh("postgresql")) as book:
        run(
            book,
            "ALTER TABLE job ALTER COLUMN entry DROP NOT NULL",
            "ALTER TABLE job DROP CONSTRAINT ck_job_outcome",
        )
        assert sorted(schema_findings(book)) == [
            "The check ck_job_outcome of table job is missing",
            "The column entry of table job is not as it was made",
        ]


class TestUpgrade:
    """An older book whose schema is not what it should be."""

    @pytest.fixture
    def old(self, book: Book) -> Book:
        """Give a filled book of before the repair, as made with the first form of revision 0002."""
        fill(book)
        book.engine.dispose()
        let_tables_be_copied(book.engine)
        with book.writing() as connection:
            migrations.downgrade(connection, OLD)
        run(book, "ALTER TABLE spool DROP COLUMN reel")
        book.close()
        return book

    def test_the_first_form_of_0002_is_repaired(self, old: Book, book_place: str) -> None:
        """The column that it lacked is there afterwards, and nothing else differs."""
        del old
        assert upgrade_book(book_place, "Ada").found == OLD
        with open_book(book_place) as upgraded, upgraded.connect() as connection:
            assert schema_differences(connection, SCHEMA) == []

    def test_an_upgrade_marks_the_attachments(self, old: Book, book_place: str) -> None:
        """Books of before the marker get it."""
        (old.files.folder / "book.code").unlink()
        upgrade_book(book_place, "Ada")
        with open_book(book_place) as upgraded:
            assert upgraded.files.trouble() == ""

    def test_an_attachment_that_is_lost_does_not_hold_a_book_back(self, old: Book, book_place: str) -> None:
        """The upgrade names it, and goes on where that is asked for."""
        old.files.path(next(old.files.stored())).unlink()
        with pytest.raises(BackupError, match=r"1 attachments are missing.*--as-it-is"):
            upgrade_book(book_place, "Ada")
        assert upgrade_book(book_place, "Ada", as_it_is=True).found == OLD

    def test_something_missing_stops_it(self, old: Book, book_place: str) -> None:
        """By name, and nothing is changed."""
        run(old, "DROP INDEX ix_job_name")
        old.close()
        with pytest.raises(BackupError, match="index ix_job_name of table job is missing"):
            upgrade_book(book_place, "Ada")
        with make_engine(book_place).connect() as connection:
            assert connection.scalar(text("SELECT version_num FROM alembic_version")) == OLD

    def test_something_foreign_is_named(self, old: Book, book_place: str) -> None:
        """An index of somebody's own stays, and is reported."""
        run(old, "CREATE INDEX mine ON rig (note)")
        old.close()
        answer = CliRunner().invoke(strandbook, ["--book", book_place, "--clock-is-right", "upgrade"])
        assert answer.exit_code == 0, answer.stderr
        assert "The index mine of table rig is none that the program made" in answer.stderr
