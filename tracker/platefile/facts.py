"""What is known of the layers of a piece, each figure with its basis."""

from __future__ import annotations

from dataclasses import dataclass

COMMANDED = "commanded"
WITH_FLOW_FACTOR = "with flow factor"
STATED = "stated by slicer"
ESTIMATED = "estimated"
NOT_STATED = "not stated"
GIVEN = "given"

Point = tuple[float, float]
Box = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Reading:
    """One quantity over some deposits, weighted by the filament deposited.

    Attributes:
        value: Mean; None where nothing is known.
        low: Least value in force.
        high: Greatest value in force.
        basis: Where it comes from.
        share: Part of the filament (0 to 1) for which it is known.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    basis: str = NOT_STATED
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class SetPoints:
    """Set-points in force while something was deposited.

    Attributes:
        nozzle_c: Nozzle, °C; a command below 100 °C counts as not stated (it hides in a macro).
        bed_c: Bed, °C.
        chamber_c: Chamber, °C.
        fans_pct: Pairs of fan index and duty in percent; an index's meaning is the machine's.
    """

    nozzle_c: Reading = Reading()
    bed_c: Reading = Reading()
    chamber_c: Reading = Reading()
    fans_pct: tuple[tuple[int, Reading], ...] = ()


@dataclass(frozen=True, slots=True)
class Flow:
    """Volume flow along the moves of at least 1 mm and 10 ms.

    Attributes:
        median: mm³/s; half of the filament was deposited more slowly.
        p95: mm³/s; 95 % of the filament was deposited more slowly.
        most: Greatest in mm³/s.
        basis: ``estimated``: it rests on planned times and the filament's diameter.
    """

    median: float | None = None
    p95: float | None = None
    most: float | None = None
    basis: str = NOT_STATED


@dataclass(frozen=True, slots=True)
class Retractions:
    """Times that the filament was pulled back.

    Attributes:
        count: By E.
        length_mm: Most frequent length in mm.
        speed_mm_s: Most frequent speed.
        by_firmware: Further ones by G10; their length is set in the printer.
        basis: ``commanded``, or ``not stated`` if there are none.
    """

    count: int = 0
    length_mm: float | None = None
    speed_mm_s: float | None = None
    by_firmware: int = 0
    basis: str = NOT_STATED


@dataclass(frozen=True, slots=True)
class Stretch:
    """The part of a layer that was deposited under one set of set-points.

    Attributes:
        box_mm: xmin, ymin, xmax, ymax of its centre lines.
        start_s: Start of its first deposit, s since the start of the file.
        end_s: End of its last deposit.
        busy_s: Time of its depositing moves.
        filament_mm: Deposited.
        nozzle_c: °C, None if not stated.
        bed_c: °C, None if not stated.
        chamber_c: °C, None if not stated.
        fans_pct: Pairs of fan index and duty in percent.
        speed_mm_s: Mean commanded speed, weighted by filament.
    """

    box_mm: tuple[float, float, float, float]
    start_s: float
    end_s: float
    busy_s: float
    filament_mm: float
    nozzle_c: float | None
    bed_c: float | None
    chamber_c: float | None
    fans_pct: tuple[tuple[int, float], ...]
    speed_mm_s: float


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of one object.

    Attributes:
        z_mm: Its top: height of the nozzle while it was deposited.
        height_mm: Distance to the object's layer below, or to the bed.
        start_s: Start of its first deposit, s of planned motion since the start of the file.
        end_s: End of its last deposit.
        time_s: Until the object's next layer begins; of the last layer until its own end.
        own_time_s: Time inside the object's markers, travel included.
        filament_mm: Deposited, with the flow factor.
        flow_mm3_s: Mean volume flow of the depositing moves, None if no time passed.
        speed_mm_s: Mean commanded speed, weighted by filament.
        set_points: In force while it was deposited.
        stretches: Its parts by set-points.
    """

    z_mm: float
    height_mm: float
    start_s: float
    end_s: float
    time_s: float
    own_time_s: float
    filament_mm: float
    flow_mm3_s: float | None
    speed_mm_s: float
    set_points: SetPoints
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """A set-point that changes from one layer of an object to the next; heights in mm, heat in °C.

    Attributes:
        what: ``nozzle_c``, ``bed_c``, ``chamber_c`` or ``fan<index>_pct``.
        z_mm: Top of the first layer under the new value.
        layer: Its number, from 1.
        before: Mean of the layer before; None if not stated.
        after: Mean of this layer; None if not stated.
    """

    what: str
    z_mm: float
    layer: int
    before: float | None
    after: float | None
