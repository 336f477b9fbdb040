"""Light and sharpness: whether a picture allows measuring, or why it must be taken again.

Functions on arrays, in two ranks. Of a whole grey picture in which nothing could be read:
too dark by its brightest percent, too bright by how much is clipped or flooded, smeared by how
unlike its sharpest edges are across different directions, blurred by how wide the sharpest are
(a step blurred by a Gaussian has a slope that tells its width). Of a card that was read, or the
block's outline: the grey levels of ink and paper, the blur on the card's edges in mm there, and
how much of the block is white. Limits come from drawn and path-traced photos, told beside each
(calibration/card.md). The answer is a Problem (too-dark, too-bright, too-blurred) or None.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from placecheck.colours import Colours
from placecheck.errors import Problem

Image = npt.NDArray[np.uint8]

DARK_LEVEL = 40
"""Brightest one percent of a whole picture below this: 16 % of full scale, 2 % of its light. Drawn cards could still
be read at a paper level of 34, but nothing dark beside them."""
CLIPPED_LEVEL, CLIPPED_FRACTION = 254, 0.4
FLOODED_LEVEL, FLOODED_FRACTION = 250, 0.02
"""White patches in so much of a picture in which no card can be read: a card covers that much, and may be flooded."""
SOFT_EDGE_FRACTION, SOFT_EDGE_PX = 1 / 1250, 1.5
"""Blur (standard deviation) over the picture's long side, 1.6 px of 2016: of a card drawn at 1.5 px/mm one marker
could still be read at 1.5 px, none at 2 px (calibration/card.md)."""
STRIP_ROWS, STRONG_EDGE_LEVELS = 400, 60
SMEAR_DIRECTIONS, SMEAR_PIXELS, SMEAR_LONG_SIDE_PX = 8, 150, 2016
SMEARED = 1.85
"""30 sharp photos of blocks, drawn and path-traced, with and without a card, had 1.1 to 1.6; five with 14 to 40 px of
motion had 2.1 to 3.5."""
MIN_PAPER_LEVEL = 70
"""Paper darker than this leaves the card's ink (3 % against 80 % reflectance) at 10 of 255 levels or less: black
cap, dark lace and dark hair then differ by no more than rounding and JPEG."""
FLARED_INK_LEVEL = 105
"""Ink brighter than this with the paper at full scale. Grey ink that reflects 12 % of the light reads 97 of 255 where
the paper just reaches full scale, and more in photos whose block is well exposed; so light is blamed only where the
card's edges have spread too (blur_problem), or where the block itself is white (overexposed_block)."""
WASHED_INK_LEVEL = 160
"""Ink that reflects 12 % of the light reads this where paper is lit 1.2 stops beyond full scale. Four drawn photos with
ink at 107 to 152, edges 1.1 to 1.4 mm wide on the card and a well exposed block were measured within their U95."""
CLIPPED_BLOCK_LEVEL, CLIPPED_BLOCK_FRACTION = 250, 0.3
"""65 photos as they were taken had at most 0.13 of the block's middle white. Of the same brightened up to four times,
U95 covered 93 % in the 36 with 0.1 to 0.3 of it white, 74 % in eleven with more."""
MAX_BLUR_MM, SHARP_PX = 1.1, 1.5
"""Standard deviation of the blur at the card; an edge is then 2.8 mm wide from 10 to 90 %. Drawn cards at 1.5 and at
6 px/mm lost half of their markers (2 mm modules) from 0.65 mm on, but where two could be read the corners were found
all the same, and seven drawn photos of blocks at 0.68 to 1.04 mm were measured within their U95. What is sharp to 1.5
px is a small picture, not a blurred one: three at 1.1 to 1.4 mm, 0.9 to 1 px/mm, were measured within their U95 too."""

_TOO_DARK = Problem("too-dark", "The photo is too dark: put on more light and retake.")
_TOO_BRIGHT = Problem(
    "too-bright", "The photo is overexposed: take away light, or tap on the block on the screen, and retake."
)
_FLOODED = Problem(
    "too-bright",
    "No card could be read, and part of the photo is pure white: take away light there, lay the card beside the block, "
    "tap on the block on the screen, and retake.",
)
_TOO_BLURRED = Problem(
    "too-blurred", "The photo is blurred: rest your elbows, tap on the block to focus, hold still and retake."
)
_SMEARED = Problem("too-blurred", "The phone moved during the photo: rest your elbows, hold still and retake.")


