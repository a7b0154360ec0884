"""How the database of a book is reached, with the settings that durability rests on.

A SQLite file is opened only where the file system keeps its locks, and every statement over models leaves
out the rows that were taken back.
"""

from __future__ import annotations

import mmap
import os
import re
import secrets
import selectors
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, Engine, Select, create_engine, event
from sqlalchemy.exc import DBAPIError, DisconnectionError, OperationalError
from sqlalchemy.orm import Session, with_loader_criteria
from sqlalchemy.pool import QueuePool

from tracker.book.place import BOOK_FILE, BookError, UnreachableError, is_url, shown, url_of
from tracker.errors import missing_extra
from tracker.files import make_private_folder
from tracker.lazy_modules import lazy
from tracker.model import Voidable

if TYPE_CHECKING:
    import ctypes
else:
    # Wanted only where the system does not list what is mounted.
    ctypes = lazy("ctypes")

DatabaseRefusal = OperationalError
"""Raised where a database lets nobody in, or cannot do what is asked of it now (:func:`refusal_for`)."""

BUSY_S: Final = 30
"""Longest that one waits for others to have written, in seconds."""

STATEMENT_S: Final = 120
"""Longest that one statement of an act may take on a server, in seconds."""

GONE_S: Final = 600
"""How long a server waits for the next statement of an act, in seconds: where a network was cut amidst
one, nobody else could write for hours."""

OLDEST_SERVER: Final = (13,)
"""Oldest PostgreSQL that a book is kept on; older ones get no repairs from their makers any more."""

WRITES: Final = "strandbook_writes"
"""Execution option of a connection whose transactions write."""

_SERVER: Final = {
    # A network that swallows packets must not hold the bench for hours, as the system's own limits would.
    "connect_timeout": 10,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 4,
    "tcp_user_timeout": BUSY_S * 1000,
    "application_name": "strandbook",
    "client_encoding": "utf8",
}


def make_engine(place: str, *, fresh: bool = False) -> Engine:
    """Return an engine for a place, with the settings that durability rests on.

    Args:
        place: Folder or URL.
        fresh: The book is to be made: the folder too.

    Raises:
        BookError: Nothing there to open, the folder cannot be made, or SQLite is not safe there.
        MissingExtraError: The driver for servers is not installed.
    """
    engine = _server_engine(place) if is_url(place) else _file_engine(Path(place) / BOOK_FILE, place, fresh)
    event.listen(engine, "before_execute", _leave_out_voided, retval=True)
    return engine


def _file_engine(file: Path, place: str, fresh: bool) -> Engine:
    if fresh:
        # Before the folder is made: what is refused leaves nothing behind.
        check_filesystem(next(each for each in file.absolute().parents if each.is_dir()))
        _make_folder(file)
    elif not file.exists():
        raise UnreachableError(f"{place} is not a book", do=f"Begin one: strandbook init {place}")
    else:
        check_filesystem(file.parent)
    # With a creator the default pool would hold one connection for all threads.
    engine = create_engine("sqlite://", creator=lambda: _connect_sqlite(file, fresh), poolclass=QueuePool)
    event.listen(engine, "begin", _begin)
    return engine


def _server_engine(place: str) -> Engine:
    url = url_of(place)
    if not url.drivername.startswith("postgres"):
        raise BookError(
            f"{url.drivername}: is no kind of server that can hold a book", do="Use postgresql://…"
        )
    url = url.set(drivername="postgresql+psycopg").difference_update_query(["files"])
    settings = {name: value for name, value in _SERVER.items() if name not in url.query}
    try:
        engine = create_engine(
            url,
            # A server may be set to another level; acts rely on seeing, after they got the lock, what others
            # wrote before.
            isolation_level="READ COMMITTED",
            # A pooler in transaction mode gives each transaction another session, which does not know what
            # an earlier one prepared.
            connect_args={**settings, "prepare_threshold": None},
            # Nothing is kept as hstore; to ask the server whether it has it costs every command a statement.
            use_native_hstore=False,
        )
    except ModuleNotFoundError as error:
        raise missing_extra(error) or error from error
    # First of all: SQLAlchemy asks what an old server, or what is none, may not answer.
    event.listen(engine, "connect", lambda driver, _: _check_server(place, driver), insert=True)
    event.listen(engine, "checkout", _Liveness(engine.dialect.loaded_dbapi.Error).look)
    return engine


