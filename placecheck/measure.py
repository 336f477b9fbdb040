"""Measuring on the dome's surface, as the definitions say, and how each number depends on what it rests on.

Landmarks and lines arrive as photo pixels with standard uncertainties. Each is put on the
fitted dome (ray meets surface, raised by the cap and lace); the chart about the cap's mid plane
(surface_map.py), fitted together with the block, turns surface points into (u, v). Offsets and asymmetries
are u's; skew is atan2 of the fold's two offsets over the run; a clearance is the surface
length from rim to hairline along the fold or along a line of constant u; sides are geodesics
from corner to corner. Rim and hairline enter as local straight fits at the three stations.
`measures` is one pure function of the unknowns, so that uncertainty.py can differentiate it
with respect to every one of them: all of it also works on a stack of geometries or of small
displacements, with one more leading axis everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometries, Geometry
from placecheck.dome import Dome, Domes
from placecheck.mid_plane import MidPlane, MidPlanes
from placecheck.observed import Observed
from placecheck.surface import geodesic_mm
from placecheck.surface_map import Chart, fermi_chart

FloatArray = npt.NDArray[np.float64]

# How far over the fitted dome (whose outline is that of block and cap mesh) the visible things lie: the rim's elastic,
# the lace with its knots on top of the cap, the seam in the cap. Thickness of the materials: common practice, no
# published source.
RIM_LIFT_MM = 0.0
LACE_LIFT_MM = 0.6
SEAM_LIFT_MM = 0.0
STATION_MM = 25.0
STATION_OF_WIDTH = 0.35
SIDES = (
    ("width_front_mm", "front_left", "front_right"),
    ("width_back_mm", "back_left", "back_right"),
    ("length_left_mm", "back_left", "front_left"),
    ("length_right_mm", "back_right", "front_right"),
)


@dataclass(frozen=True)
class Nuisance:
    """Small displacements by which found things may be wrong, all zero for the measurement itself.

    `rim_mm`, `hair_mm` move the lines along v at (left, centre, right); `lift_mm` raises everything, `lace_lift_mm`
    only the lace and what is on it. For a stack each has a leading axis.
    """

    rim_mm: FloatArray = field(default_factory=lambda: np.zeros(3))
    hair_mm: FloatArray = field(default_factory=lambda: np.zeros(3))
    lift_mm: FloatArray | float = 0.0
    lace_lift_mm: FloatArray | float = 0.0


@dataclass(frozen=True)
class OnDome:
    """The observation on the dome: the cap's plane, the chart about it, and chart coordinates of everything."""

    surface: Dome | Domes
    plane: MidPlane | MidPlanes
    chart: Chart
    marks_uv: Mapping[str, FloatArray]
    inferred_uv: Mapping[str, FloatArray]
    rim_uv: FloatArray
    hair_uv: FloatArray


def _chart_of(lifted: Dome | Domes, cap: MidPlane | MidPlanes, step_mm: float) -> Chart:
    return fermi_chart(lifted, cap, u_max_mm=112.0, front_deg=-40, back_deg=-20, step_mm=step_mm)


@lru_cache(maxsize=4)
def _plain_chart(geometry: Geometry, step_mm: float) -> Chart:
    """The chart of the lace on this very geometry."""
    return _chart_of(geometry.dome.raised(LACE_LIFT_MM), geometry.cap, step_mm)


