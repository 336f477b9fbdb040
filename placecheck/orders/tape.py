"""The client's tape: every length that can be taken, how it is taken, and what a head can have.

For each length there are two ranges. Beyond the first no head lies: such a length is not
taken, but asked about (typed.py). Outside the second few heads lie: such a length is taken,
with a doubt that somebody accepts or mends (doubts.py). The ranges are those of surveys and
size charts, and TAPE names where each comes from; what is remembered and not looked up is
called so. The names are those of `Measurements` in order.py without their `_mm`; labels, and
the order they stand in, are those of command line, page and bench sheet. BLOCK_TAPES are the
block's two tapes over the crown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class TapeMeasure:
    """One length of the client or the block: `hard_mm` none lies beyond, `usual_mm` few do; where both come from."""

    name: str
    label: str
    how: str
    hard_mm: tuple[float, float]
    usual_mm: tuple[float, float]
    source: str
    whose: str = "head"


_CHARTS = "common practice, no published source: size charts of the trade, child's to extra large"
TAPE: tuple[TapeMeasure, ...] = (
    TapeMeasure(
        "circumference",
        "circumference",
        "round the hairline, over the ears, round the nape",
        (490.0, 650.0),
        (520.0, 620.0),
        "US Army survey of 2012 (ANSUR II): mean 561 mm women, 574 men, SD 16-17; figures from memory",
    ),
    TapeMeasure(
        "front_to_nape",
        "front to nape",
        "hairline in front, over the crown, to the hairline at the nape",
        (280.0, 440.0),
        (318.0, 406.0),
        _CHARTS,
    ),
    TapeMeasure(
        "temple_to_temple",
        "temple to temple",
        "from temple round the back to temple",
        (310.0, 470.0),
        (343.0, 425.0),
        _CHARTS,
    ),
    TapeMeasure(
        "ear_to_ear",
        "ear to ear",
        "hairline above one ear, over the crown, to the hairline above the other",
        (270.0, 410.0),
        (285.0, 380.0),
        "US Army survey of 1988: bitragion coronal arc 339 mm women, 353 men, SD 13, from memory; a hairline "
        "lies above the tragion, so less here",
    ),
    TapeMeasure(
        "nape_width",
        "nape width",
        "along the hairline of the nape, side to side",
        (75.0, 190.0),
        (100.0, 165.0),
        _CHARTS,
    ),
    TapeMeasure(
        "hairline_height",
        "brow to hairline",
        "between the brows straight up to the hairline",
        (25.0, 110.0),
        (40.0, 80.0),
        "Farkas, Anthropometry of the Head and Face: trichion to glabella about 53 mm women, 58 men; from memory",
    ),
    TapeMeasure(
        "head_length",
        "head length",
        "calipers, between the brows to the back",
        (160.0, 230.0),
        (165.0, 210.0),
        "Pheasant, Bodyspace: British adults, 5th percentile of women 165 mm, 95th of men 205",
    ),
    TapeMeasure(
        "head_breadth",
        "head breadth",
        "calipers, widest above the ears",
        (120.0, 180.0),
        (130.0, 170.0),
        "Pheasant, Bodyspace: British adults, 5th percentile of women 135 mm, 95th of men 165",
    ),
)
_DOMES = (
    "computed: 201 to 423 mm on the domes that a block may have, 480 to 670 mm round, 70 to 140 mm high over "
    "that level, 1 to 1.6 times as long as broad"
)
BLOCK_TAPES: tuple[TapeMeasure, ...] = (
    TapeMeasure(
        "block_over",
        "tape over the crown",
        "from the block's widest level in front over the crown to that level behind",
        (200.0, 450.0),
        (300.0, 380.0),
        _DOMES,
        "block",
    ),
    TapeMeasure(
        "block_across",
        "tape across the crown",
        "from the block's widest level at one side over the crown to that level at the other",
        (200.0, 450.0),
        (280.0, 360.0),
        _DOMES,
        "block",
    ),
)
TAPE_BY_NAME: Mapping[str, TapeMeasure] = {measure.name: measure for measure in (*TAPE, *BLOCK_TAPES)}
