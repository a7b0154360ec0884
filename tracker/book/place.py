"""Where a book is, which schema it has, and what its database's own errors mean to the person."""

from __future__ import annotations

import hashlib
import importlib
import os
import re
from contextlib import nullcontext
from pathlib import Path
from typing import ClassVar, Final

from sqlalchemy import URL, Connection, inspect, make_url, text
from sqlalchemy.exc import ArgumentError, OperationalError, ProgrammingError

from tracker.errors import Refused
from tracker.files import Files
from tracker.model import SCHEMA

BOOK_FILE: Final = "book.sqlite"
"""Name of the database in a book's folder."""


class BookError(Refused):
    """A book cannot be found, opened, read or written as asked."""


class UnreachableError(BookError):
    """There is no book, or nothing answers where it should be."""

    exit_code: ClassVar[int] = 3


class OtherSchemaError(BookError):
    """A book was written by an older version and not upgraded yet, or by a newer one."""

    exit_code: ClassVar[int] = 4


class UncertainError(BookError):
    """It is not known whether an act was written: the answer to its last step was lost."""


def find_place(start: Path, named: str | None = None) -> str:
    """Return the place of the book that is meant: the named one, else the one here or above.

    Raises:
        BookError: There is none.
    """
    if named:
        return named
    for folder in (start, *start.parents):
        if (folder / BOOK_FILE).exists():
            return str(folder)
    raise UnreachableError(
        "There is no book in this folder or above it",
        do="Name one with --book FOLDER, or begin one: strandbook init FOLDER",
    )


def is_url(place: str) -> bool:
    """Whether a place is a database server and not a folder."""
    return "://" in place


def url_of(place: str) -> URL:
    """Return the parts of a URL.

    Raises:
        BookError: It is none.
    """
    try:
        return make_url(place)
    except (ArgumentError, ValueError) as error:
        raise BookError(
            "The address of the book is no URL", do="Write postgresql://USER@HOST/NAME?files=/path/to/files"
        ) from error


def shown(place: str) -> str:
    """Return a place as it may be shown: ``user@host/name`` of a server, without password or options."""
    if not is_url(place):
        return place
    try:
        url = url_of(place)
    except BookError:
        return "the server"
    user = f"{url.username}@" if url.username else ""
    port = f":{url.port}" if url.port else ""
    if not url.host and not url.database:
        service = url.query.get("service") or os.environ.get("PGSERVICE")
        return f"service {service}" if service else "the server"
    # A password with an @ in it ends in what is taken for the host.
    host = (url.host or "").rpartition("@")[2]
    return f"{user}{host}{port}/{url.database or ''}"


def files_of(place: str) -> Files:
    """Return the attachments of a book: in a folder, or in an object store.

    Raises:
        BookError: A URL without ``files=`` and no ``STRANDBOOK_FILES`` set.
        FilesError: The attachments are said to be in no place that can be used.
    """
    named = _files_at(place)
    if isinstance(named, Path):
        return Files(named)
    return _objects(named)


def _objects(url: str) -> Files:
    """Load the room that speaks with object stores, for those alone whose attachments are in one."""
    found: Files = importlib.import_module("tracker.objects").ObjectFiles(url)
    return found


def files_folder(place: str) -> Path:
    """Return the folder of attachments, or where they are in an object store, one for what is kept here.

    What a bench keeps beside its attachments (the key of its page, the backup before an upgrade) is a file
    and no object: then it is in the person's own data folder.

    Raises:
        BookError: A URL without ``files=`` and no ``STRANDBOOK_FILES`` set.
    """
    named = _files_at(place)
    if isinstance(named, Path):
        return named
    own = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(own) / "strandbook" / hashlib.sha256(shown(place).encode()).hexdigest()[:12] / "files"


