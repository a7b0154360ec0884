"""A specimen or spool as a method sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tracker.kinds import ident_of
from tracker.lazy_modules import lazy
from tracker.lineage import material_of_specimen
from tracker.model import Material, Specimen, Spool

if TYPE_CHECKING:
    from tracker import api, platefile
    from tracker.api import Piece
else:
    api = lazy("tracker.api")
    platefile = lazy("tracker.platefile")


def piece_of(row: Specimen | Spool) -> Piece:
    """Return what is recorded of the thing tested, as far as a method's arithmetic may use it."""
    material = row.material if isinstance(row, Spool) else material_of_specimen(row)
    return piece_from(str(ident_of(row)), None if isinstance(row, Spool) else row, material)


def piece_from(ident: str, specimen: Specimen | None, material: Material | None) -> api.Piece:
    """Return the same of rows that were read otherwise; without a specimen it is a spool that was tested."""
    of_material: dict[str, Any] = {
        "material": material.name if material else None,
        "family": material.family if material else None,
        "density_g_cm3": material.density_g_cm3 if material else None,
    }
    if specimen is None:
        return api.Piece(id=ident, kind="spool", name=of_material["material"] or "", **of_material)
    sizes = (specimen.size_x_mm, specimen.size_y_mm, specimen.size_z_mm)
    return api.Piece(
        id=ident,
        name=specimen.name or "",
        orientation=specimen.orientation,
        outcome=specimen.outcome,
        geometry=specimen.geometry,
        nominal_mm=_nominal(specimen.geometry),
        box_mm=None if None in sizes else sizes,  # type: ignore[arg-type] # none of them is None here
        **of_material,
    )


def _nominal(geometry: str | None) -> dict[str, float]:
    """Return what the section of a geometry template should measure; empty where none is recorded."""
    # The room of plate files brings numpy along; a piece without a template does without it.
    if geometry is None or geometry == "free":
        return {}

    section = next((each.section_mm for each in platefile.pieces() if each.id == geometry), None)
    return {} if section is None else {"width": section[0], "thickness": section[1]}
