"""Publishing from the command line: what is said, what is written, and the way from a label to its page."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.cli.bench import Cli
from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool, entries
from tests.publish.conftest import change_document
from tracker.book import new_book, open_book
from tracker.ids import payload, read_id, read_payload
from tracker.model import JobLog, Person


@pytest.fixture(scope="module")
def pulled_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the place of a book of two pulls, to be copied."""
    place = tmp_path_factory.mktemp("pulled") / "book"
    with new_book(str(place), WHO) as book:
        a_material(book)
        pieces = a_job(book, "bar:XYZ:2", spools=(a_spool(book, note="paid in cash"),), nozzle_set_c=245).also
        for piece, force in zip(pieces, (1800, 1850), strict=True):
            a_pull(book, piece, {"max_force": str(force), "area": "40"})
    return place


@pytest.fixture
def cli(pulled_once: Path, tmp_path: Path) -> Cli:
    """Give the command line on a book of two pulls."""
    shutil.copytree(pulled_once, tmp_path / "book")
    return Cli(tmp_path / "book")


def test_a_dry_run_lists_and_writes_nothing(cli: Cli, tmp_path: Path) -> None:
    """Texts, names and files, a line each."""
    lines = cli.done("publish", str(tmp_path / "site"), "--dry-run")

    assert not (tmp_path / "site").exists()
    assert "text   material name: Nordlicht ASA" in lines
    assert any(line.startswith("name   person ") for line in lines)
    assert not any("paid in cash" in line for line in lines)
    assert any(line.startswith("name   person ") and line.endswith(WHO) for line in lines)
    files = [line for line in lines if line.startswith("file   ")]
    assert any(line.startswith("file   head.json: number and hash") for line in files)
    assert "file   data/results.csv: from the records above" in files
    assert any(line.startswith("file   pages of IDs: ") for line in files)


def test_names_that_leave_are_listed_with_the_reason(cli: Cli, tmp_path: Path) -> None:
    """By choice of whoever publishes, or because the person agreed in the book."""
    asked = cli.done("publish", str(tmp_path / "site"), "--dry-run", "--with-names")
    assert f"name   {WHO}, by --with-names" in asked
    with open_book(str(tmp_path / "book")) as book, book.act("people", WHO) as act:
        act.session.add(Person(initials="AB", name=WHO, named=True))
    agreed = cli.done("publish", str(tmp_path / "site"), "--dry-run")
    assert f"name   {WHO}, who agreed to be named" in agreed


def test_logs_leave_under_their_own_ending(cli: Cli, tmp_path: Path) -> None:
    """Whatever a log is, CSV, text or packed: its name stays in the book, its ending does not."""
    with open_book(str(tmp_path / "book")) as book, book.act("job log", WHO) as act:
        for name in ("in the cellar.txt", "by Bo.csv.gz", "nameless"):
            act.session.add(
                JobLog(
                    job_id=1, sha256=act.attach(name.encode(), name), name=name, offset_s=0,
                    aligned_by="clock", channels=[], how=[], problems=[],
                )
            )  # fmt: skip
    cli.done("publish", str(tmp_path / "site"), "--with-plates")

    logs = sorted(path.name for path in (tmp_path / "site/data/logs").iterdir())
    assert logs == ["J0001-J-1.txt", "J0001-J-2.csv.gz", "J0001-J-3"]


def test_the_head_in_a_site_stands_against_its_book(cli: Cli, tmp_path: Path) -> None:
    """Verify holds the book against it; a head that names another entry is found."""
    site = tmp_path / "site"
    cli.done("publish", str(site))
    cli.done("verify", "--against", str(site / "head.json"))
    head = json.loads((site / "head.json").read_text("utf-8"))
    (tmp_path / "other.json").write_text(
        json.dumps({**head, "hash": "0" * 64, "key": "", "signature": ""}), encoding="utf-8"
    )
    assert cli("verify", "--against", str(tmp_path / "other.json")).exit_code == 1

    (site / "head.json").write_text("mine", encoding="utf-8")
    assert "head.json is not a file that strandbook published" in cli.refused("publish", str(site))


