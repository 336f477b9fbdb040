"""Finding the closure and the cap in the unrolled picture, and bringing what is found back to the photo.

The network's maps are read as probabilities: over the whole picture for a landmark, over
one column for the rim and the hairline, over one row for the centre line. Position is the
mean of the probability in a window about its peak, finer than a cell; uncertainty comes
from its spread there (less the spread it was taught with) and from a floor. What scenes with
truth still ask of it is a factor on the measures' uncertainty, which uncertainty.py knows.
What carries too little probability in its window is not found. Positions (u, v) go to the
photo through the same unrolling, with the covariance carried by its Jacobian, so later
steps can put them on a better dome. Flags tell whether there is a closure at all, and
whether the picture stands on its head.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometry
from placecheck.colours import Colours
from placecheck.find.network import CLOSURE_CHANNELS, run, sigmoid
from placecheck.find.seam import find_seam
from placecheck.find.unroll import PX_PER_MM, V_FRONT_MM, Unrolling, cell_to_uv, unroll_grid, uv_to_cell
from placecheck.mid_plane import MidPlane
from placecheck.observed import FOLD, Line, Mark
from placecheck.vision import dilate, resample, resize

FloatArray = npt.NDArray[np.float64]

TAUGHT_CELLS = 1.3
WINDOW = 6
MARK_MASS = 0.25
LINE_MASS = 0.30
FOLD_ACROSS = 0.55  # how far the fold is off to the side, of what its spread tells (209 scenes for developing)
ASTRAY_MM = 15.0  # a landmark that is somewhere else is not known worse than this
STRAY_MM = 2.5  # the network's middle farther than this from its own straight run is doubted
MIDDLE_FACTOR = 1.2  # the middle's own doubt over the spread of what the network says of it
SEAMLESS = (1.45, 0.6, 1.35)
"""Where that spread is more than so many mm, as on caps without a seam, the doubt grows by this power of it besides, up
to so many times."""
LEAST_ROWS = 4
CONTRADICTION_MM, OTHER_LINE_MM = 3.0, 10.0  # a seam this far from the middle contradicts it, farther off it is another
LANDMARKS = CLOSURE_CHANNELS[:6]
MIRROR = [0, 1, 3, 2, 5, 4, 6, 7, 8, 9]


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
    """What the network sees in one unrolled picture. `closure`, `upright`, `cap` are beliefs 0..1.

    Maps are of cells two pixels of the picture wide, `cell_mm`; `rim_logits` is that of the rim, (HEIGHT/2, WIDTH/2),
    whose columns are read as probabilities.
    """

    spots: dict[str, Spot]
    rim: Trace
    hairline: Trace
    centre: Trace
    ventilated: npt.NDArray[np.float32]
    closure: float
    upright: float
    cap: float
    rim_logits: npt.NDArray[np.float32]
    cell_mm: float = 2.0 / PX_PER_MM
    rim_yaw_deg: tuple[float, float] | None = None
    centre_evidence: tuple[str, ...] = ("the cap's middle as it is seen",)
    rim_evidence: tuple[str, ...] = ("seen in the photo",)


def unroll(
    colours: Colours,
    geometry: Geometry,
    about: MidPlane | None = None,
    px_per_mm: float = PX_PER_MM,
    v_front_mm: float = V_FRONT_MM,
) -> tuple[npt.NDArray[np.uint8], Unrolling]:
    """The unrolled picture (h, w, 4): BGR and facing, and its grid; about the block's mid plane or `about`."""
    grid = unroll_grid(geometry, about=about, px_per_mm=px_per_mm, v_front_mm=v_front_mm)
    seen = grid.facing > 0.03
    image, px = colours.pixels, colours.own_px(grid.photo_px)
    # pixels of it for one unrolled pixel, where the dome faces the lens
    step = np.linalg.norm(np.diff(px[::8, ::8], axis=1), axis=-1) / 8
    good = seen[::8, ::8][:, 1:] & seen[::8, ::8][:, :-1]
    ratio = float(np.median(step[good])) if good.any() else 1.0
    if ratio > 1.25:
        h, w = image.shape[:2]
        x, y = px[..., 0], px[..., 1]
        seen_x, seen_y = x[seen], y[seen]
        x0, y0 = (max(int(np.floor(a.min())) - 4, 0) for a in (seen_x, seen_y))
        x1, y1 = (min(int(np.ceil(a.max())) + 5, end) for a, end in ((seen_x, w), (seen_y, h)))
        part = image[y0:y1, x0:x1]
        nw, nh = max(8, round(part.shape[1] / ratio)), max(8, round(part.shape[0] / ratio))
        small = resize(part, nw, nh)
        at = np.empty((2, *x.shape), np.float32)
        for out, a, start, f in ((at[0], x, x0, nw / part.shape[1]), (at[1], y, y0, nh / part.shape[0])):
            out[:] = a * np.float64(f) + ((0.5 - start) * f - 0.5)
        levels = resample(small, np.moveaxis(at, 0, -1))
    else:
        levels = resample(image, px)
    picture = np.empty((*seen.shape, 4), np.uint8)
    for k in range(3):
        picture[..., k] = np.where(seen, levels[..., k], np.uint8(128))
    picture[..., 3] = (grid.facing * 255.0).round()
    return picture, grid


