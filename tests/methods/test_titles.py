"""The titles of quantities that come beside the bundled methods."""

from __future__ import annotations

import json
from pathlib import Path

import tracker_methods

from tracker.plugins import load


def test_the_file_of_titles_is_what_the_methods_say() -> None:
    """It stands for them where loading every method would take as long as the command itself."""
    plugged = load()
    ours = {
        quantity.name
        for each in plugged.methods.values()
        if type(each.method).__module__.startswith("tracker_methods")
        for quantity in each.method.quantities
    }
    told = {name: title for name, title in plugged.titles.items() if name in ours}
    assert json.loads(Path(tracker_methods.__file__).with_name("titles.json").read_text("utf-8")) == told
