"""A published folder: its own files, by its own manifests, and nobody else's.

The folder is a bag as RFC 8493 (BagIt 1.0) has it: ``data/`` is the payload, listed with SHA-256 in
``manifest-sha256.txt``; pages and descriptions are tag files, listed in ``tagmanifest-sha256.txt``. Only what
these two list is ever replaced or removed. New files are written into a folder beside the others and renamed
into place when all of them are there; a run that is cut short leaves the old site, or is finished by the next
run.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from tracker.errors import Refused
from tracker.inputs import sha256_of

PAYLOAD: Final = "manifest-sha256.txt"
TAGS: Final = "tagmanifest-sha256.txt"
HEAD: Final = "head.json"
"""The signed head of the book's journal. It says when it was signed, so no manifest lists it: two sites of
one book are the same files but for this one."""

MADE_OF: Final = "made-of.json"
"""What each group of files was made of: a group that is made of the same again is not made again."""

_STAGING: Final = ".strandbook-publishing"
_OWN: Final = "own.txt"


def read_manifest(text: str) -> dict[str, str]:
    """Return paths and SHA-256 digests of a manifest.

    Raises:
        Refused: A line is none of a manifest, or its path leaves the folder.
    """
    found = {}
    for line in text.splitlines():
        digest, _, path = line.partition("  ")
        if len(digest) != 64 or not path or path.startswith("/") or ".." in path.split("/"):  # noqa: PLR2004 - hexadecimal digits of SHA-256
            raise Refused(f"{line!r:.80} is no line of a manifest")
        found[path.replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")] = digest.lower()
    return found


def _manifest(files: Mapping[str, str]) -> str:
    return "".join(f"{digest}  {path}\n" for path, digest in sorted(files.items()))


class Site:
    """The files of a site while it is made.

    Attributes:
        root: The folder.
        changed: Paths of the files that this run wrote.
        kept: How many files of the last run stand as they are.
    """

    def __init__(self, root: Path, *, dry: bool = False) -> None:
        self._root = root
        self._dry = dry
        self._staging = root / _STAGING
        self._old = own_files(root)
        self._files: dict[str, str] = {}
        # After a run that was cut short nobody knows which of its files stand: all are made again.
        cut_short = (self._staging / _OWN).is_file()
        self._groups_before = {} if cut_short else _made_of(root)
        self._groups: dict[str, tuple[str, list[str]]] = {}
        self._open: list[str] | None = None
        self._sizes: dict[str, int] = {}
        self.root = root
        self.changed: list[str] = []
        self.kept = 0

    def size_of(self, paths: Iterable[str]) -> int:
        """Return the bytes of files of the site together."""
        return sum(
            self._sizes[path] if path in self._sizes else (self._root / path).stat().st_size for path in paths
        )

    @property
    def files(self) -> Mapping[str, str]:
        """Paths and digests of all files of the site so far."""
        return self._files

    def put(self, path: str, data: str | bytes) -> None:
        """Give a file of the site its contents; nothing is written where it has them already.

        Raises:
            Refused: A file that is not this site's is in its place.
        """
        content = data.encode() if isinstance(data, str) else data
        digest = hashlib.sha256(content).hexdigest()
        if self._open is not None:
            self._open.append(path)
        if self._files.get(path) == digest and path in self._sizes:
            # Two measurements may share a recording.
            return
        self._files[path] = digest
        self._sizes[path] = len(content)
        place = self._root / path
        if path in self._old:
            # What is on the disk counts, not what a manifest says of it.
            if place.is_file() and sha256_of(place) == digest:
                self.kept += 1
                return
        elif place.exists():
            raise Refused(
                f"{place} is not a file that strandbook published", why="it would be replaced",
                do="Move it away, or name another folder",
            )  # fmt: skip
        self.changed.append(path)
        if not self._dry:
            staged = self._staging / path
            staged.parent.mkdir(parents=True, exist_ok=True)
            staged.write_bytes(content)

    def unchanged(self, group: str, key: str) -> bool:
        """Whether a group of files was made of the same before; then they stay as they are.

        Args:
            group: Name of the group.
            key: Digest of everything that it is made of.
        """
        before, paths = self._groups_before.get(group, ("", []))
        # A dry run lists what leaves, and what is not made it would not see.
        if (
            self._dry
            or before != key
            or not all(p in self._old and (self._root / p).is_file() for p in paths)
        ):
            return False
        for path in paths:
            self._files[path] = self._old[path]
        self.kept += len(paths)
        self._groups[group] = (key, paths)
        return True

    @contextmanager
    def group(self, group: str, key: str) -> Iterator[None]:
        """Note the files that are put in the context as made of ``key``."""
        self._open = []
        try:
            yield
        finally:
            self._groups[group] = (key, self._open)
            self._open = None

    def note_head(self, head: Mapping[str, object]) -> None:
        """Put the signed head of the journal beside the manifests, where another one stands, or none.

        Raises:
            Refused: A file of that name is something else.
        """
        place = self._root / HEAD
        try:
            before = json.loads(place.read_text("utf-8"))
        except FileNotFoundError:
            before = {}
        except (OSError, ValueError):
            before = None
        if not isinstance(before, dict) or (before and before.get("what") != head["what"]):
            raise Refused(
                f"{place} is not a file that strandbook published", why="it would be replaced",
                do="Move it away, or name another folder",
            )  # fmt: skip
        entry = ("book", "entry", "hash", "key")
        if [before.get(name) for name in entry] == [head[name] for name in entry]:
            self.kept += 1
            return
        self.changed.append(HEAD)
        if not self._dry:
            self._staging.mkdir(parents=True, exist_ok=True)
            (self._staging / HEAD).write_text(json.dumps(head, indent=1) + "\n", encoding="utf-8")

    def finish(self) -> list[str]:
        """Put everything in its place; return the files of the last run that the site no longer has."""
        groups = {name: [key, paths] for name, (key, paths) in sorted(self._groups.items())}
        self.put(MADE_OF, json.dumps(groups, separators=(",", ":")) + "\n")
        payload = {path: digest for path, digest in self._files.items() if path.startswith("data/")}
        self.put("bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
        self.put(PAYLOAD, _manifest(payload))
        tags = {path: digest for path, digest in self._files.items() if path not in payload}
        self.put(TAGS, _manifest(tags))
        gone = [path for path in self._old if path not in self._files]
        if not self._dry:
            self._place(gone)
        return gone

    def _place(self, gone: list[str]) -> None:
        # Until the new manifests stand, this list says what is ours: a run cut short is finished by the next.
        self._staging.mkdir(parents=True, exist_ok=True)
        (self._staging / _OWN).write_text(_manifest({**self._old, **self._files}), encoding="utf-8")
        last = [path for path in self.changed if path in (PAYLOAD, TAGS)]
        for path in [*(path for path in self.changed if path not in last), *last]:
            place = self._root / path
            place.parent.mkdir(parents=True, exist_ok=True)
            (self._staging / path).replace(place)
        for path in gone:
            _remove(self._root, path)
        shutil.rmtree(self._staging)


def _remove(root: Path, path: str) -> None:
    """Remove a file of ours, and the folders that it leaves empty."""
    place = root / path
    place.unlink(missing_ok=True)
    for folder in place.parents:
        if folder == root or any(folder.iterdir()):
            return
        folder.rmdir()


def own_files(root: Path) -> dict[str, str]:
    """Return the files of a folder that were published into it, by path, with their digests."""
    found: dict[str, str] = {}
    for name in (PAYLOAD, TAGS, f"{_STAGING}/{_OWN}"):
        if (root / name).is_file():
            found |= read_manifest((root / name).read_text("utf-8"))
    if (root / TAGS).is_file():
        # No manifest can hold its own digest.
        found[TAGS] = sha256_of(root / TAGS)
    return found


def _made_of(root: Path) -> dict[str, tuple[str, list[str]]]:
    try:
        known = json.loads((root / MADE_OF).read_text("utf-8"))
        return {str(name): (str(key), list(map(str, paths))) for name, (key, paths) in known.items()}
    except (OSError, ValueError, TypeError):
        # Without it everything is made again, which is slow and right.
        return {}


@contextmanager
def published(folder: Path, *, dry: bool = False) -> Iterator[Site]:
    """Give a site to put files into; they are in the folder when the context ends well.

    Raises:
        Refused: The folder is a file, or cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise Refused(f"{folder} is a file", do="Name a folder")
    made = not folder.exists()
    if not made and not own_files(folder) and any(not each.name.startswith(".") for each in folder.iterdir()):
        raise Refused(
            f"{folder} holds other things", why="a site is many files, and they would be mixed with them",
            do="Name an empty or a new folder",
        )  # fmt: skip
    try:
        site = Site(folder, dry=dry)
        if not dry:
            shutil.rmtree(folder / _STAGING, ignore_errors=True)
        yield site
        site.finish()
    except OSError as error:
        raise Refused(f"{folder} cannot be written", why=error.strerror or str(error)) from error
    finally:
        shutil.rmtree(folder / _STAGING, ignore_errors=True)
        if made and folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()
