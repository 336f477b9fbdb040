"""How training samples are made from scenes with truth: the data recipe of the networks.

A scene (fixtures.scenes, or any photo with the same truth beside it) gives, for the block
network, crops of the photo at two kinds of scale, whole frame and block-filling, turned
any way; the targets are the bare block's silhouette and the image direction of the face.
For the closure network the photo is unrolled with a dome that is wrong the way a fitted
dome is wrong (place, height, turn, shape drawn about the truth); the truth's photo pixels
are carried into that unrolled picture through the same wrong dome, because that is where
the picture shows them. Landmarks the dome hides get no target. A small share is shown
back to front, with no targets but the flag that says so. Only NumPy here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from placecheck.block import Geometry
from placecheck.dome import BUMPS, Dome
from placecheck.find.unroll import HEIGHT, WIDTH, unroll_grid, uv_to_cell

LANDMARKS = ("fold_front", "fold_back", "front_left", "front_right", "back_left", "back_right")


def bilinear(image: np.ndarray, px: np.ndarray) -> np.ndarray:
    """Sample `image` (h, w, c) at pixels (..., 2), edge colours outside."""
    h, w = image.shape[:2]
    x = np.clip(px[..., 0], 0, w - 1.001)
    y = np.clip(px[..., 1], 0, h - 1.001)
    i, j = x.astype(np.int32), y.astype(np.int32)
    a, b = (x - i)[..., None].astype(np.float32), (y - j)[..., None].astype(np.float32)
    p = image.astype(np.float32)
    return (p[j, i] * (1 - a) + p[j, i + 1] * a) * (1 - b) + (p[j + 1, i] * (1 - a) + p[j + 1, i + 1] * a) * b


def rotation_z(deg: float) -> np.ndarray:
    a = np.radians(deg)
    return np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])


def rotation_small(rx_deg: float, ry_deg: float) -> np.ndarray:
    from placecheck.camera import rotation

    return rotation(np.radians(np.array([rx_deg, ry_deg, 0.0])))


def geometry_like(
    truth: dict[str, Any], rng: np.random.Generator, wrong: float = 1.0, turn_deg: float = 0.0
) -> Geometry:
    """A geometry as a fit might find it: the truth's, wrong by about what a fit is wrong by, times `wrong`."""
    cam, block = truth["camera"], truth["block"]
    k = np.array(cam["K"])
    r_cam, t_cam = np.array(cam["R"]), np.array(cam["t"])
    r_block, t_block = np.array(block["R_block_to_world"]), np.array(block["t_block_to_world"], float)
    a, b, c = block["semi_axes_mm"]

    def n(sd: float) -> float:
        return float(rng.normal(0, sd * wrong))

    bumps = tuple(bump.mean + n(0.8 * bump.sd) for bump in BUMPS)
    dome = Dome(a + 0.7 + n(1.2), b + 1.0 + n(1.5), c + 0.5 + n(4.0), 200.0 + n(30.0), 0.05 + n(0.02), bumps)
    r = r_block @ rotation_z(n(2.5) + turn_deg) @ rotation_small(n(0.7), n(0.7))
    t = t_block + np.array([n(1.5), n(1.5), n(2.5)])
    rotation = r_cam @ r
    translation = r_cam @ t + t_cam
    translation = translation * (1 + n(0.008))
    return Geometry(k[0, 0], k[:2, 2], float(cam["dist"][0]), dome, rotation, translation, r_cam, t_cam)


@dataclass
class ClosureSample:
    """`image` uint8 (HEIGHT, WIDTH, 4) (BGR, facing); targets in unrolled pixels, NaN where there is none.

    landmarks (6, 2); rim, hairline: row for every column (WIDTH,); centre: column for every row (HEIGHT,);
    outline of the ventilated rectangle (N, 2); flags (3,) closure, upright, cap.
    """

    image: np.ndarray
    landmarks: np.ndarray
    rim: np.ndarray
    hairline: np.ndarray
    centre: np.ndarray
    outline: np.ndarray
    flags: np.ndarray


def _carry(geometry: Geometry, chart: Any, px: Any) -> np.ndarray:
    """Photo pixels (N, 2) to unrolled pixels through the given geometry, NaN where the ray misses the dome."""
    points = geometry.hit(np.asarray(px, float).reshape(-1, 2))
    ok = np.isfinite(points).all(-1)
    out = np.full((len(points), 2), np.nan)
    if ok.any():
        out[ok] = uv_to_cell(chart.to_uv(points[ok]))
    return out


