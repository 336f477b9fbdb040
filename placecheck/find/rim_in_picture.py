"""The cap's rim in the unrolled picture: the symmetric curve through what is seen of it, and its points in view.

The network says for every column of the picture where the rim may run, under lace and hair by guess. Its
map goes into azimuth and elevation about the cap's own plane, where rims are one family of curves (rim.py):
there the most probable one is fitted, with its covariance, what is guessed counting less than what is seen
and a surface that turns away less than one that faces the lens. The curve comes back to the chart as a
trace with its uncertainty, and if both its sides are in view its symmetry tells how the cap is turned; where
none of it is in view it is called a guess. Where nothing lies on the rim, it can also be read point by point,
which is surer than a curve of five numbers: photos of one cap are laid on each other by such points.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from placecheck.answer import RIM_UNSEEN
from placecheck.block import Geometry
from placecheck.find.closure import ClosureSighting, Trace, covered_cells, facing_at, softmax, trace_of
from placecheck.find.rim import AZIMUTHS_DEG, ELEVATIONS_DEG, Rim, RimField, fit_rim
from placecheck.find.unroll import V_FRONT_MM, Unrolling, uv_to_cell
from placecheck.mid_plane import MidPlane
from placecheck.surface import StarSurface, unit
from placecheck.vision import resample

FloatArray = npt.NDArray[np.float64]

HIDDEN_SHARE = 0.35  # what the network says of the rim under hair is half a guess
FULLY_FACING = 0.5  # cosine from which on the rim counts in full; below, its square
RIM_MASS, RIM_SURE_MM, RIM_NEAR_MM = 0.9, 1.2, 4.0
RIM_ALIKE_MM = 40.0  # over which length points of a rim that were read share their error
BARE_MARGIN_MM = 5.0
UNSEEN = 1.3  # how much less a rim is known of which nothing is in view (26 of 235 photos: covered 86 %, so 92)
RIM_READ = 0.55  # how far the rim of a cap alone is off, of what its spread tells (56 scenes for developing)


def _elevation_deg(points: FloatArray) -> FloatArray:
    """Elevation over the widest level of block-frame points (..., 3), seen from the block's middle."""
    out: FloatArray = np.degrees(np.arctan2(points[..., 2], np.hypot(points[..., 0], points[..., 1])))
    return out


def _rim_field(sighting: ClosureSighting, grid: Unrolling, surface: StarSurface, cap: MidPlane) -> RimField:
    """What the network says of the rim by azimuth from the cap's front and elevation over the widest level."""
    a, e = np.radians(AZIMUTHS_DEG[::2])[:, None], np.radians(ELEVATIONS_DEG[::8])[None]
    flat = np.cos(a)[..., None] * cap.forward + np.sin(a)[..., None] * cap.normal
    d = unit(np.cos(e)[..., None] * flat * [1, 1, 0] + np.sin(e)[..., None] * np.array([0.0, 0.0, 1.0]))
    d = unit(surface.radius(d)[..., None] * d + cap.shift_mm * cap.normal * np.cos(e)[..., None])
    uv = grid.chart.to_uv(surface.radius(d)[..., None] * d)
    known = np.isfinite(uv).all(-1, keepdims=True)
    uv = np.where(known, uv, 0.0)
    # refined between: cells change slowly with direction
    layers = np.where(known, np.concatenate([uv_to_cell(uv), facing_at(grid, uv)[..., None]], -1), 0.0)
    layers = _between(_between(layers, 0, len(AZIMUTHS_DEG)), 1, len(ELEVATIONS_DEG))
    at = (layers[..., :2] - 0.5) / 2
    h, w = sighting.rim_logits.shape
    rim_log = np.log(np.maximum(softmax(sighting.rim_logits.astype(float), 0), 1e-9))
    ratio = resample(rim_log.astype(np.float32), at.astype(np.float32)) + np.log(h)
    hidden = covered_cells(sighting, 3.0)
    row, column = (np.clip(np.round(at[..., k]).astype(int), 0, n - 1) for k, n in ((1, h), (0, w)))
    bare = ~hidden[row, column]
    share = np.where(bare, np.clip(layers[..., 2] / FULLY_FACING, 0.0, 1.0) ** 2, HIDDEN_SHARE)
    inside = (at >= 0).all(-1) & (at[..., 0] <= w - 1) & (at[..., 1] <= h - 1) & (layers[..., 2] > 0.06)
    return RimField(np.asarray(ratio, float), np.where(inside, share, 0.0), inside & bare)


def _between(values: FloatArray, axis: int, n: int) -> FloatArray:
    """`values` at `n` evenly spaced places along `axis`, linear between those given; first and last stay."""
    at = np.linspace(0.0, values.shape[axis] - 1.0, n)
    i = np.minimum(at.astype(int), values.shape[axis] - 2)
    f = (at - i).reshape([-1 if k == axis else 1 for k in range(values.ndim)])
    out: FloatArray = np.take(values, i, axis) * (1 - f) + np.take(values, i + 1, axis) * f
    return out


