"""Patches to train on: the cap beside the card, flat, as placecheck.stitches unrolls it from a photo.

A scene of fixtures.stitching is painted on a flat chart, without camera: its blur, noise, JPEG loss and light are put
on the patch itself, and it is squeezed a little as curvature and lean would. The seam lies at larger t than the card;
two target maps at half the resolution: the stitches' middles, and the seam.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image

from fixtures.stitching.model import Ground
from fixtures.stitching.paint import PX_PER_MM, Sheet, blurred, clouds, paint
from fixtures.stitching.render import _soft, _srgb
from fixtures.stitching.sample import sample
from fixtures.stitching.solid import SeamLine, seam_t
from placecheck import vision
from placecheck.stitches.unroll import DEPTH_MM, GRID_PX_PER_MM, network_input

WIDTH_MM = 64.0
FLAT = Ground(1e5, 1e5, 0.0)


@dataclass(frozen=True)
class Patch:
    """A flat picture (4, h, w) as the networks see it, the edge map (h/2, w/2) to learn, and where things are.

    seam_row (w,) the seam's row in grid px at every column; spots (k, 2) the stitches' middles, column and row.
    """

    image: np.ndarray
    edge: np.ndarray
    seam_row: np.ndarray
    spots: np.ndarray


def patch(seed: int) -> Patch:
    """The patch of one seed."""
    rng = np.random.default_rng([seed, 9])
    scene = sample(seed)
    assert scene.seam is not None
    up = scene.seam.t0_mm > 0
    scene = replace(scene, ground=FLAT)
    line = SeamLine(FLAT, scene.seam)
    middle = rng.uniform(-32, 32)
    stretch = rng.uniform(0.8, 1.08, 2)  # how much of the surface a chart millimetre covers
    size = np.array([WIDTH_MM, DEPTH_MM])
    low_t = 22.0 if up else -22.0 - DEPTH_MM * stretch[1]
    low = np.array([middle - WIDTH_MM / 2 * stretch[0], low_t])
    sheet = Sheet(low - 1, low + size * stretch + 1)
    paint(scene, sheet, line)
    light = sheet.light
    light = light * np.exp(0.25 * clouds(rng, light.shape[:2], 400))[..., None]
    t = sheet.mm[..., 1] if up else -sheet.mm[..., 1]
    cast = blurred((t < 22 + rng.uniform(-2, 3)).astype(np.float32), rng.uniform(6, 30))
    light = light * (1 - 0.5 * cast)[..., None]
    if rng.random() < 0.3:
        a, b = rng.normal(size=2)
        far = (sheet.mm[..., 0] - middle) * a / 20 + (t - 40) * b / 20
        light = light * (1 - rng.uniform(0, 0.6) / (1 + np.exp(-(far + rng.normal()) * 6)))[..., None]
    photo_px_per_mm = rng.uniform(6, 17)
    light = light * np.array(scene.shot.tint) * scene.shot.gain * rng.uniform(0.6, 1.05)
    sigma = scene.shot.blur_px / photo_px_per_mm * PX_PER_MM
    light = np.stack([_soft(light[..., c], sigma) for c in range(3)], axis=-1)
    h, w = light.shape[:2]
    k = min(1.0, photo_px_per_mm / PX_PER_MM)
    photo = vision.resize(np.ascontiguousarray(light, np.float32), max(8, round(w * k)), max(8, round(h * k)))
    photo = photo + scene.shot.noise * np.sqrt(np.clip(photo, 0, None) * 0.6 + 0.02) * rng.standard_normal(photo.shape)
    picture = Image.fromarray(np.round(_srgb(photo) * 255).astype(np.uint8))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=scene.shot.quality)
    decoded = np.asarray(Image.open(io.BytesIO(out.getvalue())))[..., ::-1]
    gw, gh = round(WIDTH_MM * GRID_PX_PER_MM), round(DEPTH_MM * GRID_PX_PER_MM)
    xs, ys = np.meshgrid((np.arange(gw) + 0.5) / GRID_PX_PER_MM, (np.arange(gh) + 0.5) / GRID_PX_PER_MM)
    chart = low + np.stack([xs, ys], axis=-1) * stretch
    per_mm = decoded.shape[1] / w * PX_PER_MM
    at = (chart - sheet.low) * per_mm - 0.5
    soft = _soft3(decoded, 0.4 * max(per_mm / GRID_PX_PER_MM - 0.7, 0))
    grid = np.stack([vision.sample(soft[..., c], at[..., 0], at[..., 1]) for c in range(3)], axis=-1)
    card_t = 22 + rng.uniform(-1, 2.5)
    valid = (chart[..., 1] if up else -chart[..., 1]) > card_t
    if rng.random() < 0.25:  # the photo ends in the patch
        a = rng.uniform(0, 2 * np.pi)
        valid &= (xs - WIDTH_MM / 2) * np.cos(a) + (ys - DEPTH_MM / 2) * np.sin(a) < rng.uniform(8, 30)
    half = chart[::2, ::2] + np.array([0.5, 0.5]) / GRID_PX_PER_MM * stretch
    edge = np.exp(-((line.across(half) / 0.5) ** 2) / 2) * valid[::2, ::2]
    ends = np.array([[s.start, s.end] for s in scene.stitches]).reshape(-1, 2, 2).mean(1)
    spots = (line.chart(ends[:, 0], ends[:, 1]) - low) / stretch * GRID_PX_PER_MM - 0.5
    row = (seam_t(scene.seam, chart[0, :, 0]) - low[1]) / stretch[1] * GRID_PX_PER_MM - 0.5
    image = network_input(grid, valid)
    if not up:
        image, edge, row = image[:, ::-1, ::-1], edge[::-1, ::-1], gh - 1 - row[::-1]
        spots = np.array([gw - 1, gh - 1]) - spots
    return Patch(np.ascontiguousarray(image), np.ascontiguousarray(edge), row, spots)


def _soft3(image: np.ndarray, sigma: float) -> np.ndarray:
    return np.stack([_soft(image[..., c].astype(np.float32), sigma) for c in range(3)], axis=-1)
