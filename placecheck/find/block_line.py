"""The line printed or drawn along the middle of the block, where canvas is seen in front of the cap's rim.

Beyond the rim the unrolled picture shows bare canvas, and on most blocks a thin line down the
middle of it, dashed or whole, often with a cross. It is looked for as seams are (seam.py): the
brightness of each row against that to both sides, in units of the row's own scatter, added up
along straight lines of every place and small lean near the middle; believed when the sum stands
well above chance lines, more of them where it runs far beside the middle or askew. Ink may be no
darker than the canvas, so two tints count beside the brightness. The ridge is then followed from
row to row and a robust straight fit gives place and lean with their covariance. In the chart a line
in one plane is straight to 0.2 mm over the stretch that is seen. Through the mesh of a cap without a
seam in its middle the line often goes on, in the same ink. cap/stage.py joins what is seen of it with
the block's own shape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from placecheck.find.seam import colour_ridges
from placecheck.find.unroll import PX_PER_MM, U_HALF_MM, V_FRONT_MM

FloatArray = npt.NDArray[np.float64]

LINE_MM = 1.2
NEAR_MM = 22.0  # how far beside the fitted block's middle the line may run
AROUND_MM = 40.0
QUIET_MM = 27.0  # by what lies within this of the middle chance lines are judged
PLACES_MM: FloatArray = np.arange(-AROUND_MM, AROUND_MM + 1e-9, 0.25)
LEANS = np.linspace(-0.16, 0.16, 65)
LEAST_MM = 22.0
BELIEVED = 6.0
USUAL_MM, USUAL_LEAN = 12.0, 0.08  # where twice the strength is asked of a line
AFTER_RIM_MM = 4.0
UNDER_BACK_MM, BEHIND_RIM_MM = -45.0, 8.0  # where it is looked for under the cap
GOES_ON_MM = 3.0
BRIGHT, PIN_MM = 0.5, 40.0  # a bright line no longer than a pin is one
LIKE_INK = 0.3
"""Of 37 lines seen under a cap all were 0.49 and more alike to what was seen before its rim (cosine); a lamp's
reflection with a blotch in line with it -0.65."""
BOWS = (0.4, 0.006)  # how far (mm) and how steeply a plane turned by some degrees bows in the block's chart
DRAWN_MM = 0.2  # how far a printed line strays from straight


@dataclass(frozen=True)
class BlockLine:
    """The line u = u_mm + lean * (v - v_mm) over `v_range_mm` with the covariance (2, 2) of (u_mm, lean).

    `ink`: how it differs from what is beside it, in brightness and two tints, of length 1.
    """

    u_mm: float
    lean: float
    v_mm: float
    covariance: FloatArray
    v_range_mm: tuple[float, float]
    strength: float
    ink: tuple[float, ...] = (-1.0, 0.0, 0.0)

    def at(self, v_mm: FloatArray) -> FloatArray:
        """u (N,) at `v_mm` (N,)."""
        out: FloatArray = self.u_mm + self.lean * (v_mm - self.v_mm)
        return out

    def ends(self) -> tuple[FloatArray, FloatArray]:
        """(u, v) (2, 2) of both ends of what is seen, and the covariance (2, 2) of their u."""
        v = np.array(self.v_range_mm)
        a = np.stack([np.ones(2), v - self.v_mm], -1)
        return np.stack([self.at(v), v], -1), a @ self.covariance @ a.T


@dataclass(frozen=True, eq=False)
class _Look:
    """What stands out along straight lines of every lean and place, (3, leans, places), in units of chance lines.

    `layers` (3, rows, columns) are the ridges of brightness and two tints, over their scatter; `along` (rows,) is v.
    """

    along: FloatArray
    layers: FloatArray
    totals: FloatArray

    @property
    def v_mm(self) -> float:
        return float(self.along.mean())

    @property
    def strength(self) -> FloatArray:
        """(leans, places), whatever colour the line has."""
        out: FloatArray = np.linalg.norm(self.totals, axis=0)
        return out

    def line(self, i: int, j: int) -> BlockLine | None:
        """The line of a lean and a place, followed along its ridge."""
        strength = float(self.strength[i, j])
        ink = self.totals[:, i, j] / strength
        response: FloatArray = np.tensordot(ink, self.layers, 1)
        line = _followed(response, self.along, self.v_mm, float(PLACES_MM[j]), float(LEANS[i]), strength)
        return None if line is None else replace(line, ink=tuple(ink.tolist()))


def _look(
    picture: npt.NDArray[np.uint8],
    facing: npt.NDArray[np.float32],
    v_range_mm: tuple[float, float],
    v_front_mm: float,
) -> _Look | None:
    """All lines between two v, or None where too little is seen."""
    height, width = facing.shape
    v = v_front_mm - (np.arange(height) + 0.5) / PX_PER_MM
    middle = facing[:, width // 2 - 20 : width // 2 + 20].min(1)
    rows = np.nonzero((v > v_range_mm[0]) & (v < v_range_mm[1]) & (middle > 0.15))[0]
    if len(rows) < LEAST_MM * PX_PER_MM:
        return None
    along: FloatArray = np.asarray(v[rows], np.float64)
    u = (np.arange(width) + 0.5) / PX_PER_MM - U_HALF_MM
    around = np.abs(u) < QUIET_MM
    columns = np.stack([(PLACES_MM + k * (along - along.mean())[:, None] + U_HALF_MM) * PX_PER_MM - 0.5 for k in LEANS])
    columns = np.clip(np.round(columns).astype(int), 0, width - 1)
    layers, totals = [], []
    for ridge in colour_ridges(picture[rows], LINE_MM):
        response = ridge.astype(np.float64)
        scatter = np.sqrt((response[:, around] ** 2).mean(1)) + 0.004
        z = np.clip(response / scatter[:, None], -3.0, 3.0)
        total = np.stack([np.take_along_axis(z, at, 1).sum(0) for at in columns])
        noise = float(np.percentile(np.abs(total[:, np.abs(PLACES_MM) < QUIET_MM]), 80)) / 1.28
        totals.append(total / max(noise, 0.6 * len(rows) ** 0.5))
        layers.append(response / float(np.median(scatter)))
    return _Look(along, np.stack(layers), np.stack(totals))


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
    look = _look(picture, facing, (from_v_mm, to_v_mm), v_front_mm)
    if look is None:
        return None
    strength, near = look.strength, np.abs(PLACES_MM) <= NEAR_MM
    # lines far beside the middle or askew are few, and pins, fingers and folds may look like one
    likely = strength / (1.0 + (PLACES_MM / USUAL_MM) ** 2 + (LEANS[:, None] / USUAL_LEAN) ** 2)
    i, j = _best(np.where(near, likely, 0.0))
    # the strongest line of all, not the slope of one further out
    if likely[i, j] < BELIEVED or strength[:, ~near].max(initial=0.0) > 1.2 * strength[i, j]:
        return None
    line = look.line(i, j)
    if line is None or (line.ink[0] > BRIGHT and line.v_range_mm[1] - line.v_range_mm[0] < PIN_MM):
        return None
    return line


def find_line_under_mesh(
    picture: npt.NDArray[np.uint8],
    facing: npt.NDArray[np.float32],
    front: BlockLine,
    rim_v_mm: float,
    v_front_mm: float = V_FRONT_MM,
) -> BlockLine | None:
    """The same line where it shows through the mesh of a cap that has no seam in the middle.

    It goes on from what is seen in `front` of the rim.
    """
    look = _look(picture, facing, (UNDER_BACK_MM, rim_v_mm - BEHIND_RIM_MM), v_front_mm)
    if look is None:
        return None
    at_rim = PLACES_MM + LEANS[:, None] * (rim_v_mm - look.v_mm)
    on = np.abs(at_rim - front.at(np.array(rim_v_mm))) < GOES_ON_MM
    on &= np.abs(LEANS - front.lean)[:, None] < USUAL_LEAN
    i, j = _best(np.where(on, look.strength, 0.0))
    near = np.abs(PLACES_MM) <= USUAL_MM  # a pair of seams runs farther out
    if look.strength[i, j] < max(BELIEVED, look.strength[:, near].max() / 1.2):
        return None
    line = look.line(i, j)
    if line is None or line.v_range_mm[1] - line.v_range_mm[0] < 2 * LEAST_MM:
        return None
    if float(np.dot(line.ink, front.ink)) < LIKE_INK:
        return None
    return replace(line, covariance=line.covariance + np.diag(np.square(BOWS)))


def _best(strength: FloatArray) -> tuple[int, int]:
    i, j = np.unravel_index(int(np.argmax(strength)), strength.shape)
    return int(i), int(j)


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
    if span[1] - span[0] < LEAST_MM:
        return None
    covariance = covariance + np.diag([DRAWN_MM**2, (2.0 * DRAWN_MM / (span[1] - span[0])) ** 2])
    return BlockLine(float(fit[0]), float(fit[1]), v_ref, covariance, span, strength)
