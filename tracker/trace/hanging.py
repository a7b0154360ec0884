"""What hangs on a spool, a drying or a rig: the same way, looked at from its far end."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tracker.ids import Ident, job_id, measurement_id
from tracker.trace import questions as ask
from tracker.trace.reading import Reader, Row
from tracker.trace.walk import Path, spool_path


def from_spool(reader: Reader, ident: Ident) -> Path | None:
    """Return a spool with all its stays and dryings and the jobs it was in; None where there is none."""
    found = reader.one(ask.ONE_SPOOL, spool=ident.number)
    if found is None:
        return None
    path = Path(ident, material=found["material"])
    path.spools = [spool_path(reader, {**found, "used": {}}, None)]
    path.hangs = list(_jobs(reader, found["spool"]))
    return path


def from_drying(reader: Reader, ident: Ident) -> Path | None:
    """Return a drying with its spools and the jobs printed from them after it; None where there is none."""
    found = reader.ask(ask.DRIED, drying=ident.number)
    if not found:
        return None
    drying = found[0]["drying"]
    path = Path(ident, drying=drying)
    for parts in found:
        if "spool" in parts:
            path.spools.append(spool_path(reader, {**parts, "used": {}}, None))
            path.hangs += _jobs(reader, parts["spool"], drying)
    if path.spools:
        path.material = path.spools[0].material
    return path


def from_rig(reader: Reader, ident: Ident) -> Path | None:
    """Return a rig with its calibrations and what was measured under each; None where there is none."""
    found = reader.ask(ask.CALIBRATED, rig=ident.number)
    if not found:
        return None
    path = Path(ident, rig=found[0]["rig"])
    path.calibrations = [parts["calibration"] for parts in found if "calibration" in parts]
    days = {row["id"]: str(row["done_on"]) for row in path.calibrations}
    for parts in reader.ask(ask.TAKEN_WITH, rig=ident.number):
        use = parts["use"]
        path.hangs.append(
            {
                "measurements": use["measurements"],
                "calibration": days.get(use["calibration_id"]),
                "first": measurement_id(use["first"]),
                "last": measurement_id(use["last"]),
            }
        )
    return path


def _jobs(reader: Reader, spool: Row, after: Row | None = None) -> Iterator[dict[str, Any]]:
    """Yield the jobs a spool was in; with a drying, those alone that may have been printed after it."""
    for parts in reader.ask(ask.PRINTED_FROM, spool=spool["id"]):
        job = parts["job"]
        # A print whose time nobody recorded may have come after: it stays in sight.
        if after is None or job["started_at"] is None or job["started_at"] >= after["began_at"]:
            yield {**job, "id": job_id(job["id"])}
