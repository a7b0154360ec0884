"""Attachments on their way to the disk: what is asked to be there, when, and that nothing stays open."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path

import pytest

from tracker.files import Files, sync_folder

DATA = b"0123456789" * 10
DIGEST = hashlib.sha256(DATA).hexdigest()


@pytest.fixture
def files(tmp_path: Path) -> Files:
    """Give a folder of attachments that is not made yet."""
    return Files(tmp_path / "files")


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    """Note what was asked to be on the disk, by its path, and how long it was by then."""
    told: list[tuple[str, int]] = []

    def sync(handle: int) -> None:
        found = os.fstat(handle)
        told.append((str(Path(f"/proc/self/fd/{handle}").readlink()), found.st_size))
        assert stat.S_ISDIR(found.st_mode) or stat.S_ISREG(found.st_mode)

    if not Path("/proc/self/fd").exists():
        pytest.skip("no way to tell the path of an open file here")
    monkeypatch.setattr(os, "fsync", sync)
    return told


def test_an_attachment_is_on_the_disk_whole_before_it_has_its_name(
    files: Files, synced: list[tuple[str, int]]
) -> None:
    """First the bytes under another name, then the folder, then the folder above where it is new."""
    files.put(DATA)
    (path, size), *folders = synced
    assert Path(path).name.startswith(f".{DIGEST[:16]}-")
    assert size == len(DATA)
    assert [folder for folder, _ in folders] == [str(files.path(DIGEST).parent), str(files.folder)]


def test_a_second_one_in_a_folder_does_not_wait_for_the_folder_above(
    files: Files, synced: list[tuple[str, int]]
) -> None:
    """Its entry there is old."""
    files.path(DIGEST).parent.mkdir(parents=True)
    files.put(DATA)
    assert [Path(path) for path, _ in synced[1:]] == [files.path(DIGEST).parent]


def _open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def test_no_file_or_folder_is_left_open(tmp_path: Path, files: Files) -> None:
    """An import brings thousands of attachments, and a program may hold a thousand files open."""
    if not Path("/proc/self/fd").exists():
        pytest.skip("no way to count open files here")
    files.put(DATA)
    before = _open_files()
    for number in range(20):
        files.put(str(number).encode())
        sync_folder(tmp_path)
    assert _open_files() <= before


def test_nothing_but_attachments_is_listed(files: Files) -> None:
    """In order; a remnant of a crash is none."""
    digests = sorted(files.put(each) for each in (b"a", b"b", b"c"))
    (files.path(digests[0]).parent / f".{digests[0][:16]}-0f").write_bytes(b"half")
    assert list(files.stored()) == digests
