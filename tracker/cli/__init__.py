"""The command line. Importing this costs click and nothing else; each command brings its own imports."""

from __future__ import annotations

from tracker.cli._app import main, strandbook

__all__ = ["main", "strandbook"]
