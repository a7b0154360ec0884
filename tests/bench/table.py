"""Speed of the summary over many results, and of a measurement from a long recording to its results."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Final

import numpy as np

from tests.bench._largebook import FOLDER, large_book
from tests.bench._row import Row
from tracker.book import BOOK_FILE, open_book
from tracker.table import as_lines, summary_table

_RESULTS: Final = 100_000
_ROUNDS: Final = 7
_OURS: Final = (
    sys.executable, "-c", "import sys; sys.argv[0] = 'strandbook'; from tracker.cli import main; main()",
)  # fmt: skip
_ROWS_BEHIND: Final = """
SELECT r.id, r.measurement_id, r.quantity, r.value, r.unit, r.relation, r.counted, m.at, m.specimen_id,
       s.job_id, s.orientation, s.remark, s.geometry
FROM result r JOIN measurement m ON m.id = r.measurement_id LEFT JOIN specimen s ON s.id = m.specimen_id
ORDER BY r.id
"""
_SETTINGS: Final = (
    "mat.name, j.nozzle_set_c, j.bed_set_c, j.chamber_set_c, j.chamber_measured_c, j.fan_set_pct, "
    'j.layer_height_mm, j.line_width_mm, j.printer, r.quantity, s.orientation, r.unit, r."group"'
)
SAME_ROWS: Final = f"""
SELECT {_SETTINGS}, count(*), avg(r.value), sum((r.value - 48) * (r.value - 48)), max(m.at)
FROM result r JOIN measurement m ON m.id = r.measurement_id JOIN specimen s ON s.id = m.specimen_id
JOIN job j ON j.id = s.job_id LEFT JOIN job_spool u ON u.job_id = j.id AND u.tool = 0
LEFT JOIN spool sp ON sp.id = u.spool_id
LEFT JOIN material mat ON mat.id = coalesce(sp.material_id, j.material_id)
WHERE r.counted AND r.value IS NOT NULL
GROUP BY {_SETTINGS}
"""  # noqa: S608 - our own names


def best(*works: Callable[[], object], rounds: int = _ROUNDS) -> list[float]:
    """Return the least time of each piece of work in s, in alternating rounds after one to warm up."""
    least = [float("inf")] * len(works)
    for turn in range(rounds + 1):
        for place, work in enumerate(works):
            began = time.perf_counter()
            work()
            if turn:
                least[place] = min(least[place], time.perf_counter() - began)
    return least


def _table() -> Iterator[Row]:
    FOLDER.mkdir(exist_ok=True)
    place = large_book(_RESULTS)
    raw = sqlite3.connect(place / BOOK_FILE)
    with open_book(str(place)) as book:
        ours, floor = best(
            lambda: list(as_lines(summary_table(book))), lambda: raw.execute(_ROWS_BEHIND).fetchall()
        )
    raw.close()
    yield Row(
        f"table over {_RESULTS:,} results", ours, floor, "≤ 1 s", note="floor: the same rows by raw sqlite3"
    )


def _measure() -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as kept:
        folder = Path(kept)
        env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        env |= {"STRANDBOOK": str(folder / "book"), "STRANDBOOK_WHO": "bench"}
        _run(env, "init", str(folder / "book"), "--zone", "UTC")
        spool = _run(env, "spool", "add", _run(env, "material", "add", "Nordlicht ASA"))
        _run(env, "job", "add", "--spool", spool, "--piece", "bar:ZXY:1")
        curve = folder / "curve.csv"
        curve.write_text(_recording())
        measured = ("measure", "J0001-01-Z", "tensile", "-y", "width=10", "thickness=4", "gauge_length=50")
        ours, floor = best(
            lambda: _run(env, *measured, "--file", f"curve={curve}"), lambda: _run(env, "methods", "tensile")
        )
    yield Row(
        f"measure from a curve of {_RESULTS:,} rows, whole process, beyond start-up", ours - floor, floor,
        "≤ 0.5 s", note="floor: the same start-up, plugins loaded, nothing measured",
    )  # fmt: skip


def _run(env: Mapping[str, str], *words: str) -> str:
    done = subprocess.run([*_OURS, *words], env=env, check=True, capture_output=True, text=True)
    return done.stdout.splitlines()[-1]


def _recording() -> str:
    x = np.linspace(0, 2, _RESULTS)
    force = 1000 * np.sin(x) + np.random.default_rng(1).normal(0, 0.5, _RESULTS)
    return "extension_mm,force_N\n" + "".join(
        f"{a:.5f},{b:.3f}\n" for a, b in zip(x.tolist(), force.tolist(), strict=True)
    )


def rows() -> list[Row]:
    """Return the rows of this room, making its book first where it is not there."""
    return [*_table(), *_measure()]


if __name__ == "__main__":
    for row in rows():
        print(f"{row.work:70} {row.ours:9.3f} {row.floor:9.3f} {row.ratio:6.2f} {row.goal:>8} {row.note}")
