"""Signed heads of the journal: what is written down outside a book, so that nobody can rewrite it unseen.

The chain of hashes shows that entries fit together. Who can write to the database can compute a whole chain
again, or cut off its tail; then only a head that was noted elsewhere shows it. A *head* is a small JSON
document: the book's code, an entry's number and hash, the moment, and a signature (Ed25519, RFC 8032) by
the book's own key, which is kept outside the book. Heads go along with every backup and published folder,
and this computer remembers those that it signed.

What it proves: whoever holds the key said, at the latest when others got the head, that the journal up to
that entry had this hash; a book that has that entry with another hash, or not at all, is not that book any
more. What it does not prove: that what was entered is true, that the moment is (a time stamp of a service
does, RFC 3161), or who of those who could read the key signed.
"""

from __future__ import annotations

import base64
import datetime as dt
import importlib
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from tracker.errors import Refused
from tracker.files import make_private_folder
from tracker.inputs import opened
from tracker.journal import canonical, moment

WHAT: Final = "head of a strandbook journal"
FOLDER: Final = "STRANDBOOK_KEYS"
"""Environment variable that names the folder of keys, on a stick for example."""

KEY_ENTERED: Final = "signing key "
"""What the reason of an entry begins with that names the book's public key."""

_MOST: Final = 1 << 20
_KEY_BYTES: Final = 32


class HeadError(Refused):
    """A head cannot be read, is not what it says, or no key can be had to sign one."""


@dataclass(frozen=True)
class Head:
    """A journal's last entry at a moment, perhaps signed.

    Attributes:
        book: The book's three characters.
        entry: Number of the entry.
        hash: Its hash, 64 hexadecimal digits.
        at: When the head was noted, RFC 3339 in UTC.
        key: Public key, Base64; empty where nobody signed.
        signature: Over :meth:`signed`, Base64.
    """

    book: str
    entry: int
    hash: str
    at: str
    key: str = ""
    signature: str = ""

    def signed(self) -> bytes:
        """Return the bytes that the signature is over: canonical JSON of everything but the signature."""
        body = {"what": WHAT, **asdict(self)}
        del body["signature"]
        return canonical(body).encode()

    def as_json(self) -> dict[str, Any]:
        """Return the document."""
        return {"what": WHAT, **asdict(self)}

    @property
    def fingerprint(self) -> str:
        """The first 16 characters of the key, for people to compare."""
        return self.key[:16]


def keys_folder() -> Path:
    """Return the folder of keys: ``STRANDBOOK_KEYS``, else one in the person's own data (XDG)."""
    if named := os.environ.get(FOLDER):
        return Path(named)
    data = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(data) / "strandbook" / "keys"


def load_ed25519() -> Any:
    """Return the module of signatures; loaded only where something is signed or looked at."""
    return importlib.import_module("cryptography.hazmat.primitives.asymmetric.ed25519")


