"""The data behind the pages: JSON and CSV, each with its caution, for whoever computes with it."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping
from typing import Any, Final

from tracker.publish.gathering import CAUTIONS, Told
from tracker.stating import state_row
from tracker.trace import Trace, corrections

_KEPT_IN_THE_BOOK: Final = frozenset({"journal", "note", "posted_key", "hangs"})
"""What people wrote to themselves, and the book's own records of who entered what: no reader's business."""


def json_text(value: Mapping[str, Any]) -> str:
    """Return a data file: the caution first, then the values."""
    return json.dumps({"caution": CAUTIONS, **value}, ensure_ascii=False, indent=1, default=str) + "\n"


def measurement_data(way: Trace) -> dict[str, Any]:
    """Return the way back from a measurement, complete enough to rebuild its numbers, as plain JSON values.

    What was corrected stands in it with the reason, without the journal's entries.
    """
    told: dict[str, Any] = _public(way.as_json())
    told["corrected"] = [{"what": what, "reason": entry.reason} for what, entry in corrections(way)]
    return told


def _public(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _public(each) for key, each in value.items() if key not in _KEPT_IN_THE_BOOK}
    if isinstance(value, list):
        return [_public(each) for each in value]
    return value


def prov_text(way: Trace) -> str:
    """Return the way back as PROV-JSON; its caution is an entity, for the format knows no comments."""
    document = way.prov()
    document.setdefault("entity", {})["sb:caution"] = {"prov:label": "caution", "prov:value": CAUTIONS}
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"


def result_data(told: Told) -> dict[str, Any]:
    """Return one result as plain JSON values."""
    row = told.row
    return {
        "measurement": row.measurement, "specimen": row.specimen, "material": row.material,
        "family": row.family, "orientation": row.orientation, "quantity": row.quantity,
        **state_row(row).data(), "group": row.group, "counted": row.counted,
        "standing": told.standing, "method": row.method, "version": row.version,
        "at": None if row.at is None else row.at.isoformat(), "source": row.source, "job": row.job,
        "remarks": list(row.remarks),
    }  # fmt: skip


def results_csv(results: Iterable[Told]) -> str:
    """Return one line a result, under a first line that holds the caution as a comment."""
    text = io.StringIO()
    text.write(f"# {CAUTIONS}\n")
    lines: csv.DictWriter[str] | None = None
    for told in results:
        data = result_data(told)
        if lines is None:
            lines = csv.DictWriter(text, list(data), lineterminator="\n")
            lines.writeheader()
        lines.writerow({**data, "remarks": "; ".join(data["remarks"])})
    return text.getvalue()