def test_several_books_are_read_together(cli: Cli, tmp_path: Path) -> None:
    """By three commands, the others refuse; nothing is written into any of them."""
    with new_book(str(tmp_path / "mine"), WHO) as mine:
        a_material(mine)
        pieces = a_job(mine, "bar:XYZ:3", spools=(a_spool(mine),), nozzle_set_c=245).also
        for piece, force in zip(pieces, (1700, 1780, 1740), strict=True):
            a_pull(mine, piece, {"max_force": str(force), "area": "40"})
        before = entries(mine)
    both = ("--book", str(tmp_path / "book"), "--book", str(tmp_path / "mine"))
    levels = cli.json(*both, "compare-benches", "tensile.strength")
    tables = cli.json(*both, "table")
    found = cli.json(
        *both, "why", "bench={} material='Nordlicht ASA'".format(tables[0]["book"]),
        "bench={}".format(tables[1]["book"]), "--of", "tensile.strength",
    )  # fmt: skip

    assert {name: len(values) for name, values in levels[0]["values"].items()} == {
        tables[0]["book"]: 2, tables[1]["book"]: 3,
    }  # fmt: skip
    assert [each["rows"][0]["material"] for each in tables] == ["Nordlicht ASA"] * 2
    assert "bench" in json.dumps(found)
    result = cli(*both, "list", "specimens")
    assert result.exit_code == 2
    assert "table, why, compare-benches alone" in result.output
    with open_book(str(tmp_path / "mine")) as mine:
        assert entries(mine) == before


@pytest.mark.parametrize("command", [["compare-benches", "tensile.strength"], ["table"], ["why", "a", "b"]])
def test_a_book_named_twice_is_refused(cli: Cli, tmp_path: Path, command: list[str]) -> None:
    """A number must not be shown beside itself."""
    twice = ("--book", str(tmp_path / "book")) * 2
    line = cli.refused(*twice, *command)
    assert "Two of the books have the code" in line


def test_a_site_is_published_and_holds(cli: Cli, tmp_path: Path) -> None:
    """The licence is kept in the book: it need not be said again; the check needs no book."""
    site = str(tmp_path / "site")
    assert cli.done("publish", site, "--licence", "CC-BY-4.0", "--author", "Us")[-1].endswith("index.html")
    told = cli.json("publish", site)
    assert (told["licence"], told["changed"]) == ("CC-BY-4.0", 0)
    assert "0 differ" in cli.done("check", site)[-1]
    assert cli.json("check", site)["holds"]


def test_what_an_old_spreadsheet_brought_is_published_too(tmp_path: Path) -> None:
    """Imported numbers have no time and no person; those given as numbers have no readings either."""
    new_book(str(tmp_path / "old"), WHO).close()
    cli = Cli(tmp_path / "old")
    (tmp_path / "old.csv").write_text("material,o,F,A,E\nX,Z,1800,40,2100\n", encoding="utf-8")
    (tmp_path / "old.toml").write_text(
        '[specimen]\nmaterial = "material"\norientation = "o"\nplate = []\n'
        '[readings.tensile]\nmax_force = { column = "F", unit = "N" }\n'
        'area = { column = "A", unit = "mm^2", u = "exact" }\n'
        '[quantities]\n"tensile.modulus" = { column = "E", unit = "MPa" }\n',
        encoding="utf-8",
    )
    cli.done("import", str(tmp_path / "old.csv"), "--columns", str(tmp_path / "old.toml"))
    cli.done("publish", str(tmp_path / "site"))

    assert "0 differ" in cli.done("check", str(tmp_path / "site"))[-1]


