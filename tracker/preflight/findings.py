"""What a preflight finds: stops, warnings, and differences from what should be repeated."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Kind = Literal["stop", "warning"]


@dataclass(frozen=True)
class Finding:
    """Something to know before the print.

    Attributes:
        kind: ``stop`` (do not print this) or ``warning`` (print it knowingly).
        about: What it concerns, one or two words.
        text: One sentence.
        specimens: Names of those that it concerns, where a spool serves some of the plate's only.
    """

    kind: Kind
    about: str
    text: str
    specimens: tuple[str, ...] = ()


@dataclass(frozen=True)
class Difference:
    """A value that differs from that of the job or plan to be repeated.

    Attributes:
        what: Factor, or key of a setting.
        plate: Value on this plate, or None where it is not stated.
        like: Value there.
        unit: Of numbers.
        relative: Difference as a part of the value there; None for words, where one is missing, or where
            the value there is zero.
        spans: Difference in typical spans of the factor; None where it has none.
        factor: Of a gauge section: the factor, where ``what`` names the specimens too.
        everywhere: Of a gauge section: whether it concerns every specimen of the plate.
    """

    what: str
    plate: float | str | None
    like: float | str | None
    unit: str = ""
    relative: float | None = None
    spans: float | None = None
    factor: str = ""
    everywhere: bool = False

    @property
    def alone(self) -> bool:
        """Whether only one of the two states it."""
        return (self.plate is None) != (self.like is None)

    @property
    def from_zero(self) -> bool:
        """Whether a number stands against zero: larger than any part of it could be."""
        return self.relative is None and number_of(self.plate) is not None and number_of(self.like) == 0.0


def number_of(value: float | str | None) -> float | None:
    """Return a value as a number; None for words, and for percentages, which are parts of something else."""
    try:
        return None if value is None else float(value)
    except ValueError:
        return None


@dataclass
class Report:
    """All that a preflight found.

    Attributes:
        plate: Name of the file.
        spool: ID of the spool.
        findings: Stops first.
        like: What the plate was compared with; empty for nothing.
        differences: The largest relative one first; words after numbers, what one side only states last.
        agrees: Whether the gauge section of every specimen is as in the job; None where none was compared.
        sections: Facts of the gauge section of each specimen.
        pieces: What is on the plate, one line each kind, with the numbers of its pieces.
        notes: What reading the plate has to say.
        filament_g: The plate needs; None where not known.
        time_s: It takes, without heating.
        left_g: Left on the only spool; None where not known, or where there are several.
        left: For each spool: its ID, tool, what is left of it and what the plate needs of it, in g.
    """

    plate: str
    spool: str
    findings: list[Finding] = field(default_factory=list)
    like: str = ""
    differences: list[Difference] = field(default_factory=list)
    agrees: bool | None = None
    sections: list[dict[str, Any]] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    filament_g: float | None = None
    time_s: float | None = None
    left_g: float | None = None
    left: list[dict[str, Any]] = field(default_factory=list)

    @property
    def stopped(self) -> bool:
        """Whether the plate should not be printed as it is."""
        return any(finding.kind == "stop" for finding in self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return it as plain JSON values."""
        named = [
            {"about": f.about, "text": f.text, "kind": f.kind, "specimens": list(f.specimens)}
            for f in self.findings
        ]
        return {
            "plate": self.plate, "spool": self.spool, "go": not self.stopped,
            "stops": [each for each in named if each["kind"] == "stop"],
            "warnings": [each for each in named if each["kind"] == "warning"],
            "like": self.like or None,
            "differences": [vars(difference) for difference in self.differences],
            "agrees": self.agrees, "sections": self.sections,
            "pieces": self.pieces, "notes": self.notes, "filament_g": self.filament_g, "time_s": self.time_s,
            "left_g": self.left_g, "spools": self.left,
        }  # fmt: skip
