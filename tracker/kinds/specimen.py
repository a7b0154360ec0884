"""Specimens: the printed pieces of a job."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Row, func, select
from sqlalchemy.orm import Session

from tracker import ids
from tracker.cards import Card, CardTable
from tracker.forms import Ask, FormError, When
from tracker.ids import Ident
from tracker.kinds.base import Kind, Listing, add_note, struck_or_plain
from tracker.kinds.measurement import summary
from tracker.kinds.photograph import add_photographs
from tracker.lazy_modules import lazy
from tracker.lineage import Reader, join_material, of_specimens, spools_of_specimen
from tracker.model import (
    Job,
    Material,
    Measurement,
    Photograph,
    Specimen,
    live,
)
from tracker.moments import local_time
from tracker.orientation import checked_letters, in_words

if TYPE_CHECKING:
    from tracker import platefile
else:
    platefile = lazy("tracker.platefile")

OUTCOMES: Final = ("good", "usable", "failed")


@dataclass(frozen=True)
class Shape:
    """What a specimen looks like, as far as its plate file tells.

    Attributes:
        corners: Of its outline, mm: seen from above as it lay on the plate; of one that stood, the
            front of its box.
        stands: Whether the lower edge is the bed.
    """

    corners: Sequence[Sequence[float]]
    stands: bool = False


def seen_from_above(facts: Mapping[str, Any] | None) -> Sequence[Sequence[float]]:
    """Return the corners of a specimen's outline on its plate, mm; none where the plate is not known.

    Args:
        facts: ``plate_facts`` of the specimen.
    """
    if not facts or not facts.get("box_mm"):
        return ()
    x0, y0, _, x1, y1, _ = facts["box_mm"]
    found: Sequence[Sequence[float]] = facts.get("contour_mm") or facts.get("outline_mm") or ()
    return found or ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def shape_of(facts: Mapping[str, Any] | None) -> Shape | None:
    """Return what a specimen looks like; None where its plate is not known.

    Args:
        facts: ``plate_facts`` of the specimen.
    """
    if not facts or not facts.get("box_mm"):
        return None
    x0, y0, z0, x1, y1, z1 = facts["box_mm"]
    wide, tall = max(x1 - x0, y1 - y0), z1 - z0
    if tall > wide:
        return Shape(((0.0, 0.0), (wide, 0.0), (wide, tall), (0.0, tall)), stands=True)
    return Shape(seen_from_above(facts))


class SpecimenKind(Kind):
    """A piece; its ID is its job's with its number in it."""

    name, plural, model, place = "specimen", "specimens", Specimen, 50
    owner = ("job_id",)
    form = (
        Ask("name", "Name"),
        Ask("orientation", "Orientation"),
        Ask("geometry", "Geometry"),
        Ask("gauge", "Gauge section"),
        Ask("outcome", "Outcome", "choice", choices=OUTCOMES),
        Ask("remark", "Remark"),
        Ask("cause", "Cause"),
        Ask("broken_at", "Used up at", "moment"),
        Ask("broken_height_mm", "Height at which it broke", "number", "mm", low=0, high=5_000),
        Ask("note", "Note"),
    )

    def name_of(self, row: Any) -> str:
        """Job, piece and check character."""
        return str(Ident("specimen", row.job_id, row.piece))

    def read(self, ask: Ask, typed: Any, when: When) -> Any:
        """Letters and a gauge section are held to their notations."""
        if ask.name == "orientation":
            return checked_letters(typed)
        if ask.name == "gauge":
            return platefile.read_gauge(typed).text
        return super().read(ask, typed, when)

    def check(self, session: Session, row: Any, when: When) -> None:
        """Refuse an outcome without the words it needs to be understood later."""
        del session, when
        check_outcome(row.piece, row.outcome, row.cause if row.outcome == "failed" else row.remark)

    def listing(self) -> Listing:
        """With material and outcome."""
        rows = select(
            Specimen.job_id,
            Specimen.piece,
            Specimen.name,
            Material.name.label("material"),
            Specimen.orientation,
            Specimen.outcome,
            func.coalesce(Specimen.remark, Specimen.cause).label("remark"),
            Job.name.label("job_name"),
        ).select_from(Specimen)
        return join_material(rows).order_by(Specimen.job_id, Specimen.piece)

    def listed(self, row: Row[Any]) -> dict[str, Any]:
        """Under its own ID and its job's."""
        rest = {
            key: value for key, value in row._mapping.items() if key not in ("job_id", "piece", "job_name")
        }
        return {"id": ids.specimen_id(row.job_id, row.piece), "job": ids.job_id(row.job_id), **rest}

    def head(self, row: Any) -> str:
        """ID and name."""
        return f"{self.name_of(row)}  {row.name or ''}".rstrip()

    def card(self, session: Session, row: Any, zone: dt.tzinfo) -> Card:
        """What it is of, what became of it, what was measured on it."""
        card = self.begun(session, row, zone)
        _add_print(session, row, card, zone)
        _add_section(row, card)
        words = row.remark or row.cause
        outcome = f"{row.outcome}: {words}" if row.outcome and words else row.outcome
        card.add("outcome", outcome or "still on the bed")
        if row.broken_at:
            card.add("used up", local_time(row.broken_at, zone))
        self._add_cuts(session, row, zone, card)
        rows = session.scalars(
            select(Measurement).where(Measurement.specimen_id == row.id).order_by(Measurement.id)
        ).all()
        done = [f"{ids.measurement_id(each.id)}  {each.method}  {summary(each)}" for each in rows]
        card.add_all("measured", struck_or_plain(rows, done), none="nothing yet")
        card.data["measurements"] = [ids.measurement_id(each.id) for each in live(rows)]
        add_photographs(session, Photograph.specimen_id == row.id, card, zone)
        add_note(card, row.note)
        return card

    def _add_cuts(self, session: Session, row: Specimen, zone: dt.tzinfo, card: Card) -> None:
        """Add what it was cut out of, and what was cut out of it."""
        if row.cut_from is not None:
            source = self.name_of(row.cut_from)
            card.add("cut from", f"{source}, {local_time(row.cut_at, zone)}")
            card.data["cut_from"] = source
        # Parts are of the same job, for which there is an index: else all specimens of the book are read.
        of_it = (Specimen.job_id == row.job_id, Specimen.cut_from_id == row.id)
        cut = session.scalars(select(Specimen).where(*of_it).order_by(Specimen.piece)).all()
        card.add_all("cut into", struck_or_plain(cut, [self.head(each) for each in cut]))

    def label(self, row: Any, zone: dt.tzinfo) -> dict[str, str]:
        """Material, orientation and the day it was printed."""
        links = spools_of_specimen(row)
        material = links[0].spool.material if links else row.job.material
        started = row.job.started_at
        return {
            "material": material.name if material else "",
            "orientation": row.orientation or "",
            "lot": links[0].spool.lot or "" if links else "",
            "date": local_time(started, zone)[:10] if started else "",
            "job": ids.job_id(row.job_id),
            "name": row.name or "",
            "described": _described(row),
        }


