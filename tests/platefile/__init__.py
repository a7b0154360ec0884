"""Checks of the room that reads plate files."""
