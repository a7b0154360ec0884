"""Tests of tracker.kinds."""
