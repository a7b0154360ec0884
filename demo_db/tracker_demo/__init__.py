"""The demonstration: a bench of our own invention, its days, and a walk through the book they make.

``scenario.toml`` says what happened when; ``building`` lets it happen through the same desk functions
that people use; ``readings`` makes the raw readings a rig would have given; ``walking`` shows the
book. Makers, products and every number are invented; only the polymer families are real.
"""

from __future__ import annotations

from tracker_demo.building import build
from tracker_demo.walking import Walked, walk

__all__ = ["Walked", "build", "walk"]
