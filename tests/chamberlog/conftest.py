"""Generated cases take the time they take: how busy the machine is says nothing about the code."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("unhurried", parent=settings(), deadline=None)
settings.load_profile("unhurried")
