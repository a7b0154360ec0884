"""The ground under test: IDs, units, canonical JSON, attachments."""
