"""Rows from the nape to the closure's back edge: planned on the dome, drawn on the stitched photo."""
