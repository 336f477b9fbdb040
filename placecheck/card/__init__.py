"""The printed scale card: what it is (board), how it is found in a photo (detect), how it is printed (printing).

Finding it goes by markers, squares, corners and align; why a card cannot be used is told by refusals;
page_layout has the printed page.
"""

from placecheck.card.detect import CardSighting, card_problems, edges_doubted, find_card

__all__ = ["CardSighting", "card_problems", "edges_doubted", "find_card"]
