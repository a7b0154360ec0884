"""``python -m tests.mutants ROOM [--sample N] [--seed N] [--seconds N]``: what do the tests notice?"""

from __future__ import annotations

import argparse
import compileall
import hashlib
import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any, Final

from tests.mutants.changes import Change, changes_of, made
from tests.mutants.running import Loaded, Reached, preload, reach, run
from tests.mutants.swapping import swaps_of

ROOT: Final = Path(__file__).resolve().parents[2]
KEPT: Final = ROOT / ".mutants"
ROOMS: Final[Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    "store": (
        ("tracker/acts", "tracker/book", "tracker/backup", "tracker/verify", "tracker/journal.py",
         "tracker/files.py", "tracker/heads.py", "tracker/write_queue.py", "tracker/stored_rows.py"),
        ("tests/store", "tests/ground", "tests/kinds", "tests/records", "tests/cli", "tests/benches"),
    ),
    "desk": (
        ("tracker/desk",),
        ("tests/desk", "tests/kinds", "tests/cli", "tests/web", "tests/records", "tests/programme",
         "tests/trace", "tests/preflight"),
    ),
    "factors": (("tracker/factors",), ("tests/factors", "tests/selection", "tests/comparing")),
    "labels": (("labels/tracker_labels",), ("tests/labels",)),
    "trace": (("tracker/trace", "tracker/lineage"), ("tests/trace", "tests/lineage")),
    "table": (
        ("tracker/table",),
        ("tests/table", "tests/publish", "tests/selection", "tests/cli/test_tabling.py",
         "tests/web/test_pages.py"),
    ),
    "why": (
        ("tracker/why", "tracker/comparing"),
        ("tests/why", "tests/comparing", "tests/table/test_agree_with_why.py", "tests/cli/test_comparing.py",
         "tests/cli/test_answers.py"),
    ),
    "statistics": (("tracker/statistics",), ("tests/statistics",)),
    "exposure": (("tracker/exposure", "tracker/history.py"), ("tests/exposure", "tests/history")),
    "methods": (("plugins/tracker_methods", "tracker/api"), ("tests/methods", "tests/api")),
    "platefile": (
        ("tracker/platefile", "tracker/platetext", "tracker/platemap.py"),
        ("tests/platefile", "tests/platetext", "tests/desk/test_platemaps.py", "tests/desk/test_plates.py",
         "tests/desk/test_gauges.py"),
    ),
}  # fmt: skip
"""What a room is, and which tests are tried: its own, and of other rooms those that go most through it."""


def main() -> int:
    """Run a sample of one room's changes and print a line for each that no test noticed."""
    asked = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    asked.add_argument("room", choices=ROOMS)
    asked.add_argument("--sample", type=int, default=40, help="changes to try (40)")
    asked.add_argument("--seed", type=int, default=17, help="of the drawing (17)")
    asked.add_argument("--seconds", type=float, default=280, help="try for this long; another run goes on")
    wanted = asked.parse_args()
    KEPT.mkdir(exist_ok=True)
    preload()
    sources, tests = ROOMS[wanted.room]
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copy = Path(folder) / "tree"
        _copy_tree(copy)
        reached = _reached(wanted.room, copy, sources, tests)
        drawn = _drawn(copy, sources, wanted)
        # Counted from here: which lines the tests reach is seen once, and is kept.
        until = time.monotonic() + wanted.seconds
        done = _go_on(Room(wanted.room, copy, tests, reached), drawn, until)
    return _tell(wanted.room, done, wanted.sample)


