"""Spacing of the stitches in millimetres along the seam, with what is not known about them.

Feet of the stitches are carried from the chart to photo pixels and from there, by ray and sphere, to space: a spacing
is the arc between neighbours. Then every parameter of the ground is moved by its standard uncertainty, one at a time
(GUM 5.1.3 by finite differences): curvature, lift, two tilts, focal length, distortion, printed size; and the pose by
the corners' own noise. Locating a stitch adds its part to each spacing, but hardly to the mean, whose own doubt is
the count: a row of n spacings with one stitch missed or one too many is wrong by one in n. Every stitch is there with
a certainty p, every faint peak with its own, so the count's variance is the sum of p (1 - p), and a gap with a faint
peak of certainty q in it may be half as wide with probability q. The largest of many readings is mostly one that was
read too large, so the row's largest and smallest spacing are corrected for how many spacings contend for it. Gaps
are spacings beyond 1.6 times the median, crowded ones below half of it: the maker's own rhythm, beside the limits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from placecheck.answer import Contribution, Estimate
from placecheck.camera import Camera
from placecheck.card.detect import CardSighting
from placecheck.stitches import ground as g
from placecheck.stitches.ground import Ground, on_surface, to_px
from placecheck.stitches.row import DOUBTFUL, U_PLACE_MM, Row

FloatArray = npt.NDArray[np.float64]

U_ENDS_MM = float(np.sqrt(2)) * U_PLACE_MM
"""The part of a spacing's u that no other spacing has but its neighbours: where its two stitches are."""
CONTENDING = 4.0
"""Spacings within so many U_ENDS_MM of the extreme one may be the extreme one in truth."""
ONE_SIDED = 0.95
"""Each end of an extreme's interval that is judged holds with this probability, as the guard band of 5 % has it."""
WIDE, CROWDED = 1.6, 0.5
FACTOR = 1.0
"""On the geometric part, from scenes with truth."""
POSE_DRAWS = 6


@dataclass(frozen=True, eq=False)
class Spacing:
    """Stitches in order (n of them) and the n - 1 spacings between, mm.

    px (n, 2) and along_mm (n,) from the first; certainty (n,); mm and u_mm (n - 1,) with standard uncertainties;
    `doubt` (n - 1,) the certainty that a stitch was overlooked there.
    """

    px: FloatArray
    along_mm: FloatArray
    certainty: FloatArray
    mm: FloatArray
    u_mm: FloatArray
    doubt: FloatArray
    mean: Estimate
    smallest: Estimate
    largest: Estimate
    total_mm: float
    u_count: float

    @property
    def median_mm(self) -> float:
        return float(np.median(self.mm))

    @property
    def wide(self) -> npt.NDArray[np.bool_]:
        """Spacings that fall out of the row's own rhythm."""
        return np.asarray(self.mm > WIDE * self.median_mm)

    @property
    def crowded(self) -> npt.NDArray[np.bool_]:
        return np.asarray(self.mm < CROWDED * self.median_mm)


def certainty_of(heights: FloatArray) -> FloatArray:
    """Share of peaks of this height that are stitches, on drawn scenes: the odds go with the height's odds cubed."""
    high, low = np.asarray(heights, float) ** 3, (1 - np.asarray(heights, float)) ** 3
    out: FloatArray = high / (high + low)
    return out


def lengths(ground: Ground, px: FloatArray) -> FloatArray:
    """Arcs (n - 1,) between neighbouring pixels (n, 2) on the surface, mm."""
    points = on_surface(ground, px)
    chord = np.linalg.norm(np.diff(points, axis=0), axis=1)
    r = 1 / ground.curvature_per_mm
    out: FloatArray = ground.scale * 2 * r * np.arcsin(np.clip(chord / (2 * r), 0, 1))
    return out


def measure_spacing(
    row: Row, ground: Ground, card: CardSighting, camera: Camera, bars_mm: tuple[float, float] | None
) -> Spacing:
    """Spacings of a row of at least two stitches, ordered from the photo's left (or top, for an upright seam)."""
    marks_px = to_px(ground, row.marks_mm)
    order = _order(marks_px)
    marks_px, feet_px = marks_px[order], to_px(ground, row.feet_mm)[order]
    certainty = certainty_of(row.heights)[order]
    mm = lengths(ground, feet_px)
    moves = _systematic(ground, card, camera, bars_mm, lambda there: lengths(there, feet_px) - mm)
    n = len(mm)
    systematic2 = sum((FACTOR * shift) ** 2 for _, shift in moves)
    doubt = _doubt(row, ground, feet_px)
    u_place = row.u_place_mm[order]
    u_ends = np.hypot(u_place[:-1], u_place[1:])
    u = np.sqrt(systematic2 + u_ends**2 + doubt * (1 - doubt) * (mm / 2) ** 2)
    mean = float(mm.mean())
    u_count = float(np.sqrt((certainty * (1 - certainty)).sum() + (doubt * (1 - doubt)).sum()))
    parts = [Contribution(name, abs(float(FACTOR * shift.mean()))) for name, shift in moves]
    parts.append(Contribution("where each stitch is", float(np.hypot(u_place[0], u_place[-1])) / n))
    parts.append(Contribution("stitches missed or too many", mean * u_count / n))
    return Spacing(
        px=marks_px,
        along_mm=np.concatenate([[0.0], np.cumsum(mm)]),
        certainty=certainty,
        mm=mm,
        u_mm=u,
        doubt=doubt,
        mean=_estimate(mean, parts),
        smallest=_extreme(mm, moves, u_ends, doubt, -1),
        largest=_extreme(mm, moves, u_ends, doubt, 1),
        total_mm=float(mm.sum()),
        u_count=u_count,
    )


