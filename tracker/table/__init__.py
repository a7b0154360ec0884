"""The running summary: materials set beside each other, and what lies behind each mean."""
