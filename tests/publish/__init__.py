"""The published site."""
