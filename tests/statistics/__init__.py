"""Checks of the arithmetic of repeated readings, most of them against certified values."""