def _files_at(place: str) -> Path | str:
    if not is_url(place):
        return Path(place) / "files"
    named = url_of(place).query.get("files") or os.environ.get("STRANDBOOK_FILES")
    if not named:
        raise BookError(
            "A book on a server needs a shared folder for its attachments",
            do="Add ?files=/path/to/folder to the URL, or set STRANDBOOK_FILES",
        )
    return str(named) if is_url(str(named)) else Path(str(named))


_NO_ANSWER: Final = "cannot be reached"

_UNREACHABLE: Final = (
    # In this order: a server that refuses a password names the connection, too.
    (r"(password|sasl) authentication failed|no password supplied", "did not take the password",
     "Check user and password; keep it in a file that PGPASSFILE names, or in ~/.pgpass"),
    (r"no pg_hba.conf entry|peer authentication failed", "does not let this user in from here",
     "Ask whoever keeps the server"),
    (r"role .* does not exist", "does not know this user", "Check the user in the URL"),
    (r"database .* does not exist|no such database", "is not on this server: it has no database of that name",
     "Check the name in the URL, or have it made: createdb -E UTF8 NAME"),
    (r"too many (connections|clients)|remaining connection slots", "gets no connection: its server is full",
     "Wait a moment and repeat the command"),
    (r"definition of service|service file", "is not described in the service file",
     "Check PGSERVICE and the file that PGSERVICEFILE names"),
    (r"connection (to server|failed|refused|timeout)|timeout expired|(translate|resolve) host|server running",
     _NO_ANSWER, "Check that the server runs, and host and port in the URL"),
)  # fmt: skip

_SERVER_REFUSED: Final = re.compile(r"failed: \w+:  +(.+)")
"""How a server's own words begin that lets nobody in; the word before them is of the server's language."""

_BY_CODE: Final = {
    "55P03": "lock timeout", "57014": "statement timeout", "25006": "read-only", "42501": "permission denied",
    "40001": "could not serialize", "40P01": "deadlock", "53100": "no space left",
    **dict.fromkeys(("25P03", "57P01", "57P02", "57P05"), "terminating connection"),
}  # fmt: skip
"""What a server says, whatever its language (appendix A of PostgreSQL's manual), in the words below."""

_LOST: Final = re.compile(
    r"server closed the connection|terminating connection|connection is (lost|closed)|eof detected|timed out"
    r"|(consuming input|sending query) failed|could not receive data|connection reset|connection not open"
)

_NO_BOOK: Final = "is no SQLite file"
_DAMAGED: Final = "is damaged"

_REFUSALS: Final = (
    (r"readonly|read-only", "may not be written", "Check who may write there; reading goes on as before"),
    (r"permission denied", "may not be used like that by this user", "Check what the user was granted"),
    (r"is full|no space left", "does not fit on the disk any more", "Free some space and repeat the command"),
    (r"lock timeout|locked", "is being written by somebody else", "Wait a moment and repeat the command"),
    (r"deadlock|could not serialize", "was written by others at the same time", "Repeat the command"),
    (r"statement timeout", "took too long over this", "Repeat it when the server is less busy"),
    (r"not a database", _NO_BOOK, "Bring it back from a backup: strandbook restore FILE"),
    (r"malformed", _DAMAGED, "Bring it back from a backup: strandbook restore FILE"),
    (r"unable to open", "cannot be opened", "Check the path and who may read it"),
)  # fmt: skip


def is_lost(error: Exception) -> bool:
    """Whether an error says that the connection ended, and not that the server refused something."""
    return bool(getattr(error, "connection_invalidated", False) or _LOST.search(_words_of(error)))


def _words_of(error: Exception) -> str:
    driver = getattr(error, "orig", error)
    return f"{driver} {_BY_CODE.get(getattr(driver, 'sqlstate', None) or '', '')}".lower()


