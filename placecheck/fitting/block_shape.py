"""The order's block as a dome: its shape from the tapes, and how far what they leave open may vary.

The taped circumference gives the dome of dome.py its size. The tapes over the crown and
across, where taken, are met by Newton's steps on height and length to breadth; one of them
alone tells the height. What no tape tells, a Shape, has the means of block.py's prior.
`shape_spread` moves the mean shape by one standard deviation of that prior in each of its
directions, so that a mark's uncertainty can be had by placing it on every one of them.
Tapes that no head's shape can meet are refused. (bare_block/tapes.py is for blocks that were
measured with care and are kept; here the order's few tapes are all there is.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from placecheck.dome import BUMPS, Dome, half_axes_for
from placecheck.errors import UsageProblem
from placecheck.orders.order import Block
from placecheck.tapeline import length_mm, middle_line, section

FloatArray = npt.NDArray[np.float64]

_PAIRS = (("temple left", "temple right"), ("side left", "side right"))


@dataclass(frozen=True)
class Shape:
    """What a tape does not tell of a block: the means of block.py's prior; `bumps` by name (both sides alike)."""

    log_ratio: float = float(np.log(1.27))
    height_mm: float = 103.0
    depth_mm: float = 200.0
    egg: float = 0.05
    bumps: tuple[tuple[str, float], ...] = tuple((bump.name, bump.mean) for bump in BUMPS)


def shape_spread() -> list[tuple[str, Shape]]:
    """The mean shape moved by one standard deviation in each direction of the prior, with the direction's name."""
    mean = Shape()
    moved = [
        ("length to breadth", replace(mean, log_ratio=mean.log_ratio + 0.08)),
        ("height", replace(mean, height_mm=mean.height_mm + 9.0)),
        ("neck", replace(mean, depth_mm=mean.depth_mm + 50.0)),
        ("egg", replace(mean, egg=mean.egg + 0.03)),
    ]
    for group in (("forehead",), ("occiput",), ("crown",), ("brow",), *_PAIRS):
        bumps = tuple((b.name, b.mean + (b.sd if b.name in group else 0.0)) for b in BUMPS)
        moved.append((group[0], replace(mean, bumps=bumps)))
    return moved


def block_dome(block: Block, shape: Shape | None = None) -> Dome:
    """The block's dome from its tapes, mm; what they do not tell is `shape`.

    Raises UsageProblem where the tapes over and across the crown are those of no block.
    """
    shape = shape or Shape()
    bumps = tuple(amplitude for _, amplitude in shape.bumps)

    def build(log_ratio: float, height: float) -> Dome:
        a, b = half_axes_for(block.circumference_mm, float(np.exp(log_ratio)))
        dome = Dome(a, b, height, shape.depth_mm, shape.egg, bumps)
        k = block.circumference_mm / dome.circumference_mm()
        return Dome(a * k, b * k, height, shape.depth_mm, shape.egg, bumps)

    def misfit(x: FloatArray) -> FloatArray:
        dome = build(x[0], x[1])
        out = []
        if block.over_mm is not None:
            line = middle_line(dome, -10.0, 361)
            out.append(line.front_level_v_mm - line.back_level_v_mm - block.over_mm)
        if block.across_mm is not None:
            out.append(2.0 * _quarter_across_mm(dome) - block.across_mm)
        return np.array(out)

    x = np.array([shape.log_ratio, shape.height_mm])
    free = [i for i, tape in ((1, block.over_mm), (0, block.across_mm)) if tape is not None]
    if len(free) == 1:
        free = [1]  # one tape over the crown tells the height; the length to breadth stays the prior's
    for _ in range(12 if free else 0):
        f = misfit(x)
        if float(np.max(np.abs(f))) < 0.01:
            break
        jac = np.empty((len(f), len(free)))
        for j, i in enumerate(free):
            h = 1e-3 if i == 0 else 0.1
            step = np.zeros(2)
            step[i] = h
            jac[:, j] = (misfit(x + step) - f) / h
        move = np.linalg.lstsq(jac, -f, rcond=None)[0]
        limit = np.array([0.15, 25.0])[free]
        x[free] += np.clip(move, -limit, limit)
    if free and (not 0.0 <= x[0] <= 0.47 or not 70.0 <= x[1] <= 140.0 or np.max(np.abs(misfit(x))) > 0.5):
        raise UsageProblem(
            "block-tapes-disagree",
            "The block's tapes do not make a head's shape: tape again from the widest level in front over the crown to "
            "the widest level behind, and the same from side to side.",
        )
    return build(float(x[0]), float(x[1]))


def _quarter_across_mm(dome: Dome) -> float:
    """From the crown straight down to the widest level at the side, along the cut through the crown, mm."""
    side = np.array([1.0, 0.0, 0.0])
    side = side * dome.radius(side)
    top = np.array([0.0, 0.0, 1.0])
    top = top * dome.radius(top)
    return length_mm(section(dome, side, top, side * [-1.0, 1.0, 1.0])) / 2.0
