"""What is wrong with a plate file, or had to be assumed, in words a person can act on."""

from __future__ import annotations

from tracker.platefile.platefacts import Stated
from tracker.platefile.tally import Tally

_CLOSING_DIALECTS = frozenset({0, 1, 2})
_HOT_C = 100.0


def problems_of(tally: Tally, dialect: int, stated: Stated) -> tuple[tuple[str, ...], bool]:
    """Return everything worth saying, and whether the file seems complete.

    Args:
        tally: The sums.
        dialect: Number of the dialect in use.
        stated: The slicer's own totals.
    """
    cut = list(_signs_of_a_cut(tally, dialect, stated))
    notes = [*tally.problems, *(_counted(text, n) for text, n in tally.state.troubles.items())]
    if not tally.state.e_mode_stated:
        kind = "relative" if tally.state.mode.relative_e else "absolute"
        notes.append(f"neither M82 nor M83: E was taken as {kind} (guessed)")
    return tuple(f"incomplete: {text}" for text in cut) + tuple(notes), not cut


def _counted(text: str, count: int) -> str:
    return f"{text} ({count} times)" if count > 1 else text


def _signs_of_a_cut(tally: Tally, dialect: int, stated: Stated) -> list[str]:
    state = tally.state
    found = list(tally.cuts)
    # The other dialects have no closing marker: their last object is always open at the end.
    if dialect in _CLOSING_DIALECTS and state.context.objects[dialect]:
        found.append("the last object is still open at the end")
    marks = max(state.mark_counts.values(), default=0)
    if stated.layers and 0 < marks < stated.layers:
        found.append(f"{marks} layers of {stated.layers} stated")
    # A macro behind the last layer may well switch the heater off, unseen from here.
    if (state.context.nozzle or 0.0) >= _HOT_C and not state.macro_after_print:
        found.append("the nozzle is still heated at the end")
    return found