def test_an_altered_site_does_not_hold(cli: Cli, tmp_path: Path) -> None:
    """Exit code 1, and the number by name."""
    cli.done("publish", str(tmp_path / "site"))
    place = tmp_path / "site/data/measurements/J0001-J.json.gz"
    change_document(place, "M0001-Y", lambda told: told["results"][0].update(value=99.0))
    result = cli("check", str(tmp_path / "site"))

    assert result.exit_code == 1
    assert "M0001-Y tensile.strength: published 99.0, computed 45.0" in result.output


def test_a_table_that_was_altered_is_named(cli: Cli, tmp_path: Path) -> None:
    """In the text and in the JSON of the check; nothing but the table is at fault."""
    cli.done("publish", str(tmp_path / "site"))
    place = tmp_path / "site/data/results.csv"
    place.write_text(place.read_text("utf-8").replace(",45.0,", ",54.0,", 1), encoding="utf-8")
    result = cli("check", str(tmp_path / "site"))

    assert result.exit_code == 1
    assert "data/results.csv has another value of M0001-Y tensile.strength" in result.output
    assert "0 numbers, 1 files and 1 tables differ" in result.output


def test_a_licence_that_is_none_is_refused(cli: Cli, tmp_path: Path) -> None:
    """With those there are."""
    result = cli("publish", str(tmp_path / "site"), "--licence", "mine")
    assert result.exit_code == 1
    assert "Choose one of CC-BY-4.0" in result.output


def test_an_answer_is_published_beside_its_number(cli: Cli, tmp_path: Path) -> None:
    """As it was said, with who said it."""
    cli.done("dispute", "M0001-Y", "We pulled more.", "--by", "The maker")
    cli.done(
        "dispute", "Nordlicht ASA", "And stiffer.", "--by", "The maker", "--address", "https://example.org"
    )
    cli.done("publish", str(tmp_path / "site"))
    page = next((tmp_path / "site").glob("J0001-01-Z.*/index.html")).read_text("utf-8")

    assert "We pulled more." in page
    assert "And stiffer." in (tmp_path / "site/materials/nordlicht-asa.html").read_text("utf-8")


def test_another_bench_comes_in_and_is_compared(cli: Cli, tmp_path: Path) -> None:
    """A site published by one book, imported into another, in two commands."""
    cli.done("publish", str(tmp_path / "site"), "--licence", "CC0-1.0")
    with new_book(str(tmp_path / "mine"), WHO) as mine:
        a_material(mine)
        pieces = a_job(mine, "bar:XYZ:2", spools=(a_spool(mine),), nozzle_set_c=245).also
        for piece, force in zip(pieces, (1700, 1780), strict=True):
            a_pull(mine, piece, {"max_force": str(force), "area": "40"})
    mine_cli = Cli(tmp_path / "mine")
    told = mine_cli.json("import", str(tmp_path / "site"))
    levels = mine_cli.json("compare-benches", "tensile.strength")

    assert (told["licence"], told["new"] > 0) == ("CC0-1.0", True)
    assert levels[0]["unit"] == "MPa"
    assert set(levels[0]["values"]) >= {told["bench"]}


@pytest.mark.parametrize(
    "address", ["https://example.org", "https://example.org/bench/", "192.0.2.7:8765", ""]
)
def test_a_label_with_any_address_is_read(address: str) -> None:
    """What a code leads to does not change what it names."""
    text = payload(read_id("J0001-J")[0], "7QX", address)
    scanned = read_payload(text)

    assert text == text.upper()
    assert (str(scanned.readings[0]), scanned.book) == ("J0001-J", "7QX")


def test_the_book_keeps_what_was_chosen(cli: Cli, tmp_path: Path) -> None:
    """In one act of the journal."""
    cli.done("publish", str(tmp_path / "site"), "--licence", "CC0-1.0")
    with open_book(str(tmp_path / "book")) as book, book.connect() as connection:
        acts = [row.act for row in connection.exec_driver_sql("SELECT act FROM journal ORDER BY seq")]
    assert acts[-1] == "publication"
