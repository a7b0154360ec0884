"""Tests of what is written for people."""
