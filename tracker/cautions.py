"""The usual cautions, shown where the work begins that they are about; common practice, no source.

What a method is dangerous by it says itself (:attr:`tracker.api.Method.cautions`); here are those of the
work around it. None of them is all that is to be known.
"""

from __future__ import annotations

from typing import Final

__all__ = ["DRYING", "FIRST", "OFF_THE_BED", "PRINTING"]

FIRST: Final = "Local codes, the maker's safety data sheet and licensed practice come first."

PRINTING: Final = f"Heated polymers give off fumes: ventilate. Nozzle, bed and chamber are hot. {FIRST}"

OFF_THE_BED: Final = (
    "Let the plate cool. Scrape and cut away from the hand, in gloves that withstand a blade; pieces that"
    " come loose at once fly: eye protection. Fibre-filled pieces shed dust when cut or broken: extraction or"
    f" a mask, wipe wet. {FIRST}"
)

DRYING: Final = (
    "Drying: stay below what polymer, reel and dryer withstand; ventilate, it gives off fumes; never leave an"
    " oven unwatched that was not made for it. Regenerate desiccant by its maker's sheet, out of the dryer:"
    f" what it gives off is hot and damp. {FIRST}"
)
