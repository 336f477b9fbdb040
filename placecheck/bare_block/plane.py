"""Where the line along a block's middle runs in the block's own frame, told by photos of the bare block.

Many blocks have a line printed or drawn along their middle, and a maker sets the cap by it; but
it lies up to a few millimetres and a degree off the block's true middle, and a cap hides all of it
but the end on the forehead. On the bare block it is seen whole. So each photo of one that was
fitted jointly (bare_block/joint.py) is unrolled about the block's middle and the line looked for
(find/block_line.py) on three stretches, since it need not run straight in the chart over all of them:
forehead, crown and back of the head. The ends of each stretch that is seen lie in one upright
plane, turned and shifted a little; a dome fitted a little too large or small, which moves what is seen
from the side, is a third unknown (least squares, weights from each stretch's own covariance,
Cauchy's weights for the whole of it, so that a fold or a stain that was taken for the line counts
little). Where too few stretches of too few photos agree, or too little of the line is seen, there is
none: grain and seams of a block without a line are taken for one here and there, but do not agree.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometry
from placecheck.colours import Colours
from placecheck.find.block_line import find_block_line
from placecheck.find.closure import unroll
from placecheck.known_dome import KnownLine
from placecheck.surface import normals, unit

FloatArray = npt.NDArray[np.float64]

STRETCHES_MM = ((45.0, 160.0), (-35.0, 45.0), (-160.0, -35.0))  # of v: forehead, crown, back
LEAST_PHOTOS, LEAST_STRETCHES, LEAST_SPAN_MM, LEAST_SHARE = 3, 5, 60.0, 0.7
"""Of what agrees. Lines printed on 16 blocks for developing were seen in 6 to 8 photos and 8 to 20 stretches, of which
95 % and more agreed; what was taken for one on two of nine blocks without was three stretches, one against two."""
POSE_U = 0.4  # mm: how far all of one photo may lie beside the others, by its own pose
SIZE_U = 0.8  # mm: how much too large or small the fitted dome is, as its outline was searched for
FRAME_U = (0.35, 0.35)
"""How far turn (deg) and shift (mm) of the block's frame itself are off, whatever the number of photos."""


def line_of(photos: Sequence[Colours], geometries: Sequence[Geometry]) -> KnownLine | None:
    """The line's plane in the common frame of the geometries, or None where it is not seen well enough."""
    rows, sides, variances, seen = [], [], [], []
    for number, (colours, geometry) in enumerate(zip(photos, geometries, strict=True)):
        picture, grid = unroll(colours, geometry)
        for low, high in STRETCHES_MM:
            line = find_block_line(picture, grid.facing, low, high)
            if line is None:
                continue
            uv, covariance = line.ends()
            points = grid.chart.to_points(uv)
            ray, n = unit(points - geometry.eye_mm), normals(geometry.dome, points)
            raised = ray[:, 0] / (ray * n).sum(-1) - n[:, 0]  # where a larger dome is met
            rows.append(np.stack([-points[:, 1], np.ones(2), -raised], -1))  # x = shift - y yaw, small angles
            sides.append(points[:, 0])
            variances.append(np.diag(covariance) + POSE_U**2)
            seen += [number, number]
    if len(set(seen)) < LEAST_PHOTOS:
        return None
    a, x, variance = np.concatenate(rows), np.concatenate(sides), np.concatenate(variances)
    weight = np.ones(len(x))
    size = np.diag([0.0, 0.0, SIZE_U**-2])
    for _ in range(12):
        normal = (a * (weight / variance)[:, None]).T @ a + size
        fitted = np.linalg.solve(normal, (a * (weight / variance)[:, None]).T @ x)
        odd = (x - a @ fitted) ** 2 / variance
        pairs = np.repeat(np.maximum(odd[::2], odd[1::2]), 2)  # a stretch is right or wrong as a whole
        weight = 1.0 / (1.0 + pairs / 4.0)
    agree = weight > 0.5
    agreeing = set(np.array(seen)[agree].tolist())
    if len(agreeing) < LEAST_PHOTOS or agree.sum() < 2 * LEAST_STRETCHES or agree.mean() < LEAST_SHARE:
        return None
    if np.ptp(a[agree, 0]) < LEAST_SPAN_MM:
        return None
    spread = max(1.0, float((weight * odd).sum() / max(weight.sum() - 2.0, 1.0)))
    in_degrees = np.diag([np.degrees(1.0), 1.0])
    covariance = in_degrees @ (np.linalg.inv(normal)[:2, :2] * spread) @ in_degrees + np.diag(np.square(FRAME_U))
    (c00, c01), (_, c11) = covariance.tolist()
    return KnownLine(float(np.degrees(fitted[0])), float(fitted[1]), ((c00, c01), (c01, c11)))
