"""What a person should be asked before it is done, and what is told when it is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from tracker.errors import Doubt

__all__ = ["Done", "Doubt", "ask_all", "doubt"]


@dataclass
class Done:
    """An act that was done.

    Attributes:
        id: The ID (or name) that it made or changed.
        notes: What the person should know, one sentence each.
        also: Further IDs it made.
        parts: Parts without an ID that it made, as ``storage3``: the names by which they are corrected.
    """

    id: str
    notes: list[str] = field(default_factory=list)
    also: list[str] = field(default_factory=list)
    parts: list[str] = field(default_factory=list)


def doubt(question: str, *, sure: bool, why: str = "") -> None:
    """Raise a doubt unless the person is sure already.

    Raises:
        Doubt: ``sure`` is false.
    """
    if not sure:
        # A refusal of its own kind: the edges can ask and go on, which for other refusals would be wrong.
        raise Doubt(question, why=why, do="Repeat with --yes if it is right")


def ask_all(questions: Sequence[str], *, sure: bool) -> None:
    """Raise one doubt that holds several questions, so that one yes answers what was read and nothing else.

    Raises:
        Doubt: There are questions and ``sure`` is false.
    """
    if questions and not sure:
        text = "; ".join(each.rstrip(".?") for each in questions)
        raise Doubt(text, do="Repeat with --yes if it is right", questions=questions)


def confirm(row: Any, questions: Iterable[str], *, sure: bool) -> None:
    """Ask about what is unusual in a row; where it is meant, the row bears the questions for ever.

    Args:
        row: That was just entered or corrected.
        questions: What is unusual, each with what is usual.
        sure: It is meant.

    Raises:
        Doubt: There are questions, and nobody is sure.
    """
    asked = [each for each in questions if each not in (row.confirmed or ())]
    if asked:
        ask_all(asked, sure=sure)
        row.confirmed = [*(row.confirmed or ()), *asked]