def softmax(x: FloatArray, axis: int | None) -> FloatArray:
    """Probabilities that sum to 1 along `axis`, or in all where it is None, from logits of any shape."""
    e = np.exp(x - x.max(axis=axis, keepdims=True))
    out: FloatArray = e / e.sum(axis=axis, keepdims=True)
    return out


def _spot(logits: FloatArray, cell_mm: float) -> Spot:
    p = softmax(logits, None)
    j, i = np.unravel_index(int(np.argmax(p)), p.shape)
    y0, y1 = max(0, int(j) - WINDOW), min(p.shape[0], int(j) + WINDOW + 1)
    x0, x1 = max(0, int(i) - WINDOW), min(p.shape[1], int(i) + WINDOW + 1)
    q = p[y0:y1, x0:x1]
    mass = float(q.sum())
    gx, gy = np.arange(p.shape[1]), np.arange(p.shape[0])
    mx, my = float((q.sum(0) * gx[x0:x1]).sum()) / mass, float((q.sum(1) * gy[y0:y1]).sum()) / mass
    away2 = (gx - mx) ** 2, (gy - my) ** 2
    near = np.array([q.sum(0) @ away2[0][x0:x1], q.sum(1) @ away2[1][y0:y1]])
    # what lies outside the window is where the landmark may be instead
    far = np.maximum(np.array([p.sum(0) @ away2[0], p.sum(1) @ away2[1]]) - near, 0.0)
    # spread beyond what was taught; the network is never trusted below a sixth of a cell
    extra = np.clip(near / mass - 0.8 * TAUGHT_CELLS**2, 0.17**2, None) + np.minimum(far, (ASTRAY_MM / cell_mm) ** 2)
    uv = cell_to_uv(np.array([mx, my]), 1.0 / cell_mm)
    return Spot(uv, np.diag(extra * cell_mm**2), mass)


def trace_of(logits: FloatArray, columns: bool, cell_mm: float) -> Trace:
    """Read a line: one point for every column (`columns`) or row of the half-resolution map."""
    p = softmax(logits, 0 if columns else 1)
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
    sd = np.sqrt(np.clip(var - 0.8 * TAUGHT_CELLS**2, 0.17**2, None)) * cell_mm
    k = np.arange(lines)
    cells = np.stack([k, mean] if columns else [mean, k], -1)
    return Trace(cell_to_uv(cells, 1.0 / cell_mm), sd, mass)


def _thin(trace: Trace, keep: npt.NDArray[np.bool_], every: int) -> Trace:
    index = np.nonzero(keep)[0][::every]
    return Trace(trace.uv[index], trace.u_mm[index], trace.mass[index])


def first_look(picture: npt.NDArray[np.uint8], grid: Unrolling) -> ClosureSighting:
    """What a smaller network sees in a picture unrolled at half the scale: enough to fit the block anew."""
    maps, flags = run("first_look", picture)
    return _read(maps, flags, grid, (1, 1, 2))


def find_closure(picture: npt.NDArray[np.uint8], grid: Unrolling) -> ClosureSighting:
    """Run the network on an unrolled picture and on its mirror image, and read the mean of their maps."""
    maps, flags = run("closure", picture)
    # the mirrored picture's maps, mirrored back: left and right change places
    mirrored, _ = run("closure", np.ascontiguousarray(picture[:, ::-1]))
    return _read(((maps + mirrored[MIRROR][:, :, ::-1]) / 2).astype(np.float32), flags, grid, (2, 2, 3))


def _read(
    maps: npt.NDArray[np.float32], flags: npt.NDArray[np.float32], grid: Unrolling, every: tuple[int, int, int]
) -> ClosureSighting:
    """What the maps say; of rim, hairline and centre line, each so many-th point is kept."""
    cell_mm = 2.0 / grid.px_per_mm
    spots = {name: _spot(maps[i].astype(float), cell_mm) for i, name in enumerate(LANDMARKS)}
    spots = {n: s for n, s in spots.items() if s.mass >= MARK_MASS and facing_at(grid, s.uv) > 0.04}
    across = np.diag([FOLD_ACROSS, 1.0])
    for name in FOLD:
        if name in spots:
            spots[name] = replace(spots[name], covariance_mm2=across @ spots[name].covariance_mm2 @ across)
    rim, hair, centre = (
        _thin(trace, (trace.mass > LINE_MASS) & (facing_at(grid, trace.uv) > least), step)
        for trace, least, step in zip(
            (trace_of(maps[i].astype(float), i != 8, cell_mm) for i in (6, 7, 8)),
            (0.06, 0.06, 0.12),
            every,
            strict=True,
        )
    )
    seen, upright, cap = (float(b) for b in sigmoid(flags)[:3])
    ventilated = sigmoid(maps[9])
    return ClosureSighting(spots, rim, hair, as_one_line(centre), ventilated, seen, upright, cap, maps[6], cell_mm)


