"""Tables, pictures and choices at the command line."""

from __future__ import annotations

import csv
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.cli.bench import Cli
from tests.cli.unlike import MATERIAL, Unlike


@pytest.fixture(scope="module")
def unlike(book_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Unlike:
    """Give the command line on a book of unlike plates; nothing here writes to it."""
    place = tmp_path_factory.mktemp("unlike") / "book"
    shutil.copytree(book_template, place)
    return Unlike(place)


STRENGTH = "tensile.strength"


def test_the_table_reads_as_lines(unlike: Unlike) -> None:
    """A condition a paragraph, its caution at the foot."""
    lines = unlike.done("table", env={"COLUMNS": "120"})

    assert lines[0] == "Nordlicht ASA · nozzle 245 °C, chamber 40 °C"
    assert any("Tensile strength upright" in line and " MPa (" in line and "n 4" in line for line in lines)
    assert "not design allowables" in " ".join(lines[-3:])


@pytest.mark.parametrize("columns", ["60", "80"])
def test_sentences_of_the_table_keep_to_the_terminal(unlike: Unlike, columns: str) -> None:
    """Figures are short; what is shown beside them is wrapped."""
    assert max(map(len, unlike.done("table", env={"COLUMNS": columns}))) <= int(columns) + 10
    assert max(map(len, unlike.done("table", env={"COLUMNS": columns})[-3:])) <= int(columns)


def test_limits_alike_are_counted_and_keep_their_unit_once(unlike: Unlike) -> None:
    """What never softened is a result of its own, not a number."""
    assert any(line.endswith("> 120 °C n 3") for line in unlike.done("table"))


def test_the_table_as_json_names_what_is_behind_a_figure(unlike: Unlike) -> None:
    """From every figure a trace can begin."""
    told = unlike.json("table", "--of", STRENGTH)

    assert told.keys() >= {"columns", "rows", "caution"}
    assert told["rows"][0]["cells"][0]["results"] == ["M0005-Q", "M0006-O", "M0007-M", "M0008-K"]


def test_the_table_as_csv_parses(unlike: Unlike) -> None:
    """One line a figure."""
    rows = list(csv.DictReader(unlike.done("table", "--of", STRENGTH, "--csv")))

    assert {row["material"] for row in rows if row["quantity"]} == {MATERIAL}
    assert [int(row["n"]) for row in rows if row["quantity"]] == [4, 7, 2]


def test_the_table_as_markdown_is_rectangular(unlike: Unlike) -> None:
    """Every row has as many cells as the heading."""
    lines = [line for line in unlike.done("table", "--markdown") if line.startswith("|")]

    assert len({line.count("|") for line in lines}) == 1
    assert len(lines) == 4


def test_the_table_as_html_parses(unlike: Unlike) -> None:
    """Every tag that is opened is closed."""
    page = Balanced("\n".join(unlike.done("table", "--html")))

    assert page.opened == []
    assert page.cells > 10


class Balanced(HTMLParser):
    """Follows a page's tags to their ends."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.opened: list[str] = []
        self.cells = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Open a tag that has an end."""
        del attrs
        if tag != "meta":
            self.opened.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close the tag that was opened last."""
        assert self.opened.pop() == tag
        self.cells += tag == "td"


def test_the_table_goes_to_a_file(unlike: Unlike, tmp_path: Path) -> None:
    """And its name is said."""
    assert unlike.done("table", "--csv", "-o", str(tmp_path / "t.csv")) == [str(tmp_path / "t.csv")]
    assert (tmp_path / "t.csv").read_text("utf-8").startswith("material,")


def test_a_table_of_nothing_says_why(unlike: Unlike) -> None:
    """On stderr, so that what reads the table still reads one."""
    result = unlike("table", "material='Nordlich ASA'", "--json")

    assert result.stderr == "material='Nordlich ASA' holds of nothing. Did you mean Nordlicht ASA?\n"
    assert '"rows": []' in result.stdout


def test_an_orientation_narrows_the_table(unlike: Unlike) -> None:
    """By its first letter, or in words."""
    by_letter = unlike.json("table", "orientation=z", "--of", STRENGTH)

    assert [column["lie"] for column in by_letter["columns"]] == ["upright"]
    assert by_letter == unlike.json("table", "orientation=upright", "--of", STRENGTH)


def test_a_filter_narrows_the_table(unlike: Unlike) -> None:
    """By a factor."""
    assert len(unlike.json("table", "nozzle_c<250")["rows"]) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("table", "nozzle_c"), "'nozzle_c' is no condition"),
        (("table", "--chart", "a.bmp"), "a.bmp is no SVG or PNG file"),
        (("chart", "nope.nope", "-o", "a.svg"), "There is no quantity 'nope.nope'"),
        (("chart", "impact.strength", "-o", "a.svg"), "There is nothing to draw: There are no results of im"),
        (("chart", STRENGTH, "--where", "material=nope", "-o", "a.svg"), "material=nope holds of nothing"),
        (("table", "--of", "strength"), "Did you mean"),
        (("table", "--sort", "tensile.strenght"), "Did you mean tensile.strength"),
        (("table", "nozle_c=255"), "Did you mean nozzle_c"),
        (("table", "orientation=Q"), "'Q' is no orientation"),
        (("chart", "nope", "--curves", "-o", "a.svg"), "No method 'nope'"),
        (
            ("chart", "tensile", "creep", "--curves", "-o", "a.svg"),
            "Curves of different methods share no axes",
        ),
        (("chart", "tensile", "--curves", "-o", "a.svg"), "has a curve to draw"),
        (("show", "M0001-Y", "--figure", "a.svg"), "M0001-Y has no picture"),
        (("show", "J0001-J", "--figure", "a.svg"), "There is no picture of J0001-J"),
        (("choose", MATERIAL, "nozzle_c=255"), "A choice needs a reason"),
        (("choose", MATERIAL, "nozle_c=255", "--reason", "x"), "Did you mean nozzle_c?"),
        (("choose", MATERIAL, "material=nope", "--reason", "x"), "'material' tells no conditions apart"),
        (("choose", MATERIAL, "orientation=Z", "--reason", "x"), "Conditions are told apart by nozzle_c, "),
        (("choose", MATERIAL, "nozzle_c=999", "--reason", "x"), "Choose one of: nozzle_c=245 chamber_c=40; "),
        (("choose", MATERIAL, "nozzle_c=hot", "--reason", "x"), "was not tested with nozzle_c=hot"),
        (("choose", MATERIAL, "--reason", "x"), "was tested under 2 conditions. Choose one of: "),
        (("choose", "Nordlich ASA", "nozzle_c=255", "--reason", "x"), "Did you mean Nordlicht ASA?"),
    ],
)
def test_what_cannot_be_shown_is_one_line(unlike: Unlike, words: tuple[str, ...], said: str) -> None:
    """With what to do instead, and exit code 1."""
    assert said in unlike.refused(*words)


@pytest.mark.parametrize(("name", "begins"), [("a.svg", b"<?xml"), ("a.png", b"\x89PNG")])
def test_a_chart_is_written(unlike: Unlike, tmp_path: Path, name: str, begins: bytes) -> None:
    """In the form that its name ends in."""
    assert unlike.done("chart", STRENGTH, "-o", str(tmp_path / name)) == [str(tmp_path / name)]
    assert (tmp_path / name).read_bytes().startswith(begins)


def test_a_picture_without_curves_leaves_no_file(unlike: Unlike, tmp_path: Path) -> None:
    """Grades of judges are points, not lines."""
    assert "has a curve" in unlike.refused("chart", "appearance", "--curves", "-o", str(tmp_path / "a.svg"))
    assert list(tmp_path.iterdir()) == []


def test_a_choice_is_published(unlike: Unlike, tmp_path: Path) -> None:
    """It is in the table with its remark, and alone on the first page of the site."""
    shutil.copytree(unlike.place, tmp_path / "book")
    cli = Cli(tmp_path / "book")
    cli.done("choose", MATERIAL, "nozzle_c=255", "--reason", "as its maker advises")
    page = cli.done("publish", str(tmp_path / "site"))[-1]

    assert [row["published"] for row in cli.json("table")["rows"]] == [False, True]
    assert "nozzle 245" not in Path(page).read_text("utf-8")


def test_publishing_over_other_things_is_refused(unlike: Unlike, tmp_path: Path) -> None:
    """One line, and nothing is lost."""
    (tmp_path / "thesis.txt").touch()

    assert "holds other things" in unlike.refused("publish", str(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_publishing_answers_in_json(unlike: Unlike, tmp_path: Path) -> None:
    """With how much was written."""
    told = unlike.json("publish", str(tmp_path / "site"))

    assert told["materials"] == 1
    assert told["files"] == sum(path.is_file() for path in (tmp_path / "site").rglob("*"))


def test_people_read_titles_and_programs_names(unlike: Unlike) -> None:
    """Table, list, card, way back and plan say what a quantity is called; JSON and CSV keep its name."""
    first = unlike.json("list", "results")[0]
    assert first["quantity"] == "tensile.strength"
    assert "tensile.strength" in "".join(unlike.done("list", "results", "--csv"))
    for words in (
        ("table",), ("table", "--markdown"), ("table", "--html"), ("list", "results"),
        ("show", first["measurement"]), ("trace", first["measurement"]),
        ("followup", unlike.first, unlike.second),
    ):  # fmt: skip
        text = " ".join(unlike.done(*words))
        assert "ensile strength" in text, words
        assert "tensile.strength" not in text, words
