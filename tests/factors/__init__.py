"""Tests of the factors."""