def put_on_dome(
    geometry: Geometry | Geometries,
    observed: Observed,
    nuisance: Nuisance | None = None,
    chart_step_mm: float = 4.0,
    chart: Chart | None = None,
) -> OnDome:
    """Carry pixels to the dome and into the chart about the cap's mid plane; things may be missing.

    `chart` is that of the same geometry and nuisance, where it was made before; the last ones made without nuisance
    are kept.
    """
    if chart is None and nuisance is None and isinstance(geometry, Geometry):
        chart = _plain_chart(geometry, chart_step_mm)
    nuisance = nuisance or Nuisance()
    names = list(observed.marks)
    n = len(names)
    lace_px = np.array([observed.marks[name].px for name in names]).reshape(-1, 2)
    if observed.hairline is not None:
        lace_px = np.concatenate([lace_px, observed.hairline.px])
    px = np.concatenate([lace_px, observed.rim.px]) if observed.rim is not None else lace_px
    n_lace = len(lace_px)
    is_lace = np.arange(len(px)) < n_lace
    lift, lace_lift = (np.asarray(x)[..., None] for x in (nuisance.lift_mm, nuisance.lace_lift_mm))
    points = geometry.hit(px, lift + np.where(is_lace, LACE_LIFT_MM + lace_lift, RIM_LIFT_MM))
    lace_over: Any = LACE_LIFT_MM + nuisance.lift_mm
    lifted = geometry.dome.raised(lace_over)
    if chart is None:
        chart = _chart_of(lifted, geometry.cap, chart_step_mm)
    uv = chart.to_uv(points)
    marks_uv = {name: uv[..., i, :] for i, name in enumerate(names)}
    inferred_uv = {
        name: marks_uv[guess.anchor] + np.array([guess.du_mm, 0.0])
        for name, guess in observed.inferred.items()
        if guess.anchor in marks_uv
    }
    return OnDome(lifted, geometry.cap, chart, marks_uv, inferred_uv, uv[..., n_lace:, :], uv[..., n:n_lace, :])


def lines_at(uv: FloatArray, u_at: FloatArray, reach_mm: float = 9.0) -> FloatArray:
    """v (...) of lines (..., N, 2) at `u_at` (...), by a straight fit to what lies within `reach_mm`.

    NaN where a line does not reach.
    """
    x = uv[..., 0] - u_at[..., None]
    near = np.isfinite(uv).all(-1) & (np.abs(x) <= reach_mm)
    low, high = (np.where(near, x, far) for far in (np.inf, -np.inf))
    reaches = (near.sum(-1) >= 3) & (low.min(-1, initial=np.inf) <= 2) & (high.max(-1, initial=-np.inf) >= -2)
    x, y = np.where(near, x, 0.0), np.where(near, uv[..., 1], 0.0)
    w = np.where(near, 1.0 - (x / (reach_mm * 1.01)) ** 2, 0.0)
    wx = w * x
    sw, sx, sxx, sy, sxy = w.sum(-1), wx.sum(-1), (wx * x).sum(-1), (w * y).sum(-1), (wx * y).sum(-1)
    det = sw * sxx - sx * sx
    straight = det > 1e-9
    v = np.where(straight, (sxx * sy - sx * sxy) / np.where(straight, det, 1.0), sy / np.where(sw > 0, sw, 1.0))
    return np.where(reaches, v, np.nan)


def line_at(uv: FloatArray, u_at: float, reach_mm: float = 9.0) -> float:
    """`lines_at` for one line (N, 2) at one place."""
    return float(lines_at(uv, np.asarray(u_at), reach_mm))


def station_mm(nominal_width_mm: float) -> float:
    """How far to either side of the fold the side clearances are taken."""
    return STATION_MM if nominal_width_mm >= 71.0 else STATION_OF_WIDTH * nominal_width_mm


def _path_mm(chart: Chart, start: FloatArray, end: FloatArray, n: int) -> FloatArray:
    """Surface lengths (...) of straight chart lines; NaN where an end (..., 2) is."""
    ok = np.asarray(np.isfinite(start + end).all(-1, keepdims=True))
    length = chart.lengths_mm(np.where(ok, start, 0.0), np.where(ok, end, 0.0), n)
    return np.where(ok[..., 0], length, np.nan)


