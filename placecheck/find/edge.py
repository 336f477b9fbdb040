"""The block's edge in the photo itself: from a fitted dome's predicted outline to sub-pixel outline points.

Along the normal of every predicted outline point the photo's colours are read, a little way
inside and outside. Where the mean colour of the next few millimetres inside differs from that
outside by more than both vary by themselves (Fisher's discriminant ratio), there may be an edge;
the network's silhouette adds its vote where it changes there too. One offset for every point is
then chosen for the whole closed curve at once by dynamic programming (Amini et al. 1990): strong
evidence, small jumps between neighbours, not far from the prediction. The chosen offset is placed
between samples by a parabola. The caller fits the dome to these points and comes back with a
narrower search; two or three rounds end at the edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.colours import Colours
from placecheck.vision import gaussian_blur, sample

FloatArray = npt.NDArray[np.float64]

STEP_MM = 0.5
WINDOW_MM = 2.5
BEYOND_MM = 15.0
OTHER_WEIGHT = 1.2


@dataclass(frozen=True)
class Edge:
    """Outline points (N, 2) px, each one's offset (N,) mm, and its evidence (N,), about 1 for a clear edge."""

    px: FloatArray
    offset_mm: FloatArray
    evidence: FloatArray


def believed(
    edge: Edge, picture: tuple[int, ...], mm_per_px: float, reach_mm: float
) -> tuple[FloatArray, float, float]:
    """The points (M, 2) px of an edge to fit to, their standard uncertainty in px, and what share is in the picture.

    `picture` is (height, width, ...). Points in the picture with clear evidence, or, where these are less than a third
    of all, every point in it. A search that reached `reach_mm` is as sure as an eighth of that, but not surer than 0.3
    mm and 0.4 px.
    """
    h, w = picture[:2]
    inside = (edge.px > 2).all(1) & (edge.px[:, 0] < w - 3) & (edge.px[:, 1] < h - 3)
    good = inside & (edge.evidence > 0.25)
    if good.sum() < len(edge.px) // 3:
        good = inside
    return edge.px[good], max(0.4, max(0.3, reach_mm / 8.0) / mm_per_px), float(inside.mean())


def normals_of(ring: FloatArray) -> FloatArray:
    """Outward unit normals (N, 2) of a closed ring (N, 2) that goes round once, either way."""
    t = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    n = np.stack([t[:, 1], -t[:, 0]], -1)
    n /= np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-9)
    outward = np.sign(((ring - ring.mean(0)) * n).sum())
    out: FloatArray = n * (outward if outward != 0 else 1.0)
    return out


def distances_to_segments(points: FloatArray, starts: FloatArray, ends: FloatArray) -> FloatArray:
    """Distance (N, M) of `points` (M, 2) from the straight lines between `starts` and `ends` (N, 2)."""
    way = ends - starts
    from_start = points - starts[:, None]
    share = (from_start * way[:, None]).sum(-1) / np.maximum((way**2).sum(-1), 1e-9)[:, None]
    out: FloatArray = np.linalg.norm(from_start - np.clip(share, 0.0, 1.0)[..., None] * way[:, None], axis=-1)
    return out


def _box(a: FloatArray, width: int) -> FloatArray:
    """Running sum over axis 1 of `width` samples, valid part only."""
    c = np.cumsum(np.concatenate([np.zeros_like(a[:, :1]), a], axis=1), axis=1)
    out: FloatArray = c[:, width:] - c[:, :-width]
    return out


def _smooth(colours: FloatArray) -> FloatArray:
    """Mean over five samples along the profile and over neighbouring profiles."""
    c = (np.roll(colours, 1, 0) + colours + np.roll(colours, -1, 0)) / 3
    padded = np.concatenate([c[:, :1], c[:, :1], c, c[:, -1:], c[:, -1:]], axis=1)
    total = padded[:, : c.shape[1]].copy()
    for i in range(1, 5):
        total += padded[:, i : i + c.shape[1]]
    out: FloatArray = total / 5
    return out


def find_edge(
    colours: Colours,
    ring: FloatArray,
    mm_per_px: float,
    reach_mm: float,
    votes: FloatArray | None = None,
    vote_grid: FloatArray | None = None,
    avoid: FloatArray | None = None,
) -> Edge:
    """Outline points near the predicted `ring` (N, 2), at most `reach_mm` away.

    `votes` (h, w) is a silhouette probability and `vote_grid` (2, 3) takes photo px to its cells.
    `avoid` (M, 2) px are points along the closure's edge, whose hair is a strong edge but not the block's.
    """
    normal = normals_of(ring)
    count = round(reach_mm / STEP_MM)
    places_mm = np.arange(-count, count + 1) * STEP_MM
    score = _contrast(_profiles(colours, ring, normal, mm_per_px, count), count)
    here = ring[:, None, :] + (places_mm / mm_per_px)[None, :, None] * normal[:, None, :]
    if votes is not None and vote_grid is not None:
        score = score + 2.0 * _voted(votes, vote_grid, here, normal[:, None, :] * (3.0 / mm_per_px))
    if avoid is not None and len(avoid):
        gap_px = np.full(here.shape[:2], np.inf)
        for point in avoid:
            gap_px = np.minimum(gap_px, np.hypot(here[..., 0] - point[0], here[..., 1] - point[1]))
        score = score - 2.5 * np.clip(1.5 - gap_px * mm_per_px / 3.0, 0.0, 1.0)
    sigma_mm = max(reach_mm / 1.6, 1.0)
    path = _best_path(-score + 0.5 * (places_mm / sigma_mm) ** 2)
    k = np.clip(path, 1, len(places_mm) - 2)
    i = np.arange(len(ring))
    a, b, c = score[i, k - 1], score[i, k], score[i, k + 1]
    bend = np.minimum(a - 2 * b + c, -1e-9)
    shift = np.clip(0.5 * (a - c) / bend, -0.5, 0.5)
    offset_mm = places_mm[k] + shift * STEP_MM
    px = ring + (offset_mm / mm_per_px)[:, None] * normal
    return Edge(px, offset_mm, score[i, k] / 3.0)


