"""Fixtures that every room's tests may use: books on both databases, a clock, a tidy end."""

from __future__ import annotations

import compileall
import datetime as dt
import functools
import gc
import os
import secrets
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from importlib import metadata
from pathlib import Path
from typing import Any, Final, TypeVar

import pytest
from hypothesis import HealthCheck, settings

from tests.compiled import MIGRATE, compiled_once, migrated_once, reflected_once
from tests.databases import BEGUN_AT, BEGUN_BY, KINDS, Kept, Places, ServerOnDemand
from tracker.book import Book, new_book, open_book
from tracker.heads import FOLDER

T = TypeVar("T")

LONG = frozenset(
    {
        "benches/test_benches.py", "cli/test_answers.py", "cli/test_comparing.py",
        "cli/test_completion.py", "cli/test_day.py", "cli/test_fortnight.py", "cli/test_help.py",
        "cli/test_plates.py", "cli/test_preflight.py", "cli/test_session.py", "cli/test_terminal.py",
        "cli/test_voided.py", "comparing/test_answers.py", "demo/test_demo.py", "demo/test_year.py",
        "docs/test_house.py",
        "example/test_example_plugin.py", "importing/test_pulls.py", "kinds/test_worked_example.py",
        "labels/test_pdf.py", "labels/test_sheet.py", "lineage/test_reading.py",
        "manual/test_shared_bench.py", "methods/test_every_method.py", "platefile/test_agreement.py",
        "platefile/test_incomplete.py", "platefile/test_invariants.py", "platefile/test_robust.py",
        "platefile/test_sliced.py", "publish/test_checking.py", "publish/test_commands.py",
        "publish/test_open_data.py", "publish/test_publish.py", "selection/test_narrowing.py",
        "statistics/test_plates.py", "store/test_archives.py", "store/test_backup.py",
        "store/test_backup_files.py", "store/test_extras.py", "store/test_heads.py",
        "store/test_killed.py", "store/test_migrations.py", "store/test_objects.py",
        "store/test_restoring.py", "store/test_safe_places.py", "store/test_together.py",
        "store/test_trouble.py", "store/test_verify.py", "table/test_figures.py",
        "table/test_summary.py", "trace/test_pulls.py", "web/test_browser.py", "web/test_described.py",
        "web/test_fortnight.py", "web/test_pages.py", "web/test_parts.py", "web/test_security.py",
        "why/test_answer.py", "why/test_bench.py", "why/test_followup.py",
    }
)  # fmt: skip
"""Files whose tests take most of the time: what they hold seldom breaks without another test seeing it."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options of the quick profile and of generated cases."""
    parser.addoption(
        "--quick",
        action="store_true",
        help="books on SQLite only, no browser, and none of the files that take long",
    )
    parser.addoption(
        "--draw-anew",
        action="store_true",
        help="generated cases that were never run before, to look for faults; else the same in each run",
    )


MEMORY: Final = Path("/dev/shm")  # noqa: S108 - pytest makes a folder of the run's own in it


def pytest_configure(config: pytest.Config) -> None:
    """Put what tests write into memory; let generated cases take the time they take.

    Each act of a book waits for its disk, and no test can see a power cut. Where there is no such folder,
    little room in it, or a folder was named, all goes on the disk.
    """
    room = shutil.disk_usage(MEMORY).free if os.access(MEMORY, os.W_OK) else 0
    if "TMPDIR" not in os.environ and room > 4 << 30:
        os.environ["TMPDIR"] = tempfile.tempdir = str(MEMORY)
    # Modules, tests and tables are objects by the million that live to the end: to look for waste among them
    # at Python's own pace takes seconds at each start. The command line does the same.
    gc.set_threshold(20_000, 20, 20)
    if sys.dont_write_bytecode and not hasattr(config, "workerinput"):
        # Else every program that a test starts compiles all of ours again.
        for package in ("tracker", "plugins", "labels", "demo_db"):
            compileall.compile_dir(config.rootpath / package, quiet=2)
    # How busy the machine is says nothing about the code.
    unhurried = settings(
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],
        # A change is judged by what it changed, and not by cases that chance draws on that day.
        derandomize=not config.getoption("--draw-anew"),
    )
    settings.register_profile("unhurried", parent=unhurried)
    settings.register_profile("quick", parent=unhurried, max_examples=15)
    settings.load_profile("quick" if config.getoption("--quick") else "unhurried")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what cannot depend on the database it is run on, and what the quick profile leaves out."""
    quick = config.getoption("--quick")
    left_out = [item for item in items if _said_already(item) or (quick and _takes_long(item))]
    config.hook.pytest_deselected(items=left_out)
    gone = set(left_out)
    items[:] = [item for item in items if item not in gone]


def _said_already(item: pytest.Item) -> bool:
    call = getattr(item, "callspec", None)
    on = call.params.get("kind") if call is not None else None
    return on == "postgresql" and item.get_closest_marker("one_database") is not None


def _takes_long(item: pytest.Item) -> bool:
    if "/".join(item.path.parts[-2:]) in LONG or "chromium" in getattr(item, "fixturenames", ()):
        return True
    call = getattr(item, "callspec", None)
    return call is not None and "postgresql" in call.params.values()


class BenchClock:
    """A clock that a test sets; it goes on by one second each time it is read."""

    def __init__(self) -> None:
        self.at = dt.datetime(2026, 3, 2, 8, 0, tzinfo=dt.UTC)

    def __call__(self) -> dt.datetime:
        """Return the moment, and let a second pass."""
        self.at += dt.timedelta(seconds=1)
        return self.at

    def forward(self, **span: float) -> dt.datetime:
        """Let time pass (``hours=3``) and return the moment it is then."""
        self.at += dt.timedelta(**span)
        return self.at


@pytest.fixture(scope="session", autouse=True)
def _keys(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the keys of tests' books out of the person's own."""
    before = os.environ.get(FOLDER)
    os.environ[FOLDER] = str(tmp_path_factory.mktemp("keys"))
    yield
    if before is None:
        del os.environ[FOLDER]
    else:
        os.environ[FOLDER] = before


