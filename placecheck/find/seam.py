"""The cap's centre line from its seams: one seam in the middle, or a pair to either side of it.

In the unrolled picture a seam is a nearly upright straight line, darker or brighter than
the mesh beside it, seen wherever cap shows: behind the closure and beside it. The
brightness of every row is compared with that a few millimetres to both sides, at two widths,
in units of the row's own scatter, and added up along lines of every place and small lean (a
Radon transform restricted to what a seam can be). A line is believed when its sum stands well
above that of chance lines. A single seam counts when it runs where the network also sees the
middle; otherwise two lines of the same lean and the same sign whose middle lies there count as
the pair. Lines hidden by hair, clips or pins drop out of the sum by a robust cap on each row.
What is found casts doubt on the middle (closure.py) and tells a pair (cap/stage.py); it sets no line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from placecheck.find.unroll import PX_PER_MM, U_HALF_MM, V_FRONT_MM

FloatArray = npt.NDArray[np.float64]
Float32s = npt.NDArray[np.float32]

LEANS = np.linspace(-0.14, 0.14, 29)
REACH_MM = 62.0
WIDTHS_MM = (2.0, 4.5)
LEAST_ROWS_MM = 16.0
BELIEVED = 5.5
LACE_EDGE_MM = 8.0


@dataclass(frozen=True)
class Seam:
    """A line u = u_mm + lean * v, seen over `v_range_mm`; `kind` is "one seam" or "a pair of seams"."""

    u_mm: float
    lean: float
    v_range_mm: tuple[float, float]
    kind: str


def ridges(picture: npt.NDArray[np.uint8], width_mm: float) -> Float32s:
    """How much every pixel's brightness differs from that to both of its sides, signed, log units (h, w)."""
    return _ridges(_brightness(picture), width_mm)


def colour_ridges(picture: npt.NDArray[np.uint8], width_mm: float) -> tuple[Float32s, Float32s, Float32s]:
    """`ridges` of the brightness, and the same of how much bluer and how much redder than green every pixel is."""
    blue, green, red = (np.log(picture[..., k].astype(np.float32) + 8.0) for k in range(3))
    tints = (_ridges(_running(tint), width_mm) for tint in (blue - green, red - green))
    bluer, redder = tints
    return ridges(picture, width_mm), bluer, redder


def _brightness(picture: npt.NDArray[np.uint8]) -> Float32s:
    """Running sums along every row of the log brightness (h, w + 1)."""
    total = picture[..., 0].astype(np.float32) + picture[..., 1] + picture[..., 2]
    return _running(np.log(total / 3 + 8.0))


def _running(layer: Float32s) -> Float32s:
    """Running sums (h, w + 1) along every row, after a little averaging down the rows: seams run there."""
    smooth = (np.roll(layer, 1, 0) + layer + np.roll(layer, -1, 0)) / 3
    out: Float32s = np.cumsum(np.pad(smooth, ((0, 0), (1, 0))), axis=1)
    return out


def _ridges(running: Float32s, width_mm: float) -> Float32s:
    """`ridges` from `_brightness`."""
    half = max(1, round(width_mm * PX_PER_MM / 2))
    gap = half + 2
    reach = gap + 2 * half + 3
    w = running.shape[1] - 1
    i = np.arange(w)
    padded = np.pad(running, ((0, 0), (reach, reach)), mode="edge")

    def box(lo: int, hi: int) -> Float32s:
        n = np.clip(i + hi + 1, 0, w) - np.clip(i + lo, 0, w)
        a, b = reach + lo, reach + hi + 1
        out: Float32s = (padded[:, b : b + w] - padded[:, a : a + w]) / np.maximum(n, 1).astype(np.float32)
        return out

    inner = box(-half, half)
    left, right = box(-gap - 2 * half - 2, -gap), box(gap, gap + 2 * half + 2)
    # the smaller of the two steps, so that a one-sided edge is no seam
    a, b = inner - left, inner - right
    out: Float32s = np.maximum(np.minimum(a, b), 0.0) + np.minimum(np.maximum(a, b), 0.0)
    return out


