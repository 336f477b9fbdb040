"""How the small network that finds stitches was made: patches, model, trainer (calibration.stitching.train)."""
