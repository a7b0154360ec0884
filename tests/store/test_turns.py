"""Whose turn it is to write: waiting, giving up, and a folder without locks."""

from __future__ import annotations

import errno
import fcntl
from pathlib import Path
from typing import NoReturn

import pytest

from tracker.write_queue import wait_turn


def test_a_turn_that_another_keeps_is_not_ours(tmp_path: Path) -> None:
    """Whoever waits longer than they want to is told so; when the other has written it is their turn."""
    file = tmp_path / "book.db"
    with wait_turn(file, 5) as first:
        assert first
        with wait_turn(file, 0) as second:
            assert not second
    with wait_turn(file, 0) as third:
        assert third


def test_where_no_locks_are_to_be_had_it_is_everybodys_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file system that knows none answers each try with an error; SQLite's own lock decides there."""

    def unknown(_handle: int, how: int) -> None:
        if how != fcntl.LOCK_UN:
            raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", unknown)
    with wait_turn(tmp_path / "book.db", 0) as ours:
        assert ours


def test_where_no_lock_file_can_be_made_it_is_everybodys_turn(tmp_path: Path) -> None:
    """Nobody else writes into a folder that is not there, nor into one that may only be read."""
    with wait_turn(tmp_path / "gone" / "book.db", 0) as ours:
        assert ours


def test_a_turn_ends_with_an_error_inside_it(tmp_path: Path) -> None:
    """What was refused in between lets the next one write."""

    def refused() -> NoReturn:
        raise ValueError("refused")

    with pytest.raises(ValueError, match="refused"), wait_turn(tmp_path / "book.db", 5):
        refused()
    with wait_turn(tmp_path / "book.db", 0) as ours:
        assert ours
