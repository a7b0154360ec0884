"""What a method may know of the thing it tests."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Piece:
    """The specimen (or spool) under test, as far as it is recorded; None is "not recorded".

    Attributes:
        id: Its ID, ``J0012-04-K`` or ``S0007-K``.
        kind: ``specimen`` or ``spool``.
        name: Name of the object on the plate, or of the product.
        orientation: Letters of ISO/ASTM 52921, ``XYZ``.
        outcome: ``good``, ``usable``, ``failed`` or None.
        geometry: Name of the geometry template it was recognised as, or None.
        nominal_mm: Template dimensions by name (``width``, ``thickness``, ``length``).
        box_mm: Size of the printed box along X, Y and Z.
        material: Product name; ``family`` its polymer family.
        density_g_cm3: From the data sheet.
        factors: Every recorded factor by name.
    """

    id: str = ""
    kind: str = "specimen"
    name: str = ""
    orientation: str | None = None
    outcome: str | None = None
    geometry: str | None = None
    nominal_mm: Mapping[str, float] = field(default_factory=dict)
    box_mm: tuple[float, float, float] | None = None
    material: str | None = None
    family: str | None = None
    density_g_cm3: float | None = None
    factors: Mapping[str, float | str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Instrument:
    """What a reading was taken with, as far as its uncertainty goes.

    Attributes:
        id: The rig's or instrument's ID; it names the contribution in the budget.
        unit: Unit of ``resolution``, ``u_abs``, ``capacity`` (canonical: N, mm, g, °C, …).
        resolution: Smallest step shown; None lets the reading's own declared step count.
        u_abs: Standard uncertainty of calibration, absolute, in ``unit``.
        u_rel: Standard uncertainty of calibration relative to the reading (0.01 is 1 %).
        low: Least value it may be used for, in ``unit``, or None.
        capacity: Greatest value it may be used for, in ``unit``, or None.
        note: Said beside a budget (calibration date, "not calibrated").
    """

    id: str
    unit: str
    resolution: float | None = None
    u_abs: float = 0.0
    u_rel: float = 0.0
    low: float | None = None
    capacity: float | None = None
    note: str = ""
