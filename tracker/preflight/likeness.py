"""A plate compared with the job or plan that it should repeat, its specimens with the programme."""

from __future__ import annotations

import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.desk.plates import PlateRead, job_columns
from tracker.errors import Refused
from tracker.factors import factor_named
from tracker.inputs import read_input
from tracker.lineage import material_of_specimen
from tracker.model import Job, Measurement, Result, Specimen
from tracker.orientation import in_words
from tracker.preflight.findings import Difference, Finding, number_of
from tracker.preflight.sections import Section, Sections, without_number
from tracker.programme import standing

_COLUMNS: Final = {
    "nozzle_c": "nozzle_set_c", "bed_c": "bed_set_c", "chamber_c": "chamber_set_c", "fan_pct": "fan_set_pct",
    "layer_height_mm": "layer_height_mm", "line_width_mm": "line_width_mm",
}  # fmt: skip
_MORE: Final = ("time_s", "filament_mm")
_TIGHT: Final = 0.005
"""Times and lengths closer than this part of each other are the same. Our choice."""

Values = dict[str, float | str | None]


def values_of(read: PlateRead) -> Values:
    """Return what a plate sets, by factor."""
    columns = job_columns(read.plate)
    return {name: columns.get(column) for name, column in _COLUMNS.items()} | {
        name: columns[name] for name in _MORE
    }


def values_of_job(job: Job) -> Values:
    """Return what a job was set to, by factor."""
    return {name: getattr(job, column) for name, column in _COLUMNS.items()} | {
        name: getattr(job, name) for name in _MORE
    }


def differences(plate: Mapping[str, Any], like: Mapping[str, Any]) -> Iterator[Difference]:
    """Yield the values that differ by more than their resolution; what neither knows is left out."""
    for name in like:
        here, there = plate.get(name), like[name]
        if here is None and there is None:
            continue
        if not _alike(name, here, there):
            yield _difference(name, here, there)


def _alike(name: str, here: Any, there: Any) -> bool:
    if isinstance(here, (int, float)) and isinstance(there, (int, float)):
        if name in _MORE:
            return abs(here - there) <= _TIGHT * max(abs(here), abs(there))
        return abs(here - there) < factor_named(name, [here, there]).resolution
    return here is not None and there is not None and str(here) == str(there)


def _difference(name: str, here: Any, there: Any) -> Difference:
    known = factor_named(name, [here, there])
    if not (isinstance(here, (int, float)) and isinstance(there, (int, float))):
        return Difference(name, here, there, known.unit)
    change = abs(here - there)
    return Difference(
        name, here, there, known.unit or {"time_s": "s", "filament_mm": "mm"}.get(name, ""),
        relative=change / abs(there) if there else None,
        spans=change / known.span if name not in _MORE else None,
    )  # fmt: skip


def changed_settings(here: Mapping[str, str], there: Mapping[str, str]) -> Iterator[Difference]:
    """Yield the settings of two plates that differ, numbers with how much: 0.2 and 0.200 are the same."""
    for key in [*there, *(key for key in here if key not in there)]:
        one, other = here.get(key), there.get(key)
        relative = _relative(one, other)
        if one != other and relative != 0.0:
            yield Difference(key, one, other, "setting", relative=relative)


def _relative(one: str | None, other: str | None) -> float | None:
    """Return how far two settings lie apart, 0 for the same number; None for what cannot be compared."""
    if one is None or other is None:
        return None
    # A percentage is a part of some other setting: 50 % against 15 mm/s says nothing.
    percent = one.endswith("%") and other.endswith("%")
    a, b = (number_of(each.removesuffix("%") if percent else each) for each in (one, other))
    if a is None or b is None or a == b:
        return None if a is None or b is None else 0.0
    return abs(a - b) / abs(b) if b else None


def largest_first(found: Iterable[Difference]) -> list[Difference]:
    """Return differences in order: the largest relative one first, then words, then what one side states."""
    return sorted(found, key=_rank)


def _rank(each: Difference) -> tuple[bool, bool, bool, float, str]:
    words = each.relative is None and not each.from_zero
    return each.alone, words, not each.from_zero, -(each.relative or 0.0), each.what