@pytest.fixture(scope="session", autouse=True)
def _compiled_once() -> Iterator[None]:
    """Compile each statement once for all books of a session; read tables and migrate once."""
    with compiled_once(), reflected_once(), migrated_once():
        yield


@pytest.fixture
def really_migrated(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let Alembic make each book of a test: for tests of migrations, and of how long it takes."""
    monkeypatch.setattr("alembic.command.upgrade", MIGRATE)


@pytest.fixture(scope="session", autouse=True)
def _installed_once() -> Iterator[None]:
    """Look once a session for what is installed: nothing is installed into it while it runs."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tracker.plugins.manager.metadata.entry_points", functools.cache(metadata.entry_points))
        yield


@pytest.fixture(autouse=True)
def _no_heads_of_other_tests() -> None:
    """Forget the heads that earlier tests signed: their books all have the code of the one template."""
    # Thousands of tests have none: the plainest look at the folder.
    for name in os.listdir(os.environ[FOLDER]):  # noqa: PTH208
        if name.endswith(".heads"):
            Path(os.environ[FOLDER], name).unlink()


@pytest.fixture
def clock() -> BenchClock:
    """Give the clock of the ``book`` fixture: 2 March 2026, 08:00 UTC."""
    return BenchClock()


@pytest.fixture(scope="session")
def server() -> Iterator[ServerOnDemand]:
    """Give the PostgreSQL server of this run of tests; it starts when first asked for."""
    run = os.environ.get("PYTEST_XDIST_TESTRUNUID") or secrets.token_hex(8)
    on_demand = ServerOnDemand(run[:16])
    yield on_demand
    on_demand.stop()


@pytest.fixture(scope="session")
def book_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder that holds an empty SQLite book, to be copied."""
    folder = tmp_path_factory.mktemp("template") / "book"
    new_book(str(folder), BEGUN_BY, title="Template", clock=lambda: BEGUN_AT).close()
    return folder


@pytest.fixture
def places(server: ServerOnDemand, book_template: Path, tmp_path: Path) -> Iterator[Places]:
    """Give out places for books: ``places.fresh("sqlite")``, ``places.empty("postgresql")``."""
    giver = Places(server, book_template, tmp_path)
    yield giver
    giver.clear()


@pytest.fixture(scope="session")
def kept(
    server: ServerOnDemand, book_template: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Kept]:
    """Give books that many tests begin with, to be copied."""
    giver = Places(server, book_template, tmp_path_factory.mktemp("kept"))
    yield Kept(giver)
    giver.clear()


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    """Run the test once on SQLite and once on PostgreSQL."""
    return str(request.param)


@pytest.fixture
def empty_place(places: Places, kind: str) -> str:
    """Give a place where a book can be made, on each database in turn."""
    return places.empty(kind)


@pytest.fixture
def book_place(places: Places, kind: str) -> str:
    """Give a place where an empty book is, on each database in turn."""
    return places.fresh(kind)


@pytest.fixture
def begun() -> dict[str, Any]:
    """Give what was told when the book of this test was filled, by the name given to ``begun_with``."""
    return {}


def begun_with(**fills: Callable[[Book], object]) -> Any:
    """Return a ``book_place`` whose book is filled for a test that has a fixture of such a name.

    It is filled once a session, and copied for each test; its clock goes on where filling it ended. In a
    ``conftest.py`` the names are those of the room: no other fixture in it may be called so.

    Args:
        fills: Fills an empty book, by the fixture's name; of several the first one counts.
    """
    of_places = {name: _of_a_place(fill) for name, fill in fills.items()}

    @pytest.fixture
    def book_place(
        request: pytest.FixtureRequest,
        places: Places,
        kind: str,
        kept: Kept,
        clock: BenchClock,
        begun: dict[str, Any],
    ) -> str:
        name = next((name for name in of_places if name in request.fixturenames), None)
        if name is None:
            return places.fresh(kind)
        place, (clock.at, begun[name]) = kept.copied(kind, of_places[name], places)
        return place

    return book_place


def _of_a_place(fill: Callable[[Book], T]) -> Callable[[str], tuple[dt.datetime, T]]:
    def filled(place: str) -> tuple[dt.datetime, T]:
        clock = BenchClock()
        with open_book(place, clock) as opened:
            told = fill(opened)
        return clock.at, told

    return filled


@pytest.fixture
def book(book_place: str, clock: BenchClock) -> Iterator[Book]:
    """Give an open empty book, on each database in turn; its time is the ``clock`` fixture's."""
    with open_book(book_place, clock) as opened:
        yield opened


@pytest.fixture(autouse=True)
def _every_book_is_closed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Close every book that a test opened, so that no database is held when it is dropped."""
    made: list[Book] = []
    begin = Book.__init__

    def noted(self: Book, *args: Any, **kwargs: Any) -> None:
        begin(self, *args, **kwargs)
        made.append(self)

    monkeypatch.setattr(Book, "__init__", noted)
    yield
    for opened in made:
        opened.close()
