"""Small sheets and maps that the tests of this room share; makers and products are invented."""

from __future__ import annotations

import gzip
from pathlib import Path

from tests.databases import BEGUN_BY
from tracker.book import Book
from tracker.desk.importing import Imported, Plan, carry_out, plan_import, read_map
from tracker.plugins import Plugged

MAP = """
[specimen]
material = "material"
orientation = "orientation"
plate = ["material", "orientation", "session"]
note = "note"

[factors]
printer = "printer"
layer_height_mm = "layer"

[readings.tensile]
max_force = { column = "force", unit = "N" }
area = { column = "area", unit = "mm^2", u = "exact" }
curve = { column = "curve", file = true }
"""

HEADER = "material,orientation,session,printer,layer,force,area,note,curve"
ROWS = (
    "Quarzit ASA,XY,1,left,0.2,1000,25,,",
    "Quarzit ASA,XY,1,left,0.2,1100,25,odd sound,",
    "Quarzit ASA,Z,1,right,0.16,500,,,pull.csv",
)
CURVE = "time_ms,force_N\n0,0\n10,250\n20,497.5\n30,3\n"


def write_sheet(folder: Path, *rows: str, header: str = HEADER, curve: str = CURVE) -> Path:
    """Write a sheet and, packed beside it, its one recording; return the sheet's path."""
    sheet = folder / "old.csv"
    sheet.write_text("\n".join((header, *rows, "")), encoding="utf-8")
    (folder / "pull.csv").write_bytes(gzip.compress(curve.encode(), mtime=0))
    return sheet


def plan_of(book: Book, plugged: Plugged, folder: Path, *rows: str, columns: str = MAP, **how: str) -> Plan:
    """Plan the import of some rows, by default the three above."""
    sheet = write_sheet(folder, *(rows or ROWS), **how)
    return plan_import(book, plugged, sheet, read_map(columns.encode()))


def bring_in(book: Book, plugged: Plugged, folder: Path, *rows: str, columns: str = MAP) -> Imported:
    """Plan and carry out."""
    return carry_out(book, plan_of(book, plugged, folder, *rows, columns=columns), BEGUN_BY)
