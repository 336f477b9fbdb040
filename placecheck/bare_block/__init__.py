"""The bare block, measured beforehand by tapes or photos and kept by name (tapes, photos, joint, plane, saved)."""
