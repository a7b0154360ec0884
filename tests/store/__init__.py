"""The store under test: acts, journal, verify, backup, faults."""
