"""The evidence behind one measurement: its recordings as they leave, its JSON, its recipe and its curve.

From the JSON and the recordings alone the numbers can be computed again (see
:mod:`tracker.publish.checking`).
"""

from __future__ import annotations

import dataclasses
import gzip
import hashlib
import math
from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import Any, Final

from tracker.api import Piece, Recording
from tracker.book import Book
from tracker.desk.pieces import piece_of
from tracker.errors import Refused
from tracker.ids import job_id, spool_id
from tracker.lineage import Judged, Measured, SpoolHistory
from tracker.model import Measurement
from tracker.moments import local_time
from tracker.plugins import Plugged
from tracker.publish.drawing import Curve, curves
from tracker.publish.gathering import CAUTIONS, Gathered, slug
from tracker.publish.leaving import without_header, without_tags
from tracker.table.charts import taken
from tracker.trace import Trace, corrections
from tracker.trace.walk import Path
from tracker.trace.way import Describe
from tracker.units import compact

_KEPT_IN_THE_BOOK: Final = frozenset({"journal", "note", "hangs", "confirmed", "voided", "book", "exposure"})
"""Keys of a trace that are of no use to a reader: the book's own records, and what is always empty here."""

_LEAST: Final = 1e-9


@dataclasses.dataclass(frozen=True)
class Leaves:
    """A recording as it leaves.

    Attributes:
        field: Of the readings that it belongs to.
        name: Under which it is published.
        path: In the site; empty where it stays.
        data: Its bytes; empty where it stays.
        sha256: Of the bytes.
        in_book: SHA-256 of what the book holds.
        why: Why it stays, or how it was changed.
        read_as: How a person said it is to be read.
    """

    field: str
    name: str
    path: str
    data: bytes
    sha256: str
    in_book: str
    why: str = ""
    read_as: Any = None

    def as_json(self) -> dict[str, Any]:
        """Return what a reader needs to read it."""
        return {
            "field": self.field,
            "name": self.name,
            "path": self.path or None,
            "sha256": self.sha256 or None,
            "sha256_in_book": self.in_book,
            "read_as": self.read_as,
            "changed": self.why or None,
        }


def way_of(found: Gathered, book: Book, path: Path, describe: Describe | None) -> Trace:
    """Return the way back of a measurement, its first result with a value as the number that is meant."""
    only = path.measured[0]
    way = Trace(found.about.code, path, only, number_of(only), zone=book.zone)
    if describe is not None:
        way.described = describe(only.measurement.method)
    return way


def number_of(measured: Measured) -> Judged | None:
    """Return the result of a measurement that stands for it: the first that has a value."""
    valued = [judged for judged in measured.results if judged.result.value is not None]
    return next(iter([*valued, *measured.results]), None)


def recordings(
    found: Gathered, book: Book, plugged: Plugged, ident: str, path: Path, row: Measurement
) -> list[Leaves]:
    """Return the recordings of a measurement as they leave: without comments at their head, unless chosen."""
    made = []
    for recorded in path.measured[0].files:
        file = recorded.file
        original = next((each.name for each in row.files if each.field == file.field), "")
        ending = "".join(
            f".{slug(each.lstrip('.'))}" for each in PurePath(original).suffixes[-2:] if slug(each)
        )
        name = f"{ident}.{slug(file.field) or 'recording'}{ending}"
        try:
            data = book.files.get(file.sha256)
        except Refused:
            # A recording that is gone is named by verify; what was computed from it still stands.
            made.append(Leaves(file.field, name, "", b"", "", file.sha256, "it is missing from the book"))
            continue
        leaves, why = _without_comments(found, plugged, row, file.field, original, data)
        if leaves is None:
            made.append(Leaves(file.field, name, "", b"", "", file.sha256, why))
            continue
        digest = hashlib.sha256(leaves).hexdigest()
        place = f"data/recordings/{digest}{ending}"
        made.append(
            Leaves(file.field, name, place, leaves, digest, file.sha256, why, getattr(file, "read_as", None))
        )
    return made


