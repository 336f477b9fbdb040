"""Pictures of every stage, for whoever wants to see why a photo was read as it was.

One picture per stage, in the order of the pipeline: the card's corners on the photo, the
block's outline and the fitted dome's, the unrolled dome as the finder saw it, and the
same with what was found drawn in: landmarks with their 95 % ellipse, rim, hairline and
centre line as dots whose size is their uncertainty. A photo that was refused is gone through
once more, as far as it gets, and shows the first look at what is on the block. Drawn with
Pillow on copies; nothing here changes a number. Colours are the Okabe-Ito set, told apart by
the colour-blind, and each kind also has its own mark.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from placecheck.block import outline_px
from placecheck.block_fit import BlockFit
from placecheck.camera import Camera
from placecheck.card import CardSighting
from placecheck.find.closure import ClosureSighting
from placecheck.find.outline import BlockSighting
from placecheck.find.unroll import PX_PER_MM, uv_to_cell
from placecheck.photo import Photo
from placecheck.request import CheckRequest
from placecheck.sighting import Sighted, glimpse

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


def explain_pictures(photo: Photo, seen: Sighted) -> Iterator[tuple[str, Any]]:
    """(name, BGR image) of every stage, in order."""
    yield "card", _card_picture(photo, seen.card)
    yield "block", _block_picture(photo, seen.block, seen.fit)
    yield "unrolled", np.ascontiguousarray(seen.picture[..., :3])
    yield "found", _found_picture(seen.picture, seen.sighting, PX_PER_MM)


def refused_pictures(photo: Photo, request: CheckRequest, camera: Camera | None) -> Iterator[tuple[str, Any]]:
    """(name, BGR image) of the stages that a refused photo of the block got through, in order."""
    seen = glimpse(photo, request, camera)
    if seen.card is not None:
        yield "card", _card_picture(photo, seen.card)
    if seen.block is not None:
        yield "block", _block_picture(photo, seen.block, None)
    if seen.standing is not None:
        yield "unrolled", np.ascontiguousarray(seen.standing.picture[..., :3])
        yield "found", _found_picture(seen.standing.picture, seen.standing.sighting, seen.standing.grid.px_per_mm)


def _blank(bgr: Any, scale: float = 1.0) -> tuple[Any, Any]:
    from PIL import Image, ImageDraw

    picture = Image.fromarray(np.ascontiguousarray(bgr[..., 2::-1]))
    if scale != 1.0:
        picture = picture.resize((round(picture.width * scale), round(picture.height * scale)))
    return picture, ImageDraw.Draw(picture)


def _done(picture: Any) -> Any:
    return np.asarray(picture)[..., ::-1]


def _dots(draw: Any, points: Any, radius: Any, colour: Any) -> None:
    sizes = np.broadcast_to(radius, len(points))
    for (x, y), r in zip(points, sizes, strict=True):
        draw.ellipse((x - r, y - r, x + r, y + r), outline=colour, width=2)


def _scale(photo: Photo) -> float:
    return min(1.0, LONG_SIDE / max(photo.width, photo.height))


def _card_picture(photo: Photo, card: CardSighting) -> Any:
    scale = _scale(photo)
    picture, draw = _blank(photo.image, scale)
    _dots(draw, card.corners_px * scale, 4, ORANGE)
    draw.line([tuple(p) for p in np.concatenate([card.outline_px, card.outline_px[:1]]) * scale], fill=SKY)
    return _done(picture)


def _block_picture(photo: Photo, block: BlockSighting, fit: BlockFit | None) -> Any:
    scale = _scale(photo)
    picture, draw = _blank(photo.image, scale)
    _dots(draw, block.outline_px * scale, 2, YELLOW)
    if fit is not None:
        ring = outline_px(fit.geometry)
        draw.line([tuple(p) for p in np.concatenate([ring, ring[:1]]) * scale], fill=SKY, width=2)
    start = block.centroid_px * scale
    draw.line([tuple(start), tuple(start + 60 * block.face_px)], fill=RED, width=4)
    return _done(picture)


def _found_picture(unrolled: Any, sighting: ClosureSighting, px_per_mm: float) -> Any:
    """The unrolled picture, enlarged to 4 px/mm, with what was found in it."""
    scale = 2.0 * PX_PER_MM / px_per_mm
    drawn = scale * px_per_mm
    picture, draw = _blank(unrolled, scale)
    lines = ((sighting.rim, RED), (sighting.hairline, PURPLE), (sighting.centre, BLUE))
    for trace, colour in lines:
        _dots(draw, uv_to_cell(trace.uv, px_per_mm) * scale + 0.5, np.clip(drawn * trace.u_mm, 1.5, 14), colour)
    for name, spot in sighting.spots.items():
        x, y = uv_to_cell(spot.uv, px_per_mm) * scale + 0.5
        rx, ry = drawn * 2 * np.sqrt(np.diag(spot.covariance_mm2))
        draw.ellipse((x - rx, y - ry, x + rx, y + ry), outline=YELLOW, width=2)
        draw.text((x + 6, y + 6), name.replace("_", " "), fill=YELLOW, stroke_width=2, stroke_fill=(0, 0, 0))
    return _done(picture)
