"""The cap beside the card as two flat pictures, one for each long side of the card.

The chart's lengths are surface lengths (ground.py), so threads and spacings look alike however the phone was held and
wherever in the picture they lie. Each picture begins at the card's edge and reaches DEPTH_MM away from it; the one
below the card is turned by half a turn, so that the card is always at the top. A photo finer than the grid is
softened first. Cells that lie on the card, outside the photo, or are seen too obliquely are not valid and are
filled with the median. The network sees logarithms of linear light less their median, so that neither the lamp's
strength nor the photo's exposure matters, and the mask of valid cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.card.align import srgb_to_linear
from placecheck.card.board import SMALL_CARD
from placecheck.stitches.ground import Ground, obliqueness_deg, to_px

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

GRID_PX_PER_MM = 6.0
DEPTH_MM, WIDTH_MM = 40.0, 128.0
CARD_HALF_MM = (
    SMALL_CARD.size_mm[0] / 2 + SMALL_CARD.margin_mm,
    SMALL_CARD.size_mm[1] / 2 + SMALL_CARD.margin_mm,
)
BESIDE_CARD_MM = 1.2
"""Cells nearer to the card than this may show its cut edge."""
_TO_LIGHT = srgb_to_linear(np.arange(256.0)).astype(np.float32)


@dataclass(frozen=True, eq=False)
class Side:
    """One long side of the card. `image` (h, w, 3) float32 0..255 BGR, `valid` (h, w), `turned` half a turn or not."""

    image: Float32Array
    valid: npt.NDArray[np.bool_]
    turned: bool

    def chart_mm(self, cells: FloatArray) -> FloatArray:
        """Cells (..., 2) as (column, row), centres at integers, to the chart (s, t) in mm."""
        mm = (np.asarray(cells, float) + 0.5) / GRID_PX_PER_MM + [-WIDTH_MM / 2, CARD_HALF_MM[1]]
        return -mm if self.turned else mm


def sides(
    image: vision.Image, ground: Ground, card_homography: FloatArray, most_oblique_deg: float
) -> tuple[Side, Side]:
    """Both long sides of the card, from the upright photo (h, w, 3) BGR; `card_homography` is board mm to photo px.

    What would be seen more obliquely than `most_oblique_deg` is not valid.
    """
    h, w = round(DEPTH_MM * GRID_PX_PER_MM), round(WIDTH_MM * GRID_PX_PER_MM)
    cells = np.stack(np.meshgrid(np.arange(w), np.arange(h)), axis=-1).astype(float)
    blank = Side(np.zeros((h, w, 3), np.float32), np.zeros((h, w), bool), False)
    found = []
    for turned in (False, True):
        chart = Side(blank.image, blank.valid, turned).chart_mm(cells)
        px = to_px(ground, chart)
        middle = px[h // 2]
        fineness = float(np.nanmedian(np.linalg.norm(np.diff(middle, axis=0), axis=1)))  # photo px per cell
        source, scale = image, 1.0
        if fineness > 1.5:  # 12 MP photos: reduce before reading single pixels
            scale = 1.2 / fineness
            source = vision.resize(image, round(image.shape[1] * scale), round(image.shape[0] * scale))
        at = ((px + 0.5) * scale - 0.5).astype(np.float32)
        flat = vision.resample(source, at).astype(np.float32)
        inside = np.all((px > 1) & (px < [image.shape[1] - 2, image.shape[0] - 2]), axis=-1)
        oblique = obliqueness_deg(ground, chart) < most_oblique_deg
        on_card = (
            vision.apply_homography(np.asarray(np.linalg.inv(card_homography), float), px) - SMALL_CARD.middle_mm[0]
        )
        away = np.maximum(np.abs(on_card[..., 0]) - CARD_HALF_MM[0], np.abs(on_card[..., 1]) - CARD_HALF_MM[1])
        found.append(Side(flat, inside & oblique & (away > BESIDE_CARD_MM), turned))
    return found[0], found[1]


def network_input(image: npt.NDArray[np.floating], valid: npt.NDArray[np.bool_]) -> Float32Array:
    """(4, h, w): three channels of log light less their median, and the mask; invalid cells are 0."""
    levels = np.clip(np.round(image), 0, 255).astype(np.uint8)
    log = np.log(_TO_LIGHT[levels] + 0.01)
    median = np.median(log[valid], axis=0) if valid.any() else np.zeros(3, np.float32)
    out = np.where(valid[..., None], log - median, 0).transpose(2, 0, 1)
    return np.concatenate([out, valid[None]]).astype(np.float32)
