"""A trace on one screen: labels on the left, text wrapped to the terminal on the right."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from tracker.trace.journaling import correction_lines, journal_lines
from tracker.trace.missing import WORDS
from tracker.trace.station import Station
from tracker.trace.stations import stations
from tracker.trace.way import Way
from tracker.trace.words import kept_together

_LABEL: Final = 13
_NARROWEST: Final = 40


def lines(way: Way, width: int = 80) -> list[str]:
    """Return the whole way back as text.

    Args:
        way: What to show.
        width: Columns of the terminal; below 40 counts as 40.
    """
    width = max(width, _NARROWEST)
    found = [way.id]
    for station in stations(way):
        found += _shown(station, width)
        for side in station.sides:
            found += _shown(side, width, indent="  ")
    if way.exposure is not None:
        found += _paragraph("exposure", str(way.exposure.get("text", way.exposure)), width)
    for entry in journal_lines(way):
        found += _paragraph("journal", entry, width)
    for correction in correction_lines(way):
        found += _paragraph("corrected", correction, width)
    gaps = ", ".join(WORDS[place] for place in way.missing)
    found += _paragraph("not recorded", gaps or "nothing is missing", width)
    return list(_merged(found))


def _shown(station: Station, width: int, indent: str = "") -> list[str]:
    text = "; ".join((station.head, *station.facts))
    return _paragraph(f"{indent}{station.label}", text, width)


def _paragraph(label: str, text: str, width: int) -> list[str]:
    wrapped = textwrap.wrap(
        kept_together(" ".join(text.split())),
        width,
        initial_indent=f"{label:<{_LABEL}} ",
        subsequent_indent=" " * (_LABEL + 1),
        break_on_hyphens=False,
    )
    # The no-break spaces have done their work; whoever copies a line wants plain ones.
    return [line.replace("\u00a0", " ") for line in wrapped]


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
