"""A plan as text for a person, and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

from tracker.desk.importing.planning import Plan
from tracker.desk.importing.refusals import LineRefusal

EACH_AT_MOST: Final = 25
"""So many lines refused for one reason are named one by one; more are named together."""


def plan_lines(plan: Plan) -> Iterator[str]:
    """Yield what a plan would make and all that it refuses, every line number named."""
    counts = plan.counts()
    yield f"{plan.name}: {plan.rows} rows, columns by {plan.columns.name}"
    yield "Would make " + ", ".join(f"{count} {thing}" for thing, count in counts.items())
    if plan.materials:
        yield "New materials: " + ", ".join(plan.materials)
    if plan.earlier is not None:
        yield f"This file was {plan.earlier}"
    yield from plan.notes
    yield from (f"Is this right? {each}" for each in plan.questions())
    yield from (str(refusal) for refusal in plan.refused_rows)
    yield from refused_lines(plan.refused_quantities)


def refused_lines(refusals: Iterable[LineRefusal]) -> Iterator[str]:
    """Yield refused quantities: one by one, or together where one reason holds for many lines."""
    groups: dict[tuple[str, str], list[LineRefusal]] = {}
    for refusal in refusals:
        # By reason: a missing column refuses every line, and a thousand equal sentences hide the one that
        # differs.
        groups.setdefault((refusal.quantity, refusal.why), []).append(refusal)
    small = {key: group for key, group in groups.items() if len(group) <= EACH_AT_MOST}
    for group in small.values():
        yield from map(str, group)
    for quantity, why in (key for key in groups if key not in small):
        lines = ranges(each.line for each in groups[quantity, why])
        yield f"{len(groups[quantity, why])} lines: {quantity} refused: {why}; lines {lines}"


def ranges(numbers: Iterable[int]) -> str:
    """Return whole numbers as ``2-21, 27, 30-34``."""
    spans: list[list[int]] = []
    for number in sorted(set(numbers)):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return ", ".join(f"{low}" if low == high else f"{low}-{high}" for low, high in spans)


def plan_json(plan: Plan) -> dict[str, Any]:
    """Return a plan as plain JSON values."""
    return {
        "file": plan.name,
        "sha256": plan.sha256,
        "rows": plan.rows,
        "would_make": plan.counts(),
        "new_materials": list(plan.materials),
        "jobs": [
            {"name": job.name, "material": job.material, "lines": [each.line for each in job.specimens]}
            for job in plan.jobs
        ],
        "refused_rows": [{"line": each.line, "why": each.why} for each in plan.refused_rows],
        "refused_quantities": [
            {"line": each.line, "quantity": each.quantity, "why": each.why}
            for each in plan.refused_quantities
        ],
        "notes": list(plan.notes),
        "questions": [
            {"line": each.line, "quantity": each.quantity, "question": each.question}
            for each in plan.questions()
        ],
        "earlier": None if plan.earlier is None else {"entry": plan.earlier.entry, "at": plan.earlier.at},
    }