_QUIET_S: Final = 60.0
"""A connection that was not used for so long is asked: something on the way may have forgotten it."""


class _Liveness:
    """Has the pool give another connection in the place of one that ended while it waited.

    After a restart of the server the first question would fail, once for each connection. To ask each time
    costs a way to the server and back; a server that ends a connection says so, and that something was said
    can be seen without asking.

    Args:
        failure: What the driver raises.
    """

    def __init__(self, failure: type[Exception]) -> None:
        self._failure = failure

    def look(self, driver: Any, record: Any, _proxy: Any) -> None:
        """Let a connection be used.

        Raises:
            DisconnectionError: It ended.
        """
        now = time.monotonic()
        quiet_s = now - record.info.get("used_s", now)
        record.info["used_s"] = now
        if quiet_s < _QUIET_S and not _has_news(driver.pgconn.socket):
            return
        try:
            driver.execute("")
            driver.rollback()
        except self._failure as error:
            raise DisconnectionError(str(error)) from error


def _has_news(handle: int) -> bool:
    with selectors.DefaultSelector() as selector:
        selector.register(handle, selectors.EVENT_READ)
        return bool(selector.select(0))


def _check_server(place: str, driver: Any) -> None:
    found = driver.info.server_version
    if (found // 10000,) < OLDEST_SERVER:
        raise UnreachableError(
            f"The server of the book {shown(place)} is too old (PostgreSQL {found // 10000})",
            do=f"It must be {OLDEST_SERVER[0]} or newer",
        )


def begin_writing(engine: Engine, statement_s: int = STATEMENT_S, lock: str = "") -> Connection:
    """Return a connection in a transaction that writes.

    SQLite has locked the file by then. A server locks nothing until asked, and waits for ever unless told.

    Args:
        engine: Of the book.
        statement_s: Longest for a statement on a server, in seconds; 0 for no limit.
        lock: A statement that takes a lock on a server.

    Raises:
        DBAPIError: The transaction cannot begin, or the wait for its lock was too long.
    """
    if engine.dialect.name == "sqlite":
        connection = engine.connect().execution_options(**{WRITES: True})
        began = ""
    else:
        # The driver would send its own BEGIN in a message of its own. Left to itself it sends none, and ends
        # the transaction that there is by COMMIT or ROLLBACK as ever.
        connection = engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        # For this transaction only, and not as options of the connection, which poolers refuse or mix up; and
        # in one message, because every act pays for it.
        began = (
            f"BEGIN ISOLATION LEVEL READ COMMITTED; SET LOCAL lock_timeout = '{BUSY_S}s'; "
            f"SET LOCAL statement_timeout = '{statement_s}s'; "
            f"SET LOCAL idle_in_transaction_session_timeout = '{GONE_S if statement_s else 0}s'; {lock}"
        )
    try:
        connection.begin()
        if began:
            connection.exec_driver_sql(began)
    except BaseException:
        connection.close()
        raise
    return connection


def plan_for_first_rows(connection: Connection, *, few: bool = False) -> None:
    """Have a server plan for the first rows of a cursor; nothing to do on SQLite, which always does.

    A list joins more tables than a server rearranges of itself, and it plans for the last row of what must be
    sorted: the first page of a million results would come after all of them were put together.

    Args:
        connection: In a transaction, for the rest of it.
        few: Whether a condition leaves few rows, so that to sort them all costs less than to go through the
            others in their order.
    """
    if connection.dialect.name != "sqlite":
        # Another process for a part of the rows takes longer to begin than the rows it would read.
        connection.exec_driver_sql(
            "SET LOCAL join_collapse_limit = 24; SET LOCAL from_collapse_limit = 24; "
            "SET LOCAL geqo_threshold = 25; SET LOCAL max_parallel_workers_per_gather = 0; "
            f"SET LOCAL cursor_tuple_fraction = {1.0 if few else 0.01}"
        )


def is_conflict(error: DBAPIError) -> bool:
    """Whether a server undid a transaction only because another one wrote: repeated, it may succeed."""
    return getattr(error.orig, "sqlstate", None) in ("40001", "40P01")


def _make_folder(file: Path) -> None:
    # A file may lie there: what a program left that was killed while it made a book. Whether it holds
    # one is asked inside the transaction that makes the tables.
    try:
        make_private_folder(file.parent)
    except OSError as error:
        raise BookError(
            f"The folder {file.parent} cannot be made", why=error.strerror or str(error)
        ) from error


def _connect_sqlite(file: Path, fresh: bool) -> sqlite3.Connection:
    if fresh:
        # Before SQLite makes it: its own would follow the umask, and the files beside it follow this one.
        _make_private(file)
    only_readable = _only_readable(file)
    connection = sqlite3.connect(
        f"{file.absolute().as_uri()}?immutable=1" if only_readable else str(file),
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=False,
        cached_statements=256,
        uri=only_readable,
    )
    # WAL lets readers go on while one writes; FULL makes every commit survive a power cut.
    for pragma in ("journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL"):
        try:
            connection.execute(f"PRAGMA {pragma}")
        except sqlite3.OperationalError:
            # A book on a read-only disk can still be read.
            if not pragma.startswith("journal_mode"):
                raise
    return connection


def _only_readable(file: Path) -> bool:
    """Whether the files of the write-ahead log can neither be made nor are there.

    SQLite then cannot even read, unless told that nobody writes: true of a disk that is read-only. Where
    others may write to the folder, their log is there while they do, and is used.
    """
    log = file.with_name(f"{file.name}-wal")
    writable = os.access(file.parent, os.W_OK) and os.access(file, os.W_OK)
    return not writable and not log.exists()


def _make_private(file: Path) -> None:
    try:
        handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError:
        # It is there already, or SQLite will say in its own words why it cannot be made.
        return
    try:
        os.fchmod(handle, 0o600)
    finally:
        os.close(handle)


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get(WRITES, False)
    # A deferred read-then-write would fail at once whatever the timeout; see SQLITEBUSY_SNAPSHOT.
    driver: Any = connection.connection.driver_connection
    driver.execute("BEGIN IMMEDIATE" if writes else "BEGIN")


try:
    import fcntl
except ImportError:  # pragma: no cover - Windows has none
    fcntl = None  # type: ignore[assignment]

MOUNTS: Final = Path("/proc/self/mountinfo")
"""What is mounted where, on Linux; see proc_pid_mountinfo(5)."""

I_KNOW: Final = "STRANDBOOK_I_KNOW"
"""Environment variable of those who know that one computer alone uses the folder."""

_NETWORK: Final = frozenset((
    "nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "ncpfs", "afs", "ceph", "lustre", "gpfs", "beegfs",
    "glusterfs", "davfs", "fuse.sshfs", "fuse.glusterfs", "fuse.ceph", "fuse.davfs2", "fuse.rclone",
    "fuse.s3fs", "fuse.juicefs", "fuse.gcsfuse", "fuse.gvfsd-fuse", "fuse.kio-fuse", "coda", "orangefs",
    "afpfs", "webdav",
    # Between a virtual machine and its host: two systems, each with memory of its own for one file.
    "9p", "virtiofs", "vboxsf", "vmhgfs", "fuse.vmhgfs-fuse", "prl_fs",
))  # fmt: skip
_LOCAL: Final = frozenset((
    "ext2", "ext3", "ext4", "xfs", "btrfs", "zfs", "f2fs", "tmpfs", "ramfs", "overlay", "jfs", "reiserfs",
    "bcachefs", "exfat", "vfat", "ntfs3",
))  # fmt: skip
_PROBE: Final = """
import fcntl, mmap, os, sys
handle = os.open(sys.argv[1], os.O_RDWR)
shared = mmap.mmap(handle, 4096)
seen = shared[0:1] == b"P"
shared[1:2] = b"C"
try:
    fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, 8)
    barred = False
except OSError:
    barred = True
sys.exit(0 if seen and barred else 1)
"""


def check_filesystem(folder: Path) -> None:
    """Let a folder through whose file system shares memory and locks between processes.

    Raises:
        BookError: It is on a network, or two processes do not see the same there.
    """
    if os.environ.get(I_KNOW):
        return
    kind = kind_of(folder) or _kind_by_statfs(folder)
    if kind in _LOCAL:
        return
    if kind in _NETWORK:
        raise _refused(folder, f"it is on a network file system ({kind})")
    if not shares_memory(folder):
        raise _refused(folder, "two processes do not see the same bytes there")


def _refused(folder: Path, why: str) -> BookError:
    return BookError(
        f"{folder} is no place for a book in one file",
        why=f"{why}, where two computers that write would damage it without a word",
        do="Several computers share a book on a server: strandbook init postgresql://USER@HOST/NAME?files=… "
        "If this computer alone will ever use the folder, say so with --i-know",
    )


def kind_of(folder: Path) -> str:
    """Return the kind of file system that a folder is on, as Linux names it; empty where it does not say."""
    try:
        lines = MOUNTS.read_text("utf-8", "surrogateescape").splitlines()
    except OSError:
        return ""
    path = os.path.realpath(folder)
    best = ("", "")
    for line in lines:
        before, _, after = line.partition(" - ")
        fields = before.split()
        least = 5
        if len(fields) < least or not after:
            continue
        # Blanks in names are written in octal: \\040.
        at = re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), fields[4])
        inside = path == at or path.startswith(at.rstrip("/") + "/")
        # The last of several mounts on one place is the one that is seen.
        if inside and len(at) >= len(best[0]):
            best = (at, after.split()[0])
    return best[1]


