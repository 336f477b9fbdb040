"""The photo's colours, no larger than finding needs them, and read by the photo's own pixels.

Only the card's corners gain by every pixel a phone has, and they are found in grey. What is looked
for on the block is looked for at 2 px/mm, which a photo of 2000 pixels to its long side has there;
so of a larger one the colours are kept at a half or a quarter of its scale, whichever is still that
large. A JPEG gives them so by itself (its blocks of 8 x 8 are decoded to 4 x 4 or 2 x 2, ITU-T T.81,
scaled inverse transform), in a third of the time and beside its grey. Of other kinds the mean is
taken over squares. Cell i of a picture at 1 / s covers the photo's pixels s i to s i + s - 1, so its
centre lies at s i + (s - 1) / 2. Sides must be multiples of s: else a turned or mirrored picture
would lie a pixel beside itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.uint8]
Px = TypeVar("Px", npt.NDArray[np.float32], npt.NDArray[np.float64])

LEAST_LONG_SIDE_PX = 2000
"""Every figure of accuracy was measured on photos about that large."""


@dataclass(frozen=True, eq=False)
class Colours:
    """`pixels` (h, w, 3) BGR of a photo `shrink` times as high and wide."""

    pixels: Image = field(repr=False)
    shrink: int = 1

    @property
    def photo_shape(self) -> tuple[int, int]:
        """The photo's height and width."""
        return self.pixels.shape[0] * self.shrink, self.pixels.shape[1] * self.shrink

    def own_px(self, photo_px: Px) -> Px:
        """Where the photo's pixels (..., 2) lie in `pixels`."""
        if self.shrink == 1:
            return photo_px
        out: Px = (photo_px + 0.5) / self.shrink - 0.5  # type: ignore[assignment]
        return out

    def photo_px(self, own_px: Px) -> Px:
        """Where what lies at (..., 2) in `pixels` lies in the photo."""
        if self.shrink == 1:
            return own_px
        out: Px = (own_px + 0.5) * self.shrink - 0.5
        return out


def shrink_for(width: int, height: int) -> int:
    """How many of a photo's pixels its colours need take together to a side: 1, 2 or 4."""
    large_enough = (s for s in (4, 2) if max(width, height) >= s * LEAST_LONG_SIDE_PX)
    return next((s for s in large_enough if not (width % s or height % s)), 1)


def colours_of(image: Image) -> Colours:
    """The colours of a whole picture (h, w, 3) BGR."""
    from placecheck.vision import resize

    height, width = image.shape[:2]
    shrink = shrink_for(width, height)
    pixels = image if shrink == 1 else resize(image, width // shrink, height // shrink)
    pixels.flags.writeable = False
    return Colours(pixels, shrink)
