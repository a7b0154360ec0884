"""Plate files: the G-code that was sent to the printer, and what it says about every piece.

Bytes in, facts out: no database, no clock. `read_plate` gives a `Plate` with its
objects, their layers, times and the set-points in force while they were
deposited; `section` restricts them to a gauge section; `orientation` names how a
piece lies; `match_geometry` compares its size with the usual pieces;
`plate_map_svg` and its kin draw the plate from above.

Inside, text flows through `source` (whole lines), `scan` (plain moves as columns)
or `grammar` and `meaning` (every other line), `state` (what holds until changed),
`motion` (positions, arcs, filament), `gather` (planned times, sums) and `digest`
(facts).
"""

from tracker.platefile.plate import read_plate

__all__ = ["read_plate"]
