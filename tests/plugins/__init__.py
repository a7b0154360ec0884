"""Tests of plugged."""
