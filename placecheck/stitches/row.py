"""The seam beside the card, and the stitches on it.

One small network sees on each flat picture where the lace's edge runs, another finds stitches on the seam once it is
straightened (networks/*.onnx, run by OpenCV; how they were trained: calibration/stitching). They only say where to
look: the seam is the one smooth line t = a + b s + c s^2 + d s^3 along the card's long side that gathers most of the
edge map, searched over a grid of parabolas and then followed by weighted least squares; a stitch is a peak along it,
the mean of the strip seen in all four mirrored ways, its place refined to a fraction of a cell; one as broad as two,
with room for two, is two stitches that touch. What both sides of the card show alike is no seam to choose between:
the photo is refused then, and also where the line is short or faint. Each peak's height, calibrated on drawn scenes,
is the certainty that it is a stitch; faint peaks are kept as doubtful ones, since a gap with one in it is no proven
gap. A row begins and ends with stitches that are plain.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from placecheck.errors import RetakeNeeded
from placecheck.stitches.strip import ROWS, Strip, straighten
from placecheck.stitches.unroll import GRID_PX_PER_MM, WIDTH_MM, Side, network_input
from placecheck.vision import Network

FloatArray = npt.NDArray[np.float64]

CELL_MM = 2 / GRID_PX_PER_MM
"""The maps come at half the grid's resolution."""
FOUND, DOUBTFUL = 0.5, 0.08
"""Heights of peaks that count as stitches (as likely one as not, `spacing.certainty_of`), and that are kept."""
SOLID, CLOSE = 0.75, 1.35
LENGTH = round(WIDTH_MM * GRID_PX_PER_MM)
APART_MM = 1.3
NEAR_SHARE = 0.3
"""Of the median spacing: nearer peaks are one stitch."""
BELL_CELLS = 0.45 / CELL_MM
"""Standard deviation of the peak that the network was taught to give a stitch."""
BROAD, BROAD_REACH = 1.6, 7
"""How much broader than that two touching stitches make it, and the cells to either side that it is measured over."""
ROOM = 2.2, 2.75
"""Median spacings from the stitch before a broad peak to the one after it, if it is two: with less there is no room
for the second, and with more there is a gap."""
PARTED_HEIGHT = 0.64
"""The height that is as certain as such a peak is two stitches: seven in eight (on drawn patches eight of nine in rows
that were measured; twelve of twenty with those refused)."""
U_PLACE_MM, U_PARTED_MM = 0.14, 0.35
"""Where a stitch's middle is: threads are bowed, slanted and partly under hair; and where those of two are that touch;
found on drawn scenes."""
SEEN_MM = 1.5
CUT_SHARE, CUT_MM = 0.45, 3.0
LEAST_SEAM_MM, LEAST_EDGE = 25.0, 0.4
ALIKE = 0.6
SLOPES = np.tan(np.radians(np.arange(-22, 23, 2.75)))
BENDS_PER_MM = np.linspace(-1 / 80, 1 / 80, 13)


@dataclass(frozen=True, eq=False)
class Row:
    """One seam: points along it and its stitches in the chart (mm), from one end of the seen part to the other.

    line_mm (m, 2); feet_mm (n, 2) the stitches' places on the line and marks_mm (n, 2) where their middles are seen;
    heights (n,) 0..1 and u_place_mm (n,); `doubtful_mm` (k, 2) and `doubtful_heights` (k,) likewise for faint ones;
    seen_mm the length seen.
    """

    line_mm: FloatArray
    feet_mm: FloatArray
    marks_mm: FloatArray
    heights: FloatArray
    u_place_mm: FloatArray
    doubtful_mm: FloatArray
    doubtful_heights: FloatArray
    edge: float
    seen_mm: float


@lru_cache(maxsize=2)
def network(name: str) -> Network:
    """The network `name` ("edge" or "stitches"), read once in a process."""
    return Network(str(Path(__file__).parent / "networks" / f"{name}.onnx"))


def _logistic(logits: npt.NDArray[np.floating]) -> FloatArray:
    out: FloatArray = 1 / (1 + np.exp(-np.clip(logits.astype(float), -30, 30)))
    return out


def edge_of(side: Side) -> FloatArray:
    """Where the lace's edge runs, (h/2, w/2) in 0..1, 0 where the picture is not valid."""
    maps, _ = network("edge")(network_input(side.image, side.valid))
    return _logistic(maps[1]) * side.valid[::2, ::2]