def covered_cells(sighting: ClosureSighting, margin_mm: float) -> npt.NDArray[np.bool_]:
    """Cells covered by the ventilated rectangle and `margin_mm` around it."""
    return dilate(sighting.ventilated > 0.35, max(1, round(margin_mm / sighting.cell_mm)))


def as_one_line(trace: Trace) -> Trace:
    """A centre line whose rows are doubted by as much as they stray from its one straight run.

    The run is fitted with Cauchy's weights, so that a row that follows a seam beside the middle pulls little.
    """
    if len(trace.uv) < LEAST_ROWS:
        return trace
    a = np.stack([np.ones(len(trace.uv)), trace.uv[:, 1]], -1)
    u_mm, line = trace.u_mm, np.array([float(np.median(trace.uv[:, 0])), 0.0])
    for _ in range(8):
        u_mm = trace.u_mm * np.sqrt(1.0 + ((trace.uv[:, 0] - a @ line) / STRAY_MM) ** 2)
        line = np.linalg.lstsq(a / u_mm[:, None], trace.uv[:, 0] / u_mm, rcond=None)[0]
    usual_mm, power, most = SEAMLESS
    seamless = float(np.clip((trace.u_mm.mean() / usual_mm) ** power, 1.0, most))
    return Trace(trace.uv, MIDDLE_FACTOR * seamless * u_mm, trace.mass)


def run_of(line: Trace) -> FloatArray:
    """The straight run (2,) of a centre line: u at v = 0, and lean."""
    lean, at = np.polyfit(line.uv[:, 1], line.uv[:, 0], 1, w=1.0 / line.u_mm)
    return np.array([at, lean])


def rim_v_mm(rim: Trace) -> float:
    """Where the rim runs in the middle, v mm."""
    near = np.abs(rim.uv[:, 0]) < 30 if len(rim.uv) else np.zeros(0, bool)
    return float(np.median(rim.uv[near, 1])) if near.any() else 115.0


def doubted_by_seam(sighting: ClosureSighting, picture: npt.NDArray[np.uint8], grid: Unrolling) -> ClosureSighting:
    """The sighting with its centre line in doubt where the cap's seams contradict it.

    They say nothing of where it runs: on scenes with truth the network's middle errs less, alone as well as in any mean
    of the two (DEVELOPERS.md).
    """
    line = sighting.centre
    if len(line.uv) < LEAST_ROWS:
        return sighting
    middle, rim_v = run_of(line), rim_v_mm(sighting.rim)
    backs = [s.uv[1] for n, s in sighting.spots.items() if "back" in n]
    back_v = float(min(backs)) if backs else -200.0
    sides = tuple(float(s.uv[0]) for n, s in sighting.spots.items() if "left" in n or "right" in n)
    cells = covered_cells(sighting, 6.0)
    hidden = np.repeat(np.repeat(cells, 2, axis=0), 2, axis=1)
    seam = find_seam(
        picture, grid.facing, hidden, rim_v, float(middle[0]), float(middle[1]), back_v_mm=back_v, sides_u_mm=sides
    )
    if seam is None:
        return sighting
    # compared where it counts, from the closure's back to the rim, too: lines that cross are not the same
    span = np.array([*seam.v_range_mm, max(back_v, seam.v_range_mm[0] - 60.0), rim_v])
    apart = float(np.max(np.abs(seam.u_mm - middle[0] + (seam.lean - middle[1]) * span)))
    if not CONTRADICTION_MM < apart < OTHER_LINE_MM:
        return sighting
    words = (*sighting.centre_evidence, f"{seam.kind} in the cap, up to {apart:.0f} mm beside it, contradicts it")
    return replace(sighting, centre=Trace(line.uv, np.hypot(line.u_mm, 0.5 * apart), line.mass), centre_evidence=words)


def facing_at(grid: Unrolling, uv: FloatArray) -> FloatArray:
    """How directly the surface faces the lens (cosine) in the cell nearest to chart places (..., 2) mm."""
    cell = np.round(uv_to_cell(uv, grid.px_per_mm)).astype(int)
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
    px = grid.to_px(trace.uv)
    along = jac[:, :, 1 if across_u else 0]
    along = along / np.maximum(np.linalg.norm(along, axis=-1, keepdims=True), 1e-9)
    normal = np.stack([-along[:, 1], along[:, 0]], -1)
    move = jac[:, :, 0 if across_u else 1]
    u_px = np.abs((normal * move).sum(-1)) * trace.u_mm
    return Line(px, np.maximum(u_px, 0.05), 0.0, ("seen in the photo",))
