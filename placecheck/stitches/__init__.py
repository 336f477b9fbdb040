"""The seam close up: stitches along the lace's edge, their spacing, gaps and crowding (stage "stitches").

The photo's way: card (placecheck.card) -> `ground` (the cap's surface under and beside it) -> `unroll` (both long sides
of the card as flat pictures) -> `row` (the seam and the stitches on it) -> `spacing` (lengths, uncertainty, gaps,
crowding) -> `close_up` (conducts, refuses, gives the Measured) -> `words` (advice) and `picture` (the overlay).
"""
