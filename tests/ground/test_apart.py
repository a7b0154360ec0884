"""Work that another process makes: in order; made here where it fails there; refused where it is ended."""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import struct
import sys
import threading
from collections.abc import Iterator
from itertools import islice
from types import SimpleNamespace
from typing import Any

import pytest

from tracker import apart
from tracker.apart import ProcessEndedError, _received, few_collections, made_apart, processes_for

HERE = os.getpid()

if sys.platform != "linux":  # pragma: no cover - elsewhere one process does all of it
    pytest.skip("no process is forked here", allow_module_level=True)


def squares(first: int) -> Iterator[tuple[int, int]]:
    """Yield four squares from one on, each with the process that made it."""
    return islice(((n * n, os.getpid()) for n in range(4)), first, None)


@pytest.mark.parametrize("ahead", [False, True])
def test_another_process_makes_the_items_in_order(ahead: bool) -> None:
    """What comes is what the maker yields, and this process did not make it."""
    made = list(made_apart(squares, ahead=ahead))

    assert [square for square, _ in made] == [0, 1, 4, 9]
    assert HERE not in {maker for _, maker in made}


@pytest.mark.parametrize("unsendable", [True, False], ids=["does not pickle", "fails there"])
def test_what_cannot_be_made_there_is_made_here(unsendable: bool) -> None:
    """From the first item that the other process cannot make or send, this one makes them."""

    def make(first: int) -> Iterator[object]:
        for number in range(first, 4):
            if number == 2 and os.getpid() != HERE:
                if not unsendable:
                    raise ValueError("only there")
                yield threading.Lock()
            yield number

    assert list(made_apart(make, ahead=unsendable)) == [0, 1, 2, 3]


def test_a_refusal_is_raised_here_as_it_is() -> None:
    """Whoever asked sees the very exception, with its own attributes, after the items before it."""

    class OwnError(Exception):
        def __init__(self, one: int, two: int) -> None:
            super().__init__(f"{one} and {two}")
            self.two = two

    def make(first: int) -> Iterator[int]:
        yield from range(first, 2)
        raise OwnError(1, 2)

    got = []
    with pytest.raises(OwnError, match="1 and 2") as raised:
        got.extend(made_apart(make))
    assert raised.value.two == 2


@pytest.mark.parametrize("ahead", [False, True])
def test_a_process_that_is_killed_is_told_in_words(ahead: bool) -> None:
    """Short of memory, the system kills without a word: the person is told that nothing was written."""

    def make(first: int) -> Iterator[int]:
        yield first
        assert os.getpid() != HERE, "only the other process is killed"
        os.kill(os.getpid(), signal.SIGKILL)

    made = made_apart(make, ahead=ahead)
    assert next(made) == 0
    with pytest.raises(ProcessEndedError, match=r"short of memory.*Nothing was written"):
        next(made)


def test_an_item_that_breaks_off_is_told_in_the_same_words() -> None:
    """Killed while it sends, a process leaves the beginning of an item, which is an error of its own kind."""
    reader, writer = multiprocessing.Pipe(duplex=False)
    os.write(writer.fileno(), struct.pack("!i", 1000) + bytes(10))
    writer.close()
    ended: Any = SimpleNamespace(join=lambda: None, exitcode=-signal.SIGKILL)

    with reader, pytest.raises(ProcessEndedError, match="short of memory"):
        _received(reader.recv_bytes, ended)


def test_an_interrupt_at_the_keyboard_does_not_reach_the_other_process() -> None:
    """It is sent to both; the other one would print where it was, and this one ends it anyway."""

    def make(_first: int) -> Iterator[bool]:
        assert os.getpid() != HERE, "only the other process is interrupted"
        os.kill(os.getpid(), signal.SIGINT)
        yield signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())

    assert list(made_apart(make)) == [True]
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())


@pytest.mark.parametrize("ahead", [False, True])
def test_what_is_not_wanted_any_more_is_ended(ahead: bool) -> None:
    """An act that fails leaves no process behind that works on, or waits to be read."""

    def make(first: int) -> Iterator[bytes]:
        while True:
            yield bytes(200_000 + first)

    before = multiprocessing.active_children()
    made = made_apart(make, ahead=ahead)
    assert next(made)
    made.close()

    assert multiprocessing.active_children() == before


def test_few_rows_and_threads_are_left_to_one_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """A forked process would inherit locks that another thread of a server holds."""
    monkeypatch.setattr(apart, "LARGE", 10)
    monkeypatch.setattr(apart.os, "sched_getaffinity", lambda _: {0, 1})
    monkeypatch.setattr(apart.sys, "platform", "linux")
    main = threading.current_thread()
    monkeypatch.setattr(apart.threading, "main_thread", lambda: main)
    found: list[int] = []
    thread = threading.Thread(target=lambda: found.append(processes_for(10)))
    thread.start()
    thread.join()

    assert (processes_for(9), processes_for(10), found) == (1, 2, [1])
    monkeypatch.setattr(apart.sys, "platform", "darwin")
    assert processes_for(10) == 1


def test_collections_are_as_before_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was set for the whole program is set back, and a thread of a server sets nothing."""
    main = threading.current_thread()
    monkeypatch.setattr(apart.threading, "main_thread", lambda: main)
    before = gc.get_threshold()
    within: list[tuple[int, int, int]] = []

    def look() -> None:
        with few_collections():
            within.append(gc.get_threshold())

    look()
    thread = threading.Thread(target=look)
    thread.start()
    thread.join()

    assert within[0][0] > before[0]
    assert within[1] == gc.get_threshold() == before
