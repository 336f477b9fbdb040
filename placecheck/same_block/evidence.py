"""What one photo of the set brings to the joint fit, and the points and curves in space that all of them see.

The card is the world: every photo's camera is placed by its own view of the card, the block
has one place on the card's table, one dome and one cap. A landmark is a point in space (the
block's frame). A line (rim, hairline) has no points that could be told again in another
photo, so it is a curve in space: knots on lines of constant u, each free along v and along
the dome's normal, joined by a natural cubic spline; what a photo says is how far its pixels
lie from the projected curve, across it. Start values come from the photos' own domes: the
mean of the places where their lines of sight meet the surface.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from placecheck.block import UPRIGHT_U_DEG, Geometry
from placecheck.block_fit import BlockFit
from placecheck.block_residuals import Shown
from placecheck.known_dome import KnownDome
from placecheck.measure import LACE_LIFT_MM, RIM_LIFT_MM, line_at, station_mm
from placecheck.observed import Line, Mark, Observed
from placecheck.request import CheckRequest
from placecheck.surface import normals
from placecheck.surface_map import Chart

if TYPE_CHECKING:
    from placecheck.sighting import Sighted
    from placecheck.standing import Stage

FloatArray = npt.NDArray[np.float64]

KNOT_MM = 8.0  # spacing of a curve's knots along u
REACH_MM = 10.0  # how far beyond the outer stations a curve is followed
STATION_REACH_MM = 6.0  # the part of a curve that a clearance is taken from
BEND_U_MM = {
    "rim": 0.5,
    "hairline": 0.8,
}  # second difference of a curve over its knots: an elastic's, a ventilated edge's
TEMPLE_BEND_U_MM = 1.5  # that of a rim on its way down to the temples
DENSE_MM = 1.0  # spacing of the points a curve is drawn by
LINES: Mapping[str, float] = {"rim": RIM_LIFT_MM, "hairline": LACE_LIFT_MM}
"""The lines that are curves in space, by their name in Observed, and how far each lies over the fitted dome."""
ALIKE = 0.6
"""Share of the variance of what was found (not set by hand) that errs alike in every photo of the same closure: the
correlation of two photos' errors on 11 rendered pairs was 0.61 for clearances, 0.66 for the offset, 0.1 to 0.4 for the
rest (python -m calibration.same_block photos)."""


def own_share(found: Mark | Line) -> float:
    """The share of the variance that a photo has for itself, which the number of photos averages."""
    return 1.0 if found.by_hand else 1.0 - ALIKE


@dataclass(frozen=True)
class Seen(Shown):
    """One photo's evidence: what it shows of card and block, what was found, and the fit of this photo alone.

    `rim_yaw_deg` the cap's turn as the rim's symmetry tells it, with its standard uncertainty; `card_print_u` the
    relative standard uncertainty of the card's print; `lean_u_deg` how far from upright the block may stand; `wider` by
    how much a saved block's standard uncertainties are to grow, where the photo contradicts it (saved_shape.py).
    """

    observed: Observed
    fit: BlockFit
    rim_yaw_deg: tuple[float, float] | None = None
    card_print_u: float = 0.0
    lean_u_deg: float = UPRIGHT_U_DEG
    wider: float = 1.0


def known_block(seen: Sequence[Seen], request: CheckRequest) -> KnownDome | None:
    """The saved block that `request` names, believed no more than the photo that contradicts it most believes it."""
    wider = max(photo.wider for photo in seen)
    return request.block if request.block is None or wider == 1.0 else request.block.wider(wider)


def seen_of(sighted: Sighted) -> Seen:
    """What one sighted photo brings to the joint fit."""
    yaw = sighted.sighting.rim_yaw_deg
    return seen_at(sighted.stage, sighted.block.outline_px, sighted.outline_u_px, sighted.observed, sighted.fit, yaw)


def seen_at(
    stage: Stage,
    outline_px: FloatArray,
    outline_u_px: float,
    observed: Observed,
    fit: BlockFit,
    rim_yaw_deg: tuple[float, float] | None = None,
) -> Seen:
    """What a photo whose block stands as `fit` says brings to the joint fit."""
    from placecheck.standing import card_print_u

    card, u_px = stage.card.corners_px, stage.card.corner_u_px
    return Seen(
        stage.camera,
        stage.board_mm,
        card,
        u_px,
        outline_px,
        outline_u_px,
        observed,
        fit,
        rim_yaw_deg,
        card_print_u(stage.request),
        stage.lean_u_deg,
        stage.wider,
    )


@dataclass(frozen=True)
class Curve:
    """A curve in space: knots `start` (K, 3) in the block frame, free along `along` and `normal` (K, 3) each.

    `weights` (D, K) makes the dense points of the knots; `knots_u_mm` (K,) are the lines of constant u they lie on, and
    `v_mm` (K,) where, with second differences (K - 2,) of 0 within `bend_u_mm`; `stations` (D,) are the dense points
    near enough to where the clearances are taken.
    """

    name: str
    start: FloatArray
    along: FloatArray
    normal: FloatArray
    weights: FloatArray
    knots_u_mm: FloatArray
    v_mm: FloatArray
    bend_u_mm: FloatArray
    stations: npt.NDArray[np.bool_]

    def knots(self, moves: FloatArray) -> FloatArray:
        """Knots (K, 3) displaced by `moves` (K, 2) mm along v and the normal."""
        out: FloatArray = self.start + moves[:, :1] * self.along + moves[:, 1:] * self.normal
        return out


def spline_weights(knots: FloatArray, at: FloatArray) -> FloatArray:
    """Weights (D, K) by which values at `knots` (K,) give the natural cubic spline at `at` (D,).

    The second derivatives solve the usual tridiagonal system (Press et al., Numerical Recipes, sec. 3.3).
    """
    k = len(knots)
    h = np.diff(knots)
    system, right = np.eye(k), np.zeros((k, k))
    for i in range(1, k - 1):
        system[i, i - 1 : i + 2] = h[i - 1] / 6, (h[i - 1] + h[i]) / 3, h[i] / 6
        right[i, i - 1 : i + 2] = 1 / h[i - 1], -1 / h[i - 1] - 1 / h[i], 1 / h[i]
    bend = np.linalg.solve(system, right)
    j = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, k - 2)
    a = (knots[j + 1] - at) / h[j]
    b = 1.0 - a
    eye = np.eye(k)
    out: FloatArray = (
        a[:, None] * eye[j]
        + b[:, None] * eye[j + 1]
        + ((a**3 - a) * h[j] ** 2 / 6)[:, None] * bend[j]
        + ((b**3 - b) * h[j] ** 2 / 6)[:, None] * bend[j + 1]
    )
    return out


def start_points(geometries: Sequence[Geometry], seen: Sequence[Seen]) -> dict[str, FloatArray]:
    """A first place (3,) in the block frame of every landmark that a photo's line of sight meets the dome with."""
    places: dict[str, list[FloatArray]] = {}
    for geometry, photo in zip(geometries, seen, strict=True):
        for name, mark in photo.observed.marks.items():
            p = geometry.hit(mark.px[None], LACE_LIFT_MM)[0]
            if np.isfinite(p).all():
                places.setdefault(name, []).append(p)
    return {name: np.mean(found, axis=0) for name, found in places.items()}


