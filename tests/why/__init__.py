"""Checks of the answer to why two runs differ."""
