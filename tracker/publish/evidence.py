"""The evidence behind one measurement: its recordings as they leave, its JSON, its recipe and its curve.

From the JSON and the recordings alone the numbers can be computed again (see
:mod:`tracker.publish.checking`).
"""

from __future__ import annotations

import dataclasses
import gzip
import hashlib
import json
import math
import pathlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from tracker.api import Piece, Recording, validate
from tracker.api.picture import LinesAlone, lines_alone
from tracker.book import Book
from tracker.desk.method_inputs import piece_from
from tracker.errors import Refused
from tracker.ids import job_id, specimen_id, spool_id
from tracker.inputs import MB, opened
from tracker.lineage import Judged, Measured
from tracker.plugins import Plugged
from tracker.publish.drawing import Curve, curves
from tracker.publish.gathering import CAUTIONS, Gathered, slug
from tracker.publish.leaving import without_header, without_tags
from tracker.stating import compact
from tracker.trace import Trace, corrections
from tracker.trace.walk import Path
from tracker.trace.way import Describe

_KEPT_IN_THE_BOOK: Final = frozenset({"journal", "note", "hangs", "confirmed", "voided", "book", "exposure"})
"""Keys of a trace that are of no use to a reader: the book's own records, and what is always empty here."""


@dataclasses.dataclass(frozen=True)
class PublishedRecording:
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
        """Return what a reader needs to read it; digests that are alike stand once."""
        data = {
            "field": self.field,
            "name": self.name,
            "path": self.path,
            "sha256": self.sha256,
            "sha256_in_book": self.in_book if self.in_book != self.sha256 else None,
            "read_as": self.read_as,
            "changed": self.why,
        }
        return {key: value for key, value in data.items() if value}


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
    found: Gathered, book: Book, plugged: Plugged, ident: str, path: Path
) -> list[PublishedRecording]:
    """Return the recordings of a measurement as they leave: without comments at their head, unless chosen."""
    made = []
    for recorded in path.measured[0].files:
        file = recorded.file
        ending = found.endings.get((ident, file.field), "")
        name = f"{ident}.{slug(file.field) or 'recording'}{ending}"
        try:
            data = book.files.get(file.sha256)
        except Refused:
            # A recording that is gone is named by verify; what was computed from it still stands.
            made.append(
                PublishedRecording(file.field, name, "", b"", "", file.sha256, "it is missing from the book")
            )
            continue
        leaves, why = _without_comments(found, plugged, path, file.field, name, data)
        if leaves is None:
            made.append(PublishedRecording(file.field, name, "", b"", "", file.sha256, why))
            continue
        if len(leaves) > _PACKED_FROM and name.endswith(_TEXTS):
            # Thousands of long curves would be most of a site. What reads tables unpacks by the ending.
            name, leaves = f"{name}.gz", gzip.compress(leaves, mtime=0)
            why = "; ".join(part for part in (why, "packed by gzip") if part)
        digest = hashlib.sha256(leaves).hexdigest()
        place = f"data/recordings/{name}"
        made.append(
            PublishedRecording(file.field, name, place, leaves, digest, file.sha256, why, file.read_as)
        )
    return made


_PACKED_FROM: Final = 6_000
"""Bytes from which on a recording is packed: 2,000 that are shorter fit into 40 MB beside their pages."""

_TEXTS: Final = (".csv", ".tsv", ".txt", ".log")


