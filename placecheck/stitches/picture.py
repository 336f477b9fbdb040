"""The picture of a close-up: every stitch numbered, gaps and crowding marked with their length.

Drawn with the overlay's own pens (dark halo, Okabe-Ito colours, nothing by colour alone): the lace's edge thin and
white, a ring round each stitch (broken where it is doubtful), its number beside every one or every fifth, a thick bar
along each spacing that is proven over the limit or under it, broken ones where it is too near a limit to call, wide for
the row or crowded, with a tag that gives the length. Below it the panel with the verdict, as under every picture.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from placecheck.answer import Answer, State
from placecheck.answer_panel import with_panel
from placecheck.drawing import (
    LONG_SIDE_PX,
    NAME_PX,
    ORANGE,
    SKY,
    VERMILLION,
    WHITE,
    YELLOW,
    Layer,
    dash_pieces,
)

if TYPE_CHECKING:
    from PIL import Image

    from placecheck.stitches.sewn import Sewn

FloatArray = npt.NDArray[np.float64]
SURE = 0.6
KIND_COLOUR = {"over": VERMILLION, "under": VERMILLION, "unsure": ORANGE, "crowded": YELLOW, "wide": ORANGE}
KIND_DASHES: dict[str, tuple[float, ...]] = {
    "over": (),
    "under": (),
    "unsure": (9.0, 5.0),
    "crowded": (5.0, 5.0),
    "wide": (14.0, 9.0),
}
KIND_WORDS = {"over": "too wide", "under": "too close", "unsure": "unsure", "crowded": "crowded", "wide": "wide"}
"""In the order in which they are tagged."""
KIND_STATE: dict[str, State] = {"over": "out", "under": "out", "unsure": "unsure"}
MOST_TAGS = 8


def draw_close_up(image: npt.NDArray[np.uint8], answer: Answer, sewn: Sewn) -> Image.Image:
    """The finished picture (RGB) from the upright photo (h, w, 3) uint8 BGR, its answer and its stitches."""
    from PIL import Image

    part = Image.fromarray(np.ascontiguousarray(image[..., ::-1]))
    scale = LONG_SIDE_PX / max(part.size)
    size = (max(1, round(part.width * scale)), max(1, round(part.height * scale)))
    part = part.resize(size, Image.Resampling.LANCZOS if scale < 1 else Image.Resampling.BICUBIC)

    def placed(points: object) -> FloatArray:
        return (np.asarray(points, float).reshape(-1, 2) + 0.5) * scale - 0.5

    layer = Layer(size)
    if len(sewn.line_px) > 1:
        layer.stroke([placed(sewn.line_px)], WHITE, 1.5, halo=1.5)
    marks = placed(sewn.px)
    along = marks[-1] - marks[0]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    across = np.array([-along[1], along[0]])
    if across @ (np.array(size) / 2 - marks.mean(axis=0)) > 0:
        across = -across  # numbers stand on the side away from the card
    near = float(np.median(np.linalg.norm(np.diff(marks, axis=0), axis=1)))
    radius = float(np.clip(0.22 * near, 6, 13))
    for at, p in zip(marks, sewn.certainty, strict=True):
        turn = np.linspace(0, 2 * np.pi, 40)
        ring = at + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        layer.stroke(dash_pieces(ring, () if p > SURE else (5.0, 5.0)), SKY if p > SURE else YELLOW, 2.5, halo=1.5)
        layer.taken.append((at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius))
    every = 1 if near > 34 else 5
    for k, at in enumerate(marks, 1):
        if k % every and k != 1:
            continue
        text = str(k)
        w, h = layer.text_size(text, NAME_PX * 0.75)
        x, y = at + across * (radius + 18) - [w / 2, h / 2]
        layer.text((float(x), float(y)), text, NAME_PX * 0.75, WHITE)
        layer.taken.append((x, y, x + w, y + h))
    odd = [k for k, kind in enumerate(sewn.kinds) if kind != "even"]
    odd.sort(key=lambda k: list(KIND_WORDS).index(sewn.kinds[k]))
    for k in odd:
        a, b = marks[k], marks[k + 1]
        kind = sewn.kinds[k]
        step = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9) * min(radius, float(np.linalg.norm(b - a)) / 2.5)
        layer.stroke(dash_pieces(np.stack([a + step, b - step]), KIND_DASHES[kind]), KIND_COLOUR[kind], 6.0)
    for k in odd[:MOST_TAGS]:
        words, state = KIND_WORDS[sewn.kinds[k]], KIND_STATE.get(sewn.kinds[k])
        layer.tag((marks[k] + marks[k + 1]) / 2, across, [f"{sewn.spacing_mm[k]:.1f} mm, {words}"], state)
    return with_panel(layer.over(part), answer)
