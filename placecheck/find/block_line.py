"""The line printed or drawn along the middle of the block, where canvas is seen in front of the cap's rim.

Beyond the rim the unrolled picture shows bare canvas, and on most blocks a thin line down the
middle of it, dashed or whole, often with a cross. It is looked for as seams are (seam.py): the
brightness of each row against that to both sides, in units of the row's own scatter, added up
along straight lines of every place and small lean near the middle; believed when the sum stands
well above chance lines. The ridge is then followed from row to row and a robust straight fit
gives place and lean with their covariance. In the chart a line in one plane is straight to 0.2 mm
over the stretch that is seen. What is found tells where the line runs in front of the cap, not
under it: cap_stage.py joins it with the block's own shape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.find.seam import colour_ridges
from placecheck.find.unroll import PX_PER_MM, U_HALF_MM, V_FRONT_MM

FloatArray = npt.NDArray[np.float64]

LINE_MM = 1.2
NEAR_MM = 13.0  # how far beside the fitted block's middle the line may run
AROUND_MM = 27.0
LEANS = np.linspace(-0.1, 0.1, 41)
LEAST_MM = 22.0
BELIEVED = 6.0
USUAL_MM, USUAL_LEAN = 12.0, 0.08  # where twice the strength is asked of a line
AFTER_RIM_MM = 4.0
DRAWN_MM = 0.2  # how far a printed line strays from straight


@dataclass(frozen=True)
class BlockLine:
    """The line u = u_mm + lean * (v - v_mm) over `v_range_mm` with the covariance (2, 2) of (u_mm, lean)."""

    u_mm: float
    lean: float
    v_mm: float
    covariance: FloatArray
    v_range_mm: tuple[float, float]
    strength: float

    def at(self, v_mm: FloatArray) -> FloatArray:
        """u (N,) at `v_mm` (N,)."""
        out: FloatArray = self.u_mm + self.lean * (v_mm - self.v_mm)
        return out


def find_block_line(
    picture: npt.NDArray[np.uint8],
    facing: npt.NDArray[np.float32],
    from_v_mm: float,
    to_v_mm: float = math.inf,
    v_front_mm: float = V_FRONT_MM,
) -> BlockLine | None:
    """The block's line in the unrolled picture (HEIGHT, WIDTH, 4), on canvas between two v, or None.

    `v_front_mm` is the picture's uppermost edge.
    """
    height, width = facing.shape
    v = v_front_mm - (np.arange(height) + 0.5) / PX_PER_MM
    middle = facing[:, width // 2 - 20 : width // 2 + 20].min(1)
    rows = np.nonzero((v > from_v_mm) & (v < to_v_mm) & (middle > 0.15))[0]
    if len(rows) < LEAST_MM * PX_PER_MM:
        return None
    along: FloatArray = np.asarray(v[rows], np.float64)
    v_ref = float(along.mean())
    u = (np.arange(width) + 0.5) / PX_PER_MM - U_HALF_MM
    around = np.abs(u) < AROUND_MM
    places = np.arange(-AROUND_MM, AROUND_MM + 1e-9, 0.25)
    columns = np.stack([(places + lean * (along - v_ref)[:, None] + U_HALF_MM) * PX_PER_MM - 0.5 for lean in LEANS])
    columns = np.clip(np.round(columns).astype(int), 0, width - 1)
    layers, found = [], []
    for ridge in colour_ridges(picture[rows], LINE_MM):
        response = ridge.astype(np.float64)
        scatter = np.sqrt((response[:, around] ** 2).mean(1)) + 0.004
        z = np.clip(response / scatter[:, None], -3.0, 3.0)
        total = np.stack([np.take_along_axis(z, at, 1).sum(0) for at in columns])
        noise = float(np.percentile(np.abs(total), 80)) / 1.28
        found.append(total / max(noise, 0.6 * len(rows) ** 0.5))
        layers.append(response / float(np.median(scatter)))
    totals = np.stack(found)
    strength = np.linalg.norm(totals, axis=0)
    near = np.abs(places) <= NEAR_MM
    # lines far beside the middle or askew are few, and pins, fingers and folds may look like one
    likely = strength / (1.0 + (places / USUAL_MM) ** 2 + (LEANS[:, None] / USUAL_LEAN) ** 2)
    best = np.unravel_index(int(np.argmax(np.where(near, likely, 0.0))), strength.shape)
    i, j = int(best[0]), int(best[1])
    # the strongest line of all, not the slope of one further out
    if likely[i, j] < BELIEVED or strength[:, ~near].max(initial=0.0) > 1.2 * strength[i, j]:
        return None
    ink = totals[:, i, j] / strength[i, j]
    response = np.tensordot(ink, np.stack(layers), 1)
    return _followed(response, along, v_ref, float(places[j]), float(LEANS[i]), float(strength[i, j]))


def _followed(
    response: FloatArray, v: FloatArray, v_ref: float, u_mm: float, lean: float, strength: float
) -> BlockLine | None:
    """The ridge followed row by row near a line: robust straight fit."""
    reach = round(1.5 * PX_PER_MM)
    fit, covariance = np.array([u_mm, lean]), np.eye(2)
    good = np.zeros(len(v), bool)
    for _ in range(2):
        col = (fit[0] + fit[1] * (v - v_ref) + U_HALF_MM) * PX_PER_MM - 0.5
        at = np.clip(np.round(col).astype(int)[:, None] + np.arange(-reach, reach + 1), 0, response.shape[1] - 1)
        r = np.maximum(np.take_along_axis(response, at, 1), 0.0)
        r = np.maximum(r - 0.4 * r.max(1, keepdims=True), 0.0)
        weight = r.sum(1)
        if not (weight > 0).any():
            return None
        good = weight > 0.5 * float(np.percentile(weight[weight > 0], 75))
        if good.sum() < 8:
            return None
        place = ((r * at).sum(1)[good] / weight[good] + 0.5) / PX_PER_MM - U_HALF_MM
        a = np.stack([np.ones(int(good.sum())), v[good] - v_ref], -1)
        w = np.ones(len(a))
        for _ in range(5):
            normal = (a * w[:, None]).T @ a + 1e-9 * np.eye(2)
            fit = np.linalg.solve(normal, (a * w[:, None]).T @ place)
            left = place - a @ fit
            scale = max(1.48 * float(np.median(np.abs(left))), 0.08)
            w = 1.0 / (1.0 + (left / (1.5 * scale)) ** 2)
        # neighbouring rows are not independent: one independent reading every 3 mm
        covariance = np.linalg.inv(normal) * scale**2 * 3.0 * PX_PER_MM
    span = (float(v[good].min()), float(v[good].max()))
    if span[1] - span[0] < 0.5 * LEAST_MM:
        return None
    covariance = covariance + np.diag([DRAWN_MM**2, (2.0 * DRAWN_MM / (span[1] - span[0])) ** 2])
    return BlockLine(float(fit[0]), float(fit[1]), v_ref, covariance, span, strength)
