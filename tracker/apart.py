"""What one process makes and another one uses, so that both processors of a computer have something to do.

The other process is forked: plugins, bindings and plans come along as they are, and nothing of them is sent.
It must leave alone what the two share: connections to a book above all.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Final, TypeVar

from tracker.errors import Refused

T = TypeVar("T")

_FAILED: Final = b"failed"
_DONE: Final = b"done"
"""Beside what is sent; a pickled item never begins with a letter."""

LARGE: Final = 3000
"""From so many rows on several processes work on them; to begin one takes as long as some hundred rows."""

_MOST: Final = 4
_SELDOM: Final = (50_000, 10, 1000)
"""New objects between two collections of garbage where hundreds of thousands are made, and how seldom older
ones are looked at again; see gc.set_threshold."""


class ProcessEndedError(Refused):
    """A process that helped was ended from outside."""


def processes_for(rows: int) -> int:
    """Return by how many processes so many rows may be worked on; one where none can be forked safely."""
    # A thread of a server shares its process with others, whose locks a forked process would find locked for
    # ever. macOS and Windows have no fork that is safe, or none.
    if sys.platform != "linux" or threading.current_thread() is not threading.main_thread() or rows < LARGE:
        return 1
    return min(len(os.sched_getaffinity(0)), _MOST)


@contextmanager
def few_collections() -> Iterator[None]:
    """Look for garbage less often: with hundreds of thousands of new objects that takes noticeable time."""
    before = gc.get_threshold()
    # The threads of a server share what is set here, and none of them could set it back rightly.
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    gc.set_threshold(*_SELDOM)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def made_apart(make: Callable[[int], Iterator[T]], *, ahead: bool = False) -> Generator[T, None, None]:
    """Yield what another process makes, while this one uses what came before.

    Args:
        make: Returns what is to be made, from the item of a number on, counted from 0. Items must pickle.
        ahead: Whether a thread takes in the next item while one is used: where some take long to make and
            others long to use, the two processes would else wait for each other in turn. No process is to be
            begun meanwhile.

    What cannot be made there, for whatever reason, is made here, so that its refusal is the same.

    Raises:
        ProcessEndedError: The other process was ended from outside.
    """
    context = multiprocessing.get_context("fork")
    reader, writer = context.Pipe(duplex=False)
    process = context.Process(target=_make, args=(make, reader, writer), daemon=True)
    # Interrupted at the keyboard, the one that asked ends the other, which is never interrupted itself.
    interrupted = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        process.start()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, interrupted)
    writer.close()
    taking = ThreadPoolExecutor(1) if ahead else None

    def take() -> Callable[[], bytes]:
        return reader.recv_bytes if taking is None else taking.submit(reader.recv_bytes).result

    came, coming = 0, take()
    try:
        while (sent := _received(coming, process)) != _DONE:
            if sent == _FAILED:
                yield from make(came)
                return
            came, coming = came + 1, take()
            # Written by our own process a moment ago.
            yield pickle.loads(sent)  # noqa: S301
    finally:
        # Nothing is lost with it: it only makes, and keeps nothing.
        process.kill()
        process.join()
        if taking is not None:
            taking.shutdown()
        reader.close()


def _received(coming: Callable[[], bytes], process: BaseProcess) -> bytes:
    try:
        return coming()
    # An end of file, or an error where it comes within an item.
    except (EOFError, OSError) as error:
        process.join()
        raise ProcessEndedError(
            "A process that helped was ended before it was done",
            why="perhaps this computer is short of memory" if process.exitcode == -signal.SIGKILL else "",
            do="Nothing was written. Close other programs and repeat the command",
        ) from error


def _make(make: Callable[[int], Iterator[T]], reader: Connection, writer: Connection) -> None:
    reader.close()
    # What was there stays shared with the other process, as long as no collection touches it.
    gc.freeze()
    gc.set_threshold(*_SELDOM)
    # Without its reader there is nobody to make anything for.
    with suppress(BrokenPipeError):
        try:
            for item in make(0):
                writer.send_bytes(pickle.dumps(item, 5))
        except BrokenPipeError:
            raise
        except BaseException:  # noqa: BLE001 - it is made again where it can be raised
            writer.send_bytes(_FAILED)
        else:
            writer.send_bytes(_DONE)
