"""Trains the two networks on scenes that worker processes draw while the training runs.

    python -m calibration.training.train --minutes 9 --out DIR [--resume DIR/state.pt] [--workers 14] [--cupy]

Workers sample scenes (seeds below JUDGING_SEEDS; those above are kept for judging), render the
crops, make samples by recipe.py and write them into a ring of slots on a RAM disk; the loop
draws batches from what is there, changes colours, noise, blur and mirror side on the GPU, and
minimises cross entropy between the network's softmax (over the picture for a landmark, over a
column for rim and hairline, over a row for the centre line) and a narrow Gaussian about the
truth. The learning rate follows a cosine over the given minutes. Weights are averaged
(exponential moving average) and exported to ONNX with batch normalisation folded.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing as mp
import os
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from calibration.training import recipe
from placecheck.find.unroll import HEIGHT, WIDTH

JUDGING_SEEDS = 10_000_000
BLOCK_SIZE = 384
HALF_H, HALF_W = HEIGHT // 2, WIDTH // 2
VIEWS = 3  # cameras, lights and benches for every block, cap and closure
TARGET_CELLS = 1.3  # sigma of the Gaussian target in output cells


def slots(folder: Path, n_closure: int, n_block: int, mode: str) -> dict[str, np.memmap]:
    shapes = {
        "c_image": (np.uint8, (n_closure, HEIGHT, WIDTH, 4)),
        "c_landmarks": (np.float32, (n_closure, 6, 2)),
        "c_rim": (np.float32, (n_closure, WIDTH)),
        "c_hairline": (np.float32, (n_closure, WIDTH)),
        "c_centre": (np.float32, (n_closure, HEIGHT)),
        "c_mask": (np.uint8, (n_closure, HALF_H, HALF_W)),
        "c_flags": (np.float32, (n_closure, 3)),
        "b_image": (np.uint8, (n_block, BLOCK_SIZE, BLOCK_SIZE, 3)),
        "b_mask": (np.uint8, (n_block, BLOCK_SIZE // 2, BLOCK_SIZE // 2)),
        "b_face": (np.float32, (n_block, 2)),
        "b_flags": (np.float32, (n_block, 1)),
    }
    return {k: np.memmap(folder / f"{k}.bin", dtype=t, mode=mode, shape=s) for k, (t, s) in shapes.items()}


def polygon_mask(points: np.ndarray, width: int, height: int) -> np.ndarray:
    from PIL import Image, ImageDraw

    points = points[np.isfinite(points).all(-1)]
    canvas = Image.new("L", (width, height))
    if len(points) >= 3:
        ImageDraw.Draw(canvas).polygon([(float(x), float(y)) for x, y in points], fill=255)
    return np.asarray(canvas)


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
    centre, size = block_box(truth)
    length = 2 * truth["block"]["semi_axes_mm"][1]
    native = size / length
    scale = min(1.0, rng.uniform(1.3, 2.6) / native)
    side = math.ceil(size * 1.25 * scale)
    view = np.array([[scale, 0, side / 2 - scale * centre[0]], [0, scale, side / 2 - scale * centre[1]]])
    return view, (side, side)


def block_view(truth: dict, rng: np.random.Generator, wide: bool) -> np.ndarray:
    """A view (2, 3) of the photo for the block network, `wide` like a whole frame, else filled by the block."""
    centre, size = block_box(truth)
    w, h = truth["camera"]["width"], truth["camera"]["height"]
    if wide:
        scale = BLOCK_SIZE / max(w, h) * rng.uniform(0.85, 1.5)
        scale = min(scale, 0.72 * BLOCK_SIZE / size)
        middle = (
            np.array([w / 2, h / 2])
            if rng.random() < 0.6
            else centre + rng.uniform(-0.35, 0.35, 2) * BLOCK_SIZE / scale
        )
        reach = np.abs(centre - middle) * scale
        if (reach > BLOCK_SIZE / 2 - size * scale / 2).any():
            middle = centre + rng.uniform(-0.2, 0.2, 2) * BLOCK_SIZE / scale
    else:
        scale = BLOCK_SIZE * rng.uniform(0.42, 0.72) / size
        middle = centre + rng.uniform(-0.1, 0.1, 2) * size
    turn = rng.uniform(0, 2 * np.pi)
    m = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return np.concatenate([m, (BLOCK_SIZE / 2 - m @ middle)[:, None]], 1)


def samples(scene: Any, rng: np.random.Generator, xp: Any) -> Iterator[tuple[Any, ...]]:
    """Everything made from one scene: two unrolled pictures of one crop, and two pictures for the block network."""
    from fixtures import scenes

    truth = scenes.truth(scene, full=False)
    is_block = scene.kind != "no-block"
    if is_block:
        view, size = closure_view(truth, rng)
        image = scenes.render(scene, xp=xp, view=(view, size))
        for _ in range(2):
            s = recipe.closure_sample(image, view, truth, rng, flip=bool(rng.random() < 0.04))
            mask = polygon_mask(s.outline / 2, HALF_W, HALF_H) > 0
            yield "c", s.image, s.landmarks, s.rim, s.hairline, s.centre, mask, s.flags
    for wide in (True, False):
        view = block_view(truth, rng, wide)
        image = scenes.render(scene, xp=xp, view=(view, (BLOCK_SIZE, BLOCK_SIZE)))
        mask = np.zeros((BLOCK_SIZE // 2, BLOCK_SIZE // 2), bool)
        face = np.zeros(2)
        if is_block:
            half = np.array([[0.5, 0, -0.25], [0, 0.5, -0.25]])
            small = half @ np.concatenate([view, [[0, 0, 1]]])
            mask = np.asarray(scenes.silhouette_mask(scene, (small, (BLOCK_SIZE // 2, BLOCK_SIZE // 2)), xp=xp))
            face = view[:, :2] @ recipe.face_direction(truth)
            face /= np.linalg.norm(face)
        yield "b", image, mask, face, is_block


def worker(number: int, seed0: int, queue: mp.Queue, use_cupy: bool) -> None:
    os.environ["OMP_NUM_THREADS"] = "1"
    xp = np
    if use_cupy:
        import cupy as xp  # type: ignore[no-redef]
    from fixtures import scenes

    seed = seed0 + number
    failures = 0
    while True:
        seed = (seed + 64) % JUDGING_SEEDS
        rng = np.random.default_rng([seed, 77])
        try:
            kind = str(rng.choice(["normal", "no-closure", "no-block"], p=[0.93, 0.04, 0.03]))
            first = scenes.sample_scene(seed, kind=kind)
            parts = {k: vars(getattr(first, k)) for k in ("block", "cap", "closure") if getattr(first, k) is not None}
            for k in range(VIEWS if kind == "normal" else 1):
                scene = scenes.sample_scene(seed + k * JUDGING_SEEDS * 3, kind=kind, **parts) if k else first
                for item in samples(scene, rng, xp):
                    queue.put(item, timeout=120)
        except Exception:
            failures += 1
            if failures <= 3:
                print(f"worker {number} seed {seed}\n{traceback.format_exc()}", flush=True)
            if failures > 200:
                return


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--workers", type=int, default=14)
    parser.add_argument("--cupy", action="store_true")
    parser.add_argument("--closure-slots", type=int, default=24000)
    parser.add_argument("--block-slots", type=int, default=24000)
    parser.add_argument("--lr", type=float, default=2e-3)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--warm", type=int, default=1500, help="samples of each kind to wait for")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ring", type=Path, default=Path("/dev/shm/placecheck"))
    args = parser.parse_args()
    start = time.time()
    args.out.mkdir(parents=True, exist_ok=True)
    args.ring.mkdir(parents=True, exist_ok=True)
    ring = slots(args.ring, args.closure_slots, args.block_slots, "w+")
    context = mp.get_context("spawn")
    queue: mp.Queue = context.Queue(maxsize=256)
    crew = [
        context.Process(
            target=worker,
            args=(i, args.seed * 100_000, queue, args.cupy),
            daemon=True,
        )
        for i in range(args.workers)
    ]
    for p in crew:
        p.start()

    import threading

    counts = {"c": 0, "b": 0}

    def collect() -> None:
        while True:
            item = queue.get()
            if item[0] == "c":
                i = counts["c"] % args.closure_slots
                names = ("c_image", "c_landmarks", "c_rim", "c_hairline", "c_centre", "c_mask", "c_flags")
            else:
                i = counts["b"] % args.block_slots
                names = ("b_image", "b_mask", "b_face", "b_flags")
            for name, value in zip(names, item[1:], strict=True):
                ring[name][i] = value
            counts[item[0]] += 1

    threading.Thread(target=collect, daemon=True).start()

    import torch
    from torch import nn
    from torch.nn import functional as F

    from calibration.training.model import block_network, closure_network

    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cudnn.benchmark = True
    nets = {"c": closure_network().to(device), "b": block_network().to(device)}
    ema = {"c": closure_network().to(device), "b": block_network().to(device)}
    if args.resume:
        state = torch.load(args.resume, map_location=device)
        for k in nets:
            nets[k].load_state_dict(state[k])
            ema[k].load_state_dict(state["ema_" + k])
    else:
        for k in nets:
            ema[k].load_state_dict(nets[k].state_dict())
    for k in nets:
        nets[k] = nets[k].to(memory_format=torch.channels_last)
        for p in ema[k].parameters():
            p.requires_grad_(False)
    optim = {k: torch.optim.AdamW(nets[k].parameters(), lr=args.lr, weight_decay=1e-3) for k in nets}

    rows = torch.arange(HALF_H, device=device).float()
    cols = torch.arange(HALF_W, device=device).float()

    def colours(x: torch.Tensor) -> torch.Tensor:
        """x (B, 3, h, w) in 0..1: gains, gamma, contrast, grey mix, blur, noise, blots."""
        b = x.shape[0]

        def r(low: float, high: float, *shape: int) -> torch.Tensor:
            return torch.empty(b, *shape, device=device).uniform_(low, high)

        x = x.clamp(1e-4, 1) ** torch.exp(r(-0.35, 0.35, 1, 1, 1))
        x = x * torch.exp(r(-0.3, 0.3, 1, 1, 1)) * torch.exp(r(-0.1, 0.1, 3, 1, 1))
        grey = x.mean(1, keepdim=True)
        x = grey + (x - grey) * r(0.3, 1.4, 1, 1, 1)
        if torch.rand(()) < 0.25:
            x = F.avg_pool2d(x, 3, 1, 1) * 0.6 + x * 0.4
        if torch.rand(()) < 0.15:
            x = x + 1.0 * (x - F.avg_pool2d(x, 5, 1, 2))
        x = x + torch.randn_like(x) * r(0.0, 0.03, 1, 1, 1)
        return x.clamp(0, 1)

    def soft(target: torch.Tensor, axis: torch.Tensor) -> torch.Tensor:
        """Gaussian targets (..., n) about `target` (...)."""
        g = torch.exp(-0.5 * ((axis - target[..., None]) / TARGET_CELLS) ** 2)
        return g / g.sum(-1, keepdim=True).clamp_min(1e-6)

    def along(logits: torch.Tensor, target: torch.Tensor, axis: torch.Tensor) -> torch.Tensor:
        """Mean cross entropy over the lines that have a target; logits (B, lines, n), target (B, lines)."""
        ok = torch.isfinite(target)
        if not ok.any():
            return logits.sum() * 0
        ce = -(soft(target[ok], axis) * F.log_softmax(logits[ok].float(), -1)).sum(-1)
        return ce.mean()

    def closure_loss(index: np.ndarray) -> tuple[torch.Tensor, dict[str, float]]:
        image = torch.from_numpy(np.asarray(ring["c_image"][index])).to(device, non_blocking=True)
        x = image.permute(0, 3, 1, 2).float() / 255
        colour = colours(x[:, :3])
        facing = x[:, 3:]
        colour = torch.where(facing > 0.03, colour, torch.full_like(colour, 0.5))
        marks = torch.from_numpy(ring["c_landmarks"][index]).to(device)
        rim = torch.from_numpy(ring["c_rim"][index]).to(device)
        hair = torch.from_numpy(ring["c_hairline"][index]).to(device)
        centre = torch.from_numpy(ring["c_centre"][index]).to(device)
        mask = torch.from_numpy(ring["c_mask"][index]).to(device).float()
        flags = torch.from_numpy(ring["c_flags"][index]).to(device)
        x = torch.cat([colour, facing], 1)
        if torch.rand(()) < 0.5:
            x = x.flip(3)
            marks = torch.stack([WIDTH - 1 - marks[..., 0], marks[..., 1]], -1)[:, [0, 1, 3, 2, 5, 4]]
            rim, hair, mask = rim.flip(1), hair.flip(1), mask.flip(2)
            centre = WIDTH - 1 - centre
        # full-resolution pixel p lies at cell (p - 0.5) / 2
        marks, rim, hair, centre = ((t - 0.5) / 2 for t in (marks, rim, hair, centre))
        rim, hair = ((t[:, 0::2] + t[:, 1::2]) / 2 for t in (rim, hair))
        centre = (centre[:, 0::2] + centre[:, 1::2]) / 2
        with torch.autocast(device, torch.bfloat16):
            maps, said = nets["c"](x.contiguous(memory_format=torch.channels_last))
        maps, said = maps.float(), said.float()
        ok = torch.isfinite(marks).all(-1)
        logp = F.log_softmax(maps[:, :6].flatten(2), -1)
        safe = torch.nan_to_num(marks)
        target = soft(safe[..., 1], rows)[..., :, None] * soft(safe[..., 0], cols)[..., None, :]
        ce = -(target.flatten(2) * logp).sum(-1)
        l_marks = (ce * ok).sum() / ok.sum().clamp_min(1)
        l_rim = along(maps[:, 6].transpose(1, 2), rim, rows)
        l_hair = along(maps[:, 7].transpose(1, 2), hair, rows)
        l_centre = along(maps[:, 8], centre, cols)
        l_mask = F.binary_cross_entropy_with_logits(maps[:, 9], mask)
        l_flags = F.binary_cross_entropy_with_logits(said, flags)
        loss = l_marks + l_rim + l_hair + l_centre + l_mask + 0.3 * l_flags
        names = ("marks", "rim", "hair", "centre", "mask", "flags")
        parts = dict(zip(names, (l_marks, l_rim, l_hair, l_centre, l_mask, l_flags), strict=True))
        return loss, parts

    def block_loss(index: np.ndarray) -> tuple[torch.Tensor, dict[str, float]]:
        x = torch.from_numpy(np.asarray(ring["b_image"][index])).to(device).permute(0, 3, 1, 2).float() / 255
        x = colours(x)
        mask = torch.from_numpy(ring["b_mask"][index]).to(device).float()
        face = torch.from_numpy(ring["b_face"][index]).to(device)
        flags = torch.from_numpy(ring["b_flags"][index]).to(device)
        k = int(torch.randint(0, 4, ()))
        x, mask = torch.rot90(x, k, (2, 3)), torch.rot90(mask, k, (1, 2))
        for _ in range(k):  # a quarter turn counter-clockwise takes (x, y) to (y, -x) in image axes
            face = torch.stack([face[:, 1], -face[:, 0]], -1)
        if torch.rand(()) < 0.5:
            x, mask = x.flip(3), mask.flip(2)
            face = face * torch.tensor([-1.0, 1.0], device=device)
        with torch.autocast(device, torch.bfloat16):
            maps, said = nets["b"](x.contiguous(memory_format=torch.channels_last))
        maps, said = maps.float(), said.float()
        l_mask = F.binary_cross_entropy_with_logits(maps[:, 0], mask)
        unit = F.normalize(maps[:, 1:3], dim=1, eps=1e-4)
        cosine = (unit * face[:, :, None, None]).sum(1)
        l_face = ((1 - cosine) * mask).sum() / mask.sum().clamp_min(1)
        l_flags = F.binary_cross_entropy_with_logits(said, flags)
        return 4 * l_mask + l_face + 0.1 * l_flags, {"mask": l_mask, "face": l_face, "flags": l_flags}

    def waiting() -> bool:
        return min(counts.values()) < args.warm and time.time() - start < args.minutes * 30

    while waiting():
        time.sleep(0.5)
    print(f"start training after {time.time() - start:.0f} s with {counts} on {device}", flush=True)
    rng = np.random.default_rng(args.seed)
    begin, budget, step, told = time.time(), args.minutes * 60 - (time.time() - start), 0, time.time()
    while True:
        done = (time.time() - begin) / budget
        if done >= 1:
            break
        kind = "b" if step % 3 == 2 else "c"
        lr = args.lr * min(1.0, (step + 1) / 100) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        have = min(counts[kind], args.closure_slots if kind == "c" else args.block_slots)
        index = rng.integers(0, have, args.batch)
        loss, parts = (closure_loss if kind == "c" else block_loss)(index)
        for group in optim[kind].param_groups:
            group["lr"] = lr
        optim[kind].zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(nets[kind].parameters(), 5.0)
        optim[kind].step()
        step += 1
        decay = min(0.998, step / (step + 50))
        with torch.no_grad():
            for e, p in zip(ema[kind].state_dict().values(), nets[kind].state_dict().values(), strict=True):
                if e.dtype.is_floating_point:
                    e.lerp_(p.to(e.dtype), 1 - decay)
                else:
                    e.copy_(p)
        if time.time() - told > 20 or step in (3, 30):
            told = time.time()
            words = " ".join(f"{k} {float(v):.3f}" for k, v in parts.items())
            head = f"{time.time() - start:4.0f} s step {step} {kind} lr {lr:.1e} have {counts}"
            print(f"{head} loss {float(loss):.3f} {words}", flush=True)
    for p in crew:
        p.terminate()
    torch.save(
        {
            "c": nets["c"].state_dict(),
            "b": nets["b"].state_dict(),
            "ema_c": ema["c"].state_dict(),
            "ema_b": ema["b"].state_dict(),
        },
        args.out / "state.pt",
    )
    export(ema, args.out)
    print(f"done: {step} steps, {counts}, {time.time() - start:.0f} s", flush=True)
    os._exit(0)


def export(nets: dict, out: Path) -> None:
    """Write closure.onnx and block.onnx (inputs 0..1, BGR; the closure's fourth channel is facing)."""
    import torch

    shapes = {"c": ("closure.onnx", (1, 4, HEIGHT, WIDTH)), "b": ("block.onnx", (1, 3, BLOCK_SIZE, BLOCK_SIZE))}
    for kind, (name, shape) in shapes.items():
        net = nets[kind].to("cpu").float().eval()
        torch.onnx.export(
            net,
            torch.zeros(shape),
            str(out / name),
            input_names=["image"],
            output_names=["maps", "flags"],
            dynamo=False,
            opset_version=13,
            # the block network also looks at whole photos, of any size that is a multiple of 64
            dynamic_axes={"image": {2: "h", 3: "w"}, "maps": {2: "half_h", 3: "half_w"}} if kind == "b" else None,
        )


if __name__ == "__main__":
    main()
