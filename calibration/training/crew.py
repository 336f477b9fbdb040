"""The drawing crew: worker processes that sample scenes, render crops and write samples into a ring of slots.

The ring is a set of memory-mapped arrays on a RAM disk. Every worker owns a stretch of slots
and fills it round and round; when a slot is written its counter goes up by one, which is all
the trainers look at. So nothing is queued or copied between processes, a slow trainer never
holds up the crew, and a ring left by an earlier run is used again. Of every pinned block
several views are drawn (camera, light and bench anew, block, cap and closure kept); of every
view one crop for the closure network, unrolled with two wrong domes (recipe.py), and one
wider picture for the block network, from which the trainer cuts windows of any turn. Some
workers may read crops traced ahead (crops.py) instead, and unroll them anew each time. Seeds
below JUDGING_SEEDS only; those above are kept for judging.
"""

from __future__ import annotations

import dataclasses
import math
import os
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from calibration.judging_scenes import JUDGING_SEEDS
from calibration.training import crops, recipe
from calibration.training.views import KINDS, TRACED_VIEWS, VIEWS, Draw, block_box, closure_view, views_of
from placecheck.find.unroll import HEIGHT, WIDTH

BLOCK_SIZE = 384  # what the block network sees
BLOCK_DRAWN = 560  # what is drawn around it
CLOSURE_FIELDS = ("image", "landmarks", "rim", "hairline", "centre", "mask", "flags")
BLOCK_FIELDS = ("image", "mask", "face", "flags")
Ring = dict[str, np.memmap]


