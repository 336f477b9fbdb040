"""What a study means, in plain sentences: can this bench judge its tolerance?

AIAG's customary limits: 6 GRR below 10 % of the tolerance's width is good, up to 30 % will do
with care, above 30 % will not. Judged is the figure found; where the study is too small to
exclude the next worse class (95 % upper limit of GRR), that is said with it. What it means
at the bench is the guard band of JCGM 106: a reading must lie 1.645 GRR inside the limit
before it proves anything (5 % risk), and that is said in millimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from placecheck.answer import MEASURE_BY_NAME
from placecheck.study.anova import SPREAD, GaugeStudy

GOOD, USABLE = 10.0, 30.0
GUARD = 1.645
MIN_NDC = 5
Class = Literal["yes", "with care", "no"]


def class_of(percent: float) -> Class:
    """yes below 10 % of the tolerance, with care up to 30 %, no above."""
    return "yes" if percent < GOOD else "with care" if percent <= USABLE else "no"


def label_of(study: GaugeStudy) -> str:
    """The measure in words, or its own name where it is the user's."""
    spec = MEASURE_BY_NAME.get(study.measure)
    return study.measure if spec is None else spec.label


def limits_words(low: float, high: float, unit: str) -> str:
    """`±3 mm`, or `6 to 13 mm`."""
    words = f"±{high:g}" if low == -high else f"{low:g} to {high:g}"
    return f"{words} {unit}".strip()


def sentence(study: GaugeStudy, tolerance: tuple[float, float] | None = None) -> str:
    """Whether this bench can judge the measure's tolerance (or another one), in one or two sentences."""
    limits = tolerance or study.tolerance
    if limits is None:
        return "No tolerance is set for this measure, so only its share of the total variation is given."
    low, high = limits
    words = limits_words(low, high, study.unit)
    if study.grr == 0:
        return (
            f"All readings of a block are the same figure: either they were copied, or the scale is too coarse to say "
            f"whether this bench can judge {words}."
        )
    percent = 100 * SPREAD * study.grr / (high - low)
    upper = 100 * SPREAD * study.grr_upper / (high - low)
    guard = GUARD * study.grr
    unit = f" {study.unit}" if study.unit else ""
    found = class_of(percent)
    if found == "yes":
        text = f"Yes: this bench can judge {words}; the measuring takes {percent:.1f} % of the tolerance."
    elif found == "with care":
        text = (
            f"With care: this bench can judge {words}, but the measuring takes {percent:.1f} % of the tolerance; a "
            f"reading within {guard:.2g}{unit} of a limit decides nothing."
        )
    else:
        text = (
            f"No: this bench cannot judge {words}; the measuring takes {percent:.1f} % of the tolerance, and a reading "
            f"within {guard:.2g}{unit} of a limit decides nothing."
        )
    if class_of(upper) != found:
        text += (
            f" That is for these {len(study.makers)} makers; for others it may be as much as {upper:.1f} % (95 % upper "
            "limit), which more makers in the study would narrow."
        )
    return text


def cause(study: GaugeStudy) -> str | None:
    """What to work on: the larger of repeatability and the makers' differences; None where nothing varies."""
    between = (study.av**2 + study.interaction**2) ** 0.5
    if study.grr == 0:
        return None
    if between > study.ev:
        how = " and differ from block to block" if study.interaction > study.av else ""
        return f"Most of it lies between the makers: they measure differently{how}; agree on one way and train it."
    return (
        "Most of it is repeatability: the same maker gets different readings; look at the card, the light and how the "
        "phone is held."
    )


def categories(study: GaugeStudy) -> str:
    """What the number of distinct categories says, and when it says nothing."""
    if study.ndc is None:
        return "The categories have no bound, since the readings of a block never differ."
    text = f"It can tell {study.ndc} categories of these blocks apart"
    if study.ndc >= MIN_NDC:
        return f"{text} (5 or more is good)."
    return (
        f"{text} (5 or more is good); that counts only if the blocks differ as much as in daily work, so for the "
        "tolerance go by the figure above."
    )


def bench_sentence(studies: Sequence[GaugeStudy], limit_mm: float = 3.0) -> str | None:
    """Whether the bench can judge a tolerance of ± `limit_mm`, by the worst of the measures in mm; None without any."""
    lengths = [s for s in studies if s.unit == "mm"]
    if not lengths:
        return None
    worst = max(lengths, key=lambda s: s.grr)
    return f"By the least certain length ({label_of(worst)}). {sentence(worst, (-limit_mm, limit_mm))}"
