"""Ball-headed pins: found as round spots of one colour, and the two that may stand on the cap's centre line.

A ball head is 3 to 5 mm across and stands out from whatever it is on, in any colour. Spots are
the local maxima of the difference of two Gaussians matched to that size (Lindeberg 1998), taken
over all three colour channels at once. Pins of one pinning share one colour: the spots close to
where pins are expected (the closure's corners and the ends of its fold) must agree with each
other, three of them at least, before that colour is believed to be the pins'. A spot of that
colour in front of the hairline or behind the closure, near the middle, is then a pin set on
the cap's centre line (common practice, no published source). Heads rest about two
millimetres over the surface, and are put on the dome there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.block import Geometry
from placecheck.surface import Chart
from placecheck.vision import Image, gaussian_blur, largest_within, resize

FloatArray = npt.NDArray[np.float64]

HEAD_MM = 3.8
HEAD_LIFT_MM = 2.2
BESIDE_MM = 15.0
NEAR_EXPECTED_MM = 13.0
CLEAR_OF_FOLD_MM = 8.0  # a pin closer in front of the fold holds the fold


@dataclass(frozen=True)
class Spot:
    """A round spot: pixel (2,), colour (3,) BGR, contrast, and chart place (2,) mm."""

    px: FloatArray
    colour: FloatArray
    contrast: float
    uv: FloatArray


def find_spots(image: Image, geometry: Geometry, chart: Chart, outline: FloatArray, keep: int = 60) -> list[Spot]:
    """The most contrasting round spots of a pin head's size within the block's outline."""
    mm_per_px = float(np.linalg.norm(geometry.translation)) / geometry.f_px
    radius = HEAD_MM / 2 / mm_per_px
    pad = int(4 * radius)
    x0, y0 = np.maximum(np.floor(outline.min(0)).astype(int) - pad, 0)
    x1, y1 = np.minimum(np.ceil(outline.max(0)).astype(int) + pad, [image.shape[1], image.shape[0]])
    part = image[y0:y1, x0:x1]
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
    sigma = radius / 1.5
    fine = gaussian_blur(part, sigma)
    wide = gaussian_blur(part, 2.0 * sigma)
    fine -= wide
    strength = np.sqrt(fine[..., 0] ** 2 + fine[..., 1] ** 2 + fine[..., 2] ** 2)
    step = max(1, round(radius * 0.8))
    ys, xs = np.nonzero((strength >= largest_within(strength, step)) & (strength > 14.0))
    inside = (xs > step) & (ys > step) & (xs < part.shape[1] - step - 1) & (ys < part.shape[0] - step - 1)
    xs, ys = xs[inside], ys[inside]
    order = np.argsort(-strength[ys, xs])[:keep]
    xs, ys = xs[order], ys[order]
    # sub-pixel by parabolas
    c = strength[ys, xs]
    dx = _offset(strength[ys, xs - 1], c, strength[ys, xs + 1])
    dy = _offset(strength[ys - 1, xs], c, strength[ys + 1, xs])
    px = np.stack([(xs + dx + 0.5) / fx - 0.5 + x0, (ys + dy + 0.5) / fy - 0.5 + y0], -1).astype(float)
    # the head's own colour, from its middle only
    colours = gaussian_blur(part, max(0.35 * radius, 0.6))[ys, xs].astype(float)
    points = geometry.hit(px, HEAD_LIFT_MM)
    uv = chart.to_uv(points)
    return [Spot(px[i], colours[i], float(c[i]), uv[i]) for i in range(len(px)) if np.isfinite(uv[i]).all()]


def _offset(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    bend = np.minimum(a - 2 * b + c, -1e-6)
    out: FloatArray = np.clip(0.5 * (a - c) / bend, -0.5, 0.5)
    return out


def centre_pins(spots: list[Spot], marks_uv: Mapping[str, FloatArray], middle_u_mm: float) -> list[Spot]:
    """Spots that are pins on the cap's centre line, at most one in front and one behind; empty when in doubt.

    `marks_uv` are the closure's landmarks in the chart, `middle_u_mm` about where the centre line runs.
    """
    if "fold_front" not in marks_uv or "fold_back" not in marks_uv:
        return []
    expected = [(uv, NEAR_EXPECTED_MM) for name, uv in marks_uv.items() if not name.startswith("fold")]
    expected += [(marks_uv["fold_back"], 9.0)]
    expected += [(marks_uv["fold_front"] - np.array([0.0, back]), 6.0) for back in (4.0, 12.0, 20.0, 28.0)]
    alike = _same_colour(np.array([s.colour for s in spots]).reshape(-1, 3))
    vivid = [_vivid(s.colour) for s in spots]
    places = np.array([place for place, _ in expected])
    reaches = np.array([reach for _, reach in expected])
    uv = np.array([s.uv for s in spots]).reshape(-1, 1, 2)
    near = np.linalg.norm(uv - places, axis=-1) < reaches  # (spots, places)
    best: list[Spot] = []
    best_score = 0.0
    for like, bright in zip(alike, vivid, strict=True):
        seen = near[like].any(0)
        met = int(seen[:-4].sum()) + bool(seen[-4:].any())
        least_met = 2 if bright else 3  # few things on a bench are as vivid as a pin's head
        score = met - 0.04 * int(like.sum())
        if met >= least_met and score > best_score:
            best, best_score = [spots[i] for i in np.flatnonzero(like)], score
    if not best:
        return []
    at_pins = [s.contrast for s in best if any(np.linalg.norm(s.uv - place) < reach for place, reach in expected)]
    least = 0.35 * float(np.median(at_pins))
    front_v, back_v = float(marks_uv["fold_front"][1]), float(marks_uv["fold_back"][1])
    out = []
    for low, high in ((front_v + CLEAR_OF_FOLD_MM, front_v + 45.0), (back_v - 32.0, back_v - 12.0)):
        there = [
            s for s in best if low < s.uv[1] < high and abs(s.uv[0] - middle_u_mm) < BESIDE_MM and s.contrast > least
        ]
        there.sort(key=lambda s: 0.6 * abs(s.uv[0] - middle_u_mm) / BESIDE_MM - s.contrast / (2 * least))
        rivals = [
            s for s in there[1:] if s.contrast > 0.7 * there[0].contrast and np.linalg.norm(s.px - there[0].px) > 1
        ]
        if there and not rivals:
            out.append(there[0])
    return out


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
