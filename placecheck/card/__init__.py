"""The printed scale card: its numbers (board), finding it in a photo (detect, by markers, corners and
align, with the reasons in refusals), printing it (printing)."""

from placecheck.card.detect import CardSighting, card_problems, edges_doubted, find_card

__all__ = ["CardSighting", "card_problems", "edges_doubted", "find_card"]
