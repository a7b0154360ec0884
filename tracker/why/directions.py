"""Published directions of effect: notes beside a share, never evidence for it."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any


@dataclass(frozen=True)
class Direction:
    """What the literature says of raising one factor.

    Attributes:
        factor: Entry in ``directions.toml``.
        of: The property it speaks of.
        sign: ``"+"``, ``"-"``, ``"0"``, or ``"mixed"``.
        strength: S several studies agree, M few or material-dependent, W contested.
        remark: Conditions, in a few words.
        source: Where it was read.
    """

    factor: str
    of: str
    sign: str
    strength: str
    remark: str
    source: str

    def agrees(self, change: float, share: float) -> bool | None:
        """Return whether a share has the published sign; None where no sign is published.

        Args:
            change: Factor in B less factor in A.
            share: The share, B less A.
        """
        if self.sign not in {"+", "-"} or change == 0 or share == 0:
            return None
        expected = (1 if self.sign == "+" else -1) * change
        # The sign alone: published sizes hold for other machines and other materials.
        return (expected > 0) == (share > 0)


def property_of(quantity: str, about: str = "") -> str:
    """Return the column of the published table that speaks of a quantity.

    Args:
        quantity: As in ``tensile.modulus``.
        about: ``"interlayer"`` or ``"in-plane"`` for strengths, where known.
    """
    for words, column in _columns():
        if any(word in quantity for word in words):
            # Cooling or chamber heat act on interlayer strength and hardly in the plane; unknown is taken
            # for the plane, where fewer directions are claimed.
            return about or "in-plane" if column == "strength" else column
    return ""


def published(factor: str, of: str) -> Direction | None:
    """Return the published direction of a factor on a property, or None."""
    for entry in _table()["factor"]:
        if factor in entry["names"] and of in entry:
            remark = entry.get("remark", "")
            return Direction(entry["id"], of, entry[of], entry["strength"], remark, entry["source"])
    return None


def _columns() -> list[tuple[list[str], str]]:
    return [(list(row["words"]), str(row["column"])) for row in _table()["property"]]


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath("directions.toml").read_text(encoding="utf-8"))
