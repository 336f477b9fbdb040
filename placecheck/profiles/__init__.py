"""Camera profiles: calibrated from photos of the card, kept by name, found again by what a photo says of its phone."""
