"""The weighted mean of two trainings' weights, as a state to go on from and as the networks' ONNX files.

    python -m calibration.training.mean A/state.pt B/state.pt --share 0.6 --out DIR

Where B was trained on from A, on other samples, the networks along the straight way between
them are networks too, and one in the middle often does better on both kinds of samples than
either end (Wortsman et al. 2022, "Robust fine-tuning of zero-shot models"). Of each state the
running means of the weights are taken, the statistics of the batch normalisation with them;
`--share` is B's. Which share is best is read off scenes kept for developing.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import torch

from calibration.training.train import KINDS, export


def mean_state(a: dict[str, Any], b: dict[str, Any], share: float) -> dict[str, Any]:
    """A state whose weights lie `share` of the way from a's running means to b's."""
    out: dict[str, Any] = {}
    for kind in KINDS:
        if not ("ema_" + kind in a and "ema_" + kind in b):
            continue
        ends = a["ema_" + kind], b["ema_" + kind]
        mixed = {
            name: torch.lerp(ends[0][name].float(), value.float(), share).to(value.dtype)
            if value.dtype.is_floating_point
            else value
            for name, value in ends[1].items()
        }
        out[kind] = out["ema_" + kind] = mixed
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description="The mean of two trainings' weights.")
    parser.add_argument("first", type=Path)
    parser.add_argument("second", type=Path)
    parser.add_argument("--share", type=float, default=0.5, help="of the second state's weights")
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    first, second = (torch.load(path, map_location="cpu") for path in (args.first, args.second))
    state = mean_state(first, second, args.share)
    torch.save(state, args.out / "state.pt")
    export(state, args.out)


if __name__ == "__main__":
    main()
