"""Running tests on a copy of the tree, each time in a process of its own that has the libraries loaded."""

from __future__ import annotations

import contextlib
import importlib
import json
import marshal
import os
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, partial
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from tests.mutants.swapping import Swaps, swap

_LIBRARIES: Final = (
    "pytest", "hypothesis", "numpy", "scipy.stats", "scipy.optimize", "scipy.interpolate", "scipy.signal",
    "sqlalchemy.orm", "alembic.command", "pydantic", "uncertainties", "PIL.Image", "qrcode", "zxingcpp",
    "click.testing", "rich.console", "matplotlib.figure", "jinja2", "psycopg", "coverage", "cv2",
    "statsmodels.api",
)  # fmt: skip
_ROOTS: Final = ("", "plugins", "labels", "demo_db")
_SLOWEST_S: Final = 3.0
"""Tests slower than this are not run against changes."""

_MOST_S: Final = 20.0
"""How much processor time the tests of one change may take."""

_ENDLESS_S: Final = 60
"""Processor time after which tests that a change has sent into a loop are ended."""


@dataclass(frozen=True)
class Reached:
    """Which tests reach which lines.

    Attributes:
        seconds: How long each test took.
        lines: Tests by file and line; a test's place in ``names``.
        names: Names of tests, as pytest takes them.
    """

    seconds: dict[str, float]
    lines: dict[str, dict[str, list[int]]]
    names: list[str]

    @classmethod
    def of(cls, tests: Iterable[Mapping[str, Any]]) -> Reached:
        """Put together what :func:`reach` told of each file of tests."""
        seconds: dict[str, float] = {}
        lines: dict[str, dict[str, list[int]]] = {}
        for name, told in (each for of_file in tests for each in of_file.items()):
            for file, reached in told["lines"].items():
                for line in reached:
                    numbers = lines.setdefault(file, {}).setdefault(str(line), [])
                    numbers += [len(seconds)] if name else []
            if name:
                seconds[name] = told["seconds"]
        return cls(seconds, lines, list(seconds))

    def tests_of(self, file: str, line: int) -> list[str]:
        """Return the tests that reach a line, then the others of its file, as far as there is time for them.

        By turns the quickest and the one that reaches least else: a test of one rule may be slower than a
        hundred that pass by. The others because what a cache or a fixture of the session keeps is reached by
        the first test alone that asks for it.

        Where only imports run it (a constant, a table): first those that reach no line at all, for they look
        at what imports made, then those of its file that reach little else. The quickest of all that come
        through the file seldom look at the constant.
        """
        of_file = self.lines.get(file, {})
        numbers = set(of_file.get(str(line), ()))
        if not numbers:
            # A statement over several lines is counted by its first.
            first = next((n for n in range(line, max(line - 12, 0), -1) if str(n) in of_file), None)
            numbers = set(of_file.get(str(first), ())) if first is not None else set()
        if not numbers:
            here = Counter(number for each in of_file.values() for number in each)
            shares = {self.names[number]: count / self._reach[number] for number, count in here.items()}
            shares |= {
                name: 1.0 for number, name in enumerate(self.names) if here and not self._reach[number]
            }
            return self._affordable(sorted(shares, key=lambda name: (-shares[name], self.seconds[name])))
        others = {number for each in of_file.values() for number in each} - numbers
        return self._affordable([*self._by_turns(numbers), *self._by_turns(others)])

    def _by_turns(self, numbers: Iterable[int]) -> list[str]:
        quickest = sorted(numbers, key=lambda n: self.seconds[self.names[n]])
        closest = sorted(quickest, key=self._reach.__getitem__)
        return list(
            dict.fromkeys(self.names[n] for pair in zip(quickest, closest, strict=True) for n in pair)
        )

    def _affordable(self, names: Iterable[str]) -> list[str]:
        taken, total = [], 0.0
        for name in names:
            if self.seconds[name] > _SLOWEST_S:
                continue
            total += self.seconds[name]
            if total > _MOST_S:
                break
            taken.append(name)
        return taken

    @cached_property
    def _reach(self) -> Counter[int]:
        """How many lines each test reaches in all."""
        return Counter(n for of_file in self.lines.values() for each in of_file.values() for n in each)


