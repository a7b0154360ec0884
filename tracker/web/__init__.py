"""The bench page: the daily work in a browser, through the same desk functions as the command line.

``bench`` holds what every page has at hand; ``guard`` is before everything and ``visitors`` says who
asks; ``pages`` answers people, ``rigs`` answers programs. No SQL and no arithmetic here.
"""

from __future__ import annotations

from tracker.web.app import make_app
from tracker.web.bench import Bench, Serving
from tracker.web.visitors import signing_key

__all__ = ["Bench", "Serving", "make_app", "signing_key"]
