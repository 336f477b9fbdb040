"""The printed scale card: its numbers (board), finding it in a photo (detect, align), printing it (printing)."""

from placecheck.card.detect import CardSighting, find_card

__all__ = ["CardSighting", "find_card"]
