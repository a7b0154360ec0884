"""What was taken back is nowhere: lists, tables, means, questions and published files are looked through."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.cli.bench import Cli

PULL = ("width=10.00", "thickness=4.00")


class Twins(Cli):
    """A book with two plates of two bars each, all tested; one of everything to be taken back."""

    def fill(self) -> Twins:
        """Enter them by the commands themselves."""
        self.material = self.id("material", "add", "Nordlicht ASA", "--family", "ASA")
        self.spool = self.id("spool", "add", self.material, "--lot", "7731", "--net", "1 kg")
        self.id(
            "spool", "keep", self.spool, "dry box", "--rh", "15", "--began", "5 d ago", "--where", "box 77"
        )
        self.drying = self.id("dry", self.spool, "--set", "79", "--began", "40 h ago", "--ended", "34 h ago")
        self.jobs, self.pieces, self.tests = [], [], []
        for number, nozzle in enumerate(("250", "260")):
            job = self.id(
                "job", "add", "--spool", self.spool, "--piece", "bar:ZXY:2", "--nozzle-set", nozzle,
                "--started", f"{20 - 5 * number} h ago",
            )  # fmt: skip
            self.id("job", "end", job, "--outcome", "finished", "--ended", f"{18 - 5 * number} h ago")
            self.id("job", "change", job, "fan=33", "--layer", "5")
            self.done("offbed", job, "--good", "1-2")
            pieces = [row["id"] for row in self.json("list", "specimens", f"job={job}")]
            self.jobs.append(job)
            self.pieces += pieces
            for each in pieces:
                force = f"max_force={1800 + 10 * len(self.tests)} N"
                self.tests.append(self.id("measure", each, "tensile", force, *PULL, "--yes"))
        return self

    def told(self, folder: Path | None = None) -> str:
        """Return everything that the book says of what counts, with what it publishes into a folder."""
        lists = [
            "materials", "spools", "storage", "weighings", "dryings", "jobs", "changes", "logs",
            "photographs", "specimens", "rigs", "calibrations", "measurements", "results",
        ]  # fmt: skip
        asked = [["list", each] for each in lists]
        asked += [
            ["list", "specimens", "--factors"],
            ["table"],
            ["programme", self.material],
            ["watch"],
            ["due"],
        ]
        asked += [["why", "nozzle_set_c=250", "nozzle_set_c=260", "--of", "tensile.strength"]]
        asked += [["trace", each] for each in self.tests] + [["spool", "show", self.spool]]
        texts = []
        for words in asked:
            result = self(*words, "--json")
            texts.append(result.stdout + (result.stderr if result.exit_code else ""))
        if folder is None:
            return "\n".join(texts)
        assert self("publish", str(folder)).exit_code == 0
        texts += [each.read_text("utf-8", "replace") for each in sorted(folder.rglob("*")) if _is_text(each)]
        return "\n".join(texts)


def _is_text(path: Path) -> bool:
    return path.suffix in (".html", ".json", ".csv", ".md", ".txt", ".svg")


@pytest.fixture(scope="module")
def twins_once(book_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Twins:
    """Give the filled book, to be copied."""
    place = tmp_path_factory.mktemp("twins") / "book"
    shutil.copytree(book_template, place)
    return Twins(place).fill()


@pytest.fixture
def twins(twins_once: Twins, tmp_path: Path) -> Twins:
    """Give a copy of the filled book."""
    shutil.copytree(twins_once.place, tmp_path / "twins")
    copy = Twins(tmp_path / "twins")
    for name in ("material", "spool", "drying", "jobs", "pieces", "tests"):
        value = getattr(twins_once, name)
        setattr(copy, name, value if isinstance(value, str) else [*value])
    return copy


def _taken_back(twins: Twins, what: str) -> list[str]:
    """Take something back; returns the words that may be found nowhere from then on."""
    match what:
        case "measurement":
            twins.done("void", twins.tests[0], "--reason", "marker")
            gone = twins.tests[:1]
            twins.tests = twins.tests[1:]
        case "specimen":
            twins.done("void", twins.pieces[0], "--reason", "marker", "--yes")
            gone = [twins.pieces[0], twins.tests[0]]
            twins.tests = twins.tests[1:]
        case "job":
            twins.done("void", twins.jobs[0], "--reason", "marker", "--yes")
            gone = [twins.jobs[0], *twins.pieces[:2], *twins.tests[:2]]
            twins.tests = twins.tests[2:]
        case "drying":
            twins.done("void", twins.drying, "--reason", "marker")
            gone = [twins.drying]
        case "storage":
            twins.done("void", "storage1", "--reason", "marker")
            gone = ["box 77"]
        case _:
            twins.done("void", "change1", "--reason", "marker")
            twins.done("void", "change2", "--reason", "marker")
            gone = ['"setting": "fan"', "fan 33 %"]
    return gone


@pytest.mark.parametrize("what", ["measurement", "specimen", "job", "drying", "storage", "change"])
def test_what_was_taken_back_is_nowhere(twins: Twins, tmp_path: Path, what: str) -> None:
    """Looked for by its ID, or by a word that only it has."""
    before = twins.told()
    gone = _taken_back(twins, what)
    told = twins.told(tmp_path / "site")
    assert [word for word in gone if word in before]
    assert [word for word in gone if word in told] == []


def test_means_count_what_counts(twins: Twins) -> None:
    """One of four is taken back: three are left in the mean, and it is theirs."""

    def count() -> int:
        return sum(1 for row in twins.json("list", "results") if row["counted"] and row["value"] is not None)

    before = count()
    twins.done("void", twins.tests[0], "--reason", "marker")
    assert (before, count()) == (4, 3)
    table = json.dumps(twins.json("table"))
    twins.done("undo")
    assert count() == 4
    assert json.dumps(twins.json("table")) != table