def preload() -> None:
    """Load the libraries once; nothing of the program itself, which every process loads from its copy."""
    for name in _LIBRARIES:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)


def reach(copy: Path, sources: Sequence[str], tests: Sequence[str]) -> dict[str, Any]:
    """Run files of tests once on SQLite, and return by file and test what :meth:`Reached.of` takes.

    Lines that importing alone runs stand with a test without a name.
    """
    there = [test for test in tests if (copy / test).exists()]
    parts = [part for part in (there[0::2], there[1::2]) if part]
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor() as both:
        outs = [Path(folder) / f"{number}.json" for number in range(len(parts))]
        watching = [
            partial(_in_child, partial(_watch, copy, sources, part, out), copy, 1500)
            for part, out in zip(parts, outs, strict=True)
        ]
        for code in both.map(lambda child: child(), watching):
            if code not in (0, 1):
                raise SystemExit(f"the tests of the room could not be run: {code}")
        found: dict[str, Any] = {}
        for out in outs:
            found |= json.loads(out.read_text("utf-8"))
    return found


def _takes_long(item: Any) -> bool:
    """Say whether a test is run in a real browser, or on a server where it is run on SQLite too."""
    call = getattr(item, "callspec", None)
    on_server = call is not None and "postgresql" in call.params.values()
    return on_server or "chromium" in item.fixturenames


def _watch(copy: Path, sources: Sequence[str], tests: Sequence[str], out: Path) -> int:
    import coverage  # noqa: PLC0415 - loaded by now
    import pytest  # noqa: PLC0415 - loaded by now

    watched = coverage.Coverage(
        data_file=None,
        include=[f"{copy / source}{'' if source.endswith('.py') else '/*'}" for source in sources],
    )
    seconds: dict[str, float] = {}
    passed: set[str] = set()

    class Watching:
        """Tells coverage which test is under way, and notes how long it takes."""

        def pytest_collection_modifyitems(self, items: list[Any]) -> None:
            items[:] = [item for item in items if not _takes_long(item)]

        @pytest.hookimpl(wrapper=True)
        def pytest_runtest_protocol(self, item: Any) -> Any:
            watched.switch_context(item.nodeid)
            began = _processor_s()
            done = yield
            seconds[item.nodeid] = _processor_s() - began
            watched.switch_context("")
            return done

        def pytest_runtest_logreport(self, report: Any) -> None:
            if report.when == "call" and report.passed:
                passed.add(report.nodeid)

    watched.start()
    options = [option for option in _OPTIONS if option != "-x"]
    code = int(pytest.main([*options, *tests], plugins=[Watching()]))
    watched.stop()
    data = watched.get_data()
    found: dict[str, dict[str, Any]] = {test: {"": {"lines": {}}} for test in tests}
    for name in sorted(passed):
        found[name.partition("::")[0]][name] = {"seconds": seconds[name], "lines": {}}
    for file in data.measured_files():
        short = Path(file).relative_to(copy).as_posix()
        for line, names in data.contexts_by_lineno(file).items():
            for name in passed.intersection(names):
                found[name.partition("::")[0]][name]["lines"].setdefault(short, []).append(line)
            if names == [""]:
                found[tests[0]][""]["lines"].setdefault(short, []).append(line)
    out.write_text(json.dumps(found), "utf-8")
    return code


_OPTIONS: Final = (
    "-n", "0", "-q", "-x", "-p", "no:cacheprovider", "--tb=no", "--no-header", "--assert=plain",
    "--hypothesis-seed=0",
)  # fmt: skip


def run(copy: Path, tests: list[str]) -> tuple[str, int]:
    """Run tests until one fails, everything loaded again from the copy.

    Returns:
        ``noticed``, ``endless`` (which is noticed too: a loop without an end), ``survived``, ``unreached``;
        ``untold`` where pytest did not come to run them; and how many tests there were.
    """
    return _verdict(_in_child(lambda: _pytest(tests), copy, 600, _ENDLESS_S), tests) if tests else _UNREACHED


