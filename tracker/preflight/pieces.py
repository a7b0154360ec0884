"""The pieces of a plate held against the programme, and against the job that should be repeated."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.book import Book
from tracker.desk.plates import PlateRead
from tracker.lineage import material_of_specimen
from tracker.model import Job, Measurement, Result, Specimen
from tracker.orientation import in_words
from tracker.preflight.findings import Finding
from tracker.preflight.sections import Section, Sections
from tracker.programme import standing


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
        yield Finding("warning", "pieces", f"After this plate the programme still lacks {_listed(lacking)}.")


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
    there = Counter((_kind(each.name), each.orientation or "") for each in job.specimens if not each.dummy)
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


def _kind(name: str | None) -> str:
    return (name or "").rpartition(" #")[0] or name or ""


def _orientations(counted: dict[str, int]) -> str:
    return " and ".join(letters or "without an axis" for letters in counted)
