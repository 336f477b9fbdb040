"""After stitching: how far everything moved since it was pinned, and where unpicking would be worth it."""
