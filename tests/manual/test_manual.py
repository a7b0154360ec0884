"""The manual is true: its first evening is performed, its commands exist, its pages are found."""

from __future__ import annotations

import re
import shlex
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import Mock

import click
import httpx
import pytest
from click.testing import CliRunner

from tests.cli.bench import Cli, commands
from tests.conftest import BenchClock
from tests.desk.bench import a_piece
from tests.web.site import bench_of, running
from tracker import manual
from tracker.api import Method, validate
from tracker.api.testing import CHECKS
from tracker.book import Book, open_book
from tracker.cli import strandbook
from tracker.desk.devices import pair_device
from tracker.desk.measuring import measure
from tracker.desk.overtime import append
from tracker.errors import Refused
from tracker.plugins import load
from tracker.programme import due

WALK = manual.topic("first-evening").text
OUTSIDE = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)


def test_the_first_evening_can_be_typed_as_it_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command of the walk is done, in its order, and gives the IDs that the text names."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STRANDBOOK", raising=False)
    # As at a terminal, where what a line leaves out would be asked for: the next one pasted would answer it.
    monkeypatch.setattr(
        "click.testing._NamedTextIOWrapper.isatty", lambda stream: stream.name == "<stdin>", raising=False
    )
    monkeypatch.setattr(click, "prompt", Mock(side_effect=AssertionError("a question")))
    said = _typed(WALK, monkeypatch)
    for name in set(re.findall(r"\b[SJRM]\d{4}(?:-\d\d)?-[0-9A-Z]\b", WALK)):
        assert name in said, name
    assert {"spool.pdf", "labels.pdf"} <= {path.name for path in Path.cwd().iterdir()}


