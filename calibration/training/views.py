"""What training pictures show: which kinds of scenes, seen by which cameras, cut out how, drawn by which renderer.

Of every pinned block several views are drawn: camera, light and bench anew, block, cap and closure
kept; of a path-traced one more of them, since its meshes and textures take longer than a view. `views_of`
gives each scene with the function that draws it, by the fast renderer or by path tracing. A picture for
the closure's network is a crop about the block (`block_box`), at a scale between a messenger picture's and
a full one's (`closure_view`). crew.py makes samples of them while a training runs, crops.py keeps traced
ones for later.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import numpy as np

from calibration.judging_scenes import JUDGING_SEEDS

KINDS = {"normal": 0.80, "no-closure": 0.03, "cap": 0.10, "no-cap": 0.04, "no-block": 0.03}  # shares of the scenes
VIEWS = 2  # cameras, lights and benches for every block, cap and closure
TRACED_VIEWS = 3  # cameras of a path-traced one, whose meshes and textures take longer than a view
TRACED_SAMPLES = (2, 6)  # a pixel, on the table and on the block
Draw = Callable[[Any, tuple[np.ndarray, tuple[int, int]]], np.ndarray]


def block_box(truth: dict) -> tuple[np.ndarray, float]:
    """Centre (2,) and size (px) in the photo of the dome's extent."""
    cam, block = truth["camera"], truth["block"]
    r = np.array(cam["R"]) @ np.array(block["R_block_to_world"])
    t = np.array(cam["R"]) @ np.array(block["t_block_to_world"]) + np.array(cam["t"])
    a, b, c = block["semi_axes_mm"]
    angle = np.linspace(0, 2 * np.pi, 24)
    ring = np.stack([a * np.cos(angle), b * np.sin(angle), 0 * angle], -1)
    p = np.concatenate([ring, ring * 0.8 + [0, 0, 0.6 * c], [[0, 0, c]]]) @ r.T + t
    k = np.array(cam["K"])
    px = p[:, :2] / p[:, 2:] * k[0, 0] + k[:2, 2]
    low, high = px.min(0), px.max(0)
    return (low + high) / 2, float((high - low).max())


def closure_view(truth: dict, rng: np.random.Generator) -> tuple[np.ndarray, tuple[int, int]]:
    """A crop of the photo around the block, at a scale between a messenger picture's and a full one's."""
    centre, size = block_box(truth)
    length = 2 * truth["block"]["semi_axes_mm"][1]
    native = size / length
    scale = min(1.0, rng.uniform(1.3, 2.6) / native)
    side = math.ceil(size * 1.25 * scale)
    view = np.array([[scale, 0, side / 2 - scale * centre[0]], [0, scale, side / 2 - scale * centre[1]]])
    return view, (side, side)


def views_of(seed: int, kind: str, xp: Any, traced: bool, views: int = VIEWS) -> Iterator[tuple[Any, Draw]]:
    """Scenes of one pinned block and how to draw each; path-traced ones are one world, seen by several cameras."""
    from fixtures import scenes

    first = scenes.sample_scene(seed, kind=kind)
    parts = {k: vars(getattr(first, k)) for k in ("block", "cap", "closure") if getattr(first, k) is not None}
    draw: Draw = partial(drawn, xp=xp)
    if traced:
        from fixtures import pathtraced
        from fixtures.pathtraced.world import build

        world = build(first, fine=0.5)

        draw = partial(pathtraced.render, samples=TRACED_SAMPLES, world=world)

    for k in range(views if kind in ("normal", "cap") else 1):
        scene = scenes.sample_scene(seed + k * JUDGING_SEEDS * 3, kind=kind, **parts) if k else first
        if traced and k:
            scene = dataclasses.replace(first, camera=scene.camera, shot=scene.shot)
        yield scene, draw


def drawn(scene: Any, view: tuple[np.ndarray, tuple[int, int]], xp: Any = np) -> np.ndarray:
    """The view by the fast renderer."""
    from fixtures import scenes

    return np.asarray(scenes.render(scene, xp=xp, view=view))
