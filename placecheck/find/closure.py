"""Finding the closure and the cap in the unrolled picture, and bringing what is found back to the photo.

The network's maps are read as probabilities: over the whole picture for a landmark, over
one column for the rim and the hairline, over one row for the centre line. Position is the
mean of the probability in a window about its peak, finer than a cell; uncertainty comes
from its spread there (less the spread it was taught with), from a floor, and from factors
that judging scenes showed to be right (`calibration.json`, made by calibration/uncertainty.py).
What carries too little probability in its window is not found. Positions (u, v) go to the
photo through the same unrolling, with the covariance carried by its Jacobian, so later
steps can put them on a better dome. Flags tell whether there is a closure at all, and
whether the picture stands on its head.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometry
from placecheck.find.network import CLOSURE_CHANNELS, run, sigmoid
from placecheck.find.unroll import PX_PER_MM, Unrolling, cell_to_uv, unroll_grid, uv_to_cell
from placecheck.measure import Line, Mark
from placecheck.vision import Image, resample, resize

FloatArray = npt.NDArray[np.float64]

TAUGHT_CELLS = 1.3
WINDOW = 6
MARK_MASS = 0.25
LINE_MASS = 0.30
LANDMARKS = CLOSURE_CHANNELS[:6]


@dataclass(frozen=True)
class Spot:
    """A landmark in the unrolled picture: (u, v) mm, covariance (2, 2) mm^2, and its share of probability."""

    uv: FloatArray
    covariance_mm2: FloatArray
    mass: float


@dataclass(frozen=True)
class Trace:
    """A line in the unrolled picture: points (N, 2) mm, uncertainty across it (N,) mm, share of probability (N,)."""

    uv: FloatArray
    u_mm: FloatArray
    mass: FloatArray


@dataclass(frozen=True)
class ClosureSighting:
    """What the network sees in one unrolled picture. `closure`, `upright`, `cap` are beliefs 0..1."""

    spots: dict[str, Spot]
    rim: Trace
    hairline: Trace
    centre: Trace
    ventilated: npt.NDArray[np.float32]
    closure: float
    upright: float
    cap: float


def unroll(image: Image, geometry: Geometry) -> tuple[npt.NDArray[np.uint8], Unrolling]:
    """The unrolled picture (HEIGHT, WIDTH, 4): BGR and facing, and its grid."""
    grid = unroll_grid(geometry)
    seen = grid.facing > 0.03
    px = grid.photo_px
    # photo pixels for one unrolled pixel, where the dome faces the lens
    step = np.linalg.norm(np.diff(px[::8, ::8], axis=1), axis=-1) / 8
    good = seen[::8, ::8][:, 1:] & seen[::8, ::8][:, :-1]
    ratio = float(np.median(step[good])) if good.any() else 1.0
    if ratio > 1.25:
        h, w = image.shape[:2]
        x0, y0 = np.maximum(np.floor(px[seen].min(0)).astype(int) - 4, 0)
        x1, y1 = np.minimum(np.ceil(px[seen].max(0)).astype(int) + 5, [w, h])
        part = image[y0:y1, x0:x1]
        nw, nh = max(8, round(part.shape[1] / ratio)), max(8, round(part.shape[0] / ratio))
        small = resize(part, nw, nh)
        fx, fy = nw / part.shape[1], nh / part.shape[0]
        at = np.stack([(px[..., 0] - x0 + 0.5) * fx - 0.5, (px[..., 1] - y0 + 0.5) * fy - 0.5], -1)
        colours = resample(small, at.astype(np.float32))
    else:
        colours = resample(image, px)
    colours = np.where(seen[..., None], colours, 128)
    facing = (grid.facing * 255.0).round()
    return np.concatenate([colours, facing[..., None]], -1).astype(np.uint8), grid


def _softmax(x: FloatArray, axis: int | None) -> FloatArray:
    e = np.exp(x - x.max(axis=axis, keepdims=True))
    out: FloatArray = e / e.sum(axis=axis, keepdims=True)
    return out


def _spot(logits: FloatArray) -> Spot:
    p = _softmax(logits, None)
    j, i = np.unravel_index(int(np.argmax(p)), p.shape)
    y0, y1 = max(0, int(j) - WINDOW), min(p.shape[0], int(j) + WINDOW + 1)
    x0, x1 = max(0, int(i) - WINDOW), min(p.shape[1], int(i) + WINDOW + 1)
    q = p[y0:y1, x0:x1]
    mass = float(q.sum())
    q = q / mass
    gx, gy = np.meshgrid(np.arange(x0, x1), np.arange(y0, y1))
    mx, my = float((q * gx).sum()), float((q * gy).sum())
    dx, dy = gx - mx, gy - my
    cov = np.array([[(q * dx * dx).sum(), (q * dx * dy).sum()], [(q * dx * dy).sum(), (q * dy * dy).sum()]])
    cell_mm = 2.0 / PX_PER_MM
    # spread beyond what was taught; the network is never trusted below a sixth of a cell
    extra = np.clip(np.diag(cov) - 0.8 * TAUGHT_CELLS**2, 0.17**2, None) * cell_mm**2
    uv = cell_to_uv(np.array([2 * mx + 0.5, 2 * my + 0.5]))
    return Spot(uv, np.diag(extra), mass)


def _trace(logits: FloatArray, columns: bool) -> Trace:
    """Read a line: one point for every column (`columns`) or row of the half-resolution map."""
    p = _softmax(logits, 0 if columns else 1)
    p = p if columns else p.T  # (along the probability, lines)
    n, lines = p.shape
    peak = p.argmax(0)
    offsets = np.arange(-WINDOW, WINDOW + 1)
    at = peak[None] + offsets[:, None]
    q = np.where((at >= 0) & (at < n), np.take_along_axis(p, np.clip(at, 0, n - 1), 0), 0.0)
    mass = q.sum(0)
    q = q / np.maximum(mass, 1e-9)
    mean = (q * at).sum(0)
    var = (q * (at - mean) ** 2).sum(0)
    sd = np.sqrt(np.clip(var - 0.8 * TAUGHT_CELLS**2, 0.17**2, None)) * 2.0 / PX_PER_MM
    k = np.arange(lines)
    full = np.stack([2.0 * k + 0.5, 2 * mean + 0.5], -1) if columns else np.stack([2 * mean + 0.5, 2.0 * k + 0.5], -1)
    return Trace(cell_to_uv(full), sd, mass)


def _thin(trace: Trace, keep: npt.NDArray[np.bool_], every: int) -> Trace:
    index = np.nonzero(keep)[0][::every]
    return Trace(trace.uv[index], trace.u_mm[index], trace.mass[index])


def find_closure(picture: npt.NDArray[np.uint8], grid: Unrolling) -> ClosureSighting:
    """Run the network on an unrolled picture and read its maps."""
    maps, flags = run("closure", picture)
    belief = sigmoid(flags)
    spots = {name: _spot(maps[i].astype(float)) for i, name in enumerate(LANDMARKS)}
    spots = {n: s for n, s in spots.items() if s.mass >= MARK_MASS and _facing_at(grid, s.uv) > 0.04}
    rim = _trace(maps[6].astype(float), True)
    hair = _trace(maps[7].astype(float), True)
    centre = _trace(maps[8].astype(float), False)
    rim = _thin(rim, (rim.mass > LINE_MASS) & (_facing_at(grid, rim.uv) > 0.06), 2)
    hair = _thin(hair, (hair.mass > LINE_MASS) & (_facing_at(grid, hair.uv) > 0.06), 2)
    centre = _thin(centre, (centre.mass > LINE_MASS) & (_facing_at(grid, centre.uv) > 0.12), 3)
    return ClosureSighting(spots, rim, hair, centre, sigmoid(maps[9]), *(float(b) for b in belief))


def _facing_at(grid: Unrolling, uv: FloatArray) -> FloatArray:
    cell = np.round(uv_to_cell(uv)).astype(int)
    h, w = grid.facing.shape
    return grid.facing[np.clip(cell[..., 1], 0, h - 1), np.clip(cell[..., 0], 0, w - 1)].astype(float)


def _jacobian(grid: Unrolling, geometry: Geometry, uv: FloatArray) -> FloatArray:
    """d photo px / d (u, v) at chart points (N, 2): (N, 2, 2)."""
    h = 0.5
    steps = np.array([[h, 0], [-h, 0], [0, h], [0, -h]])
    px = geometry.to_px(grid.chart.to_points(uv[:, None, :] + steps))
    return np.stack([(px[:, 0] - px[:, 1]) / (2 * h), (px[:, 2] - px[:, 3]) / (2 * h)], -1)


def marks_in_photo(sighting: ClosureSighting, grid: Unrolling, geometry: Geometry) -> dict[str, Mark]:
    """The landmarks as photo pixels with covariance."""
    out = {}
    for name, spot in sighting.spots.items():
        jac = _jacobian(grid, geometry, spot.uv[None])[0]
        px = geometry.to_px(grid.chart.to_points(spot.uv))
        out[name] = Mark(px, jac @ spot.covariance_mm2 @ jac.T, ("seen in the photo",))
    return out


def line_in_photo(trace: Trace, grid: Unrolling, geometry: Geometry, across_u: bool) -> Line | None:
    """A line as photo pixels; `across_u` when its uncertainty is along u (centre line), else along v."""
    if len(trace.uv) < 3:
        return None
    jac = _jacobian(grid, geometry, trace.uv)
    px = geometry.to_px(grid.chart.to_points(trace.uv))
    along = jac[:, :, 1 if across_u else 0]
    along = along / np.maximum(np.linalg.norm(along, axis=-1, keepdims=True), 1e-9)
    normal = np.stack([-along[:, 1], along[:, 0]], -1)
    move = jac[:, :, 0 if across_u else 1]
    u_px = np.abs((normal * move).sum(-1)) * trace.u_mm
    return Line(px, np.maximum(u_px, 0.05), 0.0, ("seen in the photo",))
