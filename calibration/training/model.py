"""The small networks: one sees the photo and finds the block, one sees the unrolled dome and finds the closure.

Both are the same encoder-decoder with skip connections (the U-Net idea, Ronneberger
et al. 2015), plain 3x3 convolutions with batch normalisation, output at half the
input's resolution, plus a vector of yes/no answers from the deepest features. They
are small enough for OpenCV's dnn module on two cores. The block network gives the
silhouette of the bare block and the direction of the face; the closure network gives
one heat map per landmark and line, read out as probabilities along the proper axis; it is
decoded to a quarter of the resolution only, where each cell says four values of every map
(sub-pixel convolution, Shi et al. 2016), for two thirds of the time. Two more see the same at half
the scale and are a level shallower, for a quarter of the time: where in the photo the block stands, and
a first look at the closure.
"""

from __future__ import annotations

import itertools

import torch
from torch import nn

LANDMARKS = ("fold_front", "fold_back", "front_left", "front_right", "back_left", "back_right")
CLOSURE_CHANNELS = (*LANDMARKS, "cap_rim", "hairline", "centre_line", "ventilated")
CLOSURE_FLAGS = ("closure", "upright", "cap")
BLOCK_CHANNELS = ("silhouette", "face x", "face y")
BLOCK_FLAGS = ("block",)


def conv(n_in: int, n_out: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(n_in, n_out, 3, stride, 1, bias=False), nn.BatchNorm2d(n_out), nn.ReLU(inplace=True))


class Pyramid(nn.Module):
    """Encoder-decoder; `widths` from the half-resolution level down, `last` before the maps.

    Returns (maps at 1/2, flags). With `quarter` the last step up is left out, and four values a cell are laid side by
    side (`apart` False, as it is trained) or stay one behind the other (True, as it is exported).
    """

    def __init__(
        self, n_in: int, widths: tuple[int, ...], last: int, n_maps: int, n_flags: int, quarter: bool = False
    ) -> None:
        super().__init__()
        self.quarter = quarter
        self.apart = False
        self.stem = conv(n_in, widths[0], 2)
        self.first = conv(widths[0], widths[0])
        self.down = nn.ModuleList(nn.Sequential(conv(a, b, 2), conv(b, b)) for a, b in itertools.pairwise(widths))
        self.context = nn.Sequential(conv(widths[-1], widths[-1]), conv(widths[-1], widths[-1]))
        ups = []
        for low, high in zip(widths[:0:-1], widths[-2::-1], strict=True):
            ups.append(conv(low + high, high))
        self.up = nn.ModuleList(ups[:-1] if quarter else ups)
        self.last = conv(widths[1 if quarter else 0], last)
        self.maps = nn.Conv2d(last, (4 if quarter else 1) * n_maps, 1)
        self.flags = nn.Conv2d(widths[-1], n_flags, 1)

    def forward(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        x = self.first(self.stem(x))
        skips = [x]
        for step in self.down:
            x = step(x)
            skips.append(x)
        x = self.context(x)
        flags = self.flags(nn.functional.adaptive_avg_pool2d(x, 1)).flatten(1)
        for step, skip in zip(self.up, skips[-2::-1], strict=not self.quarter):
            x = nn.functional.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)
            x = step(torch.cat([x, skip], 1))
        maps = self.maps(self.last(x))
        return nn.functional.pixel_shuffle(maps, 2) if self.quarter and not self.apart else maps, flags


def closure_network() -> Pyramid:
    return Pyramid(4, (24, 40, 64, 96, 104, 104), 64, len(CLOSURE_CHANNELS), len(CLOSURE_FLAGS), quarter=True)


def block_network() -> Pyramid:
    return Pyramid(3, (8, 16, 40, 56, 64, 80), 16, len(BLOCK_CHANNELS), len(BLOCK_FLAGS))


def first_look_network() -> Pyramid:
    """The closure's network for a picture of half the size."""
    return Pyramid(4, (24, 40, 64, 96, 104), 24, len(CLOSURE_CHANNELS), len(CLOSURE_FLAGS))


def place_network() -> Pyramid:
    """The block's network for a photo of half the size."""
    return Pyramid(3, (8, 16, 40, 56, 64), 16, len(BLOCK_CHANNELS), len(BLOCK_FLAGS))


def fine_closure_network() -> Pyramid:
    """What the closure's network was until it was decoded to a quarter only; it teaches that one (coarse.py)."""
    return Pyramid(4, (24, 40, 64, 96, 104, 104), 24, len(CLOSURE_CHANNELS), len(CLOSURE_FLAGS))


def wide_closure_network() -> Pyramid:
    """What that was until it was narrowed; it teaches the narrow one (narrow.py)."""
    return Pyramid(4, (32, 48, 64, 96, 104, 104), 40, len(CLOSURE_CHANNELS), len(CLOSURE_FLAGS))


def wide_block_network() -> Pyramid:
    """What the block's network was until it was narrowed."""
    return Pyramid(3, (16, 24, 40, 56, 64, 80), 24, len(BLOCK_CHANNELS), len(BLOCK_FLAGS))