def _described(row: Specimen) -> str:
    """Return name and orientation as they are read on a label: ``bar 3 · upright (ZYX)``."""
    letters = row.orientation or ""
    return " · ".join(filter(None, (row.name, f"{in_words(letters)} ({letters})" if letters else "")))


def check_outcome(piece: int, outcome: str | None, words: str | None) -> None:
    """Refuse an outcome that is none, or that lacks the words it needs to be understood later.

    Raises:
        FormError: No outcome of that name, usable without a remark, or failed without a cause.
    """
    if outcome is not None and outcome not in OUTCOMES:
        raise FormError(f"{outcome!r} is no outcome", do=f"Say {', '.join(OUTCOMES)}")
    if outcome == "usable" and not words:
        raise FormError(f"Piece {piece} is usable, but with what remark", do="--usable 4=stringy")
    if outcome == "failed" and not words:
        raise FormError(f"Piece {piece} failed, but why", do="--failed 5='came loose'")


_SECTION: Final = (
    ("nozzle_c", "nozzle", "°C"), ("fan_pct", "fan", "%"), ("layer_time_s", "layer time", "s"),
    ("flow_mm3_s", "flow", "mm³/s"), ("flow_factor_pct", "flow factor", "%"),
)  # fmt: skip
"""What of the plate's figures a specimen shows; `trace` has all of them, with their basis."""


