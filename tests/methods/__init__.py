"""Tests of methods."""
