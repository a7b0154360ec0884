"""Tests of walking a number back."""