def measures(
    on: OnDome, nominal_width_mm: float, nuisance: Nuisance | None = None, bend: Mapping[str, float] | None = None
) -> dict[str, FloatArray]:
    """Every measure that can be had from what lies on the dome, by name, (...); NaN where a part is missing.

    `bend` gives a side's geodesic over its chord, where that is known well enough (for differences); sides are left
    out without it.
    """
    nuisance = nuisance or Nuisance()
    out: dict[str, FloatArray] = {}
    marks = on.marks_uv
    missing = np.full((*on.rim_uv.shape[:-2], 2), np.nan)  # one for every row of a stack
    front, back = marks.get("fold_front", missing), marks.get("fold_back", missing)
    out["fold_offset_front_mm"], out["fold_offset_back_mm"] = front[..., 0], back[..., 0]
    out["offset_mm"] = (front[..., 0] + back[..., 0]) / 2
    fold = front - back
    out["skew_deg"] = np.degrees(np.arctan2(fold[..., 0], fold[..., 1]))
    every = {**on.inferred_uv, **marks}
    for end in ("front", "back"):
        left, right = (np.abs(every.get(f"{end}_{side}", missing)[..., 0]) for side in ("left", "right"))
        out[f"{end}_corner_asymmetry_mm"] = right - left
    step = station_mm(nominal_width_mm)
    lean = fold[..., 0] / fold[..., 1]
    rim_mm, hair_mm = nuisance.rim_mm, nuisance.hair_mm
    for i, (name, du) in enumerate((("left", -step), ("centre", 0.0), ("right", step))):
        u_at = front[..., 0] + du
        u_foot = u_at
        v = lines_at(on.rim_uv, u_foot) + rim_mm[..., i]
        if name == "centre":
            # the rim where the fold line meets it: two steps of a fixed point are enough on so short a way
            tip_v = front[..., 1] + hair_mm[..., i]
            for _ in range(2):
                u_foot = u_at + lean * (v - front[..., 1])
                v = lines_at(on.rim_uv, u_foot) + rim_mm[..., i]
            u_foot = u_at + lean * (v - front[..., 1])
        else:
            tip_v = lines_at(on.hair_uv, u_at) + hair_mm[..., i]
        tip, foot = (np.stack(np.broadcast_arrays(*uv), -1) for uv in ((u_at, tip_v), (u_foot, v)))
        out[f"clearance_{name}_mm"] = np.sign(tip[..., 1] - foot[..., 1]) * _path_mm(on.chart, foot, tip, 9)
    if bend is not None:
        for name, *ends in SIDES:
            a, b = (marks.get(end, missing) for end in ends)
            ok = np.asarray(np.isfinite(a + b).all(-1, keepdims=True))
            a, b = (on.chart.to_points(np.where(ok, end, 0.0)[..., None, :])[..., 0, :] for end in (a, b))
            out[name] = np.where(ok[..., 0], np.linalg.norm(b - a, axis=-1) * bend.get(name, 1.0), np.nan)
    out["length_fold_mm"] = _path_mm(on.chart, back, front, 17)
    return out


def measure_at(on: OnDome, nominal_width_mm: float) -> dict[str, float]:
    """Every measure that can be had from what lies on one dome, by name; NaN where a part is missing."""
    out = {name: float(value) for name, value in measures(on, nominal_width_mm).items()}
    marks, missing = on.marks_uv, np.full(2, np.nan)
    have = [side for side in SIDES if all(np.isfinite(marks.get(n, missing)).all() for n in side[1:])]
    out.update({name: float("nan") for name, *_ in SIDES})
    if have:
        a = on.chart.to_points(np.array([marks[side[1]] for side in have]))
        b = on.chart.to_points(np.array([marks[side[2]] for side in have]))
        lengths = geodesic_mm(on.surface, a, b, step_mm=8.0)
        out.update({side[0]: float(length) for side, length in zip(have, lengths, strict=True)})
    return out


def side_bends(on: OnDome, values: Mapping[str, float]) -> dict[str, float]:
    """Geodesic over chord of every side in `values`, to take differences by."""
    out = {}
    for name, start, end in SIDES:
        if np.isfinite(values.get(name, float("nan"))):
            a, b = on.chart.to_points(np.array([on.marks_uv[start], on.marks_uv[end]]))
            out[name] = values[name] / max(float(np.linalg.norm(b - a)), 1e-9)
    return out
