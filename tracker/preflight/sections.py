"""The gauge section of each specimen: against data sheet, its replicates, tested ones, and a job to repeat.

A plate may set the right temperature nearly everywhere and still print the one section that
breaks otherwise: what counts is what is in force while that section is printed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from tracker.desk.jobplates import Feed
from tracker.desk.platefacts import facts_of
from tracker.desk.plates import PlatePiece, PlateRead
from tracker.factors import factor_named
from tracker.ids import spool_id
from tracker.model import Job, Material
from tracker.preflight.findings import Difference, Finding

SECTION: Final = {
    "nozzle_c": ("nozzle", "°C"), "bed_c": ("bed", "°C"), "chamber_c": ("chamber", "°C"),
    "fan_pct": ("fan", "%"), "layer_height_mm": ("layer height", "mm"),
    "line_width_mm": ("line width", "mm"), "layer_time_s": ("layer time", "s"),
    "flow_mm3_s": ("flow", "mm³/s"), "print_speed_mm_s": ("speed", "mm/s"),
    "flow_factor_pct": ("flow factor", "%"), "pauses": ("pauses", ""),
}  # fmt: skip
"""What is shown of a gauge section: words and unit."""

_COLD_C: Final = 150.0
"""Below this no filament of a test piece flows. Common practice, no source."""
_STEMS: Final = ("nozzle", "bed", "chamber")
_RELATIVE: Final = 0.02
"""Layer times, flows and speeds closer than this part of each other are the same. Our choice."""

_SCATTER: Final = {"layer_time_s": 0.2, "flow_mm3_s": 0.2, "print_speed_mm_s": 0.2}
"""Replicates whose figures span more than this part of their mean are not printed alike. Our choice."""

Section = Mapping[str, Any]


@dataclass(frozen=True)
class Cut:
    """A specimen of the plate with the facts of its gauge section.

    Attributes:
        piece: The specimen.
        section: As the book keeps it.
        material: Of the spool that most of it is printed from.
        spools: IDs of its spools with their tools, in words; empty where one spool feeds the plate.
    """

    piece: PlatePiece
    section: Section
    material: Material
    spools: tuple[str, ...] = ()


Sections = list[Cut]


def sections_of(read: PlateRead, fed: Sequence[Feed]) -> Sections:
    """Return the specimens of a plate with the facts of their gauge sections; dummies have none."""
    found = []
    for number, piece in enumerate(read.pieces, 1):
        if piece.dummy:
            continue
        deposited = {use.tool: use.body_mm for use in piece.thing.tools}
        own = [each for each in fed if each.pieces is None or number in each.pieces]
        own.sort(key=lambda each: (-deposited.get(each.tool, 0.0), each.tool))
        facts = facts_of(piece.thing, piece.geometry, read.plate, piece.gauge or None)["section"]
        words = [f"{spool_id(each.spool.id)} in tool {each.tool}" for each in own] if len(fed) > 1 else []
        found.append(Cut(piece, facts, (own or list(fed))[0].spool.material, tuple(words)))
    return found


def as_rows(sections: Sections) -> list[dict[str, Any]]:
    """Return the sections as plain values: name, and value, least and greatest of each figure."""
    return [
        {
            "name": each.piece.name,
            "material": each.material.name,
            "spools": list(each.spools),
            **{name: each.section.get(name) for name in SECTION},
            "pauses_at": list(each.section.get("pauses_at") or ()),
        }
        for each in sections
    ]


def replicates(sections: Sections) -> Iterator[Finding]:
    """Yield where specimens that should be alike are printed otherwise: same name, orientation, material."""
    alike: dict[tuple[str, str, str], Sections] = defaultdict(list)
    for each in sections:
        alike[each.piece.kind, each.piece.orientation, each.material.name].append(each)
    for (kind, _, _), group in alike.items():
        for name, (words, unit) in SECTION.items():
            known = [(value, each) for each in group if (value := _value(each.section, name)) is not None]
            if len(known) < 2:  # noqa: PLR2004 - nothing to compare
                continue
            low, high = (most(known, key=lambda pair: pair[0]) for most in (min, max))
            mean = sum(value for value, _ in known) / len(known)
            least = _SCATTER[name] * mean if name in _SCATTER else _resolution(name)
            if high[0] - low[0] > max(least, 1e-9):
                ends = f"{low[0]:.3g} {unit} in {low[1].piece.name}, {high[0]:.3g} {unit} in"
                text = f"{kind} is not printed alike: {words} {ends} {high[1].piece.name}."
                yield Finding("warning", "replicates", text)


def against_tested(sections: Sections, tested: Mapping[str, Sequence[Section]]) -> Iterator[Finding]:
    """Yield where specimens are printed otherwise than those that the programme counts already.

    Args:
        sections: Those of the plate.
        tested: By orientation: the sections of specimens of one material that have a counted result.
    """
    found: dict[tuple[str, str, str], list[PlatePiece]] = defaultdict(list)
    for each in sections:
        others = tested.get(each.piece.orientation, ())
        for name in ("nozzle_c", "bed_c", "chamber_c", "fan_pct", "layer_height_mm", "layer_time_s"):
            here = _value(each.section, name)
            there = sorted(value for one in others if (value := _value(one, name)) is not None)
            if here is None or not there:
                continue
            least = _SCATTER[name] * here if name in _SCATTER else _resolution(name)
            if here < there[0] - least or here > there[-1] + least:
                words, unit = SECTION[name]
                ends = f"{there[0]:.3g}" if there[0] == there[-1] else f"{there[0]:.3g} – {there[-1]:.3g}"
                found[f"{words} {here:.3g} {unit}", f"{ends} {unit}", str(len(others))].append(each.piece)
    for (own, theirs, count), pieces in found.items():
        who = _named(pieces, len(sections))
        text = f"{who}: {own}; the {count} of that orientation tested so far, {theirs}"
        yield Finding("warning", "programme", f"{text}. They will not be replicates of one another.")


def _resolution(name: str) -> float:
    return 0.0 if name == "pauses" else factor_named(name).resolution


def _value(section: Section, name: str) -> float | None:
    reading = section.get(name)
    value = reading.get("value") if isinstance(reading, dict) else None
    return None if value is None else float(value)


def _named(pieces: Iterable[PlatePiece], everything: int) -> str:
    names = list(dict.fromkeys(piece.name for piece in pieces))
    if len(names) == everything and everything > 1:
        return "all specimens"
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")  # noqa: PLR2004


def against_sheet(sections: Sections) -> Iterator[Finding]:
    """Yield specimens whose gauge section is printed outside their material's data sheet, or paused in."""
    outside: dict[tuple[str, str], list[PlatePiece]] = defaultdict(list)
    paused: dict[str, list[PlatePiece]] = defaultdict(list)
    for each in sections:
        for stem, celsius in _outside_sheet(each.section, each.material):
            outside[stem, f"{celsius:g} °C"].append(each.piece)
        for text in each.section.get("pauses_at") or ():
            paused[text].append(each.piece)
    for (stem, value), pieces in outside.items():
        text = f"The gauge section of {_named(pieces, len(sections))} is printed with the {stem} at {value}."
        yield Finding("warning", stem, text)
    for text, pieces in paused.items():
        sentence = f"The printer waits in the gauge section of {_named(pieces, len(sections))}: {text}."
        yield Finding("warning", "pause", sentence)


