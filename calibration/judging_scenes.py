"""Draws the scenes of calibration.judging: placements, views, and what is photographed before.

Seeds from 10,000,000 on are for judging, which training never draws; from 9,000,000 on for developing. A
scene is whatever `fixtures.scenes` draws, with the placement, the view or the earlier photos that were wished for:
NAME-cap.jpg of the cap alone, NAME-first.jpg from another side, NAME-pinned.jpg before it was stitched, NAME-bare
with photos of the bare block all round. Everything follows from the seed.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

JUDGING_SEEDS = 10_000_000
DEVELOPING_SEEDS = 9_000_000


def placed_near(rng: np.random.Generator) -> dict[str, float]:
    """A placement about which one may well be in doubt, in the generator's terms."""
    return {
        "offset": float(rng.uniform(-5, 5)),
        "skew_deg": float(rng.uniform(-3.5, 3.5)),
        "clearance": float(rng.uniform(4, 15)),
    }


def placed_well(rng: np.random.Generator) -> dict[str, float]:
    """A placement that should pass, in the generator's terms."""
    return {
        "offset": float(rng.uniform(-1, 1)),
        "skew_deg": float(rng.uniform(-0.7, 0.7)),
        "clearance": float(rng.uniform(8.5, 10.5)),
    }


def taken_as_told(rng: np.random.Generator) -> dict[str, Any]:
    """The photo that the README asks for, in the generator's terms: leaning, with ball pins, nothing before it."""
    view = {"lean_deg": float(rng.uniform(35, 50)), "side_deg": float(rng.normal(0, 5))}
    return view | {"ball_pins": True, "hand": False, "comb": False}


def from_another_side(rng: np.random.Generator) -> tuple[float, float]:
    """Lean and side (deg) of a photo that one leaning toward the face is added to: above, leaning less, or aside."""
    side = float(rng.choice([-1.0, 1.0]) * rng.uniform(20, 30))
    views = (rng.uniform(3, 12), rng.normal(0, 5)), (rng.uniform(20, 28), rng.normal(0, 5)), (rng.uniform(35, 48), side)
    lean_deg, side_deg = views[rng.choice(3, p=(0.5, 0.25, 0.25))]
    return float(lean_deg), float(side_deg)


def save_bare(scene: Any, seed: int, folder: Path, xp: Any) -> None:
    """Photos of the scene's block before anything was pinned on it."""
    from fixtures import scenes
    from fixtures.scenes.walk import bare_before

    for k, bare in enumerate(bare_before(scene, seed)):
        scenes.save(bare, folder, f"{k}", xp=xp)


def make_scenes(args: argparse.Namespace) -> None:
    """Draw and save the scenes that the options of `judging make` ask for."""
    from fixtures import scenes

    xp: Any = np
    if args.cupy:
        import cupy as xp  # type: ignore[no-redef]
    if args.cupy and args.pathtraced:
        from fixtures.pathtraced.world import on_gpu

        on_gpu()
    args.out.mkdir(parents=True, exist_ok=True)
    for i in range(args.count):
        seed = args.seed + i + (DEVELOPING_SEEDS if args.developing else JUDGING_SEEDS)
        name = f"{'dev' if args.developing else 'judge'}_{seed}"
        rng = np.random.default_rng(seed)
        wish: dict[str, Any] = {"kind": args.kind}
        if args.near or args.well:
            wish["closure"] = (placed_near if args.near else placed_well)(np.random.default_rng([seed, 1]))
        if args.pins:
            wish["ball_pins"] = True
        if args.as_told:
            wish |= taken_as_told(np.random.default_rng([seed, 3]))
        if args.cap_first:
            from fixtures.scenes.pairs import cap_first

            wish.pop("kind")
            pair = cap_first(seed, alike=args.alike, **wish)
            for scene, which in zip(pair, ("-cap", ""), strict=True):
                scenes.save(scene, args.out, name + which, xp=xp)
            if args.bare_first:
                save_bare(pair[1], seed, args.out / f"{name}-bare", xp)
        elif args.second:
            from fixtures.scenes.pairs import pair_scenes

            wish.pop("kind")
            told = taken_as_told(np.random.default_rng([seed, 3]))
            view = wish.pop("lean_deg", told["lean_deg"]), wish.pop("side_deg", told["side_deg"])
            views = view, from_another_side(np.random.default_rng([seed, 4]))
            for scene, which in zip(pair_scenes(seed, views, **wish), ("", "-first"), strict=True):
                scenes.save(scene, args.out, name + which, xp=xp)
        elif args.stitched:
            from fixtures.scenes.stages import stitched_later

            pinned = scenes.sample_scene(rng, **wish)
            right, turn, face = np.random.default_rng([seed, 2]).normal(0, (2.5, 1.0, 2.0))
            scenes.save(pinned, args.out, f"{name}-pinned", xp=xp)
            scenes.save(stitched_later(pinned, seed + 1, right, turn, face), args.out, name, xp=xp)
        elif args.pathtraced:
            from fixtures import pathtraced

            size = (1512, 2016) if seed % 4 == 3 else (2016, 1512)
            pathtraced.save(scenes.sample_scene(rng, size=size, **wish), args.out, name)
        else:
            scene = scenes.sample_scene(rng, **wish)
            scenes.save(scene, args.out, name, xp=xp)
            if args.bare_first:
                save_bare(scene, seed, args.out / f"{name}-bare", xp)
