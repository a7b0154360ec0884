"""Tests of the summary."""
