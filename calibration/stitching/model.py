"""Two small networks: one sees where the lace's edge runs on a flat picture, one finds stitches on the seam.

The first is fully convolutional at half resolution, its dilated convolutions see 20 mm to every side. The second folds
the strip's rows into features of each column, then looks along the seam with dilated convolutions (25 mm to either
side) and with the strip's own averages, since all stitches of a row are of one thread and one hand.
"""

from __future__ import annotations

import torch
from torch import nn

WIDTH = 20


class EdgeNetwork(nn.Module):
    """Input (n, 4, h, w); maps (n, 2, h/2, w/2) of logits, the second is the edge's; a flag that nothing uses."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(nn.Conv2d(4, WIDTH, 5, stride=2, padding=2), nn.BatchNorm2d(WIDTH), nn.ReLU())
        self.blocks = nn.ModuleList()
        for dilation in (1, 1, 2, 4, 8, 16, 2, 1):
            self.blocks.append(
                nn.Sequential(
                    nn.Conv2d(WIDTH, WIDTH, 3, padding=dilation, dilation=dilation), nn.BatchNorm2d(WIDTH), nn.ReLU()
                )
            )
        self.head = nn.Conv2d(WIDTH, 2, 1)

    def forward(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        x = self.stem(x)
        for block in self.blocks:
            x = x + block(x)
        maps = self.head(x)
        return maps, maps.mean((2, 3))


class StitchNetwork(nn.Module):
    """Input (n, 4, rows, m); maps (n, 2, 1, m/2): logit of a stitch's middle, and its place across the seam in mm."""

    def __init__(self, rows: int, wide: int = 16, deep: int = 40) -> None:
        super().__init__()

        def conv(a: int, b: int, stride: int | tuple[int, int] = 1) -> nn.Sequential:
            return nn.Sequential(nn.Conv2d(a, b, 3, stride=stride, padding=1), nn.BatchNorm2d(b), nn.ReLU())

        self.near = nn.Sequential(conv(4, wide), conv(wide, wide, 2), conv(wide, wide), conv(wide, 2 * wide, (2, 1)))
        self.fold = nn.Sequential(nn.Conv2d(2 * wide, deep, ((rows + 3) // 4, 1)), nn.BatchNorm2d(deep), nn.ReLU())
        self.whole = nn.Conv2d(2 * deep, deep, 1)
        self.along = nn.ModuleList()
        for dilation in (1, 2, 4, 8, 16, 1):
            self.along.append(
                nn.Sequential(
                    nn.Conv2d(deep, deep, (1, 5), padding=(0, 2 * dilation), dilation=(1, dilation)),
                    nn.BatchNorm2d(deep),
                    nn.ReLU(),
                )
            )
        self.head = nn.Conv2d(deep, 2, 1)

    def forward(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        y = self.fold(self.near(x))
        mean = y.mean((2, 3), keepdim=True)
        spread = (y * y).mean((2, 3), keepdim=True)
        y = y + self.whole(torch.cat([mean, spread], 1)).expand_as(y)  # OpenCV adds no broadcast to a convolution
        for block in self.along:
            y = y + block(y)
        maps = self.head(y)
        return maps, maps.mean((2, 3))
