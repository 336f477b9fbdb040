"""Ball-headed pins: found as round spots of one colour, and the two that may stand on the cap's centre line.

A ball head is 3 to 5 mm across and stands out from whatever it is on, in any colour. Spots are the local maxima of the
difference of two Gaussians matched to that size (Lindeberg 1998), over all three colour channels at once, whose colour
is far from that of the ring around them, in terms of what both vary: mesh and strands are no spots. A head stands
somewhat over the surface, nobody knows how high, so it may lie anywhere on a short line in the chart. Pins of one
pinning share one colour: which colour that is, and whether it is one at all, is a likelihood ratio over the places
where pins are expected (the closure's corners, along its fold, on the centre line), against as many spots alike strewn
about by chance; at least one corner must be among them, since chalk dots lie on the fold, too. A spot of that colour
before the hairline or behind the closure, close to where the line runs, is then a pin set on the cap's centre line
(common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometry
from placecheck.colours import Colours
from placecheck.find.edge import distances_to_segments
from placecheck.surface_map import Chart
from placecheck.vision import gaussian_blur, largest_within, resample, resize

FloatArray = npt.NDArray[np.float64]

HEAD_MM = 3.8
HEAD_LIFTS_MM = (2.2, 7.0)  # of a head's middle over the surface, pushed in all the way and half
HEAD_LIFT_MM = sum(HEAD_LIFTS_MM) / 2
LEAST_CONTRAST = 14.0
LEAST_APART = 2.0  # 95 % of the heads in scenes for developing are farther apart, and one other spot in seven
CORNER_MM, FOLD_MM = 10.0, 4.0  # how far from corner and fold their pins stand
ALONG_FOLD_MM = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0)  # behind the hairline, where the fold is held
FRONT_MM, BACK_MM = (10.0, 50.0), (-30.0, -8.0)  # before the fold's front end, behind its back end
NOT_THE_FOLDS_MM = 16.0  # from here on a pin before the hairline is not the one that holds the fold there
PIN_OFF_MM = 3.2  # true pins lay within 2.5 mm of a line that was right, other things from 3.7 mm on
SEEN_SHARE = 0.6  # of the places where there may be a pin
VISIBLE_MM2 = 20000.0
LEAST_LIKELY = 4.0  # nats


@dataclass(frozen=True)
class Spot:
    """A round spot: pixel (2,), colour (3,) BGR, how far that is from what is around it, chart places (2,) mm.

    `low` and `high` are where it is if it rests on the surface and if it stands half out.
    """

    px: FloatArray
    colour: FloatArray
    apart: float
    low: FloatArray
    high: FloatArray

    @property
    def uv(self) -> FloatArray:
        out: FloatArray = (self.low + self.high) / 2
        return out


def find_spots(
    colours: Colours, geometry: Geometry, chart: Chart, outline_px: FloatArray, keep: int = 400
) -> list[Spot]:
    """Round spots of a pin head's size within the block's outline, of the `keep` most contrasting ones."""
    image, outline = colours.pixels, colours.own_px(outline_px)
    radius = HEAD_MM / 2 / (geometry.mm_per_px * colours.shrink)
    pad = int(4 * radius)
    x0, y0 = np.maximum(np.floor(outline.min(0)).astype(int) - pad, 0)
    x1, y1 = np.minimum(np.ceil(outline.max(0)).astype(int) + pad, [image.shape[1], image.shape[0]])
    part: npt.NDArray[Any] = image[y0:y1, x0:x1]
    shrink = min(1.0, 4.0 / radius)  # a head of eight pixels is enough
    if shrink < 0.8:
        size = (max(16, round(part.shape[1] * shrink)), max(16, round(part.shape[0] * shrink)))
        fx, fy = size[0] / part.shape[1], size[1] / part.shape[0]
        part = resize(part, *size)
        radius *= shrink
    else:
        fx = fy = 1.0
    part = part.astype(np.float32)
    if min(part.shape[:2]) < 16 or radius < 1.5:
        return []
    at = _strongest(part, radius, keep)
    apart = _apart(part, at, radius)
    at, apart = at[apart > LEAST_APART], apart[apart > LEAST_APART]
    px = colours.photo_px((at + 0.5) / [fx, fy] - 0.5 + [x0, y0])
    # the head's own colour, from its middle only
    x, y = np.round(at).astype(int).T
    heads = gaussian_blur(part, max(0.35 * radius, 0.6))[y, x].astype(float)
    low, high = (chart.to_uv(geometry.hit(px, lift)) for lift in HEAD_LIFTS_MM)
    low = np.where(np.isfinite(low), low, high)  # beyond the dome's edge unless it stands out
    known = np.flatnonzero(np.isfinite(low).all(-1) & np.isfinite(high).all(-1))
    return [Spot(px[i], heads[i], float(apart[i]), low[i], high[i]) for i in known]


def _strongest(part: npt.NDArray[Any], radius: float, keep: int) -> FloatArray:
    """Where (N, 2) px, to a fraction, the difference of Gaussians is strongest; at most `keep` places."""
    sigma = radius / 1.5
    fine = gaussian_blur(part, sigma)
    fine -= gaussian_blur(part, 2.0 * sigma)
    strength = np.sqrt(fine[..., 0] ** 2 + fine[..., 1] ** 2 + fine[..., 2] ** 2)
    step = max(1, round(radius * 0.8))
    ys, xs = np.nonzero((strength >= largest_within(strength, step)) & (strength > LEAST_CONTRAST))
    inside = (xs > step) & (ys > step) & (xs < part.shape[1] - step - 1) & (ys < part.shape[0] - step - 1)
    xs, ys = xs[inside], ys[inside]
    order = np.argsort(-strength[ys, xs])[:keep]
    xs, ys = xs[order], ys[order]
    c = strength[ys, xs]  # a parabola through it and its neighbours
    dx = _offset(strength[ys, xs - 1], c, strength[ys, xs + 1])
    dy = _offset(strength[ys - 1, xs], c, strength[ys + 1, xs])
    return np.stack([xs + dx, ys + dy], -1)


def _apart(part: npt.NDArray[Any], at: FloatArray, radius: float) -> FloatArray:
    """How far a spot's colour is from that of the ring around it, over what both vary (N,); `at` (N, 2) px."""
    if not len(at):
        return np.zeros(0)
    angle = np.arange(16) * np.pi / 8
    around = radius * np.stack([np.cos(angle), np.sin(angle)], -1)
    ring = np.concatenate([at[:, None] + 1.7 * around, at[:, None] + 2.0 * around], 1)
    disc = np.concatenate([at[:, None], at[:, None] + 0.5 * around[::2]], 1)
    sides = []
    for places in (ring, disc):
        colours = resample(part, places.astype(np.float32)).astype(float)
        middle = np.median(colours, axis=1)
        sides.append((middle, np.median(np.abs(colours - middle[:, None]).max(-1), axis=1)))
    (outside, spread), (inside, own) = sides
    out: FloatArray = np.linalg.norm(inside - outside, axis=-1) / (spread + 0.5 * own + 6.0)
    return out


