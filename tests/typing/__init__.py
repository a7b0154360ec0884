"""Tests of typing."""
