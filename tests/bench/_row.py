"""One line of the table of speeds: ours, the floor measured in the same run, and their ratio."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """A piece of work, timed beside the least that any program could do for it.

    Attributes:
        work: What was done, with its size.
        ours: Our figure, in ``unit``.
        floor: The floor's figure, in ``unit``, measured in alternating rounds with ours.
        goal: The bound on the ratio, as text.
        unit: Unit of both figures.
        note: What the floor was, or what limits us.
    """

    work: str
    ours: float
    floor: float
    goal: str
    unit: str = "s"
    note: str = ""

    @property
    def ratio(self) -> float:
        """Ours divided by the floor's."""
        return self.ours / self.floor