def _copy_tree(to: Path) -> None:
    """Copy what git knows; the changes are made there, and never in the checkout."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    for name in listed.stdout.splitlines():
        if (ROOT / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, to / name)
    # Once, for all processes to come; none of them writes what it compiled.
    compileall.compile_dir(to, quiet=2)


def _files(copy: Path, places: tuple[str, ...]) -> list[Path]:
    found = [
        file for place in places for file in (sorted((copy / place).rglob("*.py")) or [copy / place])
    ]  # fmt: skip
    return [file for file in found if file.suffix == ".py" and file.exists()]


def _digest(copy: Path, places: tuple[str, ...]) -> str:
    parts = [hashlib.sha256(file.read_bytes()).hexdigest() for file in _files(copy, places)]
    return hashlib.sha256("".join(parts).encode()).hexdigest()[:16]


def _reached(room: str, copy: Path, sources: tuple[str, ...], tests: tuple[str, ...]) -> Reached:
    """Return which tests reach which lines; kept by file, since it costs one run of all tests."""
    kept = KEPT / f"{room}-{_digest(copy, sources)}"
    kept.mkdir(exist_ok=True)
    files = [file for file in _files(copy, tests) if file.name.startswith("test_")]
    known = {file: kept / f"{_digest(copy, (file.relative_to(copy).as_posix(),))}.json" for file in files}
    stale = [file.relative_to(copy).as_posix() for file in files if not known[file].exists()]
    if stale:
        print(f"{room}: seeing which lines the tests of {len(stale)} files reach", flush=True)
        found = reach(copy, sources, stale)
        for file in files:
            name = file.relative_to(copy).as_posix()
            if name in stale:
                known[file].write_text(json.dumps(found.get(name, {})), "utf-8")
    return Reached.of(json.loads(path.read_text("utf-8")) for path in known.values())


def _drawn(copy: Path, sources: tuple[str, ...], wanted: argparse.Namespace) -> list[Change]:
    """Draw places first, then one operator for each: places that allow many count no more than others."""
    every = [change for file in _files(copy, sources) for change in changes_of(file, copy)]
    places: dict[tuple[str, int, int], list[Change]] = {}
    for change in every:
        places.setdefault((change.file, change.line, change.column), []).append(change)
    chance = random.Random(wanted.seed)
    chosen = chance.sample(sorted(places), min(wanted.sample, len(places)))
    print(
        f"{wanted.room}: {len(every)} changes at {len(places)} places; {len(chosen)} places drawn", flush=True
    )
    return [chance.choice(places[place]) for place in chosen]


@dataclass(frozen=True)
class Room:
    """What a run is about.

    Attributes:
        name: As it was asked for.
        copy: The tree in which changes are made.
        tests: Where its tests are.
        reached: Which of them reach which lines.
    """

    name: str
    copy: Path
    tests: tuple[str, ...]
    reached: Reached

    def tests_of(self, change: Change) -> list[str]:
        """Return the tests that reach the changed line and its file."""
        return self.reached.tests_of(change.file, change.line)


def _go_on(room: Room, drawn: list[Change], until: float) -> list[dict[str, Any]]:
    """Try each change that was not tried before on the same source."""
    kept = KEPT / f"{room.name}.jsonl"
    before = {row["key"]: row for row in _rows(kept)}
    done, left, again = [], [], []
    for change in drawn:
        text = (room.copy / change.file).read_text("utf-8")
        key = f"{hashlib.sha256(text.encode()).hexdigest()[:12]} {change.operator} {change.occurrence}"
        row = before.get(key)
        if row is None:
            left.append((change, key, text))
        elif row["verdict"] in ("survived", "unreached", "untold"):
            again.append((change, key, text))
        else:
            done.append(row)
    # What was never tried comes first: a run that is cut short shall not try the same ones for ever.
    left += again
    if left:
        loaded = Loaded(room.copy, room.tests)
        _hold_without(room, loaded, [change for change, _, _ in left[:3]])
    for change, key, text in left:
        changed = made(change, text) if time.monotonic() < until else None
        if changed is None:
            continue
        verdict, tried = _tried(room, loaded, (change, text, changed))
        row = {"key": key, **vars(change), "verdict": verdict, "tests": tried, "now": _line(changed, text)}
        with kept.open("a", encoding="utf-8") as out:
            out.write(json.dumps(row) + "\n")
        # Where pytest did not find a test by its name, nothing was tried.
        done += [row] if verdict != "untold" else []
        print(f"  {row['verdict']:10} {row['file']}:{row['line']} {row['operator']}", flush=True)
    if left:
        loaded.close()
    return done


def _hold_without(room: Room, loaded: Loaded, changes: list[Change]) -> None:
    """Refuse to go on where tests fail without any change: "noticed" would say nothing."""
    for change in changes:
        verdict, _ = loaded.run(room.tests_of(change)[:20], [])
        if verdict not in ("survived", "unreached"):
            raise SystemExit(f"the tests of {change.file}:{change.line} without any change: {verdict}")


def _tried(room: Room, loaded: Loaded, what: tuple[Change, str, str]) -> tuple[str, int]:
    """Make a change, run its tests, and take it back.

    A function that the tests' modules called while they were loaded was called unchanged: what "survived"
    there may be noticed in a program loaded again, never the other way round.
    """
    change, text, changed = what
    file, tests = room.copy / change.file, room.tests_of(change)
    swaps = swaps_of(text, changed, str(file))
    Path(cache_from_source(str(file))).unlink(missing_ok=True)
    try:
        file.write_text(changed, "utf-8")
        return loaded.run(tests, swaps) if swaps else run(room.copy, tests)
    finally:
        file.write_text(text, "utf-8")


def _rows(kept: Path) -> Iterator[dict[str, Any]]:
    if kept.exists():
        yield from (json.loads(line) for line in kept.read_text("utf-8").splitlines())


def _line(changed: str, text: str) -> list[str]:
    """Return the first lines in which two texts differ."""
    pairs = zip(text.splitlines(), changed.splitlines(), strict=False)
    return next(([old.strip(), new.strip()] for old, new in pairs if old != new), ["", "one line less"])


def _tell(room: str, done: list[dict[str, Any]], sample: int) -> int:
    left = [row for row in done if row["verdict"] in ("survived", "unreached")]
    for row in left:
        print(f"\n{row['verdict']}: {row['file']}:{row['line']} ({row['operator']}, {row['tests']} tests)")
        print(f"  was {row['now'][0]}\n  now {row['now'][1]}")
    noticed = len(done) - len(left)
    share = 100 * noticed / max(len(done), 1)
    print(f"\n{room}: {noticed} of {len(done)} noticed ({share:.0f} %); {sample} were asked for")
    return 0


if __name__ == "__main__":
    sys.exit(main())
