"""Attachments: kept whole, by their digest."""

from __future__ import annotations

import errno
import hashlib
import os
from pathlib import Path
from typing import NoReturn

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tracker.errors import Refused
from tracker.files import Files, FilesError


@pytest.fixture
def files(tmp_path: Path) -> Files:
    """Give an empty folder of attachments."""
    return Files(tmp_path / "files")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(data=st.binary(max_size=5000))
def test_bytes_come_back(files: Files, data: bytes) -> None:
    """Bytes come back by their SHA-256, any bytes."""
    digest = files.put(data)

    assert digest == hashlib.sha256(data).hexdigest()
    assert files.get(digest) == data


def test_large(files: Files) -> None:
    """A file of several megabytes comes back whole."""
    data = os.urandom(3_500_000)

    assert files.get(files.put(data)) == data


@pytest.mark.parametrize(("folder", "file"), [(0o700, 0o600), (0o770, 0o660), (0o775, 0o664), (0o777, 0o666)])
def test_a_file_is_as_open_as_its_folder(files: Files, folder: int, file: int) -> None:
    """A bench that shares its attachments opens the folder once; no recording is ever a program."""
    files.folder.mkdir()
    files.folder.chmod(folder)
    place = files.path(files.put(b"curve"))
    assert place.stat().st_mode & 0o777 == file
    assert place.parent.stat().st_mode & 0o777 == folder


def test_twice(files: Files) -> None:
    """Keeping the same bytes again writes nothing."""
    digest = files.put(b"curve")
    before = files.path(digest).stat().st_mtime_ns

    files.put(b"curve")

    assert files.path(digest).stat().st_mtime_ns == before
    assert list(files.stored()) == [digest]


def test_cut_off(files: Files) -> None:
    """Bytes of which only a part is there are rewritten."""
    digest = files.put(b"curve")
    files.path(digest).write_bytes(b"cur")

    files.put(b"curve")

    assert files.get(digest) == b"curve"


def test_unchanged(files: Files) -> None:
    """Whole, changed and missing files are told apart."""
    whole, changed, missing = (files.put(text) for text in (b"a", b"b", b"c"))
    files.path(changed).write_bytes(b"B")
    files.path(missing).unlink()

    assert [files.unchanged(digest) for digest in (whole, changed, missing)] == [True, False, None]


def test_missing(files: Files) -> None:
    """A lost file is refused with the way to bring it back."""
    with pytest.raises(FilesError, match=r"is missing from .*restore"):
        files.get("0" * 64)


@pytest.mark.parametrize(
    ("number", "advice"),
    [(errno.ENOSPC, "Free some space"), (errno.EDQUOT, "Free some space"), (errno.EACCES, "may write there")],
)
def test_no_room(files: Files, monkeypatch: pytest.MonkeyPatch, number: int, advice: str) -> None:
    """A disk that is full or closed is said with what to do, and leaves nothing behind."""

    def refuse(_handle: int) -> NoReturn:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr("tracker.files.os.fsync", refuse)
        with pytest.raises(FilesError, match=advice):
            files.put(b"curve")

    assert [path for path in files.folder.rglob("*") if path.is_file()] == []


def test_a_file_in_the_way(tmp_path: Path) -> None:
    """A file where the folder should be is refused in one line."""
    (tmp_path / "files").write_bytes(b"")

    with pytest.raises(Refused) as refusal:
        Files(tmp_path / "files").put(b"curve")

    assert "\n" not in str(refusal.value)


def test_written_before_it_is_named(files: Files, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bytes are on the disk before the name is, and the name before the row can be."""
    done: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def seen_fsync(handle: int) -> None:
        done.append("folder" if os.path.isdir(f"/proc/self/fd/{handle}") else "bytes")  # noqa: PTH112 - a handle
        fsync(handle)

    def seen_replace(self: Path, target: Path) -> Path:
        done.append("name")
        return replace(self, target)

    monkeypatch.setattr("tracker.files.os.fsync", seen_fsync)
    monkeypatch.setattr(Path, "replace", seen_replace)

    files.put(b"curve")

    assert done[:3] == ["bytes", "name", "folder"]