_MAGIC: Final = {
    0x6969: "nfs", 0x517B: "smb", 0xFF534D42: "cifs", 0xFE534D42: "smb2", 0x01021997: "9p", 0x564C: "ncpfs",
    0x5346414F: "afs", 0x00C36400: "ceph", 0x0BD00BD0: "lustre", 0x73757245: "coda", 0x786F4256: "vboxsf",
}  # fmt: skip
"""What statfs(2) calls the file systems that are on a network; the numbers are those of its manual page,
the last two of linux/magic.h and of the driver."""

_NAME_AT: Final = 72
"""Where macOS writes the name of the kind in its answer, by sys/mount.h; from memory, not tried on one."""


def _kind_by_statfs(folder: Path) -> str:
    """Return the kind of file system where the list of mounts cannot be read; empty where it is not known."""
    answer = ctypes.create_string_buffer(4096)
    try:
        library = ctypes.CDLL(None)
        ask = getattr(library, "statfs$INODE64", None) or library.statfs
        if ask(os.fsencode(folder), answer):
            return ""
    except (AttributeError, OSError, TypeError):
        return ""
    if sys.platform == "darwin":
        return answer.raw[_NAME_AT : _NAME_AT + 16].partition(b"\0")[0].decode("ascii", "replace")
    return _MAGIC.get(ctypes.c_long.from_buffer(answer).value & 0xFFFFFFFF, "")