def read_plan(path: Path) -> dict[str, Any]:
    """Return a plan: material and the levels of each plate, as ``followup -o`` writes them.

    Raises:
        Refused: It cannot be read or holds no plates.
    """
    try:
        plan = tomllib.loads(read_input(path, "settings file").decode("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise Refused(
            f"{path} is no plan", why=str(error), do="Make one: strandbook followup A B -o plan.toml"
        ) from error
    plates = plan.get("plate")
    if not isinstance(plates, list) or not all(
        isinstance(p, dict) and isinstance(p.get("levels"), dict) for p in plates
    ):
        raise Refused(
            f"{path} holds no plates",
            do="Write [[plate]] with [plate.levels] and values such as nozzle_c = 250",
        )
    return plan


def nearest_plate(
    plan: Mapping[str, Any], plate: Mapping[str, Any], read: PlateRead
) -> tuple[int, list[Difference], list[Finding]]:
    """Return number, differences and findings of the planned plate that a plate comes nearest to."""
    plates = []
    for number, wanted in enumerate(plan["plate"], start=1):
        known = {name: value for name, value in wanted["levels"].items() if name in _COLUMNS}
        found = list(differences(plate, known))
        plates.append((sum(1 if d.spans is None else d.spans for d in found), number, found, wanted))
    _, number, found, wanted = min(plates, key=lambda each: each[:2])
    return number, largest_first(found), [*_letters(read, wanted), *_count(read, wanted)]


def _letters(read: PlateRead, wanted: Mapping[str, Any]) -> Iterator[Finding]:
    letters = wanted["levels"].get("orientation")
    odd = [p.name for p in read.pieces if letters and not p.dummy and p.orientation != letters]
    if odd:
        yield Finding(
            "stop", "orientation", f"The plan wants {letters}; oriented otherwise: {', '.join(odd)}."
        )


def _count(read: PlateRead, wanted: Mapping[str, Any]) -> Iterator[Finding]:
    pieces = wanted.get("pieces")
    have = sum(not piece.dummy for piece in read.pieces)
    if isinstance(pieces, int) and pieces != have:
        yield Finding("warning", "pieces", f"The plan wants {pieces} pieces, the plate has {have}.")


def against_programme(book: Book, cut: Sections, material: str) -> Iterator[Finding]:
    """Yield pieces of a material that its programme does not need, or still lacks after this plate."""
    state = standing(book, material)
    wanted = Counter(dict(state.next_plate))
    spare: Counter[str] = Counter()
    for piece in (each.piece for each in cut if each.material.name == material):
        way = next((way for way in wanted if wanted[way] > 0 and _fits(way, piece.orientation)), None)
        if way is None:
            spare[in_words(piece.orientation or None) if piece.orientation else "without an axis"] += 1
        else:
            wanted[way] -= 1
    if spare:
        yield Finding("warning", "pieces", f"More than the programme of {material} needs: {_listed(spare)}.")
    lacking = Counter({way: count for way, count in wanted.items() if count > 0})
    if lacking:
        yield Finding(
            "warning",
            "pieces",
            f"After this plate the programme of {material} still lacks {_listed(lacking)}.",
        )


def tested_sections(session: Session, cut: Sections, material: str) -> dict[str, list[Section]]:
    """Return, by orientation, the gauge sections of specimens of a material that have a counted result."""
    letters = {each.piece.orientation for each in cut if each.material.name == material}
    counted = select(Measurement.specimen_id).join(Result).where(Result.counted)
    rows = session.scalars(
        select(Specimen).where(Specimen.id.in_(counted), Specimen.orientation.in_(letters))
    )
    found: dict[str, list[Section]] = defaultdict(list)
    for row in rows:
        section = (row.plate_facts or {}).get("section")
        made_of = material_of_specimen(row)
        if section and made_of is not None and made_of.name == material:
            found[row.orientation or ""].append(section)
    return found


def _fits(way: str, letters: str) -> bool:
    return way in ("any", letters) or (bool(letters) and in_words(letters) == way)


def _listed(counted: Counter[str]) -> str:
    return ", ".join(f"{count} {way}" for way, count in counted.items())


def against_job(read: PlateRead, job: Job) -> Iterator[Finding]:
    """Yield pieces that lie otherwise than in the job to be repeated, lack or are new."""
    here = Counter((piece.kind, piece.orientation) for piece in read.pieces if not piece.dummy)
    there = Counter(
        (without_number(each.name), each.orientation or "") for each in job.specimens if not each.dummy
    )
    names = dict.fromkeys([name for name, _ in (*there, *here)])
    if not {name for name, _ in there} & {name for name, _ in here}:
        yield Finding(
            "warning",
            "pieces",
            f"On this plate are {_named(here)}; in the job to be repeated, {_named(there)}.",
        )
        return
    for name in names:
        before = {letters: n for (kind, letters), n in there.items() if kind == name}
        now = {letters: n for (kind, letters), n in here.items() if kind == name}
        if before and now and set(before) != set(now):
            text = (
                f"{name} is oriented {_orientations(now)} on this plate"
                f" and {_orientations(before)} in the job to be repeated."
            )
            yield Finding("stop", "orientation", text)
        elif sum(before.values()) != sum(now.values()):
            counts = f"{sum(now.values())} of {name} on this plate, {sum(before.values())}"
            text = f"{counts} in the job to be repeated."
            yield Finding("warning", "pieces", text)


def _named(counted: Counter[tuple[str, str]]) -> str:
    names: Counter[str] = Counter()
    for (name, _), count in counted.items():
        names[name] += count
    return _listed(names) or "no pieces"


def _orientations(counted: dict[str, int]) -> str:
    return " and ".join(letters or "without an axis" for letters in counted)