def open_ring(folder: Path, n_closure: int, n_block: int) -> Ring:
    """The ring's arrays, created where they are not there yet; `c_...` for closure samples, `b_...` for block ones."""
    shapes: dict[str, tuple[Any, tuple[int, ...]]] = {
        "c_image": (np.uint8, (n_closure, HEIGHT, WIDTH, 4)),
        "c_landmarks": (np.float32, (n_closure, 6, 2)),
        "c_rim": (np.float32, (n_closure, WIDTH)),
        "c_hairline": (np.float32, (n_closure, WIDTH)),
        "c_centre": (np.float32, (n_closure, HEIGHT)),
        "c_mask": (np.uint8, (n_closure, HEIGHT // 2, WIDTH // 2)),
        "c_flags": (np.float32, (n_closure, 3)),
        "c_written": (np.uint32, (n_closure,)),
        "b_image": (np.uint8, (n_block, BLOCK_DRAWN, BLOCK_DRAWN, 3)),
        "b_mask": (np.uint8, (n_block, BLOCK_DRAWN // 2, BLOCK_DRAWN // 2)),
        "b_face": (np.float32, (n_block, 2)),
        "b_flags": (np.float32, (n_block, 1)),
        "b_written": (np.uint32, (n_block,)),
    }
    folder.mkdir(parents=True, exist_ok=True)
    out = {}
    for name, (kind, shape) in shapes.items():
        path = folder / f"{name}.bin"
        size = int(np.dtype(kind).itemsize * math.prod(shape))
        mode = "r+" if path.exists() and path.stat().st_size == size else "w+"
        out[name] = np.memmap(path, dtype=kind, mode=mode, shape=shape)
    return out


def polygon_mask(points: np.ndarray, width: int, height: int) -> np.ndarray:
    from PIL import Image, ImageDraw

    points = points[np.isfinite(points).all(-1)]
    canvas = Image.new("L", (width, height))
    if len(points) >= 3:
        ImageDraw.Draw(canvas).polygon([(float(x), float(y)) for x, y in points], fill=255)
    return np.asarray(canvas)


def block_view(truth: dict, rng: np.random.Generator) -> np.ndarray:
    """A view (2, 3) of the photo for the block network: the block half of a window across, somewhere in the picture."""
    centre, size = block_box(truth)
    scale = BLOCK_SIZE * rng.uniform(0.45, 0.70) / size
    middle = centre + rng.uniform(-110, 110, 2) / scale
    return np.array([[scale, 0, BLOCK_DRAWN / 2 - scale * middle[0]], [0, scale, BLOCK_DRAWN / 2 - scale * middle[1]]])


Sample = tuple[str, tuple[Any, ...]]


def unrolled(image: np.ndarray, view: np.ndarray, truth: dict, rng: np.random.Generator) -> Iterator[Sample]:
    """Two unrolled pictures of one crop, with differently wrong domes."""
    for wrong in (1.0, float(rng.choice([0.4, 0.8, 1.3]))):
        s = recipe.closure_sample(image, view, truth, rng, wrong, flip=bool(rng.random() < 0.04))
        mask = polygon_mask(s.outline / 2, WIDTH // 2, HEIGHT // 2) > 0
        yield "c", (s.image, s.landmarks, s.rim, s.hairline, s.centre, mask, s.flags)


def samples(scene: Any, rng: np.random.Generator, xp: Any, draw: Draw, wanted: str) -> Iterator[Sample]:
    """What is made from one scene: two unrolled pictures of one crop, and one picture for the block network.

    `draw` makes the picture of a scene's view, `xp` only the block's silhouette; `wanted` names the networks."""
    from fixtures import scenes

    truth = scenes.truth(scene, full=False)
    is_block = scene.kind != "no-block"
    if is_block and "c" in wanted:
        view, size = closure_view(truth, rng)
        yield from unrolled(draw(scene, (view, size)), view, truth, rng)
    if "b" not in wanted:
        return
    view = block_view(truth, rng)
    image = draw(scene, (view, (BLOCK_DRAWN, BLOCK_DRAWN)))
    half = BLOCK_DRAWN // 2
    mask = np.zeros((half, half), bool)
    face = np.zeros(2)
    if is_block:
        small = view * 0.5 - np.array([[0, 0, 0.25], [0, 0, 0.25]])
        mask = np.asarray(scenes.silhouette_mask(scene, (small, (half, half)), xp=xp))
        face = view[:, :2] @ recipe.face_direction(truth)
        face /= np.linalg.norm(face)
    yield "b", (image, mask, face, is_block)


def made(seed: int, rng: np.random.Generator, xp: Any, traced: bool, wanted: str) -> Iterator[Sample]:
    """Samples of one pinned block, drawn now."""
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    for scene, draw in views_of(seed, kind, xp, traced, TRACED_VIEWS if traced else VIEWS):
        yield from samples(scene, rng, xp, draw, wanted)


def read_again(folder: Path, rng: np.random.Generator) -> Iterator[Sample]:
    """Samples of one of the crops in the folder, for which one is waited."""
    found = sorted(folder.glob("*.zip"))
    if not found:
        time.sleep(1.0)
        return
    for crop in crops.read(found[int(rng.integers(len(found)))]):
        yield from unrolled(crop.image, crop.view, crop.truth, rng)


@dataclasses.dataclass(frozen=True)
class Task:
    """What a worker does.

    `gpu` is the CUDA device to draw on, None for the processor; `traced`: by path tracing, on the processor, one thread
    a worker; `kept`: the folder of crops to read instead of drawing; `wanted`: the networks they are for.
    """

    gpu: int | None = None
    traced: bool = False
    kept: Path | None = None
    wanted: str = "cb"


def work(number: int, crew: int, seed0: int, folder: Path, n_closure: int, n_block: int, task: Task) -> None:
    """Make samples for ever. Worker `number` of `crew`."""
    xp: Any = np
    os.nice(5)  # the trainers come first
    if task.gpu is not None:
        os.environ["CUDA_VISIBLE_DEVICES"] = str(task.gpu)
    if task.traced:
        from fixtures.pathtraced.world import on_gpu, one_thread, tidy

        if task.gpu is not None:
            on_gpu()
        one_thread()
    elif task.gpu is not None:
        import cupy as xp  # type: ignore[no-redef]
    ring = open_ring(folder, n_closure, n_block)
    size = {"c": n_closure, "b": n_block}
    low = {k: n * number // crew for k, n in size.items()}
    count = {k: n * (number + 1) // crew - n * number // crew for k, n in size.items()}
    # a ring left by an earlier run is filled on, before anything in it is written over
    done = {k: int((ring[f"{k}_written"][low[k] : low[k] + count[k]] > 0).sum()) for k in size}
    seed, failures = seed0 + number, 0
    while True:
        seed = (seed + crew) % JUDGING_SEEDS
        rng = np.random.default_rng([seed, 78])
        try:
            source = read_again(task.kept, rng) if task.kept else made(seed, rng, xp, task.traced, task.wanted)
            for which, values in source:
                slot = low[which] + done[which] % count[which]
                done[which] += 1
                for name, value in zip(CLOSURE_FIELDS if which == "c" else BLOCK_FIELDS, values, strict=True):
                    ring[f"{which}_{name}"][slot] = value
                ring[f"{which}_written"][slot] += 1
            if task.traced:
                tidy()
        except Exception:
            failures += 1
            if failures <= 2:
                print(f"worker {number} seed {seed}\n{traceback.format_exc()}", flush=True)
            if failures > 200:
                return