def _lines(
    responses: Sequence[Float32s], usable: npt.NDArray[np.bool_], u0: FloatArray, v_ref_row: float
) -> tuple[FloatArray, FloatArray]:
    """Sum of capped responses along every line: strength (responses, leans, places), and the length of rows used."""
    rows = np.nonzero(usable.any(1))[0][::2]
    ok = usable[rows]
    width = ok.shape[1]
    layers = np.empty((len(responses) + 1, ok.size), np.float32)
    layers[-1] = ok.ravel()
    for layer, response in zip(layers, responses, strict=False):
        r = np.where(ok, response[rows], np.float32(0.0))
        scatter = np.sqrt((r**2).sum(1) / np.maximum(ok.sum(1), 1)) + 0.004
        layer[:] = np.clip(r / scatter.astype(np.float32)[:, None], -2.5, 2.5).ravel()
    total = np.empty((len(responses), len(LEANS), len(u0)))
    share = np.empty(total.shape[1:])
    start = (np.arange(len(rows)) * width)[:, None]
    for i, lean in enumerate(LEANS):
        at = u0[None, :] - lean * (rows - v_ref_row)[:, None] / PX_PER_MM  # v falls as rows grow
        at += U_HALF_MM
        at *= PX_PER_MM
        at -= 0.5
        np.rint(at, out=at)
        np.clip(at, 0, width - 1, out=at)
        at += start
        sums = layers.take(at.astype(np.intp), axis=1, mode="clip").sum(1)
        total[:, i] = sums[:-1] / np.sqrt(np.maximum(sums[-1], 1))
        share[i] = sums[-1] * 2 / PX_PER_MM
    return total, share


def _strengths(
    responses: Sequence[Float32s], usable: npt.NDArray[np.bool_], u0: FloatArray, v_ref_row: float
) -> list[FloatArray]:
    """Signed strength (leans, places) of every line in each of `responses`, in standard deviations of chance.

    It is 0 where too little is seen.
    """
    totals, length = _lines(responses, usable, u0, v_ref_row)
    out = []
    for total in np.where(length >= LEAST_ROWS_MM, totals, 0.0):
        noise = 1.48 * float(np.median(np.abs(total[total != 0]))) if (total != 0).any() else 1.0
        out.append(total / max(noise, 0.6))
    return out


def find_seam(
    picture: npt.NDArray[np.uint8],
    facing: npt.NDArray[np.float32],
    hidden: npt.NDArray[np.bool_],
    rim_v_mm: float,
    middle_u_mm: float,
    middle_lean: float,
    u_middle_mm: float = 3.0,
    back_v_mm: float = -200.0,
    sides_u_mm: tuple[float, ...] = (),
) -> Seam | None:
    """The cap's centre line by its seams, or None. `hidden` (h, w) marks hair and lace; `rim_v_mm` where the cap ends.

    `middle_u_mm`, `middle_lean` are where the network sees the middle (at v = 0), `u_middle_mm` how sure that is;
    `back_v_mm` is the closure's back edge (one middle seam shows only behind it), `sides_u_mm` its side edges, beside
    which no seam of a pair is looked for.
    """
    h = facing.shape[0]
    v = V_FRONT_MM - (np.arange(h) + 0.5) / PX_PER_MM
    usable = (facing > 0.22) & ~hidden & (v < rim_v_mm - 12.0)[:, None]
    behind = usable.any(1) & (v < back_v_mm - 4.0)
    rows = np.nonzero(usable.any(1))[0]
    if len(rows) < LEAST_ROWS_MM * PX_PER_MM:
        return None
    # only the rows that are used, and one more to either side for the averaging
    part = slice(int(rows[0]), int(rows[-1]) + 1)
    around = np.arange(rows[0] - 1, rows[-1] + 2) % h
    usable, behind, v = usable[part], behind[part], v[part]
    u0 = np.arange(-REACH_MM, REACH_MM + 0.25, 0.5)
    place = -0.5 * ((u0[None, :] - middle_u_mm) / u_middle_mm) ** 2
    prior = place - 0.5 * ((LEANS[:, None] - middle_lean) / 0.05) ** 2
    running = _brightness(picture[around])[1:-1]
    responses = [_ridges(running, width) for width in WIDTHS_MM]
    v_ref_row = V_FRONT_MM * PX_PER_MM - 0.5 - rows[0]
    everywhere = _strengths(responses, usable, u0, v_ref_row)
    for z in everywhere:
        for side in sides_u_mm:
            z[:, np.abs(u0 - side) < LACE_EDGE_MM] = 0.0
    seen_behind = behind.sum() >= LEAST_ROWS_MM * PX_PER_MM
    only_behind = _strengths(responses, usable & behind[:, None], u0, v_ref_row) if seen_behind else []
    best = _likeliest(everywhere, only_behind, u0, prior)
    if best is None:
        return None
    ridge = np.asarray(responses[best.response], np.float64)
    followed = [_follow(ridge, usable, *line, np.asarray(v, np.float64)) for line in best.lines]
    fits = [fit for fit in followed if fit is not None]
    if len(fits) < len(followed) or (len(fits) == 2 and abs(fits[0][1] - fits[1][1]) > 0.3):
        return None
    mean = np.mean(fits, axis=0)
    return Seam(float(mean[0]), float(mean[1]), (float(v[-1]), float(v[0])), best.kind)