def refusal_for(place: str, error: Exception) -> BookError:
    """Return what a database's error means to the person, with what to do.

    Args:
        place: Of the book; empty where it is not known which is meant.
        error: What was raised.
    """
    # By the words: SQLite has no codes, reports a full or a read-only disk through the same class as a wrong
    # statement, and no code comes with a connection that a server refuses.
    text = _words_of(error)
    book = f"The book {shown(place)}".rstrip()
    if is_url(place):
        for words, what, do in _UNREACHABLE:
            if re.search(words, text):
                if what == _NO_ANSWER and (answer := _SERVER_REFUSED.search(str(error))):
                    return UnreachableError(
                        f"The server of the book {shown(place)} refused the connection",
                        why=answer[1],
                        do="Nothing was written. Ask whoever keeps the server",
                    )
                return UnreachableError(f"{book} {what}", do=f"Nothing was written. {do}")
        if is_lost(error):
            return UnreachableError(
                f"The connection to the book {shown(place)} was lost",
                do="Nothing was written. Repeat the command",
            )
    elif re.search("disk i/o error|unable to open", text) and _is_full(place):
        text = "disk is full"
    for words, what, do in _REFUSALS:
        if re.search(words, text):
            # Of what is in the book only two say anything: to verify the others do not mean damage.
            kind = BookError if what in {_NO_BOOK, _DAMAGED} else UnreachableError
            return kind(f"{book} {what}", do=f"Nothing was written. {do}")
    return BookError(f"{book} did not take this", why=_first_line(error), do="Nothing was written")


def _is_full(place: str) -> bool:
    """Whether the disk of a book has no room: SQLite then reports a plain input/output error to readers."""
    try:
        room = os.statvfs(place)
    except OSError:
        return False
    least = 64 * 1024
    return room.f_bavail * room.f_frsize < least


def _first_line(error: Exception) -> str:
    return next(iter(str(getattr(error, "orig", error)).strip().splitlines()), type(error).__name__)


def schema_of(connection: Connection) -> str | None:
    """Return the schema version written in a database, or None where there is no book."""
    try:
        # On a server a failed statement spoils its whole transaction; a savepoint keeps the question from
        # costing the answer to the next one.
        with connection.begin_nested() if connection.dialect.name != "sqlite" else nullcontext():
            found: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
            return found
    except (OperationalError, ProgrammingError) as error:
        if "no such table" in str(error.orig) or type(error.orig).__name__ == "UndefinedTable":
            return None
        raise


def check_empty(place: str, connection: Connection) -> None:
    """Let through only a database in which there is nothing yet.

    Raises:
        BookError: There is a book, or tables of something else.
    """
    if schema_of(connection) is not None:
        raise BookError(f"{shown(place)} is a book already", do="Choose another place")
    if tables := inspect(connection).get_table_names():
        raise BookError(
            f"{shown(place)} holds other tables ({', '.join(tables[:3])})", do="Choose another place"
        )


def check_encoding(place: str, connection: Connection) -> None:
    """Let through only a database that can hold every character.

    Raises:
        BookError: It has another encoding than UTF8.
    """
    if connection.dialect.name == "sqlite":
        return
    found = connection.execute(text("SHOW server_encoding")).scalar()
    if found != "UTF8":
        raise BookError(
            f"The database {shown(place)} has the encoding {found}, which cannot hold every character",
            do="Have one made with: createdb -E UTF8 -T template0 NAME",
        )


def check_schema(place: str, connection: Connection) -> None:
    """Let through only a book of the schema this program knows.

    Raises:
        BookError: There is no book, or it is older or newer; the text says what to do.
    """
    found = schema_of(connection)
    if found is None:
        raise UnreachableError(
            f"{shown(place)} is not a book", do=f"Begin one: strandbook init {shown(place)}"
        )
    # Revisions are numbered with leading zeros, so that texts compare as numbers do.
    if found < SCHEMA:
        raise OtherSchemaError(
            f"{shown(place)} was written by an older version (schema {found}, this program: {SCHEMA})",
            do="strandbook upgrade makes a backup and brings it up to date",
        )
    if found > SCHEMA:
        raise OtherSchemaError(
            f"{shown(place)} was written by a newer version (schema {found}, this program: {SCHEMA})",
            do="Install the newer strandbook to open it",
        )