def _facing_in_truth(truth: dict[str, Any], points_block: Any) -> np.ndarray:
    """Which block-frame points face the lens, judged on the truth's plain ellipsoid (with some slack)."""
    cam, block = truth["camera"], truth["block"]
    r = np.array(cam["R"]) @ np.array(block["R_block_to_world"])
    t = np.array(cam["R"]) @ np.array(block["t_block_to_world"]) + np.array(cam["t"])
    eye = -r.T @ t
    p = np.asarray(points_block, float).reshape(-1, 3)
    n = p / np.array(block["semi_axes_mm"]) ** 2
    n /= np.linalg.norm(n, axis=-1, keepdims=True)
    sight = eye - p
    sight /= np.linalg.norm(sight, axis=-1, keepdims=True)
    return (n * sight).sum(-1) > 0.10


def _function_of(cells: np.ndarray, axis: int, size: int) -> np.ndarray:
    """A polyline (N, 2) as a function of its column (axis 0) or row (axis 1): (size,), NaN outside its range."""
    cells = cells[np.isfinite(cells).all(-1)]
    out = np.full(size, np.nan)
    if len(cells) < 2:
        return out
    x, y = cells[:, axis], cells[:, 1 - axis]
    order = np.argsort(x)
    at = np.arange(size)
    inside = (at >= x.min()) & (at <= x.max())
    out[inside] = np.interp(at[inside], x[order], y[order])
    return out


def closure_sample(
    image: np.ndarray,
    view: np.ndarray,
    truth: dict[str, Any],
    rng: np.random.Generator,
    wrong: float = 1.0,
    flip: bool = False,
) -> ClosureSample:
    """One unrolled picture with targets; `view` (2, 3) takes photo pixels to pixels of the crop `image`."""
    geometry = geometry_like(truth, rng, wrong, 180.0 if flip else 0.0)
    unrolled = unroll_grid(geometry)
    at = unrolled.photo_px @ view[:, :2].T.astype(np.float32) + view[:, 2].astype(np.float32)
    seen = unrolled.facing > 0.03
    colours = np.where(seen[..., None], bilinear(image, at), 128.0)
    picture = np.concatenate([colours, unrolled.facing[..., None] * 255.0], -1).round().clip(0, 255).astype(np.uint8)
    marks = truth.get("landmarks") or {}
    has_closure = bool(marks.get("fold_front"))
    has_cap = bool(marks.get("cap_front_edge"))
    nothing = ClosureSample(
        picture,
        np.full((6, 2), np.nan),
        np.full(WIDTH, np.nan),
        np.full(WIDTH, np.nan),
        np.full(HEIGHT, np.nan),
        np.zeros((0, 2)),
        np.array([has_closure, not flip, has_cap], np.float32),
    )
    if flip:
        return nothing
    chart = unrolled.chart

    def carry(mark: dict[str, Any]) -> np.ndarray:
        cells = _carry(geometry, chart, mark["px"])
        facing = _facing_in_truth(truth, mark["block"])
        return np.where(facing[:, None], cells, np.nan)

    out = nothing
    if has_closure:
        points = [marks["fold_front"], marks["fold_back"]]
        points += [marks["closure_corners"][name] for name in LANDMARKS[2:]]
        out.landmarks = np.concatenate([carry(p) for p in points])
        out.hairline = _function_of(carry(marks["hairline"]), 0, WIDTH)
        out.outline = _carry(geometry, chart, marks["ventilated_outline"]["px"])
    if has_cap:
        rim = carry(marks["cap_front_edge"])
        block = np.asarray(marks["cap_front_edge"]["block"])
        rim = np.where((block[:, 1] > 20.0)[:, None], rim, np.nan)
        out.rim = _function_of(rim, 0, WIDTH)
        out.centre = _function_of(carry(marks["cap_centre_line"]), 1, HEIGHT)
    inside = (out.landmarks > 1).all(-1) & (out.landmarks[:, 0] < WIDTH - 2) & (out.landmarks[:, 1] < HEIGHT - 2)
    out.landmarks[~inside] = np.nan
    out.rim[(out.rim < 1) | (out.rim > HEIGHT - 2)] = np.nan
    out.hairline[(out.hairline < 1) | (out.hairline > HEIGHT - 2)] = np.nan
    out.centre[(out.centre < 1) | (out.centre > WIDTH - 2)] = np.nan
    return out


def face_direction(truth: dict[str, Any]) -> np.ndarray:
    """Unit image direction (2,) of the face, seen at the crown."""
    cam, block = truth["camera"], truth["block"]
    r = np.array(cam["R"]) @ np.array(block["R_block_to_world"])
    t = np.array(cam["R"]) @ np.array(block["t_block_to_world"]) + np.array(cam["t"])
    c = block["semi_axes_mm"][2]
    p = np.array([[0, 0, c], [0, 20.0, c]]) @ r.T + t
    d = np.diff(p[:, :2] / p[:, 2:], axis=0)[0]
    return d / np.linalg.norm(d)
