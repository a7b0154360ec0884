"""Tests of example."""
