"""What an import would make, before anything of it is written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tracker.plugins import Computed


@dataclass(frozen=True, slots=True)
class FileDraft:
    """A file of a measurement, as it lay there when the plan was made.

    Attributes:
        field: Field of the readings it belongs to.
        place: Where it lies.
        name: Its file name.
        sha256: Digest of its bytes, hexadecimal.
        size: Bytes.
    """

    field: str
    place: Path
    name: str
    sha256: str
    size: int


@dataclass(frozen=True, slots=True)
class FactorDraft:
    """A factor of a specimen: a number in the unit its name ends in, or a word."""

    name: str
    number: float | None
    text: str | None


@dataclass(frozen=True, slots=True)
class MeasurementDraft:
    """A measurement and what its method made of it.

    Attributes:
        method: Id of the method.
        version: Of the method; None for a value without readings.
        readings: Raw readings in the method's units; None for a value without readings.
        units: Of the readings.
        source: ``imported``, or ``given`` for a value without readings.
        results: With value, or refused with the reason.
        problem: What went wrong in the plugin.
        files: Recordings.
    """

    method: str
    version: str | None
    readings: Mapping[str, Any] | None
    source: str
    results: tuple[Computed, ...]
    problem: str | None = None
    units: Mapping[str, str] | None = None
    files: tuple[FileDraft, ...] = ()


@dataclass(frozen=True, slots=True)
class SpecimenDraft:
    """A piece, from one line of the sheet; ``texts`` are its columns in the store."""

    line: int
    texts: Mapping[str, str]
    factors: tuple[FactorDraft, ...]
    measurements: tuple[MeasurementDraft, ...]


@dataclass
class JobDraft:
    """A plate: the pieces that were printed together, in the order of the sheet."""

    name: str | None
    material: str
    line: int
    specimens: list[SpecimenDraft] = field(default_factory=list)

    def measurements(self) -> Iterator[MeasurementDraft]:
        """Yield the measurements of all its pieces."""
        for specimen in self.specimens:
            yield from specimen.measurements