@dataclass(frozen=True)
class _Candidate:
    """Lines (place, lean, sign), seen in the response of that number, that may be the seam or seams, and how likely."""

    score: float
    lines: tuple[tuple[float, float, float], ...]
    response: int
    kind: str


def _likeliest(
    everywhere: Sequence[FloatArray], only_behind: Sequence[FloatArray], u0: FloatArray, prior: FloatArray
) -> _Candidate | None:
    """The likeliest of one seam behind the closure and pairs anywhere, by the strengths in every response.

    A pair has to be likelier by 1 than what was found before it.
    """
    best: _Candidate | None = None
    for number, z in enumerate(everywhere):
        if len(only_behind):
            single = _single(only_behind[number], u0, prior, number)
            if single is not None and (best is None or single.score > best.score):
                best = single
        for sign in (1.0, -1.0):
            pair = _pair(sign * z, u0, prior)
            if pair is not None and (best is None or pair[0] > best.score + 1.0):
                score, lean, left, right = pair
                lines = tuple((float(u0[m]), float(LEANS[lean]), sign) for m in (left, right))
                best = _Candidate(score, lines, number, "a pair of seams")
    return best


def _single(z: FloatArray, u0: FloatArray, prior: FloatArray, number: int) -> _Candidate | None:
    """The strongest line (leans, places) near the middle, where it is believed."""
    single = np.minimum(np.abs(z), 12.0) + 2.0 * prior
    i, j = np.unravel_index(int(np.argmax(single)), single.shape)
    if abs(z[i, j]) <= BELIEVED:
        return None
    line = (float(u0[j]), float(LEANS[i]), float(np.sign(z[i, j])))
    return _Candidate(float(single[i, j]), (line,), number, "one seam")


def _follow(
    response: FloatArray, usable: npt.NDArray[np.bool_], u_mm: float, lean: float, sign: float, v: FloatArray
) -> FloatArray | None:
    """The ridge followed row by row near a line: robust straight fit (2,), u at v = 0 and lean."""
    rows = np.nonzero(usable.any(1))[0]
    reach = round(2.0 * PX_PER_MM)
    for _ in range(2):
        col = (u_mm + lean * v[rows] + U_HALF_MM) * PX_PER_MM - 0.5
        at = np.round(col).astype(int)[:, None] + np.arange(-reach, reach + 1)
        inside = (at >= 0) & (at < response.shape[1])
        at_safe = np.clip(at, 0, response.shape[1] - 1)
        r = np.where(inside & usable[rows[:, None], at_safe], sign * response[rows[:, None], at_safe], 0.0)
        r = np.maximum(r - 0.4 * r.max(1, keepdims=True), 0.0)
        weight = r.sum(1)
        good = weight > 0.35 * np.median(weight[weight > 0]) if (weight > 0).any() else np.zeros(len(rows), bool)
        if good.sum() < LEAST_ROWS_MM * PX_PER_MM * 0.6:
            return None
        place = (r * at).sum(1)[good] / weight[good]
        u = (place + 0.5) / PX_PER_MM - U_HALF_MM
        vv = v[rows][good]
        w = np.ones(len(u))
        fit = np.zeros(2)
        for _ in range(4):
            a = np.stack([np.ones_like(vv), vv], -1)
            normal = (a * w[:, None]).T @ a + 1e-9 * np.eye(2)
            fit = np.linalg.solve(normal, (a * w[:, None]).T @ u)
            left = u - a @ fit
            scale = max(1.48 * float(np.median(np.abs(left))), 0.08)
            w = 1.0 / (1.0 + (left / (1.5 * scale)) ** 2)
        u_mm, lean = float(fit[0]), float(fit[1])
    return fit


def _pair(z: FloatArray, u0: FloatArray, prior: FloatArray) -> tuple[float, int, int, int] | None:
    """The best two lines of one lean, 30 to 110 mm apart, both believed, their middle where the prior has it."""
    best = None
    inner = z[:, 2:-2]
    around = [z[:, k : k + inner.shape[1]] for k in (0, 1, 3, 4)]
    high = (inner > 0.75 * BELIEVED) & np.logical_and.reduce([inner >= beside for beside in around])
    for i in np.flatnonzero(high.sum(1) > 1).tolist():
        peaks = (np.flatnonzero(high[i]) + 2).tolist()
        for a, b in product(peaks, peaks):
            apart = u0[b] - u0[a]
            if not 30.0 <= apart <= 110.0 or min(z[i, a], z[i, b]) < 0.45 * max(z[i, a], z[i, b]):
                continue
            middle = int(np.argmin(np.abs(u0 - (u0[a] + u0[b]) / 2)))
            strength = min(0.5 * (z[i, a] + z[i, b]), 12.0)
            score = strength + 1.5 + 2.0 * prior[i, middle]
            if best is None or score > best[0]:
                best = (float(score), i, a, b)
    return best