def find_row(sides: tuple[Side, Side]) -> Row:
    """The one seam along the card and its stitches. Raises RetakeNeeded: seam-missing, seam-doubtful."""
    candidates = []
    for side in sides:
        edge = edge_of(side)
        valid = side.valid[::2, ::2]
        line = find_line(edge, valid)
        candidates.append((side, valid, line, _strength(edge, valid, line)))
    candidates.sort(key=lambda c: -c[3][0] * c[3][1])
    side, valid, line, (mean, length) = candidates[0]
    if length < LEAST_SEAM_MM or mean < LEAST_EDGE:
        raise RetakeNeeded(
            "seam-missing",
            "No sewn lace edge was found along a long side of the card: lay the card beside the seam, one long side "
            "along the stitches, comb the hair off them, hold the phone straight above them and retake.",
        )
    other = candidates[1][3]
    if other[0] >= LEAST_EDGE and other[0] * other[1] > ALIKE * mean * length and other[1] > LEAST_SEAM_MM:
        raise RetakeNeeded(
            "seam-doubtful",
            "A seam seems to run along both long sides of the card: cover one of them with a plain cloth, or lay the "
            "card so that only one is within two fingers' width of it, and retake.",
        )
    return _row(side, valid, line, mean)


# ----------------------------------------------------------------------------- the line


def _columns_mm(count: int) -> FloatArray:
    """Middle of each map column, mm along the card from its middle."""
    out: FloatArray = (np.arange(count, dtype=float) * 2 + 1.0) / GRID_PX_PER_MM - WIDTH_MM / 2
    return out


def find_line(edge: FloatArray, valid: npt.NDArray[np.bool_]) -> FloatArray:
    """Polynomial (4,) of the row (in map cells) over s (mm), lowest power first, that gathers most of `edge`."""
    h, w = edge.shape
    s = _columns_mm(w)
    few = np.arange(0, w, 4)
    a, b, c = np.meshgrid(np.arange(0, h, 1.0), SLOPES / CELL_MM, BENDS_PER_MM / 2 / CELL_MM, indexing="ij")
    shape = np.stack([a.ravel(), b.ravel(), c.ravel()], axis=1)
    rows = shape @ np.stack([np.ones(len(few)), s[few], s[few] ** 2])
    index = np.round(rows).astype(int)
    inside = (index >= 0) & (index < h)
    soft = (edge + np.roll(edge, 1, 0) + np.roll(edge, -1, 0)) / 3
    total = np.where(inside, soft[np.clip(index, 0, h - 1), few], 0).sum(axis=1)
    best = np.array([*shape[int(np.argmax(total))], 0.0])
    grid = np.arange(h)[:, None]
    for reach in (3.0, 2.0, 1.2):  # mm, following the line more and more closely
        at = np.polynomial.polynomial.polyval(s, best)
        near = np.where(np.abs(grid - at) * CELL_MM < reach, edge, 0) * valid
        weight = near.sum(axis=0)
        good = weight > 0.15
        if good.sum() < 20:
            return best
        middle = (near * grid).sum(axis=0)[good] / weight[good]
        x = s[good] / 60
        columns = np.stack([np.ones_like(x), x, x**2, x**3], axis=1)
        w8 = np.minimum(weight[good], 3.0)
        hold = np.diag([0, 0, 0.5, 5.0])  # a seam bends little, and its bend changes less
        solved = np.asarray(
            np.linalg.solve(columns.T @ (columns * w8[:, None]) + hold, columns.T @ (w8 * middle)), float
        )
        best = solved / 60.0 ** np.arange(4)
    return best


def _strength(edge: FloatArray, valid: npt.NDArray[np.bool_], line: FloatArray) -> tuple[float, float]:
    """Mean height of the edge map along the line, and the length (mm) over which the line lies in valid cells."""
    h, w = edge.shape
    at = np.polynomial.polynomial.polyval(_columns_mm(w), line)
    row = np.round(at).astype(int)
    inside = (row >= 1) & (row < h - 1)
    columns = np.arange(w)[inside]
    row = row[inside]
    seen = valid[row, columns]
    if not seen.any():
        return 0.0, 0.0
    peak = np.max([edge[row + k, columns] for k in (-1, 0, 1)], axis=0)[seen]
    return float(peak.mean()), float(seen.sum() * CELL_MM)


