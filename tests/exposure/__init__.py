"""Checks of the room that turns a spool's days into hours and water."""