def _outside_sheet(section: Mapping[str, Any], material: Material) -> Iterator[tuple[str, float]]:
    """Yield the set-points of a gauge section that its material's data sheet leaves out, °C."""
    for stem in _STEMS:
        low, high = (getattr(material, f"{stem}_{end}_c") for end in ("low", "high"))
        reading = section.get(f"{stem}_c") or {}
        for value in dict.fromkeys((reading.get("low"), reading.get("high"))):
            if value is None:
                continue
            if (low is not None and value < low) or (high is not None and value > high):
                yield stem, value


def cold(read: PlateRead) -> Iterator[Finding]:
    """Yield a stop where the nozzle is set too cold for any filament to flow."""
    lowest = read.plate.set_points.nozzle_c.low
    if lowest is not None and lowest < _COLD_C:
        yield Finding(
            "stop", "nozzle", f"The nozzle is set to {lowest:g} °C while depositing: nothing flows."
        )


def against_itself(read: PlateRead) -> Iterator[Finding]:
    """Yield in what the file contradicts itself; parts that share one marker; too many tools."""
    for each in read.plate.contradictions:
        kind = "warning" if each.what in ("time", "mass") else "stop"
        yield Finding(
            "stop" if kind == "stop" else "warning", each.what, f"{each.words[:1].upper()}{each.words[1:]}."
        )
    for piece in read.pieces:
        if piece.thing.parts > 1:
            text = f"{piece.name} stands on the bed in {piece.thing.parts} parts under one marker"
            yield Finding(
                "warning", "pieces", f"{text}: if they are specimens of their own, give --separate."
            )


