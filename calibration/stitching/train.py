"""Train the two networks and write them as ONNX.

    python -m calibration.stitching.train make 4000 --patches DIR
    python -m calibration.stitching.train edge --patches DIR --minutes 10 --out placecheck/stitches/networks/edge.onnx
    python -m calibration.stitching.train stitches --patches DIR --minutes 15 --out .../stitches.onnx

Patches come from seeds of their own range (10^6 up, below the judging range), made by --jobs processes, and may still
be on their way while a network trains on those there are. Adam, on a GPU where there is one, binary cross-entropy
with the few bright cells weighted up; the strip is laid along the true seam with the errors that finding it makes.
What is written is the running mean of the weights.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from placecheck.stitches.strip import ROWS, straighten
from placecheck.stitches.unroll import DEPTH_MM, GRID_PX_PER_MM, WIDTH_MM

from .model import EdgeNetwork, StitchNetwork
from .patches import Patch, patch

FIRST_SEED = 1_000_000
STRIP = 352
ALONG_MM = 0.45
EDGES, STRIPS = 6, 8
"""Patches, and strips, to a step."""
DECAY = 0.998
"""Of the running mean of the weights, from step to step."""
Batch = tuple[np.ndarray, np.ndarray]


def make(count: int, folder: Path, first: int, jobs: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(jobs) as pool:
        for _ in pool.map(partial(_make_one, folder), range(FIRST_SEED + first, FIRST_SEED + first + count)):
            pass


def _make_one(folder: Path, seed: int) -> None:
    p = patch(seed)
    rest = {"edge": p.edge.astype(np.float16), "seam_row": p.seam_row, "spots": p.spots}
    np.savez(folder / f"making-{seed}.npz", image=p.image.astype(np.float16), **rest)
    (folder / f"making-{seed}.npz").rename(folder / f"{seed}.npz")


class Store:
    """The patches of a folder, read again now and then while more are being made."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.patches, self.read = folder, [], set()  # type: ignore[var-annotated]

    def refresh(self) -> None:
        for path in sorted(self.folder.glob("[0-9]*.npz")):
            if path.name not in self.read:
                with np.load(path) as data:
                    self.patches.append(Patch(data["image"], data["edge"], data["seam_row"], data["spots"]))
                self.read.add(path.name)


def edge_batch(rng: np.random.Generator, patches: list[Patch]) -> Batch:
    chosen = [patches[i] for i in rng.choice(len(patches), EDGES, replace=len(patches) < EDGES)]
    images, targets = [], []
    for p in chosen:
        flip = -1 if rng.random() < 0.5 else 1
        images.append(p.image[:, :, ::flip].astype(np.float32))
        targets.append(p.edge[None, :, ::flip].astype(np.float32))
    return np.stack(images), np.stack(targets)