def _without_comments(
    found: Gathered, plugged: Plugged, row: Measurement, field: str, name: str, data: bytes
) -> tuple[bytes | None, str]:
    """Return what of a recording leaves, and how it was changed; None where it can only leave whole."""
    if found.leaving.choice.headers:
        return data, ""
    packed = data[:2] == b"\x1f\x8b"
    try:
        plain = gzip.decompress(data) if packed else data
    except (OSError, EOFError):
        return data, ""
    stripped = without_tags(plain) if plain[:4] == b"RIFF" else without_header(plain)
    if stripped == plain:
        # The head of a gzip file holds the name and the time of the file that was packed.
        return (gzip.compress(plain, mtime=0) if packed else data), ""
    leaves = gzip.compress(stripped, mtime=0) if packed else stripped
    if _reads_alike(plugged, row, field, name, data, leaves):
        return leaves, "comments at its head were left out"
    return None, "it cannot be read without the comments at its head (--with-headers publishes it whole)"


def _reads_alike(
    plugged: Plugged, row: Measurement, field: str, name: str, data: bytes, leaves: bytes
) -> bool:
    """Whether a method makes the same of a recording without its comments."""
    from tracker.api import validate  # noqa: PLC0415 - of this rare question only

    loaded = plugged.methods.get(row.method)
    if loaded is None:
        return True
    read_as = next((each.read_as for each in row.files if each.field == field), None) or {}
    try:
        both = [
            validate(loaded.method, {**(row.readings or {}), field: Recording(name, each, read_as)})
            for each in (data, leaves)
        ]
    except Refused:
        return False
    first, second = (plugged.compute(row.method, each, Piece()) for each in both)
    return [(o.quantity, o.value) for o in first.outcomes] == [(o.quantity, o.value) for o in second.outcomes]


def measurement_data(
    found: Gathered, way: Trace, ident: str, row: Measurement, files: Sequence[Leaves], method: Any
) -> dict[str, Any]:
    """Return a measurement as JSON: complete enough to compute its numbers again, with its whole way back."""
    told = _public(way.as_json())
    told["files"] = [each.as_json() for each in files]
    subject = row.specimen if row.specimen is not None else row.spool
    piece = dataclasses.asdict(piece_of(subject)) if subject is not None else None
    measured = next(iter(told.pop("measurements")))
    return {
        "id": ident,
        "book": found.about.code,
        "page": found.about.path(ident),
        "caution": CAUTIONS,
        **{key: value for key, value in told.items() if key not in ("id", "instruments")},
        # What is None was left out before: imported numbers have no time, given ones no units.
        "results": measured.get("results", []),
        "units": measured.get("units"),
        "at": measured.get("at"),
        "operator": measured.get("operator"),
        "instruments": told.get("instruments", []),
        "piece": piece,
        "standard": "" if method is None else method.standard,
        "formulas": [] if method is None else [each.data() for each in method.formulas],
        "recipe": dict(recipe(way)),
        "answers": [dataclasses.asdict(each) for each in found.answers.get(ident, ())],
        "corrected": [{"what": what, "reason": entry.reason} for what, entry in corrections(way)],
    }