def _offset(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    bend = np.minimum(a - 2 * b + c, -1e-6)
    out: FloatArray = np.clip(0.5 * (a - c) / bend, -0.5, 0.5)
    return out


def centre_pins(spots: list[Spot], marks_uv: Mapping[str, FloatArray], run: FloatArray) -> dict[str, Spot]:
    """Spots that are pins on the cap's centre line, "front" and "back", those of them there are no doubts about.

    `marks_uv` are the closure's landmarks in the chart; `run` is where the line runs by what is seen of it, the
    polynomial of u over v as numpy.polyfit gives it.
    """
    known = {name: uv for name, uv in marks_uv.items() if np.isfinite(uv).all()}
    if not spots or not {"fold_front", "fold_back"} <= set(known):
        return {}
    expected, areas = _where_pins_may_be(spots, known, run)
    like = _pins_colour(spots, expected, areas)
    if like is None:
        return {}
    held_front, held_back, before, behind = (like & expected[:, k] for k in (-4, -3, -2, -1))
    apart, middle = np.array([s.apart for s in spots]), np.array([s.uv for s in spots])
    least = 0.35 * float(np.median(apart[like & expected.any(1)]))
    # one close to the fold may hold it, if the hairline was read too far back
    before &= bool(held_front.any()) | (middle[:, 1] - known["fold_front"][1] > NOT_THE_FOLDS_MM)
    behind &= bool(held_back.any())
    out = {}
    for end, there in (("front", before), ("back", behind)):
        ranked = np.flatnonzero(there & (apart > least))
        ranked = ranked[np.argsort(-apart[ranked])]
        if len(ranked):
            best = int(ranked[0])
            away_mm = np.linalg.norm(middle[ranked] - middle[best], axis=-1)
            if not ((away_mm > 1.5) & (apart[ranked] > 0.6 * apart[best])).any():
                out[end] = spots[best]
    return out


def _where_pins_may_be(
    spots: list[Spot], known: Mapping[str, FloatArray], run: FloatArray
) -> tuple[npt.NDArray[np.bool_], FloatArray]:
    """Which spot (N, places) lies where a pin may be, and how large these places are, mm2 (places,).

    Corners first, as many as are known, then the fold's front and back end, the centre line before and behind.
    """
    low, high = np.array([s.low for s in spots]), np.array([s.high for s in spots])
    corners = np.array([uv for name, uv in known.items() if not name.startswith("fold")]).reshape(-1, 2)
    along_fold = known["fold_front"] - np.array([[0.0, back] for back in ALONG_FOLD_MM])
    at_corners = distances_to_segments(corners, low, high) < CORNER_MM
    at_front = (distances_to_segments(along_fold, low, high) < FOLD_MM).any(1)
    at_back = (distances_to_segments(known["fold_back"][None], low, high) < FOLD_MM).any(1)
    u, v = ((low + high) / 2).T
    on_line = np.asarray(np.abs(u - np.polyval(run, v)) < PIN_OFF_MM)
    ahead, behind = v - known["fold_front"][1], v - known["fold_back"][1]
    before = on_line & (ahead > FRONT_MM[0]) & (ahead < FRONT_MM[1]) & ~at_front
    after = on_line & (behind > BACK_MM[0]) & (behind < BACK_MM[1]) & ~at_back
    expected = np.concatenate([at_corners, np.stack([at_front, at_back, before, after], 1)], 1)
    smear = float(np.median(np.linalg.norm(high - low, axis=-1)))
    reach = np.array([CORNER_MM] * len(corners) + [FOLD_MM] * 2)
    areas = np.pi * reach**2 + 2 * reach * smear
    areas[-2] += 2 * FOLD_MM * ALONG_FOLD_MM[-1]
    return expected, np.append(areas, [2 * PIN_OFF_MM * (end - begin) for begin, end in (FRONT_MM, BACK_MM)])


def _pins_colour(spots: list[Spot], expected: npt.NDArray[np.bool_], areas: FloatArray) -> npt.NDArray[np.bool_] | None:
    """Which spots (N,) are of the pins' colour; None where none is likely enough to be it.

    `expected` (N, places) and `areas` (places,) as `_where_pins_may_be` gives them.
    """
    anywhere = expected.any(1)
    best, best_score = None, LEAST_LIKELY
    alike = _same_colour(np.array([s.colour for s in spots]))
    for i in np.flatnonzero(anywhere):
        like = alike[i]
        met = expected[like].any(0)
        least_met = 2 if _vivid(spots[i].colour) else 3  # few things on a bench are as vivid as a pin's head
        if int(met[:-2].sum()) < least_met or not met[:-4].any():
            continue
        strewn = 1.0 - np.exp(-(int((like & ~anywhere).sum()) + 0.5) / VISIBLE_MM2 * areas)
        found = np.log((SEEN_SHARE + (1.0 - SEEN_SHARE) * strewn) / strewn)
        score = float(np.where(met, found, np.log(1.0 - SEEN_SHARE)).sum())
        if score > best_score:
            best, best_score = like, score
    return best


def _same_colour(colours: FloatArray) -> npt.NDArray[np.bool_]:
    """Which heads (N, 3) may be of one colour (N, N): the same hue and saturation, one up to twice as bright."""
    length = np.maximum(np.linalg.norm(colours, axis=1), 1e-6)
    hue = colours / length[:, None]
    ratio = length[:, None] / length
    apart = np.linalg.norm(hue[:, None] - hue, axis=-1)
    out: npt.NDArray[np.bool_] = (ratio > 0.5) & (ratio < 2.0) & (apart < 0.2)
    return out


def _vivid(colour: FloatArray) -> bool:
    unit = colour / max(float(np.linalg.norm(colour)), 1e-6)
    return float(np.linalg.norm(unit - unit.mean())) > 0.35