def strip_batch(rng: np.random.Generator, patches: list[Patch]) -> Batch:
    """Strips (n, 4, ROWS, STRIP) and targets (n, 3, 1, STRIP / 2): heat, place across in mm, where that counts."""
    images, targets = [], []
    for i in rng.choice(len(patches), STRIPS, replace=len(patches) < STRIPS):
        p = patches[i]
        x = np.arange(p.image.shape[2])
        wander = rng.normal(0, 0.2) + rng.normal(0, 0.15) * np.sin(x / 384 * rng.uniform(1, 8) + rng.uniform(0, 6))
        rows = p.seam_row + GRID_PX_PER_MM * wander
        strip = straighten(p.image.astype(np.float32), x.astype(float), rows, STRIP)
        image = strip.image
        heat, across, counts = (np.zeros(STRIP // 2, np.float32) for _ in range(3))
        at = strip.along_mm[::2] + 0.5 / GRID_PX_PER_MM
        for spot in p.spots:
            k = int(np.argmin(((strip.path_px - spot) ** 2).sum(1)))
            n = float((spot - strip.path_px[k]) @ strip.normal[k]) / GRID_PX_PER_MM
            if not 2 < k < STRIP - 3 or abs(n) > 3.5 or not image[3, ROWS // 2, k]:
                continue
            heat = np.maximum(heat, np.exp(-(((at - strip.along_mm[k]) / ALONG_MM) ** 2) / 2))
            near = np.abs(at - strip.along_mm[k]) < 0.8
            across[near], counts[near] = n, 1
        target = np.stack([heat, across, counts])
        if rng.random() < 0.5:
            image, target = image[:, ::-1], target * np.array([1, -1, 1])[:, None]
        if rng.random() < 0.5:
            image, target = image[:, :, ::-1], target[:, ::-1]
        images.append(np.ascontiguousarray(image))
        targets.append(target[:, None])
    return np.stack(images), np.stack(targets).astype(np.float32)


def edge_loss(maps: torch.Tensor, target: torch.Tensor) -> torch.Tensor:
    loss = nn.functional.binary_cross_entropy_with_logits(maps[:, 1:], target, reduction="none")
    return (loss * (1 + 6 * target)).mean()


def strip_loss(maps: torch.Tensor, target: torch.Tensor) -> torch.Tensor:
    heat, across, counts = target[:, :1], target[:, 1:2], target[:, 2:]
    loss = nn.functional.binary_cross_entropy_with_logits(maps[:, :1], heat, reduction="none")
    side = (nn.functional.smooth_l1_loss(maps[:, 1:], across, reduction="none") * counts).sum() / counts.sum().clamp(1)
    return (loss * (1 + 2 * heat)).mean() + 0.05 * side


def train(
    net: nn.Module,
    batch: Callable[[np.random.Generator, list[Patch]], Batch],
    loss_of: Callable[[torch.Tensor, torch.Tensor], torch.Tensor],
    given: argparse.Namespace,
) -> nn.Module:
    """Trains `net` for the minutes given; the running mean of it, on the CPU."""
    torch.manual_seed(1)
    torch.set_num_threads(1)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    if given.start:
        net.load_state_dict(torch.load(given.start, weights_only=True))
    net.to(device).train()
    mean = AveragedModel(net, multi_avg_fn=get_ema_multi_avg_fn(DECAY), use_buffers=True)
    optimiser = torch.optim.AdamW(net.parameters(), given.rate, weight_decay=1e-4)
    store, rng, recent = Store(given.patches), np.random.default_rng(given.first), []
    begun, step = time.time(), 0
    while given.minutes and (done := (time.time() - begun) / 60 / given.minutes) < 1:
        if step % 25 == 0:
            store.refresh()
        for group in optimiser.param_groups:
            group["lr"] = given.rate * min(1.0, step / 50 + 0.1) * (0.02 + 0.98 * np.cos(np.pi / 2 * done) ** 2)
        image, target = (torch.from_numpy(a).to(device) for a in batch(rng, store.patches))
        loss = loss_of(net(image)[0], target)
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        mean.update_parameters(net)
        step += 1
        recent.append(float(loss.detach()))
        if step % 500 == 0:
            print(f"{step} steps, {len(store.patches)} patches, loss {np.mean(recent):.4f}, {done:.0%}", flush=True)
            recent = []
            torch.save(mean.module.state_dict(), given.out.with_suffix(".pt"))
    out: nn.Module = mean.module.cpu()
    torch.save(out.state_dict(), given.out.with_suffix(".pt"))
    return out


def export(net: nn.Module, rows: int, path: Path) -> None:
    """Write ONNX for one whole side of the card, weights in half precision."""
    from calibration.training.half import as_half

    net.eval()
    shape = (1, 4, rows, round(WIDTH_MM * GRID_PX_PER_MM))
    torch.onnx.export(
        net, (torch.zeros(shape),), str(path), input_names=["image"], output_names=["maps", "flags"], dynamo=False
    )
    as_half(path)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m calibration.stitching.train", description=__doc__)
    parser.add_argument("what", choices=("make", "edge", "stitches"))
    parser.add_argument("count", type=int, nargs="?", default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--patches", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--rate", type=float, default=3e-3, help="the first learning rate")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--start", type=Path, help="weights to go on from (.pt); with --minutes 0 only ONNX is written")
    given = parser.parse_args()
    if given.what == "make":
        make(given.count, given.patches, given.first, given.jobs)
        return
    edge = given.what == "edge"
    net = EdgeNetwork() if edge else StitchNetwork(ROWS)
    net = train(net, edge_batch if edge else strip_batch, edge_loss if edge else strip_loss, given)
    export(net, round(DEPTH_MM * GRID_PX_PER_MM) if edge else ROWS, given.out)


if __name__ == "__main__":
    main()