# ----------------------------------------------------------------------------- the stitches


def _row(side: Side, valid: npt.NDArray[np.bool_], line: FloatArray, edge: float) -> Row:
    w = valid.shape[1]
    s = _columns_mm(w)
    rows = np.polynomial.polynomial.polyval(s, line)
    strip = straighten(
        network_input(side.image, side.valid),
        np.arange(w, dtype=float) * 2 + 0.5,
        np.asarray(rows * 2 + 0.5, float),
        LENGTH,
    )
    heat, across = look(strip)
    seen = seen_columns(strip.image[3] > 0.5)
    heat = heat * seen[::2]
    along, heights = find_peaks(heat)
    whole = may_be_whole(_cells_mm(along, strip), heights >= FOUND, seen, strip.along_mm)
    along, heights = along[whole], heights[whole]
    sure = in_rhythm(along, heights)
    along, heights, sure, parted = part_touching(heat, along, heights, sure)
    along_mm = _cells_mm(along, strip)
    across_mm = np.interp(along, np.arange(len(heat)), across)

    def chart(at_mm: FloatArray, aside_mm: FloatArray) -> FloatArray:
        return side.chart_mm(strip.places_px(at_mm, aside_mm))

    visible = strip.along_mm[seen]
    visible = visible[:: max(1, len(visible) // 200)]
    zero = np.zeros_like(along_mm)
    return Row(
        line_mm=chart(visible, np.zeros_like(visible)),
        feet_mm=chart(along_mm[sure], zero[sure]),
        marks_mm=chart(along_mm[sure], across_mm[sure]),
        heights=heights[sure],
        u_place_mm=np.where(parted, U_PARTED_MM, U_PLACE_MM)[sure],
        doubtful_mm=chart(along_mm[~sure], zero[~sure]),
        doubtful_heights=heights[~sure],
        edge=edge,
        seen_mm=float(seen.sum() / GRID_PX_PER_MM),
    )


def _cells_mm(cells: FloatArray, strip: Strip) -> FloatArray:
    """Places in cells of the heat as mm along the strip."""
    out: FloatArray = np.interp(cells, np.arange(len(strip.along_mm[::2])), strip.along_mm[::2]) + 0.5 / GRID_PX_PER_MM
    return out


def seen_columns(valid: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The longest unbroken part (m,) of a strip (ROWS, m) that is valid SEEN_MM to all sides of the line."""
    n = round(SEEN_MM * GRID_PX_PER_MM)
    clear = np.asarray(valid[ROWS // 2 - n : ROWS // 2 + n].all(axis=0))
    padded = np.pad(clear, n // 2)
    whole = np.asarray(np.all([padded[k : k + len(clear)] for k in range(2 * (n // 2) + 1)], axis=0))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], whole.astype(np.int8), [0]]))).reshape(-1, 2)
    longest = np.zeros(len(whole), bool)
    if len(edges):  # what lies between two parts is not seen, and no gap
        start, end = edges[int(np.argmax(edges[:, 1] - edges[:, 0]))]
        longest[start:end] = True
    return longest


def in_rhythm(along: FloatArray, heights: FloatArray) -> npt.NDArray[np.bool_]:
    """Which peaks count as stitches: all that are high enough, less those that are weak and fall out of the rhythm.

    A peak below SOLID between two others that are no farther apart than one ordinary spacing (CLOSE of the median)
    is more likely a hair, a shadow or a hole of the lace; it stays as a doubtful one. Weakest first. At either end of
    the row, where nothing beyond it tells the rhythm, none below SOLID counts while more than four others do.
    """
    sure = heights >= FOUND
    for i in np.argsort(heights, kind="stable"):
        index = np.flatnonzero(sure)
        if not sure[i] or heights[i] >= SOLID or len(index) < 5 or i in (index[0], index[-1]):
            continue
        k = int(np.searchsorted(index, i))
        median = float(np.median(np.diff(along[index])))
        if along[index[k + 1]] - along[index[k - 1]] < CLOSE * median:
            sure[i] = False
    while sure.sum() > 4:
        ends = np.flatnonzero(sure)[[0, -1]]
        weaker = ends[int(np.argmin(heights[ends]))]
        if heights[weaker] >= SOLID:
            break
        sure[weaker] = False
    return np.asarray(sure)


def part_touching(
    heat: FloatArray, along: FloatArray, heights: FloatArray, sure: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Peaks (cells), heights and which count, with each peak that is two stitches' made two; and which those are.

    Two that touch, or nearly so, give one peak as broad as both. So does a long or half hidden one: only where the
    rhythm has room for two it is parted, by as much as it is broader than one.
    """
    index = np.flatnonzero(sure)
    parted = np.zeros(len(along), bool)
    if len(index) < 5:
        return along, heights, sure, parted
    median = float(np.median(np.diff(along[index])))
    places, high = along.astype(float), heights.astype(float)
    more: list[float] = []
    for before, i, after in zip(index, index[1:], index[2:], strict=False):
        reach = int(min(BROAD_REACH, (along[i] - along[before]) / 2, (along[after] - along[i]) / 2))
        near = np.arange(-reach, reach + 1) + round(along[i])
        weight = heat[near]
        width = weight.sum() / heights[i] / (np.sqrt(2 * np.pi) * BELL_CELLS)
        if width < BROAD or not ROOM[0] < (along[after] - along[before]) / median < ROOM[1]:
            continue
        middle = (weight * near).sum() / weight.sum()
        half = np.sqrt(max(0.0, (weight * (near - middle) ** 2).sum() / weight.sum() - BELL_CELLS**2))
        places[i], parted[i] = middle - half, True
        more.append(middle + half)
    places, high = np.concatenate([places, more]), np.concatenate([high, np.full(len(more), PARTED_HEIGHT)])
    order = np.argsort(places, kind="stable")
    both = np.ones(len(more), bool)
    return places[order], high[order], np.concatenate([sure, both])[order], np.concatenate([parted, both])[order]


def may_be_whole(
    along_mm: FloatArray, sure: npt.NDArray[np.bool_], seen: npt.NDArray[np.bool_], columns_mm: FloatArray
) -> npt.NDArray[np.bool_]:
    """Which peaks lie far enough from both ends of what is seen of the seam not to be stitches cut off there.

    Far enough is CUT_SHARE of the median spacing (half a back stitch), at most CUT_MM.
    """
    if sure.sum() < 3 or not seen.any():
        return np.ones(len(along_mm), bool)
    margin = min(CUT_MM, CUT_SHARE * float(np.median(np.diff(along_mm[sure]))))
    first, last = columns_mm[seen][0] - SEEN_MM / 2, columns_mm[seen][-1] + SEEN_MM / 2
    return np.asarray((along_mm - first > margin) & (last - along_mm > margin))


def look(strip: Strip) -> tuple[FloatArray, FloatArray]:
    """Heat (m/2,) 0..1 of a stitch's middle, and its place across the line (m/2,) mm; mean of four mirrored looks."""
    heat, across = [], []
    for upside in (1, -1):
        for back in (1, -1):
            maps, _ = network("stitches")(np.ascontiguousarray(strip.image[:, ::upside, ::back]))
            heat.append(_logistic(maps[0, 0])[::back])
            across.append(upside * maps[1, 0].astype(float)[::back])
    return np.mean(heat, axis=0), np.mean(across, axis=0)


def find_peaks(heat: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places (k,) in cells, refined, and heights (k,) of the peaks of a profile, in order; of near ones the highest."""
    padded = np.concatenate([[0.0], heat, [0.0]])
    top = np.flatnonzero((padded[1:-1] >= padded[:-2]) & (padded[1:-1] > padded[2:]) & (heat > DOUBTFUL))
    kept: list[int] = []
    for i in top[np.argsort(-heat[top], kind="stable")]:
        if all(abs(i - j) * CELL_MM >= APART_MM for j in kept):
            kept.append(int(i))
    if len(kept) > 4:  # one thread seen as two: a long one's ends, a hair over it
        apart = NEAR_SHARE * float(np.median(np.diff(sorted(kept))))
        kept = [i for k, i in enumerate(kept) if all(abs(i - j) >= apart for j in kept[:k])]
    kept.sort()
    places = []
    for i in kept:
        near = np.arange(max(0, i - 2), min(len(heat), i + 3))
        weight = np.clip(heat[near] - 0.1 * heat[i], 0, None)
        places.append(float((weight * near).sum() / weight.sum()))
    return np.array(places), heat[kept]