def _profiles(colours: Colours, ring: FloatArray, normal: FloatArray, mm_per_px: float, count: int) -> FloatArray:
    """Log colours (N, K, 3) every STEP_MM along the normals.

    From `count` steps and a window inside the ring to as much and BEYOND_MM outside it.
    """
    half, beyond = round(WINDOW_MM / STEP_MM), round(BEYOND_MM / STEP_MM)
    offsets_mm = np.arange(-count - half, count + half + beyond + 1) * STEP_MM
    image, mm_per_px = colours.pixels, colours.shrink * mm_per_px
    at = colours.own_px(ring)[:, None, :] + (offsets_mm / mm_per_px)[None, :, None] * normal[:, None, :]
    x0, y0 = np.maximum(np.floor(at.min((0, 1))).astype(int) - 3, 0)
    x1, y1 = np.ceil(at.max((0, 1))).astype(int) + 4
    part = image[y0 : min(y1, image.shape[0]), x0 : min(x1, image.shape[1])]
    blur = 0.45 * STEP_MM / mm_per_px
    soft = gaussian_blur(part, blur) if blur > 0.5 else part
    levels = [sample(soft[..., k], at[..., 0] - x0, at[..., 1] - y0).astype(float) for k in range(3)]
    out: FloatArray = np.log(np.stack(levels, -1) + 12.0)  # so that a shadow's edge counts like a bright one's
    return out


def _contrast(profiles: FloatArray, count: int) -> FloatArray:
    """How strongly the colours inside and outside differ at each of the 2 count + 1 places of every profile (N, P)."""
    half, beyond = round(WINDOW_MM / STEP_MM), round(BEYOND_MM / STEP_MM)
    far = profiles[:, -(2 * count + 1) :]  # BEYOND_MM and a window outside every place
    near = profiles[:, 2 * half : 2 * half + 2 * count + 1]
    colours = profiles[:, : profiles.shape[1] - beyond]
    # means over windows just inside and just outside every place, and how much the colours vary there
    mean = np.stack([_box(colours[..., k], half) for k in range(3)], -1) / half
    of_squares = np.stack([_box(colours[..., k] ** 2, half) for k in range(3)], -1) / half
    var = np.maximum(of_squares - mean**2, 0)
    spread = (var[:, : -half - 1] + var[:, half + 1 :]).sum(-1) / 2
    step = mean[:, : -half - 1] - mean[:, half + 1 :]
    gap = np.sqrt((step**2).sum(-1))
    # share what neighbours along the outline see, which texture and pins do not
    step = (np.roll(step, 1, 0) + 2 * step + np.roll(step, -1, 0)) / 4
    gap = 0.5 * gap + 0.5 * np.sqrt((step**2).sum(-1))
    score = gap / np.sqrt(spread + 0.05**2)
    score = score / (1.0 + 0.25 * score)
    # what lies outside the block goes on unchanged; what lies outside an edge within it does not
    other = np.sqrt(((_smooth(far) - _smooth(near)) ** 2).sum(-1))
    out: FloatArray = score - OTHER_WEIGHT * np.minimum(other / 0.35, 1.0)
    return out


def _voted(votes: FloatArray, vote_grid: FloatArray, here: FloatArray, out_px: FloatArray) -> FloatArray:
    """By how much the silhouette's probability falls from inside to outside of every place `here` (N, P, 2)."""
    value = []
    for p in (here - out_px, here + out_px):
        cell = p @ vote_grid[:, :2].T + vote_grid[:, 2]
        value.append(sample(votes.astype(np.float32), cell[..., 0], cell[..., 1]))
    out: FloatArray = np.clip(value[0] - value[1], -0.5, 1.0)
    return out


def _best_path(cost: FloatArray) -> npt.NDArray[np.intp]:
    """The place (N,) of every profile for which costs (N, P) and jumps between neighbours sum to the least.

    By dynamic programming round the ring, started where the evidence is clearest.
    """
    n, places = cost.shape
    first = int(np.argmin(cost.min(1)))
    cost = np.roll(cost, -first, axis=0)
    index = np.arange(places)
    jump = 0.3 * np.abs(index[:, None] - index)
    best = cost[0].copy()
    back = np.zeros((n, places), int)
    for row in range(1, n):
        total = best[:, None] + jump
        back[row] = np.argmin(total, axis=0)
        best = total[back[row], index] + cost[row]
    path = np.zeros(n, int)
    path[-1] = int(np.argmin(best))
    for row in range(n - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    return np.roll(path, first)