def start_curve(
    name: str,
    geometries: Sequence[Geometry],
    seen: Sequence[Seen],
    chart: Chart,
    middle_u_mm: float,
    width_mm: float,
    reach_mm: float = REACH_MM,
) -> Curve | None:
    """The curve a line starts from, on the common `chart`; None where no photo sees enough of it.

    It is followed for `reach_mm` beyond the stations of the clearances, a hairline no farther than REACH_MM.
    """
    inner = station_mm(width_mm) + REACH_MM
    half = station_mm(width_mm) + reach_mm
    if name == "hairline":
        half = min(inner, width_mm / 2 + 1.0)
    uvs = []
    for geometry, photo in zip(geometries, seen, strict=True):
        line: Line | None = getattr(photo.observed, name)
        if line is not None:
            uv = chart.to_uv(geometry.hit(line.px, LINES[name]))
            uvs.append(uv[np.isfinite(uv).all(-1) & (np.abs(uv[:, 0] - middle_u_mm) < half + KNOT_MM)])
    uv = np.concatenate(uvs) if uvs else np.zeros((0, 2))
    if len(uv) < 6:
        return None
    low, high = max(uv[:, 0].min(), middle_u_mm - half), min(uv[:, 0].max(), middle_u_mm + half)
    if high - low < 2 * KNOT_MM:
        return None
    knots = np.linspace(low, high, max(4, round((high - low) / KNOT_MM) + 1))
    v = np.array([line_at(uv, float(u), KNOT_MM * 1.2) for u in knots])
    good = np.isfinite(v)
    if good.sum() < 3:
        return None
    v = np.interp(knots, knots[good], v[good])
    at = np.stack([knots, v], -1)
    start = chart.to_points(at)
    along = chart.to_points(at + np.array([0.0, 0.5])) - chart.to_points(at - np.array([0.0, 0.5]))
    along /= np.linalg.norm(along, axis=-1, keepdims=True)
    normal = normals(geometries[0].dome, start)
    dense = np.linspace(low, high, max(8, round((high - low) / DENSE_MM) + 1))
    step = station_mm(width_mm)
    gaps = np.abs(dense[:, None] - middle_u_mm - np.array([-step, 0.0, step]))
    bend_u_mm = np.where(np.abs(knots[1:-1] - middle_u_mm) < inner, BEND_U_MM[name], TEMPLE_BEND_U_MM)
    near = gaps.min(1) <= STATION_REACH_MM
    return Curve(name, start, along, normal, spline_weights(knots, dense), knots, v, bend_u_mm, near)