class KeyRing:
    """The keys of books on this computer, and the heads signed with them.

    Args:
        folder: Where they are; made with the first key, for its owner alone.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder or keys_folder()

    def new_key(self, book: str) -> str:
        """Make a key for a book in place of any earlier one, which is kept; returns the public key, Base64.

        Raises:
            HeadError: It cannot be written.
        """
        key = load_ed25519().Ed25519PrivateKey.generate()
        try:
            make_private_folder(self.folder)
            file = self._key_file(book)
            if file.exists():
                file.rename(file.with_name(f"{file.name}.{_public(key)[:8].replace('/', '_')}.old"))
            handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as stream:
                stream.write(base64.b64encode(key.private_bytes_raw()) + b"\n")
        except OSError as error:
            raise HeadError(
                f"The signing key of book {book} cannot be kept in {self.folder}",
                why=error.strerror or str(error),
                do=f"Name another folder with {FOLDER}",
            ) from error
        return _public(key)

    def books(self) -> frozenset[str]:
        """Return the three characters of each book of which this computer has a key or remembers heads."""
        return frozenset(file.name.partition(".")[0] for file in self.folder.glob("*.*"))

    def public_key(self, book: str) -> str:
        """Return the public key of a book, Base64; empty where this computer has none."""
        key = self._key(book)
        return _public(key) if key is not None else ""

    def sign(self, book: str, entry: int, hash_: str, at: dt.datetime) -> Head:
        """Return the head of a journal, signed where this computer has the book's key, and remember it."""
        key = self._key(book)
        head = Head(book, entry, hash_, moment(at), _public(key) if key is not None else "")
        if key is None:
            return head
        signature = base64.b64encode(key.sign(head.signed())).decode()
        head = Head(**{**asdict(head), "signature": signature})
        self._remember(head)
        return head

    def remembered(self, book: str) -> list[Head]:
        """Return the heads of a book that this computer signed, oldest first."""
        try:
            with opened(self._heads_file(book)) as stream:
                lines = stream.read(64 * _MOST).splitlines()
        except OSError:
            return []
        heads = []
        for line in lines:
            try:
                heads.append(head_of(json.loads(line), "a remembered head"))
            except (ValueError, HeadError):
                # A line cut short by a power cut; the others still count.
                continue
        return heads

    def forget_after(self, book: str, entry: int) -> None:
        """Forget heads beyond an entry: the book was restored, knowingly, to a state of before them."""
        kept = [head for head in self.remembered(book) if head.entry <= entry]
        file = self._heads_file(book)
        if not file.exists():
            return
        try:
            file.write_text("".join(f"{canonical(head.as_json())}\n" for head in kept))
        except OSError:
            return

    def _remember(self, head: Head) -> None:
        try:
            handle = os.open(self._heads_file(head.book), os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            with os.fdopen(handle, "ab") as stream:
                stream.write(canonical(head.as_json()).encode() + b"\n")
        except OSError:
            # The head goes along with what it was signed for; this list is one witness more.
            return

    def _key(self, book: str) -> Any:
        try:
            with opened(self._key_file(book)) as stream:
                raw = base64.b64decode(stream.read(200), validate=False)
        except (OSError, ValueError):
            return None
        return load_ed25519().Ed25519PrivateKey.from_private_bytes(raw) if len(raw) == _KEY_BYTES else None

    def _key_file(self, book: str) -> Path:
        return self.folder / f"{book}.key"

    def _heads_file(self, book: str) -> Path:
        return self.folder / f"{book}.heads"


def head_of(value: Any, name: str) -> Head:
    """Return a head from its document, its signature checked where it has one.

    Args:
        value: As JSON gives it.
        name: What it was read from, for the refusal.

    Raises:
        HeadError: It is none, or the signature is not by the key it names.
    """
    try:
        if value["what"] != WHAT:
            raise HeadError(f"{name} is no head of a journal")
        head = Head(
            str(value["book"]), int(value["entry"]), str(value["hash"]), str(value["at"]),
            str(value.get("key", "")), str(value.get("signature", "")),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError) as error:
        raise HeadError(
            f"{name} is no head of a journal", do="Give a file that verify --note wrote"
        ) from error
    if head.key and not _is_signed(head):
        raise HeadError(
            f"The signature in {name} is not by the key it names",
            why="it was changed, or made by somebody else",
            do="Look for another copy of it",
        )
    return head


def _is_signed(head: Head) -> bool:
    exceptions = importlib.import_module("cryptography.exceptions")
    try:
        key = load_ed25519().Ed25519PublicKey.from_public_bytes(base64.b64decode(head.key))
        key.verify(base64.b64decode(head.signature), head.signed())
    except (ValueError, exceptions.InvalidSignature):
        return False
    return True


def write_head(head: Head, file: Path) -> None:
    """Write a head into a new file.

    Raises:
        HeadError: It cannot be written, or there is a file of that name.
    """
    try:
        with file.open("x", encoding="utf-8") as stream:
            json.dump(head.as_json(), stream, indent=1)
            stream.write("\n")
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        # A beginning of a head is no head; one that was there before stays.
        if not isinstance(error, FileExistsError) and file.is_file():
            file.unlink(missing_ok=True)
        do = "Name a new file; a head that was noted stays" if isinstance(error, FileExistsError) else ""
        raise HeadError(f"{file} cannot be written", why=error.strerror or str(error), do=do) from error


def _public(key: Any) -> str:
    return base64.b64encode(key.public_key().public_bytes_raw()).decode()
