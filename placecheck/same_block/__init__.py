"""Two or more photos of the same pinned block, measured together."""
