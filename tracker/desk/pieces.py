"""A specimen or spool as a method sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tracker.kinds import ident_of
from tracker.kinds.specimen import material_of
from tracker.model import Specimen, Spool

if TYPE_CHECKING:
    from tracker.api import Piece


def piece_of(row: Specimen | Spool) -> Piece:
    """Return what is recorded of the thing tested, as far as a method's arithmetic may use it."""
    from tracker.api import Piece  # noqa: PLC0415 - labels ask for the material alone, and need no methods

    if isinstance(row, Spool):
        return Piece(
            id=str(ident_of(row)), kind="spool", name=row.material.name, material=row.material.name,
            family=row.material.family, density_g_cm3=row.material.density_g_cm3,
        )  # fmt: skip
    material = material_of(row)
    sizes = (row.size_x_mm, row.size_y_mm, row.size_z_mm)
    return Piece(
        id=str(ident_of(row)),
        name=row.name or "",
        orientation=row.orientation,
        outcome=row.outcome,
        geometry=row.geometry,
        nominal_mm=_nominal(row.geometry),
        box_mm=None if None in sizes else sizes,  # type: ignore[arg-type] # none of them is None here
        material=material.name if material else None,
        family=material.family if material else None,
        density_g_cm3=material.density_g_cm3 if material else None,
    )


def _nominal(geometry: str | None) -> dict[str, float]:
    """Return what the section of a geometry template should measure; empty where none is recorded."""
    # The room of plate files brings numpy along; a piece without a template does without it.
    if geometry is None or geometry == "free":
        return {}
    from tracker.platefile import pieces  # noqa: PLC0415 - see above

    section = next((each.section_mm for each in pieces() if each.id == geometry), None)
    return {} if section is None else {"width": section[0], "thickness": section[1]}
