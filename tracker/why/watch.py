"""What a look over a whole book points at. It decides nothing."""

from __future__ import annotations

import textwrap
from dataclasses import asdict, dataclass
from typing import Any

from tracker.statistics import EwmaChart, IndividualsChart
from tracker.why.problem import Question
from tracker.why.words import number, per_cent, signed


@dataclass(frozen=True)
class PlateChart:
    """The plates of one material in order of time, net of what was recorded about them.

    Attributes:
        material: The material.
        plates: Plate names in order.
        residuals: Each plate's mean less what its factors explain; a fraction, or in the unit.
        individuals: Shewhart's chart of the residuals.
        average: Moving average of the residuals.
    """

    material: str
    plates: tuple[str, ...]
    residuals: tuple[float, ...]
    individuals: IndividualsChart
    average: EwmaChart

    @property
    def beyond(self) -> tuple[str, ...]:
        """Plates outside the limits of either chart."""
        places = sorted({*self.individuals.beyond, *self.average.beyond})
        return tuple(self.plates[place] for place in places)


@dataclass(frozen=True)
class ReaderLevel:
    """One rig or operator beside the mean of all.

    Attributes:
        factor: ``rig``, ``operator`` or another reader.
        level: Which one.
        plates: Plates it read.
        delta: How much higher it reads than the mean of all readers; a fraction, or in the unit.
        low: Lower 95 % limit.
        high: Upper 95 % limit.
    """

    factor: str
    level: str
    plates: int
    delta: float
    low: float
    high: float

    @property
    def differs(self) -> bool:
        """True where the interval excludes zero."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Precision:
    """Intermediate precision over the levels of one reader (ISO 5725-2 components of plate residuals).

    Attributes:
        factor: The reader.
        within: Standard deviation of plates read by one level; a fraction, or in the unit.
        between: Standard deviation between levels.
    """

    factor: str
    within: float
    between: float


@dataclass(frozen=True)
class Improbable:
    """A result that the rest of the book would not have expected.

    Attributes:
        result_id: The result; its trace tells where it came from.
        specimen: Its piece.
        plate: Its plate.
        value: Its value.
        expected: What all other results foresaw for its factors, same unit.
        z: Its distance from that in standard deviations.
        p: Probability of a larger distance.
    """

    result_id: str
    specimen: str
    plate: str
    value: float
    expected: float
    z: float
    p: float


@dataclass(frozen=True)
class Watch:
    """What is worth a look.

    Attributes:
        question: The quantity.
        fraction: True where residuals are fractions, False where in the unit.
        charts: One for each material with three or more plates.
        readers: Every level of every reader.
        precision: One for each reader with repeated levels.
        improbable: Results, least probable first.
    """

    question: Question
    fraction: bool
    charts: tuple[PlateChart, ...]
    readers: tuple[ReaderLevel, ...]
    precision: tuple[Precision, ...]
    improbable: tuple[Improbable, ...]

    def as_json(self) -> dict[str, Any]:
        """Return everything as plain data."""
        data = asdict(self)
        for chart, plain in zip(self.charts, data["charts"], strict=True):
            plain["beyond"] = list(chart.beyond)
        for reader, plain in zip(self.readers, data["readers"], strict=True):
            plain["differs"] = reader.differs
        return data

    def sentences(self, width: int = 80) -> list[str]:
        """Return what stands out, in plain sentences."""
        texts = [self._chart(chart) for chart in self.charts if chart.beyond]
        texts += [self._reader(reader) for reader in self.readers if reader.differs]
        texts += [self._result(result) for result in self.improbable]
        if not texts:
            texts = ["nothing stands out."]
        named = [f"{self.question.named}: {text}" for text in texts]
        return [
            line for text in named for line in textwrap.wrap(text, max(width, 40), subsequent_indent="  ")
        ]

    def _amount(self, value: float) -> str:
        return per_cent(value) if self.fraction else f"{signed(value)} {self.question.unit}".rstrip()

    def _chart(self, chart: PlateChart) -> str:
        names = ", ".join(chart.beyond)
        return (
            f"{chart.material}: {names} outside the control limits "
            f"({self._amount(chart.individuals.low)} to {self._amount(chart.individuals.high)}). Look at it."
        )

    def _reader(self, reader: ReaderLevel) -> str:
        limits = f"{self._amount(reader.low)} to {self._amount(reader.high)}"
        where = f"{reader.factor} {reader.level} reads {self._amount(reader.delta)} against all ({limits}"
        return f"{where}, {reader.plates} plates)."

    def _result(self, result: Improbable) -> str:
        return (
            f"{result.result_id} ({result.specimen or result.plate}) reads {number(result.value)} where "
            f"{number(result.expected)} {self.question.unit} was to be expected "
            f"({number(abs(result.z), 2)} standard deviations). Trace it."
        )
