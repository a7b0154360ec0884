"""Speeds, each measured beside the least that any program could do for the same work."""