def _estimate(value: float, parts: list[Contribution]) -> Estimate:
    parts = sorted(parts, key=lambda part: -part.u)
    return Estimate(value, float(np.sqrt(sum(part.u**2 for part in parts))), tuple(parts))


def extreme_of(mm: FloatArray, sign: int) -> tuple[int, float, float]:
    """The largest (sign 1) or smallest (-1) of spacings (n,) mm, read with u = U_ENDS_MM: index, value, u beside it.

    Of m spacings that contend, the largest reading lies above the largest truth by no more than z(0.95^(1/m)) u with
    95 %, and below it by no more than z(0.95) u, whatever the truths are: the value is the middle of these two ends,
    its u what makes each of them the end of a one-sided interval of 95 %. A lone gap has no contender and stays as it
    was read. The extreme is never put beyond the row's mean. Checked by simulation in tests/test_stitches.py.
    """
    k = int(np.argmax(sign * mm))
    contenders = int((sign * (mm[k] - mm) <= CONTENDING * U_ENDS_MM).sum())
    normal = NormalDist()
    alone, among = normal.inv_cdf(ONE_SIDED), normal.inv_cdf(ONE_SIDED ** (1 / contenders))
    back = min((among - alone) / 2 * U_ENDS_MM, abs(float(mm[k] - mm.mean())))
    u = (among + alone) / (2 * alone) * U_ENDS_MM
    return k, float(mm[k]) - sign * back, float(np.sqrt(max(0.0, u**2 - U_ENDS_MM**2)))


def _extreme(
    mm: FloatArray, moves: list[tuple[str, FloatArray]], u_ends: FloatArray, doubt: FloatArray, sign: int
) -> Estimate:
    k, value, u_which = extreme_of(mm, sign)
    parts = [Contribution(name, abs(float(FACTOR * shift[k]))) for name, shift in moves]
    parts.append(Contribution("where each stitch is", float(u_ends[k])))
    parts.append(Contribution(f"which of them is the {'largest' if sign > 0 else 'smallest'}", u_which))
    parts.append(Contribution("a stitch overlooked there", float(np.sqrt(doubt[k] * (1 - doubt[k])) * mm[k] / 2)))
    return _estimate(value, parts)


def begin_of(px: FloatArray) -> str:
    """Whether a row of pixels (n, 2) is counted from the photo's "left" or, more upright than level, from its "top"."""
    span = np.abs(px[-1] - px[0])
    return "left" if span[0] >= span[1] else "top"


def _order(px: FloatArray) -> npt.NDArray[np.int64]:
    """Indices from where the row (n, 2) is counted from."""
    k = 0 if begin_of(px) == "left" else 1
    forward = px[-1, k] > px[0, k]
    index = np.arange(len(px))
    return index if forward else index[::-1]


def _doubt(row: Row, ground: Ground, feet_px: FloatArray) -> FloatArray:
    """For each spacing, the certainty of the likeliest faint peak between its two stitches."""
    out = np.zeros(len(feet_px) - 1)
    if not len(row.doubtful_mm):
        return out
    direction = feet_px[-1] - feet_px[0]
    direction = direction / np.linalg.norm(direction)
    at = feet_px @ direction
    base = certainty_of(np.array([DOUBTFUL]))[0]
    for faint, height in zip(to_px(ground, row.doubtful_mm) @ direction, row.doubtful_heights, strict=True):
        k = int(np.searchsorted(at, faint)) - 1
        if 0 <= k < len(out):
            out[k] = max(out[k], float(certainty_of(np.array([height]))[0]) - base)
    return np.clip(out, 0, 1)


def _systematic(
    ground: Ground,
    card: CardSighting,
    camera: Camera,
    bars_mm: tuple[float, float] | None,
    change: Callable[[Ground], FloatArray],
) -> list[tuple[str, FloatArray]]:
    """What moving each parameter by its standard uncertainty does to every spacing, (name, (n - 1,)) each."""
    a, b = ground.tilt_rad
    u_print = g.U_PRINT_REL if bars_mm is None else g.U_BAR_MM / 50 / np.sqrt(2)
    wider = replace(camera, f_px=camera.f_px / (1 + camera.u_f_rel))  # a shorter lens changes more than a longer one
    bent = replace(camera, k1=camera.k1 + min(camera.u_k1, g.U_K1))
    found = [
        (
            "how curved the cap is",
            change(replace(ground, curvature_per_mm=ground.curvature_per_mm + g.U_CURVATURE_PER_MM)),
        ),
        ("card's height above the lace", change(replace(ground, lift_mm=ground.lift_mm + g.U_LIFT_MM))),
        ("card not flat with the seam, along it", change(replace(ground, tilt_rad=(a + g.U_TILT_RAD, b)))),
        ("card not flat with the seam, across it", change(replace(ground, tilt_rad=(a, b + g.U_TILT_RAD)))),
        ("focal length", change(g.refitted(ground, card, wider, bars_mm))),
        ("lens distortion", change(g.refitted(ground, card, bent, bars_mm))),
        ("the card's printed size", change(replace(ground, scale=ground.scale * (1 + u_print)))),
    ]
    rng = np.random.default_rng(0)
    draws = []
    for _ in range(POSE_DRAWS):
        noise = rng.standard_normal(card.corners_px.shape) * np.maximum(card.u_px[:, None], card.residual_px)
        moved = replace(card, corners_px=card.corners_px + noise)
        draws.append(change(g.refitted(ground, moved, camera, bars_mm)))
    found.append(("the card's corners", np.sqrt(np.mean(np.square(draws), axis=0))))
    return [(name, np.nan_to_num(np.asarray(shift, float))) for name, shift in found]