def _add_print(session: Session, row: Specimen, card: Card, zone: dt.tzinfo) -> None:
    """Add what it was printed of and from, how it was oriented, and when its job began."""
    with Reader(session.connection()) as reader:
        way = of_specimens(reader, [row.id], measured=False)[row.id]
    job, material = ids.job_id(row.job_id), way.material
    spools = [(ids.spool_id(each.spool.id), each.spool.lot or "not recorded") for each in way.spools]
    card.data |= {
        **piece_data(row),
        "job": job,
        "material": material.name if material else None,
        "spools": [ident for ident, _ in spools],
    }
    card.add("material", card.data["material"])
    card.add("orientation", f"{row.orientation} ({in_words(row.orientation)})" if row.orientation else None)
    began = way.printed.job.started_at if way.printed is not None else None
    card.add("job", f"{job}, {local_time(began, zone) if began else 'start not recorded'}")
    card.add("spool", ", ".join(f"{ident} (lot {lot})" for ident, lot in spools))


def _add_section(row: Specimen, card: Card) -> None:
    """Add the gauge section and how it was printed, where the printer waited for a person, and the tools."""
    facts = row.plate_facts or {}
    section = facts.get("section") or {}
    if row.gauge:
        by = section.get("by") or "somebody"
        card.add("gauge section", f"{row.gauge} mm from the corner of its box, stated by {by}")
    spans = ((words, section.get(name) or {}, unit) for name, words, unit in _SECTION)
    figures = [
        f"{words} {_span(span['low'], span['high'])} {unit}"
        for words, span, unit in spans
        if span.get("low") is not None and span.get("high") is not None
    ]
    if figures:
        card.add("gauge section printed with", ", ".join(figures))
    inside = section.get("pauses_at") or ()
    pauses = [
        f"{each}{' (in the gauge section)' if each in inside else ''}" for each in facts.get("pauses", ())
    ]
    if pauses:
        card.add("the printer waited for a person", "; ".join(pauses))
    tools = facts.get("tools", ())
    if len(tools) > 1:
        card.add("tools", ", ".join(f"T{each['tool']} {each['filament_mm'] / 1000:.2f} m" for each in tools))


def _span(low: float, high: float) -> str:
    """Return ``240 – 255``, or one number where both are alike."""
    ends = dict.fromkeys((f"{low:.3g}", f"{high:.3g}"))
    return " – ".join(ends)


def specimens_table(rows: Sequence[Specimen]) -> CardTable:
    """Return the specimens of a job, as its card shows them."""
    lines = tuple(
        (
            ids.specimen_id(row.job_id, row.piece), row.name or "–", row.orientation or "–",
            row.outcome or "on the bed", row.remark or row.cause or "–",
        )
        for row in rows
    )  # fmt: skip
    columns = ("specimen", "name", "orientation", "outcome", "remark or cause")
    gone = frozenset(place for place, row in enumerate(rows) if row.voided is not None)
    return CardTable("Specimens", columns, lines, gone)


def piece_data(row: Specimen) -> dict[str, Any]:
    """Return a piece with the keys that other people's scripts read."""
    facts = row.plate_facts or {}
    return {
        "id": ids.specimen_id(row.job_id, row.piece),
        "name": row.name,
        "orientation": row.orientation,
        "outcome": row.outcome,
        "box_mm": facts.get("box_mm"),
        "centre_mm": [row.x_mm, row.y_mm] if row.x_mm is not None else None,
        "layers": facts.get("layers"),
        "filament_mm": row.filament_mm,
        "filament_g": row.filament_g,
        "layer_time_min_s": facts.get("layer_time_min_s"),
        "own_layer_time_min_s": facts.get("own_layer_time_min_s"),
        "flow": facts.get("flow"),
        "flow_by_feature": facts.get("flow_by_feature"),
        "pauses": facts.get("pauses"),
        "flow_factor_pct": (facts.get("section") or {}).get("flow_factor_pct"),
        "tools": facts.get("tools"),
        "geometry": row.geometry,
        "gauge": row.gauge,
        "dummy": bool(row.dummy),
        "remark": row.remark,
        "cause": row.cause,
    }


KINDS = (SpecimenKind(),)
