"""What is asked of a job: what was meant, what was measured while it ran, how it ended."""

from __future__ import annotations

from typing import Any, Final

from tracker.desk.forms import Ask

_HOT: Final[dict[str, Any]] = {"unit": "degC", "low": -50.0, "high": 600.0}
_LENGTH: Final[dict[str, Any]] = {"unit": "mm", "low": 0.005, "high": 20.0}

MEANT_FORM: Final = (
    Ask("name", "Name of the job"),
    Ask("printer", "Printer", prompt=True),
    Ask("nozzle", "Nozzle (size, material)"),
    Ask("surface", "Bed surface"),
    Ask("operator", "Operator"),
    Ask("planned_at", "Planned for", "moment", past=False),
    Ask("started_at", "Started", "moment", prompt=True),
    Ask("nozzle_set_c", "Nozzle temperature set", "number", **_HOT),
    Ask("bed_set_c", "Bed temperature set", "number", **_HOT),
    Ask("chamber_set_c", "Chamber temperature set", "number", prompt=True, **_HOT),
    Ask("fan_set_pct", "Part fan set", "number", unit="percent", low=0, high=100),
    Ask("layer_height_mm", "Layer height", "number", **_LENGTH),
    Ask("line_width_mm", "Line width", "number", **_LENGTH),
    Ask("note", "Note"),
)

MEASURED_FORM: Final = (
    Ask("first_layer_at", "First layer began", "moment"),
    Ask("nozzle_measured_c", "Nozzle temperature measured", "number", **_HOT),
    Ask("bed_measured_c", "Bed temperature measured", "number", **_HOT),
    Ask("chamber_measured_c", "Chamber temperature measured", "number", prompt=True, **_HOT),
    Ask("room_c", "Room temperature", "number", unit="degC", low=-20, high=60),
    Ask("room_rh_pct", "Room humidity", "number", unit="percent", low=0, high=100),
)

END_FORM: Final = (
    Ask("outcome", "How it ended", "choice", required=True, choices=("finished", "stopped", "failed")),
    Ask("ended_at", "Ended", "moment", prompt=True),
    Ask("cause", "Cause, if it did not finish"),
    *MEASURED_FORM,
)
