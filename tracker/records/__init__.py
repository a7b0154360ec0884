"""What follows from records: the factors of specimens, the days of a spool."""
