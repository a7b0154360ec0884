"""The tests of strandbook: one fact each."""