def shares_memory(folder: Path) -> bool:
    """Whether two processes that map one file in a folder see each other's bytes and locks."""
    if fcntl is None or not sys.executable:
        return True
    file = folder / f".probe-{secrets.token_hex(6)}"
    try:
        handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError:
        # A folder that cannot be written is read as it is: nobody can damage anything.
        return True
    try:
        os.ftruncate(handle, mmap.PAGESIZE)
        with mmap.mmap(handle, mmap.PAGESIZE) as shared:
            shared[0:1] = b"P"
            fcntl.lockf(handle, fcntl.LOCK_EX, 1, 8)
            child = subprocess.run(  # noqa: S603 - our own interpreter and text
                [sys.executable, "-I", "-S", "-c", _PROBE, str(file)], check=False, capture_output=True
            )
            return child.returncode == 0 and shared[1:2] == b"C"
    except OSError:
        return False
    finally:
        os.close(handle)
        file.unlink(missing_ok=True)


WITH_VOIDED: Final = "strandbook_voided"
"""Execution option of a statement or connection that is to see rows which were taken back."""

_LIVE: Final = with_loader_criteria(Voidable, lambda model: model.voided.is_(None), include_aliases=True)


def _leave_out_voided(
    connection: Connection, statement: Any, several: Any, parameters: Any, options: Any
) -> tuple[Any, Any, Any]:
    """Have a statement over models leave rows out that were taken back."""
    del connection
    orm = isinstance(statement, Select) and statement._propagate_attrs.get("compile_state_plugin") == "orm"  # noqa: SLF001 - how a statement over models is told from one over tables
    if orm and not options.get(WITH_VOIDED):
        statement = statement.options(_LIVE)
    return statement, several, parameters


@contextmanager
def with_voided(session: Session) -> Iterator[None]:
    """See rows that were taken back while the context lasts: to show, void or restore them."""
    connection = session.connection()
    before = connection.get_execution_options().get(WITH_VOIDED, False)
    connection.execution_options(**{WITH_VOIDED: True})
    try:
        yield
    finally:
        connection.execution_options(**{WITH_VOIDED: before})
