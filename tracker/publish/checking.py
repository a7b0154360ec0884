"""An outsider's proof: every number of a published folder, computed again from its own recordings.

No book is needed; the installed methods are. What the manifests say of the files is checked too.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from tracker.api import Piece, Recording, validate
from tracker.desk.method_inputs import instruments
from tracker.errors import Refused
from tracker.inputs import opened, read_input, sha256_of
from tracker.lineage import Row
from tracker.plugins import Plugged
from tracker.publish.evidence import measurements_of, read_packed
from tracker.publish.manifest import PAYLOAD, TAGS, read_manifest

RESULTS: Final = "data/results.csv"
TOLERANCE: Final = 1e-9
"""Relative: far above what another order of additions does, far below any reading's resolution."""


@dataclass(frozen=True)
class Verdict:
    """What became of one number.

    Attributes:
        measurement: Its ID.
        quantity: Its name.
        state: ``holds``, ``differs``, or ``cannot be computed``.
        published: Value as published, or None.
        computed: Value as computed now, or None.
        why: What is in the way, or what differs; empty where it holds.
    """

    measurement: str
    quantity: str
    state: str
    published: float | None = None
    computed: float | None = None
    why: str = ""


@dataclass
class Checked:
    """What a check of a folder found.

    Attributes:
        numbers: A verdict on every number.
        files: What is wrong with files, by path.
        table: What a table says otherwise than the evidence, by its path.
        count: How many files were compared with the manifests.
    """

    numbers: list[Verdict] = field(default_factory=list)
    files: dict[str, str] = field(default_factory=dict)
    table: dict[str, str] = field(default_factory=dict)
    count: int = 0

    @property
    def holds(self) -> bool:
        """Whether every number that can be computed holds, and every file is as listed."""
        return not self.files and not self.table and not any(each.state == "differs" for each in self.numbers)

    def of(self, state: str) -> list[Verdict]:
        """Return the verdicts of one state."""
        return [each for each in self.numbers if each.state == state]


def check_site(folder: Path, plugged: Plugged, step: Callable[[int, int], None] | None = None) -> Checked:
    """Compute every number of a published folder again, from the folder alone.

    Args:
        folder: That was published.
        plugged: The installed methods.
        step: Is told how far it is: measurements done, of all.

    Raises:
        Refused: It is no published folder.
    """
    if not (folder / PAYLOAD).is_file():
        raise Refused(f"{folder} is no published folder", why=f"it has no {PAYLOAD}")
    if any((folder / "data/measurements").glob("*.json")):
        raise Refused(
            f"{folder} was published by an earlier version",
            why="it has a document for each measurement, where there is one for each job now",
            do="Have it published again, or check it with the version that published it",
        )
    found = Checked()
    _check_files(folder, found)
    places = sorted((folder / "data/measurements").glob("*.json.gz"))
    for done, place in enumerate(places, start=1):
        try:
            documents = measurements_of(read_packed(place))
            found.numbers += [each for document in documents for each in _numbers(folder, document, plugged)]
        except (OSError, EOFError, ValueError, TypeError, KeyError, AttributeError) as error:
            why = f"its JSON cannot be read: {type(error).__name__}"
            found.numbers.append(Verdict(place.name.partition(".")[0], "", "differs", why=why))
        if step is not None:
            step(done, len(places))
    _check_table(folder, found)
    return found


def _check_table(folder: Path, found: Checked) -> None:
    """Compare the table of results with the numbers that were computed again: most readers take that one."""
    try:
        with opened(folder / RESULTS) as stream, io.TextIOWrapper(stream, "utf-8", newline="") as text:
            rows = csv.DictReader(text)
            table = {(row["measurement"], row["quantity"]): row["value"] for row in rows}
    except (OSError, ValueError, KeyError, csv.Error):
        found.table.setdefault(RESULTS, "cannot be read")
        return
    for each in found.numbers:
        listed = table.pop((each.measurement, each.quantity), None)
        if listed is None or listed != ("" if each.published is None else str(each.published)):
            found.table.setdefault(RESULTS, f"has another value of {each.measurement} {each.quantity}")
    for measurement, quantity in table:
        found.table.setdefault(RESULTS, f"has {measurement} {quantity}, of which there is no evidence")


