"""Every shared quantity of two groups at a glance, largest standardised difference first.

Of twenty quantities one differs by chance. Where several are asked about at once, claims are adjusted: of
the differences claimed one in twenty is expected to be false (Y. Benjamini and Y. Hochberg, 1995).
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

from tracker.errors import Refused
from tracker.why.answer import Answer, answer, at_level
from tracker.why.findings import Span
from tracker.why.problem import Problem
from tracker.why.words import interval, number, signed_size


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
            "adjusted_for": len(self.answers),
            "refused": dict(self.refused),
        }

    def sentences(self, width: int = 80) -> list[str]:
        """Return one sentence for each quantity, wrapped to ``width`` columns."""
        texts = [_sentence(found) for found in self.answers]
        if any(found.difference.adjusted is not None for found in self.answers):
            texts.append(
                f"{len(self.answers)} asked about at once: of the differences claimed one in twenty is "
                "expected to be false (false discovery rate)."
            )
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
            refused[problem.question.named] = str(refusal)
    # Standardised, because 3 MPa and 0.2 % cannot be put in one order otherwise.
    # Those that do not scatter come last: rounded readings would lead every list by an interval too narrow.
    order = sorted(
        answers,
        key=lambda found: (
            not found.difference.scatters,
            -abs(found.difference.standardised),
            found.problem.question.quantity,
        ),
    )
    return Overview(tuple(_adjusted(order)), refused)


def _adjusted(answers: list[Answer]) -> list[Answer]:
    """Return answers whose claims stand when all are asked about at once."""
    # One quantity is one question, in however many orientations its pieces were printed.
    if len({found.problem.question.quantity for found in answers}) < 2:  # noqa: PLR2004
        return answers
    tails = [found.difference.tail for found in answers]
    order = sorted(range(len(tails)), key=lambda i: tails[i])
    adjusted = [1.0] * len(tails)
    least = 1.0
    # From the largest down, so that no smaller one is adjusted above a larger.
    for rank in range(len(order), 0, -1):
        i = order[rank - 1]
        least = min(least, tails[i] * len(tails) / rank)
        adjusted[i] = least
    return [_claimed(found, p) for found, p in zip(answers, adjusted, strict=True)]


def _claimed(found: Answer, p: float) -> Answer:
    step = found.difference
    holds = step.claimed and p < _FALSE
    if step.claimed and not holds and p > 0:
        # The level at which it would have had to be shown: its interval includes zero, as the claim says.
        found = at_level(found, _FALSE * step.tail / p)
        step = found.difference
    verdict = found.verdict if found.verdict is None else replace(found.verdict, differs=holds)
    return replace(
        found,
        difference=replace(step, claimed=holds, adjusted=p),
        verdict=verdict,
        leading=found.leading if holds else None,
    )


_FALSE: Final = 0.05
"""Part of the claimed differences that may be false."""


def _sentence(found: Answer) -> str:
    step, question = found.difference, found.problem.question
    verdict = "a difference" if step.claimed else "no difference shown"
    sentence = _by_rank(found) if step.span is None else _by_size(found, step.span)
    doubt = "" if step.scatters else "; pieces of one plate all read the same, so the interval is too narrow"
    return f"{question.called}: {verdict}; {sentence}{doubt}."


def _by_rank(found: Answer) -> str:
    ranks = found.difference.ranks
    assert ranks is not None  # noqa: S101 - one of the two is always there
    return f"by rank, {found.problem.label_b} is higher in {100 * ranks.b_higher:.0f} % of pairs"


def _by_size(found: Answer, span: Span) -> str:
    """Return which way it lies, how far, and how sure that is."""
    a, b = found.problem.label_a, found.problem.label_b
    # Past ten nobody is surer for more, and figures as 120 only say that results did not scatter.
    apart = min(abs(found.difference.standardised), _PLENTY)
    sds = f"over {_PLENTY:g}" if apart == _PLENTY else number(apart, 2)
    size = signed_size(span, found.problem.question.unit)
    return f"{b} less {a} {size}, {interval(span, found.problem.question.unit)}, {sds} standard deviations"


_PLENTY: Final = 10.0
