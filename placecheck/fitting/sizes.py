"""What is taken from the shelf: the dome cap, the block, and the slack the cap leaves at the nape.

Every answer is an Advice: what, which, and the reason in a sentence, marked where it is
common practice and no published source stands behind it. The cap goes by the head's
circumference, compared to the finest line on a tape; at the size where two caps are sold,
front to nape and temple to temple decide. Blocks come in half inches: the head's size or the
next above. The slack is the cap's length from front to nape less what it has to cover, which
is the client's front to nape without the strip in front of the rim; a little slack the
elastic takes up by itself, more is taken in by a tuck, all of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from placecheck.orders.order import Cap, Measurements
from placecheck.tolerances import DEFAULTS
from placecheck.units import MM_PER_INCH, mm_and_inches, sixteenths

COMMON = "common practice, no published source"
STANDARD_UP_TO_MM = 22.5 * MM_PER_INCH
CAP_FRONT_TO_NAPE_MM: Mapping[str, float] = {"standard": 14.5 * MM_PER_INCH, "extra-large": 15.5 * MM_PER_INCH}
"""Front to nape of dome caps as sold; size charts of the trade, common practice, no published source."""
STANDARD_TEMPLE_TO_TEMPLE_MM = 15.5 * MM_PER_INCH
ELASTIC_TAKES_MM = 6.35
"""Slack that the elastic at the nape takes up by itself, 1/4 in (common practice, no published source)."""
BLOCK_STEP_MM = 0.5 * MM_PER_INCH
BLOCK_SIZES_MM = (20 * MM_PER_INCH, 25 * MM_PER_INCH)


@dataclass(frozen=True)
class Advice:
    """An answer with its reason in a sentence; `common_practice` where no published source stands behind it."""

    what: str
    value: str
    reason: str
    common_practice: bool = True

    @property
    def sentence(self) -> str:
        """`reason`, marked where it is common practice."""
        return f"{self.reason} ({COMMON})" if self.common_practice else self.reason


def cap_size(m: Measurements) -> Advice:
    """The dome cap to take. Tapes are compared to 1/16 in, the finest line on them."""
    sixteenth = round(m.circumference_mm / MM_PER_INCH * 16)
    around = mm_and_inches(m.circumference_mm)
    if sixteenth <= round(STANDARD_UP_TO_MM / MM_PER_INCH * 16):
        return Advice("cap", "standard", f"The head is {around} round, and up to 22 1/2 in a standard dome cap fits.")
    if sixteenth < 23 * 16:
        return Advice(
            "cap",
            "standard",
            f"The head is {around} round, between 22 1/2 and 23 in: the standard dome cap, which stretches that far.",
        )
    if sixteenth == 23 * 16:
        nape, temples = m.front_to_nape_mm, m.temple_to_temple_mm
        if nape is None or temples is None:
            absent = " and ".join(
                label for label, v in (("front to nape", nape), ("temple to temple", temples)) if v is None
            )
            return Advice(
                "cap",
                "extra-large",
                f"The head is {around} round, from where an extra-large dome cap is taken; a short front to nape and "
                f"temple to temple would make it a standard one, so measure {absent} before you buy.",
            )
        if nape <= CAP_FRONT_TO_NAPE_MM["standard"] + 0.8 and temples <= STANDARD_TEMPLE_TO_TEMPLE_MM + 0.8:
            return Advice(
                "cap",
                "standard",
                f"The head is 23 in round, but short from front to nape ({mm_and_inches(nape)}) and from temple to "
                f"temple ({mm_and_inches(temples)}): a standard dome cap reaches, an extra-large one would bag.",
            )
    return Advice("cap", "extra-large", f"The head is {around} round, and from 23 in an extra-large dome cap is taken.")


def block_size(m: Measurements) -> Advice:
    """The block to take: blocks come in half inches; the head's size or the next above."""
    step = BLOCK_STEP_MM
    size = np.ceil((m.circumference_mm - 0.8) / step) * step
    around = mm_and_inches(m.circumference_mm)
    if not BLOCK_SIZES_MM[0] <= size <= BLOCK_SIZES_MM[1]:
        low, high = (f"{mm / MM_PER_INCH:g}" for mm in BLOCK_SIZES_MM)
        sold = f"The head is {around} round, and blocks are sold from {low} to {high} in"
        if size < BLOCK_SIZES_MM[0]:
            return Advice("block", "made to size", f"{sold}: have one made, since a wig made on a larger one is loose.")
        return Advice("block", "made or padded", f"{sold}: pad a smaller one to size.")
    return Advice(
        "block",
        sixteenths(float(size)),
        f"The head is {around} round, and blocks come in half inches: its size or the next above, since a wig made on "
        "a smaller block is tight.",
    )


@dataclass(frozen=True)
class Slack:
    """Cap left over at the nape: `slack_mm` (negative: the cap is short), `take_in_mm`, and why."""

    slack_mm: float
    take_in_mm: float
    advice: Advice


def nape_slack(m: Measurements, cap: Cap, clearance_mm: float = DEFAULTS.clearance_aim_mm) -> Slack | None:
    """How much cap is left over at the client's nape; None where front to nape was not taken.

    The rim lies `clearance_mm` behind the hairline, so the cap has that much less to cover.
    """
    if m.front_to_nape_mm is None:
        return None
    size = cap.size or cap_size(m).value
    own = cap.front_to_nape_mm
    length = own if own is not None else CAP_FRONT_TO_NAPE_MM[size]
    whose = "the cap's own" if own is not None else f"the {size} cap's usual (measure yours)"
    needed = round(m.front_to_nape_mm, 1) - clearance_mm
    slack = round(length, 1) - needed  # of the lengths as they are told, so that the sum can be followed
    sums = (
        f"Front to nape is {mm_and_inches(m.front_to_nape_mm)}, the rim lies {clearance_mm:g} mm behind the "
        f"hairline, and {whose} length is {mm_and_inches(length)}: "
    )
    if slack < -ELASTIC_TAKES_MM:
        reason = f"{sums}the cap is {mm_and_inches(slack)} short at the nape, take a longer one."
        return Slack(slack, 0.0, Advice("nape", "too short", reason, own is None))
    if slack <= ELASTIC_TAKES_MM:
        reason = f"{sums}nothing to take in, the elastic does the rest."
        return Slack(slack, 0.0, Advice("nape", "fits", reason))
    reason = (
        f"{sums}{mm_and_inches(slack)} is left over. Take it in across the nape with a tuck {mm_and_inches(slack / 2)} "
        "deep when folded, pinned before the first row is sewn."
    )
    return Slack(slack, slack, Advice("nape", f"take in {mm_and_inches(slack)}", reason))
