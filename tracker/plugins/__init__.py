"""The manager of plugins: checks each on arrival, and keeps one that fails from costing anything else."""

from __future__ import annotations

from tracker.plugins.computing import Computation, Computed
from tracker.plugins.manager import Loaded, Plugged, Problem, hooks, load

__all__ = ["Computation", "Computed", "Loaded", "Plugged", "Problem", "hooks", "load"]
