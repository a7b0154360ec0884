"""Plate files: the G-code that was sent to the printer, and what it says about every piece.

Bytes in, facts out: no database, no clock. `read_plate` gives a `Plate` with its
objects, their layers, times and the set-points in force while they were
deposited; `section` restricts them to a gauge section; `orientation` names how a
piece lies; `match_geometry` compares its size with the usual pieces. `tracker.platemap` draws the
plate from above.

Inside, the text that `tracker.platetext` gives flows through `scan` (plain moves as columns) or
`meaning` and `lines` (every other line), `state` (what holds until changed), `path`,
`filament` and `motion` (positions, arcs, deposits, extents), `planning` and `gather`
(planned times, sums), `layering` and `digest` (facts).
"""

from tracker.platefile.digest import PerTool
from tracker.platefile.facts import (
    COMMANDED,
    ESTIMATED,
    GIVEN,
    NOT_STATED,
    STATED,
    WITH_FLOW_FACTOR,
    Change,
    Contradiction,
    Flow,
    Hint,
    Layer,
    Pause,
    Plate,
    PlateObject,
    ReadAs,
    Reading,
    Retractions,
    SetPoints,
    Stated,
    Stretch,
    ToolUse,
)
from tracker.platefile.gauge import (
    FREE,
    Candidate,
    OwnGauge,
    Piece,
    Section,
    Window,
    corners_of,
    gauge_window,
    match_geometry,
    match_object,
    own_size,
    own_window,
    piece_named,
    pieces,
    read_gauge,
    section,
)
from tracker.platefile.orientation import (
    NO_AXIS,
    NOTATIONS,
    Orientation,
    orientation,
    orientation_of,
)
from tracker.platefile.reader import read_plate
from tracker.platetext.containers import PackedPlate, WhichPlate, plates_in
from tracker.platetext.source import (
    BadWindow,
    EmptyPlate,
    NoExtrusion,
    NotText,
    PictureInstead,
    PlateRefused,
    Source,
    check_regular,
)

__all__ = [
    "COMMANDED",
    "ESTIMATED",
    "FREE",
    "GIVEN",
    "NOTATIONS",
    "NOT_STATED",
    "NO_AXIS",
    "STATED",
    "WITH_FLOW_FACTOR",
    "BadWindow",
    "Candidate",
    "Change",
    "Contradiction",
    "EmptyPlate",
    "Flow",
    "Hint",
    "Layer",
    "NoExtrusion",
    "NotText",
    "Orientation",
    "OwnGauge",
    "PackedPlate",
    "Pause",
    "PerTool",
    "PictureInstead",
    "Piece",
    "Plate",
    "PlateObject",
    "PlateRefused",
    "ReadAs",
    "Reading",
    "Retractions",
    "Section",
    "SetPoints",
    "Source",
    "Stated",
    "Stretch",
    "ToolUse",
    "WhichPlate",
    "Window",
    "check_regular",
    "corners_of",
    "gauge_window",
    "match_geometry",
    "match_object",
    "orientation",
    "orientation_of",
    "own_size",
    "own_window",
    "piece_named",
    "pieces",
    "plates_in",
    "read_gauge",
    "read_plate",
    "section",
]
