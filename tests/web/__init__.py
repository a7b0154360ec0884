"""Tests of the bench page."""
