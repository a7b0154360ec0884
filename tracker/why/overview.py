"""Every shared quantity of two groups at a glance, largest standardised difference first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from tracker.errors import Refused
from tracker.why.answer import Answer
from tracker.why.answering import answer
from tracker.why.problem import Problem
from tracker.why.words import interval, number


@dataclass(frozen=True)
class Overview:
    """The answers by quantity.

    Attributes:
        answers: One for each quantity, largest standardised difference first.
        refused: Quantity to the reason why it could not be answered.
    """

    answers: tuple[Answer, ...]
    refused: dict[str, str]

    def as_json(self) -> dict[str, Any]:
        """Return the differences as plain data, in order, and what was refused."""
        return {
            "quantities": [found.as_json()["difference"] for found in self.answers],
            "refused": dict(self.refused),
        }

    def sentences(self, width: int = 80) -> list[str]:
        """Return one sentence for each quantity, wrapped to ``width`` columns."""
        texts = [_sentence(found) for found in self.answers]
        texts += [f"{quantity}: not answered, {reason}" for quantity, reason in self.refused.items()]
        return [
            line for text in texts for line in textwrap.wrap(text, max(width, 40), subsequent_indent="  ")
        ]


def overview(problems: Iterable[Problem]) -> Overview:
    """Answer one problem for each quantity; those that must be refused are listed with the reason."""
    answers: list[Answer] = []
    refused: dict[str, str] = {}
    for problem in problems:
        try:
            answers.append(answer(problem))
        # One quantity that cannot be answered must not cost the others.
        except Refused as refusal:
            refused[problem.question.quantity] = str(refusal)
    # Standardised, because 3 MPa and 0.2 % cannot be put in one order otherwise.
    order = sorted(
        answers, key=lambda found: (-abs(found.difference.standardised), found.problem.question.quantity)
    )
    return Overview(tuple(order), refused)


def _sentence(found: Answer) -> str:
    step, question = found.difference, found.problem.question
    verdict = "a difference" if step.claimed else "within noise"
    if step.span is None:
        ranks = step.ranks
        share = f"{100 * ranks.b_higher:.0f} % of pairs higher" if ranks else ""
        return f"{question.quantity}: {verdict}; by rank, {share}."
    size = number(abs(step.standardised), 2)
    return (
        f"{question.quantity}: {verdict}; {interval(step.span, question.unit)}, {size} standard deviations."
    )