def tools(read: PlateRead, spools: int) -> Iterator[Finding]:
    """Yield what is to be said of tools and spools that do not go together."""
    used = read.plate.tools
    if len(used) > spools:
        listed = ", ".join(f"T{use.tool} {use.filament_mm / 1000:.2f} m" for use in used)
        named = "one spool is" if spools == 1 else f"{spools} spools are"
        text = f"The plate prints with {len(used)} tools ({listed}) and {named} named: give --spool for each."
        yield Finding("stop", "tools", text)
    for piece in read.pieces:
        if len(piece.thing.tools) > 1 and not piece.dummy:
            text = f"{piece.name} is printed with {len(piece.thing.tools)} tools."
            yield Finding("warning", "tools", text)


def against_job(sections: Sections, job: Job) -> tuple[list[Difference], bool]:
    """Hold each specimen's section against those of its kind in the job to be repeated.

    Returns:
        The differences, each with the specimens it concerns, and whether every specimen could be compared.
    """
    there: dict[tuple[str, str], list[Section]] = defaultdict(list)
    for row in job.specimens:
        kept = (row.plate_facts or {}).get("section")
        if kept and not row.dummy:
            there[without_number(row.name), row.orientation or ""].append(kept)
    found: dict[tuple[str, Any, Any], list[PlatePiece]] = defaultdict(list)
    compared = True
    for each in sections:
        piece, section = each.piece, each.section
        like = there.get((piece.kind, piece.orientation))
        if not like:
            compared = False
            continue
        nearest = min(like, key=lambda other: len(list(_apart(section, other))))
        for name, here, other in _apart(section, nearest):
            found[name, here, other].append(piece)
    differences = [
        Difference(
            f"{SECTION[name][0]} of {_named(pieces, len(sections))}", here, other, SECTION[name][1],
            relative=abs(here - other) / abs(other) if here is not None and other else None,
            factor=name, everywhere=len(pieces) == len(sections),
        )
        for (name, here, other), pieces in found.items()
    ]  # fmt: skip
    return differences, compared


def without_number(name: str | None) -> str:
    """Return a piece's name without its own number, which pieces of one kind share; empty for none."""
    return (name or "").rpartition(" #")[0] or name or ""


def _apart(one: Section, other: Section) -> Iterator[tuple[str, float | None, float | None]]:
    """Yield the figures in which two sections differ; what one of them does not keep is left out."""
    for name in SECTION:
        if name not in one or name not in other:
            continue
        here, there = _value(one, name), _value(other, name)
        if here is None or there is None:
            if here is not there:
                yield name, here, there
            continue
        least = _resolution(name)
        part = _RELATIVE * max(abs(here), abs(there)) if name.endswith(("_s", "_mm3_s")) else 0.0
        if abs(here - there) > max(min(least, part) if part else least, 1e-9):
            yield name, here, there
