"""Pictures of every stage, for whoever wants to see why a photo was read as it was.

One picture per stage, in the order of the pipeline: the card's corners on the photo, the
block's outline and the fitted dome's, the unrolled dome as the finder saw it, and the
same with what was found drawn in: landmarks with their 95 % ellipse, rim, hairline and
centre line as dots whose size is their uncertainty. Drawn with Pillow on copies; nothing
here changes a number. Colours are the Okabe-Ito set, told apart by the colour-blind, and
each kind also has its own mark.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from placecheck.block import outline_px
from placecheck.find.unroll import PX_PER_MM, uv_to_cell
from placecheck.photo import Photo

if TYPE_CHECKING:
    from placecheck.measure import OnDome
    from placecheck.sighting import Sighted

ORANGE, SKY, GREEN, YELLOW, BLUE, RED, PURPLE = (
    (230, 159, 0),
    (86, 180, 233),
    (0, 158, 115),
    (240, 228, 66),
    (0, 114, 178),
    (213, 94, 0),
    (204, 121, 167),
)
LONG_SIDE = 1400


def explain_pictures(photo: Photo, seen: Sighted, on: OnDome) -> Iterator[tuple[str, Any]]:
    """(name, BGR image) of every stage, in order."""
    from PIL import Image, ImageDraw

    def blank(bgr: Any, scale: float = 1.0) -> tuple[Any, Any]:
        picture = Image.fromarray(np.ascontiguousarray(bgr[..., 2::-1]))
        if scale != 1.0:
            picture = picture.resize((round(picture.width * scale), round(picture.height * scale)))
        return picture, ImageDraw.Draw(picture)

    def done(picture: Any) -> Any:
        return np.asarray(picture)[..., ::-1]

    def dots(draw: Any, points: Any, radius: Any, colour: Any) -> None:
        sizes = np.broadcast_to(radius, len(points))
        for (x, y), r in zip(points, sizes, strict=True):
            draw.ellipse((x - r, y - r, x + r, y + r), outline=colour, width=2)

    scale = min(1.0, LONG_SIDE / max(photo.width, photo.height))
    picture, draw = blank(photo.image, scale)
    dots(draw, seen.card.corners_px * scale, 4, ORANGE)
    draw.line([tuple(p) for p in np.concatenate([seen.card.outline_px, seen.card.outline_px[:1]]) * scale], fill=SKY)
    yield "1-card", done(picture)

    picture, draw = blank(photo.image, scale)
    dots(draw, seen.block.outline_px * scale, 2, YELLOW)
    ring = outline_px(seen.fit.geometry)
    draw.line([tuple(p) for p in np.concatenate([ring, ring[:1]]) * scale], fill=SKY, width=2)
    start = seen.block.centroid_px * scale
    draw.line([tuple(start), tuple(start + 60 * seen.block.face_px)], fill=RED, width=4)
    yield "2-block", done(picture)

    yield "3-unrolled", np.ascontiguousarray(seen.picture[..., :3])

    picture, draw = blank(seen.picture, 2.0)
    s = seen.sighting
    for trace, colour in ((s.rim, RED), (s.hairline, PURPLE), (s.centre, BLUE)):
        dots(draw, uv_to_cell(trace.uv) * 2 + 0.5, np.clip(2 * trace.u_mm * PX_PER_MM, 1.5, 14), colour)
    for name, spot in s.spots.items():
        x, y = uv_to_cell(spot.uv) * 2 + 0.5
        rx, ry = 2 * 2 * np.sqrt(np.diag(spot.covariance_mm2)) * PX_PER_MM
        draw.ellipse((x - rx, y - ry, x + rx, y + ry), outline=YELLOW, width=2)
        draw.text((x + 6, y + 6), name.replace("_", " "), fill=YELLOW, stroke_width=2, stroke_fill=(0, 0, 0))
    yield "4-found", done(picture)
