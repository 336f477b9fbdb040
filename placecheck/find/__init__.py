"""Finding the block, the cap's rim and centre line, the closure's corners, fold and hairline in the photo."""
