"""Several benches."""
