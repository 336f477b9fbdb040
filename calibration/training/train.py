"""Trains the networks on scenes that a crew of processes draws while the training runs.

    python -m calibration.training.train --minutes 9 --out DIR [--resume DIR/state.pt] [--workers 28] [--gpu-workers 3]
        [--traced-workers 8] [--crops DIR --crop-workers 3] [--only fp]

The crew (crew.py) fills a ring of samples on a RAM disk; trainers, one for each network and
on a GPU each where there are two, keep a copy of the ring on their device, take in what
was written since, and draw random batches from all of it (losses.py). The learning rate rises
over the first hundred steps and stays, or falls along a cosine with --fall, so that a long training
can be cut into runs. With --teacher a network also learns what a wider one says (narrow.py). Weights
are averaged (exponential moving average) and exported to ONNX with batch normalisation folded. state.pt
holds weights and averages for the next run.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing as mp
import os
import threading
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from calibration.training import crew
from placecheck.find.unroll import HEIGHT, WIDTH

TAKEN_AT_ONCE = 48


@dataclass(frozen=True)
class Kind:
    """A network to train.

    Its file's name, the ring's samples it learns from, at 1 / `part` of their size, the state that teaches it, and what
    makes it and its teacher (names in model.py).
    """

    name: str
    samples: str
    part: int
    taught_by: str
    make: str
    teacher: str


KINDS = {
    "c": Kind("closure", "c", 1, "d", "closure_network", "fine_closure_network"),
    "d": Kind("fine_closure", "c", 1, "d", "fine_closure_network", "wide_closure_network"),
    "b": Kind("block", "b", 1, "b", "block_network", "wide_block_network"),
    "f": Kind("first_look", "c", 2, "c", "first_look_network", "closure_network"),
    "p": Kind("place", "b", 2, "", "place_network", ""),
}


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--teacher", type=Path, help="state of the networks to learn from as well (narrow.py)")
    parser.add_argument("--workers", type=int, default=14, help="processes that draw on the processor")
    parser.add_argument("--gpu-workers", type=int, default=0, help="processes that draw on the GPUs (CuPy)")
    parser.add_argument("--traced-workers", type=int, default=0, help="processes that trace paths (Mitsuba)")
    parser.add_argument("--crops", type=Path, help="folder of crops traced ahead (crops.py)")
    parser.add_argument("--crop-workers", type=int, default=0, help="processes that unroll those crops")
    parser.add_argument("--traced-share", type=float, default=0.35, help="share of every batch that is path-traced")
    parser.add_argument("--closure-slots", type=int, default=24000)
    parser.add_argument("--block-slots", type=int, default=12000)
    parser.add_argument("--lr", type=float, default=2e-3)
    parser.add_argument("--fall", action="store_true", help="let the learning rate fall to zero")
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--warm", type=int, default=1500, help="closure samples to wait for (block: half as many)")
    parser.add_argument("--only", default="cb", help="which: c, b, f and p at half the scale, d to teach c (coarse.py)")
    parser.add_argument("--draw", type=float, help="minutes after which the crew stops, so that training has the GPUs")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ring", type=Path, default=Path("/dev/shm/placecheck"))
    return parser.parse_args()


def size_of(args: argparse.Namespace) -> int:
    """How many processes draw."""
    return int(args.workers + args.gpu_workers + args.traced_workers + args.crop_workers)


def shared_out(kinds: list[str], gpus: int) -> dict[str, str]:
    """The device of each network's trainer: a GPU each, from the first on, as far as they go round."""
    return {k: f"cuda:{i % gpus}" if gpus else "cpu" for i, k in enumerate(kinds)}