def _check_files(folder: Path, found: Checked) -> None:
    for name in (PAYLOAD, TAGS):
        if not (folder / name).is_file():
            found.files[name] = "is missing"
            continue
        for path, digest in read_manifest((folder / name).read_text("utf-8")).items():
            found.count += 1
            place = folder / path
            if not place.is_file():
                found.files[path] = "is missing"
            elif sha256_of(place) != digest:
                found.files[path] = "is not what the manifest lists"


def _numbers(folder: Path, document: Mapping[str, Any], plugged: Plugged) -> Iterator[Verdict]:
    ident = str(document["id"])
    results = [Row(each) for each in document.get("results") or ()]
    if not results:
        yield Verdict(ident, "", "differs", why="it has no results")
    try:
        computed = _computed(folder, document, plugged)
    except Refused as refusal:
        for each in results:
            yield Verdict(ident, each.quantity, "cannot be computed", each.get("value"), why=str(refusal))
        return
    for each in results:
        yield _judged(ident, each, computed)


def _judged(ident: str, result: Row, computed: Mapping[str, Any]) -> Verdict:
    name, published = str(result.quantity), result.get("value")
    again = computed.get(name)
    value = None if again is None else again.value
    same = (
        published is value
        if published is None or value is None
        else math.isclose(published, value, rel_tol=TOLERANCE)
    )
    if not same:
        return Verdict(ident, name, "differs", published, value, "the value is another")
    u, again_u = result.get("uncertainty"), None if again is None else again.uncertainty
    if u is not None and (again_u is None or not math.isclose(u, again_u, rel_tol=1e-6)):
        return Verdict(ident, name, "differs", published, value, "the uncertainty is another")
    return Verdict(ident, name, "holds", published, value)


def _computed(folder: Path, document: Mapping[str, Any], plugged: Plugged) -> dict[str, Any]:
    """Return what the installed method makes of published readings, by quantity.

    Raises:
        Refused: There are no readings, the method is not installed in that version, or a recording is
        missing.
    """
    method, version = (document.get("method") or {}).get("id"), (document.get("method") or {}).get("version")
    if not document.get("readings") and not document.get("files"):
        raise Refused("It came without readings")
    loaded = plugged.methods.get(method or "")
    if loaded is None or loaded.method.version != version:
        raise Refused(f"The method {method} in version {version} is not installed here")
    files = {each["field"]: _recording(folder, each) for each in document.get("files", ())}
    readings = validate(loaded.method, {**(document.get("readings") or {}), **files})
    used: list[Any] = [_used(each) for each in document.get("instruments", ())]
    known: dict[str, Any] = document.get("piece") or {}
    known = {name: tuple(value) if isinstance(value, list) else value for name, value in known.items()}
    computation = plugged.compute(method or "", readings, Piece(**known), instruments(used))
    return {each.quantity: each for each in computation.outcomes}


def _recording(folder: Path, listed: Mapping[str, Any]) -> Recording:
    """Return a published recording.

    Raises:
        Refused: It was not published, or is missing.
    """
    if not listed.get("path"):
        raise Refused(f"The recording {listed.get('field')} was not published")
    place = folder / listed["path"]
    if ".." in Path(listed["path"]).parts or not place.is_file():
        raise Refused(f"The recording {listed['path']} is missing")
    return Recording(listed["name"], read_input(place, "recording"), listed.get("read_as") or {})


class _Absent(Row):
    """A row of which only the published columns are known; what is absent reads as not recorded."""

    def __getattr__(self, name: str) -> Any:
        return self.get(name)


def _used(document: Mapping[str, Any]) -> _Absent:
    """Return what a measurement was taken with as the arithmetic wants it."""
    rig = _Absent({**document, "id": _number(str(document.get("id", "R0000")))})
    found = {
        name: None if document.get(name) is None else _Absent({"u_abs": 0.0, "u_rel": 0.0, **document[name]})
        for name in ("calibration", "compliance")
    }
    return _Absent({"rig": rig, "fields": document.get("fields"), **found})


def _number(ident: str) -> int:
    digits = "".join(each for each in ident[1:].partition("-")[0] if each.isdigit())
    return int(digits or 0)
