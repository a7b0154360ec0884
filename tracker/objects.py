"""Attachments in an object store: the interface of S3, by URL, in the place of a folder.

``s3://BUCKET/PREFIX?endpoint=https://…&region=…``; keys come from the environment (``AWS_ACCESS_KEY_ID`` and
its like) and never stand in the URL. An object is there whole or not at all, so nothing is written under a
temporary name; the marker with the book's code is an object beside the attachments.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import IO, Any, Final
from urllib.parse import parse_qs, urlsplit, urlunsplit

from tracker.files import MARKER, Files, FilesError
from tracker.lazy_modules import lazy

# A compiled library, for those alone who have an object store.
obstore = lazy("obstore")

_CHUNK: Final = 1 << 20
_IN_MEMORY: Final = 8 << 20
_COPIES: Final = 16
"""So many local copies are kept for programs that read by name."""

_CONNECT: Final = "4s"
"""Longest that a store may take to answer the door."""

_OPTIONS: Final = {"endpoint": "endpoint", "region": "region"}


class ObjectFiles(Files):
    """The attachments of one book in an object store.

    Args:
        url: Of the place, as in the head of this module.
        code: The book's three characters, as for a folder.

    Raises:
        FilesError: It is no such URL, or carries a key.
    """

    noun = "object store"

    def __init__(self, url: str, code: str = "") -> None:
        parts = urlsplit(url)
        if parts.scheme != "s3" or not parts.netloc or "@" in parts.netloc:
            raise FilesError(
                "The place of the attachments is no object store",
                do="Write s3://BUCKET/PREFIX?endpoint=https://HOST; keys belong into the environment",
            )
        super().__init__(Path(f"{parts.netloc}{parts.path}"), code)
        self.where = urlunsplit((parts.scheme, parts.netloc, parts.path, "", ""))
        self._asked = parse_qs(parts.query)
        self._prefix = parts.path.strip("/")
        self._bucket = parts.netloc
        self._made: Any = None
        self._copies: tempfile.TemporaryDirectory[str] | None = None

    @property
    def _store(self) -> Any:
        """The connection, made when the first attachment is wanted."""
        if self._made is None:
            options = {ours: self._asked[name][0] for name, ours in _OPTIONS.items() if name in self._asked}
            plain = options.get("endpoint", "").startswith("http:")
            self._made = obstore.store.S3Store(
                self._bucket,
                prefix=self._prefix or None,
                client_options={"allow_http": plain, "connect_timeout": _CONNECT},
                # Else a store that is away is asked for three minutes, and the person waits.
                retry_config={"max_retries": 2, "retry_timeout": dt.timedelta(seconds=10)},
                **options,
            )
        return self._made

    @contextmanager
    def _refusing(self, doing: str) -> Iterator[None]:
        """Turn what the store says into a refusal.

        Raises:
            FilesError: It did not do what was asked.
        """
        exceptions = obstore.exceptions
        try:
            yield
        except exceptions.BaseError as error:
            denied = isinstance(error, (exceptions.PermissionDeniedError, exceptions.UnauthenticatedError))
            raise FilesError(
                f"The object store {self.where} cannot be {doing}",
                why=next(iter(str(error).strip().splitlines()), type(error).__name__)[:200],
                do="Check the keys in the environment"
                if denied
                else "Check address and connection, and repeat",
            ) from error

    def _size(self, name: str) -> int | None:
        """Return how many bytes an object has; None where there is none."""
        store = self._store
        with self._refusing("read"):
            try:
                return int(obstore.head(store, name)["size"])
            except FileNotFoundError:
                return None

    def _put(self, name: str, data: bytes | IO[bytes]) -> None:
        store = self._store
        with self._refusing("written"):
            obstore.put(store, name, data)

    def _name(self, digest: str) -> str:
        return f"{digest[:2]}/{digest}"

    def mark(self, code: str) -> None:
        """Name a book in the marker."""
        self.code = code
        named = self.named()
        if code not in named:
            self._put(MARKER, "".join(f"{each}\n" for each in [*named, code]).encode())

    def named(self) -> list[str]:
        """Return the codes of the books that the marker names; none where there is no marker."""
        with tempfile.SpooledTemporaryFile(_IN_MEMORY) as copy:
            if not self._copy(MARKER, copy):
                return []
            copy.seek(0)
            return copy.read(4096).decode("ascii", "replace").split()

    def trouble(self) -> str:
        """Return why this cannot be the book's place, as a sentence's end; nothing where it is."""
        try:
            named = self.named()
        except FilesError as error:
            return f"does not answer ({error.why})"
        if not self.code or self.code in named:
            return ""
        if named:
            return f"belongs to the book {' and '.join(named)}, and not to {self.code}"
        return f"has no marker of the book {self.code} ({MARKER})"

    def put_as(self, digest: str, data: bytes | IO[bytes], size: int | None = None) -> None:
        """Keep bytes under a digest, as in a folder.

        Raises:
            FilesError: The store does not take it, or is not this book's.
        """
        self.check()
        length = len(data) if isinstance(data, bytes) else size
        if length is not None and self._size(self._name(digest)) == length:
            return
        self._put(self._name(digest), data)

    def get(self, digest: str) -> bytes:
        """Return the bytes of an attachment.

        Raises:
            FilesError: It is not there any more.
        """
        with self.opened(digest) as stream:
            return stream.read()

    def has(self, digest: str) -> bool:
        """Whether an attachment is there, whatever its bytes."""
        return self._size(self._name(digest)) is not None

    def opened(self, digest: str) -> AbstractContextManager[IO[bytes]]:
        """Open an attachment for reading; it is copied here first, in memory or, if long, on the disk.

        Raises:
            FilesError: It is not there any more.
        """
        return self._stream(self._name(digest))

    @contextmanager
    def _stream(self, name: str) -> Iterator[IO[bytes]]:
        with tempfile.SpooledTemporaryFile(_IN_MEMORY) as copy:
            if not self._copy(name, copy):
                raise FilesError(
                    f"Attachment {name[-64:][:12]}… is missing from {self.where}",
                    do="Bring the attachments back from a backup: strandbook restore FILE",
                )
            copy.seek(0)
            yield copy

    def _copy(self, name: str, into: Any) -> bool:
        """Copy an object into an open file, and return whether there is one."""
        store = self._store
        with self._refusing("read"):
            try:
                chunks = obstore.get(store, name).stream(min_chunk_size=_CHUNK)
            except FileNotFoundError:
                return False
            for chunk in chunks:
                into.write(chunk)
        return True

    def path(self, digest: str) -> Path:
        """Return a local copy, which stays until the program ends or others take its room.

        What is not in the store is not there under this name either.
        """
        if self._copies is None:
            # It is removed with this object, at the latest when the program ends.
            self._copies = tempfile.TemporaryDirectory(prefix="strandbook-")
        folder = Path(self._copies.name)
        place = folder / digest
        if not place.exists() and self.has(digest):
            for old in sorted(folder.iterdir(), key=lambda each: each.stat().st_mtime)[:-_COPIES]:
                old.unlink(missing_ok=True)
            half = place.with_suffix(".part")
            with half.open("wb") as into:
                self._copy(self._name(digest), into)
            half.replace(place)
        return place

    def unchanged(self, digest: str) -> bool | None:
        """Whether the bytes still have their digest; None where the object is missing."""
        if not self.has(digest):
            return None
        hashed = hashlib.sha256()
        with self.opened(digest) as stream:
            while chunk := stream.read(_CHUNK):
                hashed.update(chunk)
        return hashed.hexdigest() == digest

    def stored(self) -> Iterator[str]:
        """Yield the digest of every attachment, in order."""
        store = self._store
        with self._refusing("listed"):
            names = [each["path"] for some in obstore.list(store) for each in some]
        yield from sorted(name.rpartition("/")[2] for name in names if "/" in name)

    def remove(self, digest: str) -> None:
        """Take an object away that nothing names."""
        store = self._store
        with self._refusing("written"):
            if self.has(digest):
                obstore.delete(store, self._name(digest))

    def remnants(self) -> Iterator[Path]:
        """Yield nothing: an upload that was broken off leaves no object."""
        yield from ()
