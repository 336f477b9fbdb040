"""Photo records: every check kept whole, found again, handed out, backed up, and looked at over time."""