def cards_for(crew_size: int, gpus: int, trainers: int) -> list[int | None]:
    """The GPU on which each of the crew draws: those without a trainer (else the last) in turn, seldom another."""
    if not gpus:
        return [None] * crew_size
    free = list(range(trainers, gpus)) or [gpus - 1]
    taken = [i for i in range(gpus) if i not in free]
    return [taken[(i // 24) % len(taken)] if taken and i % 24 == 0 else free[i % len(free)] for i in range(crew_size)]


def picked(rng: np.random.Generator, have: np.ndarray, first_traced: int, args: argparse.Namespace) -> np.ndarray:
    """Slots of one batch: a share of them path-traced once there are enough to choose from."""
    traced, drawn = have[have >= first_traced], have[have < first_traced]
    n = round(args.traced_share * args.batch) if len(traced) >= 4 * args.batch else 0
    if not len(drawn):
        n = args.batch
    return np.concatenate([rng.choice(traced, n), rng.choice(drawn if n else have, args.batch - n)]).astype(int)


def train(kind: str, device: str, args: argparse.Namespace, start: float) -> None:
    """Train one network until the time is up; writes DIR/KIND.pt."""
    import torch
    from torch import nn

    from calibration.training import model
    from calibration.training.losses import block_loss, closure_loss

    torch.backends.cudnn.benchmark = True
    torch.manual_seed(args.seed + "cbfpd".index(kind))
    what = KINDS[kind]
    make = getattr(model, what.make)
    loss_of = partial(closure_loss if what.samples == "c" else block_loss, part=what.part)
    fields = crew.CLOSURE_FIELDS if what.samples == "c" else crew.BLOCK_FIELDS
    net, mean = make().to(device), make().to(device)
    if args.resume:
        state = torch.load(args.resume, map_location=device)
        net.load_state_dict(state[kind])
        mean.load_state_dict(state["ema_" + kind])
    else:
        mean.load_state_dict(net.state_dict())
    net = net.to(memory_format=torch.channels_last)
    if args.teacher and what.teacher:
        teacher = getattr(model, what.teacher)()
        teacher.load_state_dict(torch.load(args.teacher, map_location="cpu")["ema_" + what.taught_by])
        teacher = teacher.eval().requires_grad_(False).to(device, memory_format=torch.channels_last)
        loss_of = partial(loss_of, teacher=teacher)
    optim = torch.optim.AdamW(net.parameters(), lr=args.lr, weight_decay=1e-3)
    ring = crew.open_ring(args.ring, args.closure_slots, args.block_slots)
    store: dict[str, Any] = {}
    for name in fields:
        source = ring[f"{what.samples}_{name}"]
        kind_of = torch.uint8 if source.dtype == np.uint8 else torch.float32
        store[name] = torch.zeros(source.shape, dtype=kind_of, device=device)
    taken = np.zeros(len(ring[f"{what.samples}_written"]), np.uint32)
    first_traced = len(taken) * (args.workers + args.gpu_workers) // size_of(args)  # those workers are the crew's last

    def take_in() -> None:
        """Copy to the device what the crew writes, for ever: a thread's work."""
        while True:
            written = np.array(ring[f"{what.samples}_written"])
            slots = np.nonzero(written != taken)[0][:TAKEN_AT_ONCE]
            at = torch.from_numpy(slots).to(device)
            for name in fields if len(slots) else ():
                new = torch.from_numpy(np.asarray(ring[f"{what.samples}_{name}"][slots]))
                store[name].index_copy_(0, at, new.to(device))
            taken[slots] = written[slots]
            time.sleep(0.02 if len(slots) else 0.3)

    threading.Thread(target=take_in, daemon=True).start()
    enough = args.warm if what.samples == "c" else args.warm // 2
    while (taken > 0).sum() < enough and time.time() - start < args.minutes * 30:
        time.sleep(0.3)
    print(f"{time.time() - start:4.0f} s {kind} on {device} starts with {(taken > 0).sum()}", flush=True)
    rng = np.random.default_rng(args.seed)
    begin, step = time.time(), 0
    budget, told = args.minutes * 60 - (begin - start), begin
    sums: dict[str, Any] = {}
    looks = have = np.zeros(0)
    while (done := (time.time() - begin) / budget) < 1:
        if step % 20 == 0:
            have = np.nonzero(taken)[0]
        lr = args.lr * min(1.0, (step + 1) / 100) * (0.5 + 0.5 * math.cos(math.pi * done) if args.fall else 1.0) + 1e-6
        index = torch.from_numpy(rng.permutation(picked(rng, have, first_traced, args))).to(device)
        loss, parts = loss_of(net, {name: store[name][index] for name in fields})
        for group in optim.param_groups:
            group["lr"] = lr
        optim.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optim.step()
        step += 1
        decay = min(0.999, step / (step + 50))
        with torch.no_grad():
            pairs = list(zip(mean.state_dict().values(), net.state_dict().values(), strict=True))
            floats = [(e, p) for e, p in pairs if e.dtype.is_floating_point]
            torch._foreach_lerp_([e for e, _ in floats], [p for _, p in floats], 1 - decay)
            for e, p in pairs:
                if not e.dtype.is_floating_point:
                    e.copy_(p)
        for name, value in parts.items():
            sums[name] = sums.get(name, 0) + value.detach()
        looks = np.append(looks, 1)
        if time.time() - told > 30 or step == 30:
            told = time.time()
            words = " ".join(f"{k} {float(v) / len(looks):.3f}" for k, v in sums.items())
            print(f"{told - start:4.0f} s {kind} step {step} lr {lr:.1e} of {len(have)}: {words}", flush=True)
            sums, looks = {}, np.zeros(0)
    torch.save({kind: net.state_dict(), "ema_" + kind: mean.state_dict()}, args.out / f"{kind}.pt")
    print(f"{time.time() - start:4.0f} s {kind} ends after {step} steps of {args.batch}", flush=True)
    os._exit(0)  # the thread that takes samples in may be at it: torn down beside it, the process would abort


def main() -> None:
    start = time.time()
    args = arguments()
    args.out.mkdir(parents=True, exist_ok=True)
    crew.open_ring(args.ring, args.closure_slots, args.block_slots)
    os.environ["OMP_NUM_THREADS"] = "1"
    import torch

    context = mp.get_context("spawn")
    gpus = torch.cuda.device_count()
    wanted = shared_out([k for k in KINDS if k in args.only], gpus)
    cards = cards_for(size_of(args), gpus, len(wanted))
    names = "".join({KINDS[k].samples for k in wanted})
    tasks = [crew.Task(wanted=names)] * args.workers
    tasks += [crew.Task(card, wanted=names) for card in cards[: args.gpu_workers]]
    tasks += [crew.Task(card, True, wanted=names) for card in cards[: args.traced_workers]]
    tasks += [crew.Task(kept=args.crops)] * args.crop_workers
    size = size_of(args)

    def worker(i: int, again: int = 0) -> Any:
        seed = args.seed * 100_000 + again * 10_000
        slots = (args.ring, args.closure_slots, args.block_slots)
        out = context.Process(target=crew.work, args=(i, size, seed, *slots, tasks[i]), daemon=True)
        out.start()
        return out

    workers = [worker(i) for i in range(size)]
    trainers = [context.Process(target=train, args=(k, d, args, start)) for k, d in wanted.items()]
    for p in trainers:
        p.start()
    drawing, lost = True, 0
    while any(p.is_alive() for p in trainers):
        time.sleep(1.0)
        if any(p.exitcode for p in trainers):
            for p in workers + trainers:
                p.kill()
            raise SystemExit("A trainer has stopped: see above.")
        if drawing and args.draw and time.time() - start > args.draw * 60:
            drawing = False
            for p in workers:
                p.kill()
        for i, p in enumerate(workers):
            if drawing and not p.is_alive():  # a renderer that ran out of memory takes its process with it
                lost += 1
                workers[i] = worker(i, lost)
    for p in workers:
        p.kill()
    if lost:
        print(f"{lost} workers were lost and replaced", flush=True)
    state: dict[str, Any] = torch.load(args.resume, map_location="cpu") if args.resume else {}
    for kind in wanted:
        state |= torch.load(args.out / f"{kind}.pt", map_location="cpu")
        (args.out / f"{kind}.pt").unlink()
    torch.save(state, args.out / "state.pt")
    export(state, args.out)
    print(f"done after {time.time() - start:.0f} s", flush=True)
    os._exit(0)


def export(state: dict[str, Any], out: Path) -> None:
    """Write NAME.onnx of every network there is (inputs 0..1, BGR; the closure's fourth channel is facing)."""
    import torch

    from calibration.training import model
    from calibration.training.half import as_half

    for kind, what in KINDS.items():
        if "ema_" + kind not in state:
            continue
        net = getattr(model, what.make)()
        net.load_state_dict(state["ema_" + kind])
        net.apart = True
        closure = what.samples == "c"
        size = (HEIGHT, WIDTH) if closure else (crew.BLOCK_SIZE, crew.BLOCK_SIZE)
        path = out / f"{what.name}.onnx"
        torch.onnx.export(
            net.eval(),
            torch.zeros((1, 4 if closure else 3, *(n // what.part for n in size))),
            str(path),
            input_names=["image"],
            output_names=["maps", "flags"],
            dynamo=False,
            opset_version=13,
            # photos are of any size that is a multiple of 64
            dynamic_axes=None if closure else {"image": {2: "h", 3: "w"}, "maps": {2: "half_h", 3: "half_w"}},
        )
        as_half(path)


if __name__ == "__main__":
    main()
