"""Tests of the check before a print."""