_UNREACHED: Final = ("unreached", 0)


class _Collecting:
    """Tells a name that pytest does not find from a module that a change keeps from being loaded.

    Both end with the same code; so does a ``conftest.py`` that cannot be loaded, before any collecting.
    """

    began = failed = False

    def pytest_collection(self) -> None:
        self.began = True

    def pytest_collectreport(self, report: Any) -> None:
        self.failed |= report.failed


_USAGE: Final = 4
_NO_TESTS: Final = 5
"""pytest's codes for names that it does not find, and for no test left to run."""

_UNTOLD: Final = 75


def _pytest(arguments: Sequence[str]) -> int:
    import pytest  # noqa: PLC0415 - loaded by now

    seen = _Collecting()
    code = int(pytest.main([*_OPTIONS, *arguments], plugins=[seen]))
    return _UNTOLD if code in (_USAGE, _NO_TESTS) and seen.began and not seen.failed else code


def _verdict(code: int | None, tests: list[str]) -> tuple[str, int]:
    if code is None or code < 0:
        return "endless", len(tests)
    return {0: "survived", _UNTOLD: "untold"}.get(code, "noticed"), len(tests)


class Loaded:
    """A process that has loaded the room's tests, and with them the program, from the copy.

    Each run is forked from it, with the code of a function changed: loading takes longer than most tests.
    """

    def __init__(self, copy: Path, tests: Sequence[str]) -> None:
        self._copy = copy
        self._here, there = Pipe()
        self._process = os.fork()
        if self._process == 0:
            self._here.close()
            try:
                self._serve(there, [test for test in tests if (copy / test).exists()])
            finally:
                os._exit(0)
        there.close()

    def run(self, tests: list[str], swaps: Swaps) -> tuple[str, int]:
        """Run tests until one fails, with changed functions; returns what `run` does."""
        if not tests:
            return _UNREACHED
        self._here.send_bytes(marshal.dumps((tests, swaps)))
        code: int | None = self._here.recv()
        return _verdict(code, tests)

    def close(self) -> None:
        """End the process."""
        self._here.close()
        os.waitpid(self._process, 0)

    def _serve(self, there: Connection, tests: list[str]) -> None:
        _look_at(self._copy)
        _pytest(["--collect-only", *tests])
        with contextlib.suppress(EOFError):
            while True:
                names, swaps = marshal.loads(there.recv_bytes())  # noqa: S302 - from the process that forked this
                there.send(_in_child(partial(_swapped, names, swaps), None, 600, _ENDLESS_S))


def _swapped(tests: list[str], swaps: Swaps) -> int:
    swap(swaps)
    return _pytest(tests)


def _processor_s() -> float:
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def _in_child(work: Callable[[], int], copy: Path | None, limit_s: float, processor_s: int = 0) -> int | None:
    """Do something in a forked process that sees the copy in place of the checkout; None after the limit."""
    child = os.fork()
    if child == 0:
        code = 70
        try:
            os.setsid()
            if processor_s:
                resource.setrlimit(resource.RLIMIT_CPU, (processor_s, processor_s))
            if copy is not None:
                _look_at(copy)
            code = work()
        except BaseException as error:  # noqa: BLE001 - whatever a change does, it must not go on as the parent
            print(f"{type(error).__name__}: {error}", file=sys.__stderr__, flush=True)
        finally:
            os._exit(code)
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def _look_at(copy: Path) -> None:
    here = Path(__file__).resolve().parents[2]
    ours = {str(here / root) if root else str(here) for root in _ROOTS} | {"", "."}
    roots = [str(copy / root) if root else str(copy) for root in _ROOTS]
    sys.path[:] = roots + [path for path in sys.path if path not in ours]
    for name in [name for name in sys.modules if name == "tests" or name.startswith("tests.")]:
        del sys.modules[name]
    os.environ["PYTHONPATH"] = os.pathsep.join(roots)
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    sys.dont_write_bytecode = True
    os.chdir(copy)
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
