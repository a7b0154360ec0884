"""Tests of the labels: geometry, letters, drawing, and above all reading back."""
