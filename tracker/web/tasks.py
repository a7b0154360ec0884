"""Heavy questions: worked on beside the page, two at a time, with progress.

A page waits a moment for the answer, and else shows how far it is and looks again.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures import TimeoutError as StillWorkingError
from dataclasses import dataclass, field
from multiprocessing import get_context
from typing import Any, Final, TypeVar

from tracker.book import Book, open_book
from tracker.browse import count_results
from tracker.plugins import Plugged, load
from tracker.progress import Progress

T = TypeVar("T")

AT_ONCE: Final = 2
"""Heavy questions that are worked on at once: more would leave no processor for the bench."""

WAIT_S: Final = 1.5
"""A page waits so long for an answer before it shows how far it is."""

_KEPT: Final = 48
_LOOK_S: Final = 2.0


@dataclass
class Task:
    """A question that is worked on.

    Attributes:
        future: Gives the answer, or raises why there is none.
        stage: What is being done, in words.
        done: How much of it.
        total: How much it is; 0 where not known.
    """

    future: Future[Any] = field(default_factory=Future)
    stage: str = "waiting"
    done: int = 0
    total: int = 0

    def progress(self, stage: str, done: int, total: int) -> None:
        """Note how far it is."""
        self.stage, self.done, self.total = stage, done, total

    def ready(self, wait_s: float | None = None) -> bool:
        """Return whether there is an answer or a refusal, waited for a moment: ``WAIT_S`` where not said."""
        try:
            self.future.exception(timeout=WAIT_S if wait_s is None else wait_s)
        except StillWorkingError:
            return False
        return True

    def answer(self) -> Any:
        """Return the answer.

        Raises:
            Exception: Whatever the question ended in.
        """
        return self.future.result(timeout=0)


class Tasks:
    """The questions that are worked on, and the answers to the last ones, by what they were asked of."""

    def __init__(self) -> None:
        self._places = threading.BoundedSemaphore(AT_ONCE)
        self._tasks: OrderedDict[Hashable, Task] = OrderedDict()
        self._lock = threading.Lock()

    def ask(self, key: Hashable, make: Callable[[Progress], Any]) -> Task:
        """Return the task of a question: begun now, or the one that was begun before.

        Args:
            key: What is asked, with the state of the book it is asked of.
            make: Answers it, and says how far it is.
        """
        with self._lock:
            task = self._tasks.get(key)
            if task is None:
                task = Task()
                self._tasks[key] = task
                # A daemon: whoever ends the page does not wait for an answer that nobody will read.
                threading.Thread(target=self._work, args=(task, make), daemon=True).start()
                self._forget()
            self._tasks.move_to_end(key)
            return task

    def renew(self, key: Hashable, make: Callable[[Progress], Any]) -> Task:
        """Ask again what was answered before; what is still at work goes on."""
        with self._lock:
            task = self._tasks.get(key)
            if task is not None and task.future.done():
                del self._tasks[key]
        return self.ask(key, make)

    def find(self, key: Hashable) -> Task | None:
        """Return the task of a question that was asked; None where it was not, or is forgotten."""
        with self._lock:
            return self._tasks.get(key)

    def _work(self, task: Task, make: Callable[[Progress], Any]) -> None:
        with self._places:
            task.stage = "at work"
            try:
                task.future.set_result(make(task.progress))
            except BaseException as error:  # noqa: BLE001 - whatever it ends in is told to whoever asked
                task.future.set_exception(error)

    def _forget(self) -> None:
        over = max(0, len(self._tasks) - _KEPT)
        for key in [key for key, task in self._tasks.items() if task.future.done()][:over]:
            del self._tasks[key]


LARGE: Final = 20_000
"""Results of a book from which on questions about all of them are answered in a process of their own."""


def of_book(book: Book, plugged: Plugged, answer: Callable[..., T], *asked: Any) -> T:
    """Return ``answer(book, plugged, *asked)``, of a large book from a process of its own.

    A question about all results takes minutes there, and memory that this process would never give back:
    beside it every page would be slow. Of a small book it would take longer to begin than to answer.

    Args:
        book: To be read.
        plugged: The methods.
        answer: A function of a module; what it returns can be pickled.
        asked: Its further arguments.
    """
    if count_results(book) < LARGE:
        return answer(book, plugged, *asked)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_behind_all) as apart:
        return apart.submit(_answered, book.place, answer, *asked).result()


def _behind_all() -> None:
    """Let whoever measures go first, and end with the page: nobody reads an answer that comes later."""
    with contextlib.suppress(AttributeError, OSError):
        os.nice(10)
    threading.Thread(target=_end_with, args=(os.getppid(),), daemon=True).start()


def _end_with(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(_LOOK_S)
    os._exit(1)


def _answered(place: str, answer: Callable[..., T], *asked: Any) -> T:
    with open_book(place) as book:
        return answer(book, load(), *asked)
