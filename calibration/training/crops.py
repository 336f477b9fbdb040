"""Path-traced crops made ahead of a training, since tracing takes far longer than anything else about a sample.

    python -m calibration.training.crops 300 --out DIR [--seed 0] [--views 4] [--jobs 2]

Every scene of fixtures.pathtraced is one world seen by several cameras. Of every view one crop
about the block is kept as JPEG, at the scale at which the crew (crew.py) draws, and beside it
what a sample's targets are made of: camera, block and the landmarks' places, rounded to a
hundredth of a pixel or millimetre. The crops of a scene lie in one ZIP file, written whole or not
at all, so that a training may read while more are made. It unrolls them again and again with
other wrong domes (recipe.py). Seeds lie below JUDGING_SEEDS.
"""

from __future__ import annotations

import argparse
import io
import json
import multiprocessing as mp
import time
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

QUALITY = 92
KEPT = ("fold_front", "fold_back", "hairline", "ventilated_outline", "cap_front_edge", "cap_centre_line")


@dataclass(frozen=True)
class Crop:
    """`image` (h, w, 3) B, G, R; `view` (2, 3) takes photo pixels to its pixels; `truth` as in fixtures.scenes."""

    image: np.ndarray
    view: np.ndarray
    truth: dict[str, Any]


def _rounded(value: Any) -> Any:
    """Places to a hundredth, lists all the way down."""
    return np.round(np.asarray(value, float), 2).tolist()


def what_targets_need(truth: dict[str, Any]) -> dict[str, Any]:
    """The part of a truth that recipe.closure_sample reads."""
    marks = truth.get("landmarks") or {}
    points = {n: marks[n] for n in KEPT if marks.get(n)}
    corners = marks.get("closure_corners")
    kept = {n: {k: _rounded(p[k]) for k in ("px", "block")} for n, p in points.items()}
    if corners:
        kept["closure_corners"] = {n: {k: _rounded(p[k]) for k in ("px", "block")} for n, p in corners.items()}
    return {"camera": truth["camera"], "block": truth["block"], "landmarks": kept}


def traced_crops(seed: int, views: int) -> Iterator[Crop]:
    """Crops of one path-traced scene, seen by `views` cameras."""
    from calibration.training.views import KINDS, closure_view, views_of
    from fixtures import scenes

    rng = np.random.default_rng([seed, 78])
    kinds = {k: p for k, p in KINDS.items() if k != "no-block"}
    kind = str(rng.choice(list(kinds), p=np.array(list(kinds.values())) / sum(kinds.values())))
    for scene, draw in views_of(seed, kind, np, True, views):
        truth = scenes.truth(scene, full=False)
        view, size = closure_view(truth, rng)
        yield Crop(draw(scene, (view, size)), view, what_targets_need(truth))


def packed(crop: Crop) -> tuple[bytes, bytes]:
    """JPEG and JSON of a crop."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(crop.image[..., ::-1])).save(out, "JPEG", quality=QUALITY, subsampling=0)
    return out.getvalue(), json.dumps({"view": crop.view.tolist(), "truth": crop.truth}, separators=(",", ":")).encode()


def unpacked(jpeg: bytes, words: bytes) -> Crop:
    """The crop of what `packed` made."""
    from PIL import Image

    said = json.loads(words)
    image = np.ascontiguousarray(np.asarray(Image.open(io.BytesIO(jpeg)))[..., ::-1])
    return Crop(image, np.array(said["view"]), said["truth"])


def read(path: Path) -> list[Crop]:
    """The crops of one ZIP file."""
    with zipfile.ZipFile(path) as z:
        names = [n.removesuffix(".jpg") for n in z.namelist() if n.endswith(".jpg")]
        return [unpacked(z.read(n + ".jpg"), z.read(n + ".json")) for n in names]


def write(crops: list[Crop], path: Path) -> None:
    """The crops of one scene into a ZIP file that appears when it is whole."""
    part = path.with_suffix(".part")
    with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as z:
        for k, crop in enumerate(crops):
            jpeg, words = packed(crop)
            z.writestr(f"{k}.jpg", jpeg, zipfile.ZIP_STORED)
            z.writestr(f"{k}.json", words)
    part.replace(path)


def make(number: int, jobs: int, args: argparse.Namespace) -> None:
    """Worker `number` of `jobs`: its share of the scenes."""
    from fixtures.pathtraced.world import one_thread, tidy

    one_thread()
    for seed in range(args.seed + number, args.seed + args.n, jobs):
        start = time.time()
        made = list(traced_crops(seed, args.views))
        write(made, args.out / f"scene_{seed:07d}.zip")
        tidy()
        print(f"scene {seed}: {len(made)} views in {time.time() - start:.1f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("n", type=int, help="scenes")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--views", type=int, default=4)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    context = mp.get_context("spawn")
    crew = [context.Process(target=make, args=(i, args.jobs, args)) for i in range(args.jobs)]
    for p in crew:
        p.start()
    for p in crew:
        p.join()


if __name__ == "__main__":
    main()
