"""A trace on one screen: labels on the left, text wrapped to the terminal on the right."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from tracker.trace.missing import WORDS
from tracker.trace.stations import Station, correction_lines, journal_lines, stations
from tracker.trace.way import Way

_LABEL: Final = 13
_NARROWEST: Final = 40


def lines(trace: Way, width: int = 80) -> list[str]:
    """Return the whole way back as text.

    Args:
        trace: What to show.
        width: Columns of the terminal; below 40 counts as 40.
    """
    width = max(width, _NARROWEST)
    found = [trace.id]
    for station in stations(trace):
        found += _shown(station, width)
        for side in station.sides:
            found += _shown(side, width, indent="  ")
    if trace.exposure is not None:
        found += _paragraph("exposure", str(trace.exposure.get("text", trace.exposure)), width)
    for entry in journal_lines(trace):
        found += _paragraph("journal", entry, width)
    for correction in correction_lines(trace):
        found += _paragraph("corrected", correction, width)
    gaps = ", ".join(WORDS[place] for place in trace.missing)
    found += _paragraph("not recorded", gaps or "nothing is missing", width)
    return list(_merged(found))


def _shown(station: Station, width: int, indent: str = "") -> list[str]:
    text = "; ".join((station.head, *station.facts))
    return _paragraph(f"{indent}{station.label}", text, width)


def _paragraph(label: str, text: str, width: int) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=f"{label:<{_LABEL}} ",
        subsequent_indent=" " * (_LABEL + 1),
        break_on_hyphens=False,
    )


def _merged(found: list[str]) -> Iterator[str]:
    """Leave out a label that the paragraph before it had as well."""
    last = ""
    for line in found:
        label = line[:_LABEL]
        if label.strip() and label == last:
            yield " " * _LABEL + line[_LABEL:]
        else:
            yield line
        last = label if label.strip() else last
