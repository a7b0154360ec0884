"""Checks of the room that gets the text of plates out of any file."""
