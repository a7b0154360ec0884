"""A trace as W3C PROV-JSON (member submission of 24 April 2013): entities, activities, agents.

Things are entities, what was done is an activity, people and methods are agents. Names are those of the
labels, under a prefix of the book, so that documents of one book can be merged.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any, Final

from tracker.ids import drying_id, job_id, measurement_id, rig_id, specimen_id, spool_id
from tracker.journal import moment, plain
from tracker.lineage import Judged, Measured, SpoolHistory, columns_of
from tracker.model import Attachment, Job, Material, Measurement, Specimen
from tracker.trace.way import Way

_TERMS: Final = "urn:strandbook:terms:"


def prov(way: Way) -> dict[str, Any]:
    """Return the trace as a PROV-JSON document."""
    document = _Document(way.book)
    path = way.path
    for each in path.measured:
        document.measurement(each, path.specimen, way.path.spools)
    if path.specimen is not None:
        document.specimen(path.specimen)
    for piece in path.pieces:
        document.specimen(piece)
    if path.job is not None:
        document.job(path.job, path.plate)
    for spool in path.spools:
        document.spool(spool, path.job)
    if path.material is not None and not path.spools and path.job is not None:
        document.material(path.material, document.name(job_id(path.job.id)))
    return document.whole()


class _Document:
    """Gathers the statements of a document, each under a number of its own."""

    def __init__(self, book: str) -> None:
        self._kinds: dict[str, dict[str, Any]] = {}
        self._prefix = {"sb": f"urn:strandbook:{book}:", "term": _TERMS, "sha256": "urn:sha256:"}
        self._relations = 0

    @staticmethod
    def name(ident: str) -> str:
        """Return the qualified name of something of this book."""
        return f"sb:{ident}"

    def whole(self) -> dict[str, Any]:
        """Return the document."""
        return {"prefix": self._prefix, **self._kinds}

    def _add(self, kind: str, name: str, **attributes: Any) -> str:
        known = {key: value for key, value in attributes.items() if value is not None}
        self._kinds.setdefault(kind, {}).setdefault(name, {}).update(
            {key.replace("__", ":", 1): value for key, value in known.items()}
        )
        return name

    def _relate(self, kind: str, **ends: str) -> None:
        self._relations += 1
        self._kinds.setdefault(kind, {})[f"_:r{self._relations}"] = {
            f"prov:{key}": value for key, value in ends.items()
        }

    def _thing(self, name: str, kind: str, row: object, *columns: str) -> str:
        known = columns_of(row)
        attributes = {f"term__{column}": plain(known[column]) for column in columns}
        return self._add("entity", name, prov__type=_typed(kind), **attributes)

    def _person(self, who: str | None, activity: str) -> None:
        if who:
            agent = self._add(
                "agent", self.name(f"person.{_slug(who)}"), prov__type="prov:Person", prov__label=who
            )
            self._relate("wasAssociatedWith", activity=activity, agent=agent)

    def _file(self, digest: str, name: str) -> str:
        return self._add("entity", f"sha256:{digest}", prov__type=_typed("file"), prov__label=name)

    def measurement(self, each: Measured, specimen: Specimen | None, spools: Sequence[SpoolHistory]) -> None:
        """State a measurement, its readings, recordings, rigs and results."""
        row = each.measurement
        ident = measurement_id(row.id)
        taking = self._add(
            "activity",
            self.name(ident),
            prov__type=_typed("measurement"),
            prov__startTime=_time(row.at),
            term__method=row.method,
            term__source=row.source,
        )
        self._person(row.operator, taking)
        subject = (
            self.name(specimen_id(specimen.job_id, specimen.piece))
            if specimen is not None
            else self.name(spool_id(spools[0].spool.id))
        )
        self._relate("used", activity=taking, entity=subject)
        for use in each.rigs:
            rig = self._thing(self.name(rig_id(use.rig.id)), "rig", use.rig, "name", "resolution")
            self._relate("used", activity=taking, entity=rig)
        sources = self._readings(each, ident, taking) or [subject]
        for judged in each.results:
            self._result(ident, row, judged, sources)

    def _readings(self, each: Measured, ident: str, taking: str) -> list[str]:
        made = [self._file(recorded.file.sha256, recorded.file.name) for recorded in each.files]
        readings = each.measurement.readings
        if readings:
            attributes = {
                f"term__{key}": value for key, value in readings.items() if not isinstance(value, list)
            }
            made.append(
                self._add(
                    "entity", self.name(f"{ident}.readings"), prov__type=_typed("readings"), **attributes
                )
            )
        for entity in made:
            self._relate("wasGeneratedBy", entity=entity, activity=taking)
        return made

    def _result(self, ident: str, measurement: Measurement, judged: Judged, sources: list[str]) -> None:
        result = judged.result
        name = self._thing(
            self.name(f"{ident}.{result.quantity}"), "result", result,
            "quantity", "value", "unit", "uncertainty", "relation", "counted", "refused",
        )  # fmt: skip
        for source in sources:
            self._relate("wasDerivedFrom", generatedEntity=name, usedEntity=source)
        version = result.method_version
        if version:
            method = f"{measurement.method}.{version}"
            agent = self._add("agent", self.name(f"method.{method}"), prov__type="prov:SoftwareAgent")
            self._relate("wasAttributedTo", entity=name, agent=agent)

    def specimen(self, row: Specimen) -> None:
        """State a piece and the job that made it."""
        name = self._thing(
            self.name(specimen_id(row.job_id, row.piece)),
            "specimen",
            row,
            "orientation",
            "outcome",
            "note",
        )
        self._relate("wasGeneratedBy", entity=name, activity=self.name(job_id(row.job_id)))

    def job(self, row: Job, plate: Attachment | None) -> None:
        """State a print and its plate file."""
        job = self._add(
            "activity",
            self.name(job_id(row.id)),
            prov__type=_typed("job"),
            prov__label=row.name,
            prov__startTime=_time(row.started_at),
            prov__endTime=_time(row.ended_at),
            **{
                f"term__{key}": columns_of(row)[key]
                for key in ("printer", "nozzle_set_c", "chamber_measured_c")
            },
        )
        self._person(row.operator, job)
        if plate is not None:
            self._relate("used", activity=job, entity=self._file(plate.sha256, plate.name))
        if row.again_of_id is not None:
            earlier = self._add("activity", self.name(job_id(row.again_of_id)))
            self._relate("wasInformedBy", informed=job, informant=earlier)

    def spool(self, path: SpoolHistory, job: Job | None) -> None:
        """State a spool, its material, its dryings and the job it went into."""
        name = self._thing(self.name(spool_id(path.spool.id)), "spool", path.spool, "lot", "received_on")
        if job is not None:
            self._relate("used", activity=self.name(job_id(job.id)), entity=name)
        product = self._product(path.material)
        self._relate("specializationOf", specificEntity=name, generalEntity=product)
        for each in path.dryings:
            row = each.drying
            drying = self._add(
                "activity",
                self.name(drying_id(row.id)),
                prov__type=_typed("drying"),
                prov__startTime=_time(row.began_at),
                prov__endTime=_time(row.ended_at),
                term__set_c=row.set_c,
                term__measured_c=row.measured_c,
            )
            self._relate("used", activity=drying, entity=name)

    def material(self, row: Material, job: str) -> None:
        """State a material that a job used, its spool not being recorded."""
        self._relate("used", activity=job, entity=self._product(row))

    def _product(self, row: Material) -> str:
        return self._thing(self.name(f"material.{row.id}"), "material", row, "name", "family", "maker")


def _typed(kind: str) -> dict[str, str]:
    return {"$": f"term:{kind}", "type": "prov:QUALIFIED_NAME"}


def _time(value: dt.datetime | None) -> str | None:
    return None if value is None else moment(value)


def _slug(who: str) -> str:
    """Return a name as the local part of a qualified name: letters and digits, the rest by code point."""
    return "".join(each if each.isalnum() else f"_{ord(each):x}_" for each in who)
