"""The panel below a picture: the answer in words, for whoever looks at the picture alone.

The verdict comes first, then every judged measure of the photo's stage with its state as a
symbol and a word, what it reads and its expanded uncertainty, in the words of printout.py;
where nothing was measured, the first two problems stand there instead. Letters grow with the
picture's width, between limits, so that they can be read on a phone. What left and right mean
and for how many cases the uncertainty holds is said in the last line. The overlay of a placement
and that of a seam's close-up end alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from placecheck.answer import MEASURE_BY_NAME, Answer
from placecheck.drawing import STATE_COLOUR, WHITE, Layer, wrapped
from placecheck.printout import STATE_WORDS, headline, in_words

if TYPE_CHECKING:
    from PIL import Image


def with_panel(picture: Image.Image, answer: Answer) -> Image.Image:
    """The picture with the answer's panel below it."""
    from PIL import Image

    panel = answer_panel(picture.width, answer)
    whole = Image.new("RGB", (picture.width, picture.height + panel.height))
    whole.paste(picture, (0, 0))
    whole.paste(panel, (0, picture.height))
    return whole


def answer_panel(width: int, answer: Answer) -> Image.Image:
    """The strip below the picture: the verdict and every judged measure with its state."""
    from PIL import Image

    px = max(22.0, min(40.0, width / 34))
    rows = [s.name for s in answer.measured.specs if s.judged and answer.measured.estimates]
    notes = [problem.message for problem in answer.problems[:2]] if not rows else []
    height = round(px * 1.45 * (len(rows) + len(notes) * 3 + 2.2) + px)
    layer = Layer((width, height))
    x, y = px * 0.6, px * 0.4
    layer.text((x, y), headline(answer), px * 1.25, WHITE, halo=False)
    y += px * 1.8
    columns = (x + px * 1.3, x + px * 17.2, x + px * 28.6)
    for name in rows:
        spec, estimate, judged = MEASURE_BY_NAME[name], answer.measured.estimates.get(name), answer.judged.get(name)
        state = judged.state if judged else None
        layer.symbol((x, y + px * 0.12), px * 0.9, state, STATE_COLOUR[state])
        layer.text((columns[0], y), spec.label, px, WHITE, halo=False)
        reads = in_words(spec, estimate.value, estimate.U95) if estimate else "not measured"
        layer.text((columns[1], y), reads, px, WHITE, halo=False)
        layer.text((columns[2], y), STATE_WORDS[state][2] if judged else "", px, STATE_COLOUR[state], halo=False)
        y += px * 1.45
    for note in notes:
        for line in wrapped(layer, note, px, width - 2 * x):
            layer.text((x, y), line, px, WHITE, halo=False)
            y += px * 1.3
    sewn = answer.measured.sewn
    whose = "L, R, left, right: the wearer's. " if sewn is None else f"{sewn.counted}. "
    arrows = " Arrows: the first move, not to scale." if answer.pulls else ""
    layer.text((x, y), f"{whose}± holds for 95 %.{arrows}", px * 0.8, WHITE, halo=False)
    return layer.over(Image.new("RGB", (width, height), (24, 24, 24)))
