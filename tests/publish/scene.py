"""A bench of two materials to be published: curves, a verdict, a correction, names that try to be markup."""

from __future__ import annotations

from tests.desk.bench import WHO, a_job, a_material, a_pull, a_spool
from tracker.api import Recording
from tracker.book import Book
from tracker.desk.correcting import correct
from tracker.desk.measuring import measure
from tracker.desk.voiding import judge
from tracker.plugins import Plugged

CURVE = Recording("pull.csv", b"extension_mm,force_N\n0,0\n0.1,200\n0.2,380\n0.5,700\n0.8,810\n0.9,790\n")
NASTY = "<script>alert(1)</script> & \"co\" 'x'"


def fill_bench(book: Book, plugged: Plugged) -> None:
    """Fill a book: seven pieces of three jobs pulled, one result set aside, one reading corrected."""
    a_material(book)
    a_material(book, name=NASTY)
    spool = a_spool(book, lot="L-17", note="paid in cash")
    cool = a_job(book, "bar:XYZ:2", "bar:ZXY:2", spools=(spool,), nozzle_set_c=245).also
    hot = a_job(book, "bar:XYZ:2", spools=(spool,), nozzle_set_c=270).also
    for piece, force in zip([*cool, *hot], (1800, 1850, 900, 950, 1900, 1950), strict=True):
        a_pull(book, piece, {"max_force": str(force), "area": "40"})
    other = a_job(book, "bar:XYZ:1", spools=(a_spool(book, NASTY),)).also
    typed = {"area": "40", "gauge_length": "50"}
    measure(book, WHO, plugged, other[0], "tensile", typed, files={"curve": CURVE})
    judge(book, WHO, "M0002-W", counted=False, reason="slipped in the grips", quantity="tensile.strength")
    correct(book, WHO, plugged, "M0003-U", ["area=41"], "read the wrong scale")