def _few_of(gray: Image) -> Image:
    """Some 500 rows or columns of a picture (h, w), by which its light is told."""
    step = max(1, min(gray.shape) // 500)
    return gray[::step, ::step]


def washed_out(gray: Image) -> Problem | None:
    """too-bright when much of a whole grey picture (h, w) is white, or None."""
    return _TOO_BRIGHT if np.mean(_few_of(gray) >= CLIPPED_LEVEL) > CLIPPED_FRACTION else None


def hopeless_picture(gray: Image) -> Problem | None:
    """Why nothing can be read in a whole grey picture (h, w): too-dark, too-bright or too-blurred, or None."""
    from placecheck import vision

    if np.percentile(_few_of(gray), 99) < DARK_LEVEL:
        return _TOO_DARK
    bright = washed_out(gray)
    if bright is not None:
        return bright
    patches = vision.resize(gray, max(1, gray.shape[1] // 8), max(1, gray.shape[0] // 8))
    if np.mean(patches >= FLOODED_LEVEL) > FLOODED_FRACTION:
        return _FLOODED
    if smear_ratio(gray) > SMEARED:
        return _SMEARED
    if sharpest_blur_px(gray) > max(SOFT_EDGE_PX, SOFT_EDGE_FRACTION * max(gray.shape)):
        return _TOO_BLURRED
    return None


def card_problem(ink_level: float, paper_level: float, blur_px: float, px_per_mm: float) -> Problem | None:
    """Whether the card in the photo is too dark, too bright or too blurred; None where it is well.

    By the grey levels (0..255) of its ink and paper, the standard deviation of the blur on its edges, and the photo's
    scale there.
    """
    if paper_level < MIN_PAPER_LEVEL:
        return _TOO_DARK
    blur = blur_problem(blur_px, px_per_mm)
    if blur is not None and paper_level >= CLIPPED_LEVEL and ink_level > FLARED_INK_LEVEL:
        return _TOO_BRIGHT  # edges of flooded paper are wide without being blurred
    return blur


def overexposed_block(colours: Colours, outline_px: npt.NDArray[np.float64]) -> Problem | None:
    """too-bright when much of what lies within the block's outline (N, 2) is white in every channel, or None."""
    image, outline_px = colours.pixels, colours.own_px(outline_px)
    low, high = np.floor(outline_px.min(0)).astype(int), np.ceil(outline_px.max(0)).astype(int)
    quarter = (high - low) // 8  # the middle of the box, which lies within the outline
    x0, y0 = np.maximum(low + quarter, 0)
    x1, y1 = high - quarter
    part = image[y0:y1:3, x0:x1:3]
    if part.size and np.mean(part.min(axis=-1) >= CLIPPED_BLOCK_LEVEL) > CLIPPED_BLOCK_FRACTION:
        return _TOO_BRIGHT
    return None


def dark_card(levels: Image) -> Problem | None:
    """too-dark by the grey levels (N,) of places all over a card, whose paper is the brightest on it, or None."""
    return _TOO_DARK if np.percentile(levels, 90) < MIN_PAPER_LEVEL else None


def only_card_flooded(ink_level: float, paper_level: float) -> bool:
    """Whether a card's paper is beyond the picture's range, but not by so much that darker things must be, too."""
    return paper_level >= CLIPPED_LEVEL and ink_level <= WASHED_INK_LEVEL


def blurred_block(gray: Image, outline_px: npt.NDArray[np.float64], px_per_mm: float) -> Problem | None:
    """too-blurred when the sharpest edges within the block's outline (N, 2) are too wide, or smeared, or None.

    For photos whose card says nothing of the blur, since light spills from its paper; `px_per_mm` is the scale at it.
    """
    low, high = np.floor(outline_px.min(0)).astype(int), np.ceil(outline_px.max(0)).astype(int)
    x0, y0 = np.maximum(low, 0)
    part = gray[y0 : high[1], x0 : high[0]]
    return _SMEARED if smear_ratio(part) > SMEARED else blur_problem(sharpest_blur_px(part), px_per_mm)


def block_problem(
    colours: Colours, gray: Image, outline_px: npt.NDArray[np.float64], px_per_mm: float, doubted: bool
) -> Problem | None:
    """Why what lies within the block's outline (N, 2) cannot be measured by: too-bright, too-blurred, or None.

    `doubted`: the card's edges are wide but its paper is flooded, so the block itself tells whether the photo is sharp.
    """
    bright = overexposed_block(colours, outline_px)
    return bright if bright is not None or not doubted else blurred_block(gray, outline_px, px_per_mm)


def blur_problem(blur_px: float, px_per_mm: float) -> Problem | None:
    """too-blurred by the standard deviation of the blur on the card's edges and the photo's scale there, or None."""
    return _TOO_BLURRED if blur_px > max(MAX_BLUR_MM * px_per_mm, SHARP_PX) else None


def smear_ratio(gray: Image) -> float:
    """How much wider the sharpest edges across one direction are than those across another: 1 where none is smeared.

    A phone that moved leaves edges along its motion sharp and widens those across it. Slope over height (as in
    `sharpest_blur_px`) is taken apart by the direction of the slope, in SMEAR_DIRECTIONS directions; the outline of
    a block alone has edges across all of them. Directions with few strong edges do not count.
    """
    from placecheck import vision

    shrink = SMEAR_LONG_SIDE_PX / max(gray.shape)
    if shrink < 1:
        gray = vision.resize(gray, round(gray.shape[1] * shrink), round(gray.shape[0] * shrink))
    smooth = vision.gaussian_blur(gray.astype(np.float32), 1.0)
    _, height = vision.slope_and_range(smooth, 25)
    down, across = np.gradient(smooth)
    strong = height > STRONG_EDGE_LEVELS
    across, down, height = across[strong], down[strong], height[strong]
    ratio = np.hypot(across, down) / height
    direction = np.floor(np.mod(np.arctan2(down, across) / np.pi, 1.0) * SMEAR_DIRECTIONS).astype(int)
    best = [
        float(np.percentile(here, 99.0))
        for k in range(SMEAR_DIRECTIONS)
        if len(here := ratio[direction == k]) >= SMEAR_PIXELS
    ]
    return max(best) / max(min(best), 1e-6) if len(best) > SMEAR_DIRECTIONS // 2 else 1.0


def sharpest_blur_px(gray: Image) -> float:
    """Blur (standard deviation, px) of the sharpest strong edges in a picture; 0 where it has no strong edge at all.

    A step of height A blurred by a Gaussian has the greatest slope A / (sqrt(2 pi) sigma). Slope and height (range
    within +-12 px) are taken after smoothing by 1 px, which noise would otherwise steepen and which is taken out
    again; of the tenth of a percent with the greatest slope for its height, the least sharp counts. Where edges are
    too wide for the range, the same is done on the picture reduced four and sixteen times.
    """
    from placecheck import vision

    blur_px = 0.0
    for reduced in (1, 4, 16):
        if reduced > 1:
            gray = vision.resize(gray, gray.shape[1] // 4, gray.shape[0] // 4)
        found = []
        for top in range(0, gray.shape[0], STRIP_ROWS):  # a 50 MP picture in float32 would be 200 MB a layer
            strip = gray[max(0, top - 16) : top + STRIP_ROWS + 16].astype(np.float32)
            slope, height = vision.slope_and_range(vision.gaussian_blur(strip, 1.0), 25)
            strong = height > STRONG_EDGE_LEVELS
            found.append(slope[strong] / height[strong])
        ratios = np.concatenate(found)
        if len(ratios) >= 1000 / reduced:
            steepest = max(float(np.percentile(ratios, 99.9)), 1e-6)
            here = float(np.sqrt(max(0.0, 1 / (2 * np.pi * steepest**2) - 1.0)))
            blur_px = reduced * here
            if here < 4:  # twelve pixels to either side hold the whole step
                break
    return blur_px
