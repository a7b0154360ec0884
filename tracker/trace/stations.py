"""The way back in words: one station after another, each with what stands beside it.

Both the screen and the picture show these stations, so neither can say what the other does not.
"""

from __future__ import annotations

from collections.abc import Iterator

from tracker.trace.printed import Printed
from tracker.trace.station import Station
from tracker.trace.tested import Tested
from tracker.trace.walk import Path
from tracker.trace.way import Way


def stations(way: Way) -> list[Station]:
    """Return the stations of a way, from the number to the material."""
    tested, printed, path = Tested(way), Printed(way), way.path
    if path.rig is not None:
        return [tested.uses(path.hangs), tested.rig_alone(path.rig, path.calibrations)]
    found = [*_testing(tested, way), *_printing(printed, path)] or [printed.jobs(path.hangs)]
    return [*found, *printed.spools(path), printed.material(path.material)]


def _testing(say: Tested, way: Way) -> Iterator[Station]:
    """Yield the number, and the measurement it comes from or all there are."""
    if way.number is not None:
        yield say.number(way.number)
    if way.chosen is not None:
        yield say.measurement(way.chosen)
    elif way.path.measured:
        yield say.measurements(way.path.measured)
    elif way.path.specimen is not None:
        yield Station("measured", "not yet", known=False, link="to be taken on")


def _printing(say: Printed, path: Path) -> Iterator[Station]:
    """Yield the specimen, or those of a job, and the job."""
    if path.specimen is not None:
        yield say.specimen(path, path.specimen)
    elif path.pieces:
        yield say.pieces(path.pieces)
    if path.job is not None:
        yield say.job(path, path.job)