def _public(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {
            key: _public(each)
            for key, each in value.items()
            if key not in _KEPT_IN_THE_BOOK and each is not None
        }
    if isinstance(value, list):
        return [_public(each) for each in value]
    return value


def recipe(way: Trace) -> list[tuple[str, str]]:
    """Return what somebody needs to repeat a measurement: label and words; what is not recorded says so."""
    path, unknown = way.path, "not recorded"
    printed, row = path.lineage.printed, path.specimen
    lines: list[tuple[str, str]] = []
    if printed is not None:
        job = printed.job
        plate = job.plate_sha256
        lines.append(("plate file", f"SHA-256 {plate}" if plate else unknown))
        lines.append(("settings", "; ".join(_settings(job)) or unknown))
        section = ((row.plate_facts or {}).get("section") or {}) if row is not None else {}
        said = [f"{name} {_figure(each)}" for name, each in section.items() if isinstance(each, Mapping)]
        lines.append(("gauge section", "; ".join(said) or unknown))
        logged = ((row.log_facts or {}).get("section") or {}) if row is not None else {}
        heard = [f"{name} {_figure(each)}" for name, each in logged.items() if isinstance(each, Mapping)]
        lines.append(("logged over it", "; ".join(heard) or unknown))
    lines += [("drying", text) for text in _dryings(path.spools, way)] or [("drying", unknown)]
    measured = path.measured[0]
    taken_with = [
        f"{use.rig.name}, resolution {compact(use.rig.resolution, use.rig.unit or '')}, "
        + (f"calibrated {use.calibration.done_on}" if use.calibration else "never calibrated")
        for use in measured.rigs
    ]
    lines.append(("rig", "; ".join(taken_with) or unknown))
    lines.append(("conditioning", _conditioning(measured.measurement)))
    speeds = [
        f"{name.replace('_', ' ')} {value} {(measured.measurement.units or {}).get(name, '')}".rstrip()
        for name, value in sorted((measured.measurement.readings or {}).items())
        if "speed" in name or "rate" in name
    ]
    lines.append(("test speed", "; ".join(speeds) or unknown))
    return lines


def _settings(job: Any) -> list[str]:
    parts = []
    for part in ("nozzle", "bed", "chamber"):
        meant, got = getattr(job, f"{part}_set_c"), getattr(job, f"{part}_measured_c")
        if meant is not None or got is not None:
            parts.append(f"{part} set {compact(meant, 'degC')}, measured {compact(got, 'degC')}")
    for name, column, unit in (
        ("fan", "fan_set_pct", "%"),
        ("layer height", "layer_height_mm", "mm"),
        ("line width", "line_width_mm", "mm"),
    ):
        if getattr(job, column) is not None:
            parts.append(f"{name} {compact(getattr(job, column), unit)}")
    return parts + [text for text in (job.printer, job.nozzle, job.surface) if text]


def _figure(each: Mapping[str, Any]) -> str:
    value = each.get("value", each.get("mean"))
    if not isinstance(value, (int, float)):
        return str(value)
    low, high = each.get("low"), each.get("high")
    spread = f" ({low:.4g} to {high:.4g})" if low is not None and high is not None and low != high else ""
    return f"{value:.4g}{spread}"


def _dryings(spools: Sequence[SpoolHistory], way: Trace) -> list[str]:
    said = []
    for history in spools:
        for each in history.dryings[-1:]:
            row = each.drying
            hours = (
                f"{(row.ended_at - row.began_at).total_seconds() / 3600:.1f} h"
                if row.ended_at
                else "end not recorded"
            )
            said.append(
                f"{spool_id(history.spool.id)}: set {compact(row.set_c, 'degC')}, measured "
                f"{compact(row.measured_c, 'degC')}, {hours}, begun {local_time(row.began_at, way.zone)}"
            )
    return said


def _conditioning(row: Any) -> str:
    days = getattr(row, "conditioned_days", None)
    air = f"tested at {compact(row.room_c, 'degC')} and {compact(row.room_rh_pct, '%')} relative humidity"
    if days is None:
        return f"not recorded; {air}"
    return (
        f"{days:g} days at {compact(row.conditioned_c, 'degC')} and {compact(row.conditioned_rh_pct, '%')} "
        f"relative humidity; {air}"
    )


def figure_lines(
    book: Book, plugged: Plugged, row: Measurement
) -> tuple[tuple[str, str], list[Curve]] | None:
    """Return what a method draws of stored readings: words at its axes and its lines, or None."""
    loaded = plugged.methods.get(row.method)
    if loaded is None or row.readings is None:
        return None
    try:
        readings, piece, computation = taken(book, plugged, row)
        figure = loaded.method.figure(readings, piece, computation.outcomes)
    except Exception:  # noqa: BLE001 - a plugin that cannot draw costs its own picture, nothing else
        return None
    for axes in figure.axes if figure is not None else ():
        lines = [curve for line in axes.get_lines() if (curve := _curve(axes, line)) is not None]
        if lines:
            return (axes.get_xlabel(), axes.get_ylabel()), lines
    return None


def _curve(axes: Any, line: Any) -> Curve | None:
    if not all(line.get_transform().contains_branch_seperately(axes.transData)):
        return None
    places = [
        (float(x), float(y))
        for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)
        if math.isfinite(x) and math.isfinite(y)
    ]
    return Curve([x for x, _ in places], [y for _, y in places]) if len(places) > 1 else None


def drawn(title: str, axes: tuple[str, str], lines: Sequence[Curve]) -> str:
    """Return the picture of one measurement: the first line in ink, what was fitted to it beside it."""
    return curves(
        title, axes, [dataclasses.replace(each, group=place) for place, each in enumerate(lines[:6])]
    )


def provenance_path(path: Path) -> str:
    """Return where the provenance of a measurement stands: with its job, or with its spool."""
    job = path.job
    name = job_id(job.id) if job is not None else spool_id(path.spools[0].spool.id)
    return f"data/provenance/{name}.json"
