"""Tests of what is done to the book."""
