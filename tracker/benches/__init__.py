"""Several benches: what others published taken in as theirs, and precision over benches by ISO 5725-2."""

from __future__ import annotations

from tracker.benches.comparing import BenchLevel, check_codes, compare_benches, rows_of_books
from tracker.benches.importing import Imported, import_site

__all__ = ["BenchLevel", "Imported", "check_codes", "compare_benches", "import_site", "rows_of_books"]