def with_rim(sighting: ClosureSighting, grid: Unrolling, geometry: Geometry) -> ClosureSighting:
    """The sighting with the rim as a symmetric curve through its visible parts, in the cap's frame."""
    if len(sighting.rim.uv) < 12:
        return sighting
    cap = geometry.cap
    field = _rim_field(sighting, grid, geometry.dome, cap)
    fitted = fit_rim(field)
    trace = _traced(fitted, grid, cap)
    if trace is None:
        return sighting
    turn = None
    row = np.round((fitted.elevation_deg(AZIMUTHS_DEG) - ELEVATIONS_DEG[0]) / (ELEVATIONS_DEG[1] - ELEVATIONS_DEG[0]))
    bare = field.bare[np.arange(len(AZIMUTHS_DEG)), np.clip(row, 0, len(ELEVATIONS_DEG) - 1).astype(int)]
    if min(bare[AZIMUTHS_DEG < -25].sum(), bare[AZIMUTHS_DEG > 25].sum()) >= 2:
        # the rim's symmetry says how the cap is turned: its front is where the curve is even
        turn = (cap.yaw_deg - float(fitted.parameters[4]), float(np.hypot(1.0, np.sqrt(fitted.covariance[4, 4]))))
    seen = facing_at(grid, trace.uv) > 0.06
    return replace(sighting, rim=Trace(trace.uv[seen], trace.u_mm[seen], trace.mass[seen]), rim_yaw_deg=turn)


def doubted_if_unseen(sighting: ClosureSighting, grid: Unrolling) -> ClosureSighting:
    """The sighting with its rim (with_rim) believed less, and called a guess, where no part of it is in view."""
    if not len(sighting.rim.uv) or len(rim_in_view(sighting, grid).uv):
        return sighting
    rim = replace(sighting.rim, u_mm=UNSEEN * sighting.rim.u_mm)
    return replace(sighting, rim=rim, rim_evidence=(RIM_UNSEEN,))


def rim_in_view(sighting: ClosureSighting, grid: Unrolling) -> Trace:
    """The rim point by point where it is in view: no lace or hair on it, the network sure, the fitted curve near.

    `sighting.rim` is the fitted curve (with_rim). That curve of five numbers errs by 0.4 mm / 1.2 mm where all of it is
    in view, since no rim is quite of its family, the points by 0.2 / 0.6 mm (56 caps alone for developing).
    """
    raw, fitted = trace_of(sighting.rim_logits.astype(float), True, sighting.cell_mm), sighting.rim
    if not len(fitted.uv):
        return fitted
    order = np.argsort(fitted.uv[:, 0])
    v = np.interp(raw.uv[:, 0], fitted.uv[order, 0], fitted.uv[order, 1], left=np.nan, right=np.nan)
    sure = (raw.mass > RIM_MASS) & (raw.u_mm < RIM_SURE_MM) & ~(np.abs(raw.uv[:, 1] - v) > RIM_NEAR_MM)
    sure &= facing_at(grid, raw.uv) > 0.06
    hidden = covered_cells(sighting, BARE_MARGIN_MM)
    cell = np.round((uv_to_cell(raw.uv, grid.px_per_mm) - 0.5) / 2).astype(int)
    h, w = hidden.shape
    sure &= ~hidden[np.clip(cell[:, 1], 0, h - 1), np.clip(cell[:, 0], 0, w - 1)]
    return Trace(raw.uv[sure], np.maximum(RIM_READ * raw.u_mm[sure], 0.25), raw.mass[sure])


def _traced(rim: Rim, grid: Unrolling, cap: MidPlane) -> Trace | None:
    """The fitted rim in the chart: where the elevation along each column meets it; None where hardly any does."""
    u = np.arange(-80.0, 80.1, 2.0)
    v = np.arange(60.0, V_FRONT_MM - 1, 1.0)
    p = grid.chart.to_points(np.stack(np.meshgrid(u, v), -1))
    az = np.degrees(np.arctan2(p @ cap.normal - cap.shift_mm, p @ cap.forward))
    above = _elevation_deg(p) - rim.elevation_deg(az.ravel()).reshape(az.shape)
    crosses = (above[:-1] > 0) & (above[1:] <= 0)
    columns = np.nonzero(crosses.any(0))[0]
    if len(columns) < 8:
        return None
    i = crosses[:, columns].argmax(0)
    fall = above[i, columns] - above[i + 1, columns]
    uv = np.stack([u[columns], v[i] + above[i, columns] / fall], -1)
    u_mm = rim.u_deg(az[i, columns]) / np.maximum(fall, 0.1)
    return Trace(uv, np.hypot(u_mm, 0.25), np.ones(len(uv)))