def test_the_days_of_a_spool_can_be_typed_as_they_stand(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    """From a new spool to one wound onto another reel: no line is refused, nor asks whether it is meant."""
    monkeypatch.setenv("STRANDBOOK", str(cli.place))
    assert "S0003-N" in _typed(manual.topic("spools").text, monkeypatch)


def _typed(page: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """Type every command of a page in its order, each of which must be done, and return what is said."""
    said = ""
    for block in OUTSIDE.finditer(page):
        for line in block[2].replace("\\\n", " ").splitlines():
            words = shlex.split(line)
            if words[0] == "cd":
                monkeypatch.chdir(Path.cwd() / words[1])
                continue
            assert words[0] == "strandbook"
            done = CliRunner().invoke(strandbook, ["--who", "Ada", *words[1:]], prog_name="strandbook")
            assert done.exit_code == 0, (line, done.output)
            said += done.output
    return said


def _shown() -> list[tuple[str, str]]:
    return [
        (page.name, re.split(r"\s{3,}", line)[0])
        for page in manual.topics()
        for block in OUTSIDE.finditer(page.text)
        for line in block[2].replace("\\\n", " ").splitlines()
        if line.startswith("strandbook ")
    ]


@pytest.mark.parametrize(("page", "line"), _shown())
def test_every_command_shown_exists_with_its_options(page: str, line: str) -> None:
    """No page shows a command or an option that the program has not."""
    words = [word for word in shlex.split(line)[1:] if word != "…"]
    while words and words[0] in ("--book", "--who"):
        words = words[2:]
    known = sorted(commands(), key=len, reverse=True)
    found = next((each for each in known if tuple(words[: len(each)]) == each), None)
    assert found is not None, (page, line)
    command: click.Command = strandbook
    for name in found:
        assert isinstance(command, click.Group)
        command = command.get_command(click.Context(command), name)  # type: ignore[assignment]
    options = {
        option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)
    }
    assert {word for word in words if word.startswith("--")} <= options


def test_every_command_of_the_program_stands_on_a_page() -> None:
    """Whoever reads the pages meets every command, as it is typed."""
    pages = " ".join(" ".join(page.text.split()) for page in manual.topics())
    missing = [each for each in map(" ".join, commands()) if not re.search(rf"strandbook {each}\b", pages)]
    assert missing == []


def test_the_programme_of_the_manual_is_taken(cli: Cli, tmp_path: Path) -> None:
    """The file of the page, as it stands there."""
    text = manual.topic("programme").text.partition("```toml\n")[2].partition("```")[0]
    (tmp_path / "ours.toml").write_text(text)
    cli.id("material", "add", "Brand X ASA", "--family", "ASA")
    cli.done("programme", "Brand X ASA", "--set", str(tmp_path / "ours.toml"))
    needs = cli.json("programme", "Brand X ASA")["needs"]
    assert [(each["method"], each["wanted"]) for each in needs] == [
        ("tensile", 5), ("tensile", 5), ("appearance", 1),
    ]  # fmt: skip


def test_every_method_of_hazard_has_its_caution() -> None:
    """Fumes, heat, blades, fragments, weights, needles, liquids, dust and desiccant are all named."""
    text = manual.topic("cautions").text.casefold()
    for hazard in (
        "fumes",
        "hot",
        "scraper",
        "fragments",
        "weights",
        "needle",
        "liquid",
        "dust",
        "desiccant",
    ):
        assert hazard in text
    assert "safety data sheet" in text


@pytest.mark.parametrize(
    ("typed", "page"),
    [("first-evening", "first-evening"), ("First Evening", "first-evening"), ("lab", "labels")],
)
def test_a_page_is_found_by_its_name_or_a_beginning(typed: str, page: str) -> None:
    """One hand is free: a beginning will do where it is clear."""
    assert manual.topic(typed).name == page


def test_a_slip_is_answered_with_what_was_meant() -> None:
    """And with all that there is."""
    with pytest.raises(Refused, match="Did you mean labels"):
        manual.topic("lables")


def test_a_search_finds_lines_that_hold_all_words() -> None:
    """In any case, with the page and heading they stand under."""
    found = list(manual.search("PASSWORD file"))
    assert {each.topic for each in found} == {"shared-bench"}


@pytest.mark.parametrize(
    ("typed", "page"),
    [
        ("wet", "spools"), ("scale", "spools"), ("second spool", "spools"), ("dry box", "spools"),
        ("broke in the grip", "correcting"), ("wrong label", "correcting"),
        ("mistake", "correcting"),
        ("phone", "shared-bench"), ("settings changed", "printing"), ("stringy", "printing"),
        ("how many plates", "table"), ("humidity", "spools"),
    ],
)  # fmt: skip
def test_what_people_would_type_is_found(typed: str, page: str) -> None:
    """In the words of the bench; small words and the ends of lines are no bar."""
    assert page in {each.topic for each in manual.search(typed)}


def test_the_manual_answers_as_json_and_as_text(cli: Cli) -> None:
    """A program gets the pages; in a pipe a page is what is written."""
    assert cli.json("manual")[0]["page"] == "first-evening"
    assert "\n".join(cli.done("manual", "backup")) == manual.topic("backup").text.rstrip("\n")
    assert "does not speak of" in cli.refused("manual", "--search", "zeppelin")


def test_every_picture_is_there_is_small_and_is_shown() -> None:
    """Of README and of the pages; all together 150 kB at most, and none that nobody sees."""
    root = Path(__file__).resolve().parents[2]
    texts = [(root / "README.md").read_text("utf-8"), *(page.text for page in manual.topics())]
    shown = {
        name for text in texts for name in re.findall(r"!\[[^\]]+\]\([a-z/]*pictures/([a-z-]+\.png)\)", text)
    }
    kept = {file.name: file.stat().st_size for file in (root / "tracker" / "manual" / "pictures").iterdir()}

    assert shown == set(kept)
    assert sum(kept.values()) <= 150_000
    assert all(manual.picture(name).startswith(b"\x89PNG") for name in kept)


def test_a_terminal_is_shown_where_a_picture_is(cli: Cli) -> None:
    """In its place stands a line that names what is to be seen, and a file that is there."""
    said = "\n".join(cli.done("manual", "labels"))
    found = re.search(r"\(Picture: ([^:]+): (\S+\.png), or Help on the page\)", said)

    assert found is not None
    assert found[1] == "Two rows of a sheet of labels"
    assert Path(found[2]).exists()


def example(page: str, language: str, number: int = 0) -> str:
    """Return a block of a language on a page, the first one unless another number is given."""
    blocks = [block[2] for block in OUTSIDE.finditer(manual.topic(page).text) if block[1] == language]
    return blocks[number]


def offered_on_page(number: int) -> Callable[[], list[Method]]:
    """Return the hook of a module on the page about methods."""
    made: dict[str, Any] = {"__name__": "on_the_page"}
    page = compile(example("write-a-method", "python", number), "on_the_page.py", "exec", dont_inherit=True)
    exec(page, made)  # noqa: S102 - our own page
    offer: Callable[[], list[Method]] = made["strandbook_methods"]
    return offer


def method_on_page(number: int) -> Method:
    """Return the method that a module on the page about methods offers."""
    (method,) = offered_on_page(number)()
    return method


@pytest.mark.parametrize("number", [0, 1])
@pytest.mark.parametrize("check", CHECKS)
def test_the_methods_of_the_manual_keep_the_contract(check: Callable[[Method], None], number: int) -> None:
    """As they are on the page, under all checks that plugins are given; a project file names the first."""
    check(method_on_page(number))
    assert tomllib.loads(example("write-a-method", "toml"))["project"]["entry-points"]["strandbook"]


def test_the_method_over_days_of_the_manual_asks_for_its_marks() -> None:
    """After 24 h the mass at 48 h is wanted, a day later; after the last mark nothing is."""
    method = method_on_page(1)
    wanted = [
        method.next_due(validate(method, {"dry": 10.4, "series": series}))
        for series in ("", "24:10.42", "24:10.42 48:10.43 168:10.44")
    ]

    assert [each and each.after_s / 3600 for each in wanted] == [24.0, 24.0, None]


def test_the_method_over_days_of_the_manual_falls_due(book: Book, clock: BenchClock) -> None:
    """Begun without a reading, weighed after a day: the list of what is due asks for each next mark."""
    plugged = load("none", extra=[("soak", SimpleNamespace(strandbook_methods=offered_on_page(1)))])
    piece = a_piece(book)
    began = measure(book, "Ada Bench", plugged, piece, "soak", {"dry": "10.4"}, incomplete=True).id
    assert [(each.id, each.what) for each in due(book, plugged) if each.id == began] == [
        (began, f"weigh after 24 h in water on {piece}")
    ]
    clock.forward(hours=24)
    append(book, "Ada Bench", plugged, piece, ["10.42"])
    assert f"weigh after 48 h in water on {piece}" in [each.what for each in due(book, plugged)]


def test_the_reading_of_the_manual_is_taken_in_once(book_template: Path, tmp_path: Path) -> None:
    """Posted with a rig's token as the page says: 201, and 200 for the same key; without a token nothing."""
    shutil.copytree(book_template, tmp_path / "book")
    with open_book(str(tmp_path / "book")) as book:
        site = bench_of(book)
        _, token = pair_device(book, "Ada Bench", "computer", rig=site.rig, role="measures")
        sent: dict[str, Any] = {"content": example("rig-by-network", "json"), "timeout": 300}
        plain = {"Content-Type": "application/json"}
        mine = {**plain, "Authorization": f"Bearer {token}"}
        with running(book, load(), site, shared=True) as page:
            where = f"{page.url}/api/measurements"
            stranger = httpx.post(where, headers=plain, **sent)
            first, again = (httpx.post(where, headers=mine, **sent) for _ in range(2))
            described = httpx.get(f"{page.url}/openapi.json", headers=mine, timeout=300)

    assert (stranger.status_code, described.status_code) == (401, 200)
    assert (first.status_code, again.status_code) == (201, 200), first.text
    assert first.json()["id"] == again.json()["id"]
    assert first.json()["results"][0]["quantity"] == "tensile.strength"


def test_a_site_that_is_not_there_is_missed_before_a_column_map(cli: Cli) -> None:
    """Who types a folder's name with a slip hears of the folder."""
    assert "their-sight is not there" in cli.refused("import", "their-sight")


def test_the_reference_is_made_from_the_program(cli: Cli) -> None:
    """Every command, every quantity of the installed methods and every hook stands in it."""
    text = cli.json("manual", "reference")["text"]

    assert all(f"`strandbook {' '.join(words)}`" in text for words in commands())
    assert "`tensile.strength` [MPa]" in text
    assert "`strandbook_factors(specimen)`" in text
    assert "`chamber_c`: chamber temperature" in text
    assert "- Of every result: `counted`, `family`" in text