def _without_comments(
    found: Gathered, plugged: Plugged, path: Path, field: str, name: str, data: bytes
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
        # The head of a gzip file holds the name and the time of the file that was packed: flags, then time.
        nameless = data[3:8] == b"\0\0\0\0\0" and data.count(b"\x1f\x8b\x08") == 1
        return (gzip.compress(plain, mtime=0) if packed and not nameless else data), ""
    leaves = gzip.compress(stripped, mtime=0) if packed else stripped
    if _reads_alike(plugged, path, field, name, data, leaves):
        return leaves, "comments at its head were left out"
    return None, "it cannot be read without the comments at its head (--with-headers publishes it whole)"


def _reads_alike(plugged: Plugged, path: Path, field: str, name: str, data: bytes, leaves: bytes) -> bool:
    """Whether a method makes the same of a recording without its comments."""
    row = path.measured[0].measurement
    loaded = plugged.methods.get(row.method)
    if loaded is None:
        return True
    read_as = next((r.file.read_as for r in path.measured[0].files if r.file.field == field), None) or {}
    try:
        both = [
            validate(loaded.method, {**(row.readings or {}), field: Recording(name, each, read_as)})
            for each in (data, leaves)
        ]
    except Refused:
        return False
    first, second = (plugged.compute(row.method, each, Piece()) for each in both)
    return [(o.quantity, o.value) for o in first.outcomes] == [(o.quantity, o.value) for o in second.outcomes]


_OF_THE_PRINT: Final = (
    "job", "spools", "storage", "dryings", "material", "method", "standard", "formulas", "instruments",
    "units",
)  # fmt: skip
"""What measurements of one job have alike where there is one alone."""


def measurements_data(found: Gathered, ident: str, measurements: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the JSON of all measurements of a job, or of a spool: what they have alike stands in it once.

    A measurement is its own part together with ``shared`` (:func:`measurements_of` puts them together).
    """
    first = measurements[0]
    asked = _OF_THE_PRINT if len(measurements) == 1 else [key for key in first if key not in ("id", "page")]
    alike = [key for key in asked if all(each.get(key) == first.get(key) for each in measurements)]
    return {
        "id": ident,
        "book": found.about.code,
        "page": found.about.path(ident),
        "caution": CAUTIONS,
        "shared": {key: first[key] for key in alike if key in first},
        "measurements": [
            {key: value for key, value in each.items() if key not in alike} for each in measurements
        ],
    }


def packed_json(value: Any) -> bytes:
    """Return JSON for programs, of which a site has many files: packed by gzip, the same bytes every time."""
    text = json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), default=str)
    return gzip.compress(text.encode() + b"\n", mtime=0)


def read_packed(place: pathlib.Path) -> Any:
    """Return the value of a file of packed JSON.

    Raises:
        OSError, EOFError, ValueError: It cannot be read, or is damaged.
    """
    with opened(place) as packed, gzip.open(packed) as stream:
        text = stream.read(_MOST_BYTES + 1)
    if len(text) > _MOST_BYTES:
        raise ValueError(f"more than {_MOST_BYTES // MB} MB")
    return json.loads(text)


_MOST_BYTES: Final = 16 * MB
"""Of one unpacked document: a folder may come from anybody."""


def measurements_of(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the measurements of a document that :func:`measurements_data` made, each whole."""
    shared = document.get("shared", {})
    return [{**shared, **each} for each in document["measurements"]]


def measurement_data(
    found: Gathered, way: Trace, ident: str, files: Sequence[PublishedRecording], method: Any
) -> dict[str, Any]:
    """Return a measurement as JSON: complete enough to compute its numbers again, with its whole way back."""
    data = _public(way.as_json())
    data["files"] = [each.as_json() for each in files]
    measured = next(iter(data.pop("measurements")))
    number = data.get("number") or {}
    data["number"] = {key: number.get(key) for key in ("quantity", "value", "unit", "uncertainty")}
    return {
        "id": ident,
        "page": found.about.path(ident),
        **{key: value for key, value in data.items() if key not in _STATED_ELSEWHERE and value != []},
        # What is None was left out before: imported numbers have no time, given ones no units.
        "results": measured.get("results", []),
        "units": measured.get("units"),
        "at": measured.get("at"),
        "operator": measured.get("operator"),
        "instruments": data.get("instruments", []),
        "files": data["files"],
        "piece": {k: v for k, v in dataclasses.asdict(piece_tested(way.path)).items() if v not in (None, {})},
        "standard": "" if method is None else method.standard,
        "formulas": [] if method is None else [each.data() for each in method.formulas],
        "answers": [dataclasses.asdict(each) for each in found.answers.get(ident, ())],
        "corrected": [{"what": what, "reason": entry.reason} for what, entry in corrections(way)],
    }


_STATED_ELSEWHERE: Final = frozenset({"stays", "id", "book", "rig"})


def piece_tested(path: Path) -> Piece:
    """Return what was tested as the method's arithmetic sees it."""
    if path.specimen is not None:
        ident = specimen_id(path.specimen.job_id, path.specimen.piece)
        return piece_from(ident, path.specimen, path.material)
    return piece_from(spool_id(path.spools[0].spool.id), None, path.material)


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


def repeating(path: Path) -> list[tuple[str, str]]:
    """Return what it takes to test alike beside the rig and the readings: conditioning and test speed."""
    row = path.measured[0].measurement
    speeds = [
        f"{name.replace('_', ' ')} {value} {(row.units or {}).get(name, '')}".rstrip()
        for name, value in sorted((row.readings or {}).items())
        if "speed" in name or "rate" in name
    ]
    return [("conditioning", _conditioning(row)), ("test speed", "; ".join(speeds) or "not recorded")]


def _conditioning(row: Any) -> str:
    if row.conditioned_days is None:
        return "not recorded"
    return (
        f"{row.conditioned_days:g} days at {compact(row.conditioned_c, 'degC')} and "
        f"{compact(row.conditioned_rh_pct, '%')} relative humidity"
    )


def figure_lines(
    book: Book, plugged: Plugged, found: Gathered, ident: str
) -> tuple[tuple[str, str], list[Curve]] | None:
    """Return what a method draws of stored readings: words at its axes and its lines, or None."""
    path = found.paths[ident]
    measured = path.measured[0]
    row, loaded = measured.measurement, plugged.methods.get(measured.measurement.method)
    if loaded is None or row.readings is None:
        return None
    try:
        readings = validate(loaded.method, {**row.readings, **dict(_files(book, found, ident, measured))})
        with lines_alone():
            results = [judged.result for judged in measured.results]
            figure = loaded.method.figure(readings, piece_tested(path), results)
    except Exception:  # noqa: BLE001 - a plugin that cannot draw costs its own picture, nothing else
        return None
    for axes in figure.axes if figure is not None else ():
        labels, drawn = _lines_of(axes)
        lines = [curve for x, y in drawn if (curve := _curve(x, y)) is not None]
        if lines:
            return labels, lines
    return None


def _files(book: Book, found: Gathered, ident: str, measured: Measured) -> Iterator[tuple[str, Recording]]:
    for each in measured.files:
        name = f"recording{found.endings.get((ident, each.file.field), '')}"
        data = book.files.get(each.file.sha256)
        yield each.file.field, Recording(name, data, dict(each.file.read_as or {}))


def _lines_of(axes: Any) -> tuple[tuple[str, str], list[tuple[Any, Any]]]:
    """Return the words at axes and the lines in them; of a plugin's own figure those that are of its data."""
    if isinstance(axes, LinesAlone):
        return axes.labels, axes.lines
    drawn = [
        (line.get_xdata(), line.get_ydata())
        for line in axes.get_lines()
        if all(line.get_transform().contains_branch_seperately(axes.transData))
    ]
    return (axes.get_xlabel(), axes.get_ylabel()), drawn


def _curve(xs: Any, ys: Any) -> Curve | None:
    if not hasattr(xs, "__len__") or len(xs) < 2:  # noqa: PLR2004 - a mark is no line
        return None
    pairs = zip(map(float, xs), map(float, ys), strict=True)
    places = [(x, y) for x, y in pairs if math.isfinite(x) and math.isfinite(y)]
    return Curve([x for x, _ in places], [y for _, y in places]) if len(places) > 1 else None


def drawn(title: str, axes: tuple[str, str], lines: Sequence[Curve]) -> str:
    """Return the picture of one measurement: the first line in ink, what was fitted to it beside it."""
    coloured = [dataclasses.replace(each, group=place) for place, each in enumerate(lines[:6])]
    return curves(title, axes, coloured, alone=False)


def group_of(path: Path) -> str:
    """Return the ID under which a measurement is published: its job's, or that of the spool measured."""
    job = path.job
    return job_id(job.id) if job is not None else spool_id(path.spools[0].spool.id)
