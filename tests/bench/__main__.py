"""``python -m tests.bench [NAME…]``: every speed beside its floor, in one table."""

from __future__ import annotations

import importlib
import os
import pkgutil
import re
import sys
import traceback
from collections.abc import Iterator
from typing import Final

import tests.bench as room
from tests.bench._row import Row

_GOAL: Final = re.compile(r"(?P<way>≤|<=|≥|>=)\s*(?P<bound>[\d.]+)\s*(?:×|x\b|(?P<unit>[^\s\d×]*))")
_WIDTHS: Final = (60, 16, 16, 7, 9, 4)


def modules(wanted: list[str]) -> Iterator[str]:
    """Yield the names of the modules that are asked for, or all; a trailing underscore may be left out."""
    there = [found.name for found in pkgutil.iter_modules(room.__path__) if not found.name.startswith("_")]
    unknown = [name for name in wanted if name not in {*there, *(name.rstrip("_") for name in there)}]
    if unknown:
        sys.exit(f"No such bench: {', '.join(unknown)}. There are {', '.join(n.rstrip('_') for n in there)}")
    yield from (name for name in there if not wanted or name in wanted or name.rstrip("_") in wanted)


def met(row: Row) -> str:
    """Say whether a row keeps its goal: a bound on the ratio, or, with a unit, on our own figure."""
    match = _GOAL.search(row.goal)
    if match is None:
        return ""
    figure = row.ours if match["unit"] else row.ratio
    bound = float(match["bound"])
    return "yes" if (figure <= bound if match["way"] in ("≤", "<=") else figure >= bound) else "NO"


def line(*cells: str) -> str:
    """Return one line of the table; the first column to the left, the others to the right."""
    first, *others = zip(cells, _WIDTHS, strict=False)
    return "  ".join([first[0].ljust(first[1]), *(cell.rjust(width) for cell, width in others)]).rstrip()


def shown(row: Row) -> str:
    """Return a row as it is printed, its note on a line of its own."""
    figures = (f"{figure:,.4g} {row.unit}" for figure in (row.ours, row.floor))
    text = line(row.work, *figures, f"{row.ratio:.2f}", row.goal, met(row))
    return f"{text}\n    {row.note}" if row.note else text


def main(wanted: list[str]) -> int:
    """Run what is asked for and print each row as it comes; 1 where a bench ended with an error."""
    if os.environ.get("PYTHONDONTWRITEBYTECODE"):
        print("PYTHONDONTWRITEBYTECODE is set: every start would compile anew, and count", file=sys.stderr)
    print(line("work", "ours", "floor", "ratio", "goal", "met"))
    failed = 0
    for name in modules(wanted):
        module = importlib.import_module(f"{room.__name__}.{name}")
        if not hasattr(module, "rows"):
            continue
        try:
            for row in module.rows():
                print(shown(row), flush=True)
        except Exception:  # noqa: BLE001 - the other benches still have something to say
            failed = 1
            print(f"{name} ended with an error", file=sys.stderr)
            traceback.print_exc()
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
