"""A test method, as a plugin supplies it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, ClassVar, Literal

from tracker.api._piece import Piece
from tracker.api._quantity import Outcome, Quantity
from tracker.api._readings import Readings


class Method:
    """Base class of test methods: declarations, one computation, and perhaps a figure.

    Attributes:
        id: One lower-case word: ``tensile``.
        title: What people call it.
        version: Of the arithmetic; goes into every result. Raise it when a number would change.
        standard: The standard followed, with its edition, and how the bench rig departs from it.
        cautions: Hazards shown where readings are taken.
        subject: What it is done on.
        destructive: The piece is used up; a second destructive test on it is questioned.
        Readings: The readings model.
        quantities: What it may answer.
    """

    id: ClassVar[str]
    title: ClassVar[str]
    version: ClassVar[str]
    standard: ClassVar[str]
    cautions: ClassVar[tuple[str, ...]] = ()
    subject: ClassVar[Literal["specimen", "spool"]] = "specimen"
    destructive: ClassVar[bool] = False
    Readings: ClassVar[type[Readings]]
    quantities: ClassVar[tuple[Quantity, ...]]

    def compute(self, readings: Any, piece: Piece) -> Iterable[Outcome]:
        """Answer what can be answered from the readings.

        Args:
            readings: The validated ``Readings``, its numbers (also those inside a series) carrying
                their standard uncertainty as ``uncertainties.UFloat``; files are ``Recording``.
            piece: What is recorded about the thing tested.

        Returns:
            One outcome for each quantity that has a value or deserves a reason for having none.

        Raises:
            Refused: The readings as a whole are unusable; the text goes to the person as it stands.
        """
        raise NotImplementedError

    def figure(self, readings: Any, piece: Piece, outcomes: Iterable[Any]) -> Any | None:
        """Return a matplotlib ``Figure`` of the readings with the results, or None.

        Args:
            readings: The validated ``Readings``, plain numbers.
            piece: What is recorded about the thing tested.
            outcomes: The results as computed; each has ``quantity``, ``value``, ``uncertainty``,
                ``relation``, ``remarks`` and ``refused``.
        """
        del readings, piece, outcomes
        return None

    def examples(self) -> list[dict[str, Any]]:
        """Return raw readings as a person might give them; the generic suite tries them all."""
        return []
