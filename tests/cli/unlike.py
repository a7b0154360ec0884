"""A book with something to ask, filled through the desk, and the command line on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.cli.bench import Cli
from tests.desk.bench import WHO, a_job, a_material, a_spool
from tracker.book import Book, open_book
from tracker.desk.measuring import measure
from tracker.plugins import Plugged, load

MATERIAL = "Nordlicht ASA"
WARM = {"nozzle_set_c": 255, "chamber_set_c": 60}
COLD = {"nozzle_set_c": 245, "chamber_set_c": 40}
_OVEN = {"force": "0.75", "span": "64", "width": "10", "thickness": "4"}


class Unlike(Cli):
    """Plates of one spool.

    Attributes:
        first: Upright bars, hot nozzle and warm chamber.
        second: Upright bars, cooler and colder; much weaker.
        equal: Upright bars that all gave the same number.
        flat: Flat bars.
        soft: Bars that gave in the oven.
        hard: Bars that never gave, up to 120 °C.
        rough: Pieces with strings.
        clean: Pieces without.
    """

    def __init__(self, place: Path) -> None:
        super().__init__(place)
        with open_book(str(place)) as book:
            self._fill(book, load())

    def _fill(self, book: Book, plugged: Plugged) -> None:
        a_material(book, nozzle_low_c=240, nozzle_high_c=270, chamber_low_c=50, chamber_high_c=70)
        spool = a_spool(book, lot="L-17", supplied="given")

        def plate(method: str, readings: Sequence[Mapping[str, str]], way: str, **settings: object) -> str:
            done = a_job(
                book, f"bar:{way}:{len(readings)}", spools=(spool,), started_at="9 h ago", **settings
            )
            for piece, each in zip(done.also, readings, strict=True):
                measure(book, WHO, plugged, piece, method, each)
            return done.id

        self.first = plate("tensile", _pulls(31.0, 31.6, 30.5, 31.2), "ZXY", **WARM)
        self.second = plate("tensile", _pulls(21.0, 20.4, 21.5, 20.8), "ZXY", **COLD)
        self.equal = plate("tensile", _pulls(25.0, 25.0, 25.0), "ZXY", **WARM)
        self.flat = plate("tensile", _pulls(44.0, 45.0), "XYZ", **WARM)
        self.soft = plate("softening", [{**_OVEN, "onset_c": f"{c}"} for c in (94, 96, 95)], "XYZ", **WARM)
        self.hard = plate("softening", [{**_OVEN, "highest_c": "120"}] * 3, "XYZ", **COLD)
        self.rough = plate("appearance", [{"stringing": grade} for grade in "112"], "XYZ", **WARM)
        self.clean = plate("appearance", [{"stringing": grade} for grade in "443"], "XYZ", **COLD)

    def pieces(self, job: str) -> list[str]:
        """Return the IDs of a job's pieces."""
        return [each["id"] for each in self.json("show", job)["specimens"]]


def _pulls(*strengths: float) -> list[Mapping[str, str]]:
    return [{"max_force": f"{40 * strength}", "area": "40"} for strength in strengths]
