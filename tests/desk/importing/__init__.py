"""Tests of bringing in old spreadsheets."""
