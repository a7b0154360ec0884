"""The one lineage."""
