"""Tests of what the rows say happened."""
