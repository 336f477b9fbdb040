"""Scores the check of a seam on close-ups with truth: what is found, what is refused, how far off the spacings are.

    python -m calibration.stitching.judging 60 --first 10000300 [--jobs 2] [--out scores.json]

Every seed's close-up is drawn (fixtures.stitching, sample(seed)), written as a JPEG in memory, and measured by the
whole check; seeds from 10,000,000 on are drawn by nothing that develops or trains. Printed are the shares of stitches
found and false, the mean spacing's error, what its U95 and the single spacings' U95 cover, then the codes of what was
refused and the photos whose mean is off by more than 5 %.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path

from fixtures.stitching.render import Taken, take
from fixtures.stitching.sample import JUDGING_FROM, sample
from fixtures.stitching.scoring import Score, score_close_up, together
from placecheck.errors import RetakeNeeded
from placecheck.photo import load_photo
from placecheck.request import NO_CLOSURE, CheckRequest
from placecheck.stitches.close_up import measure_stitches

REQUEST = CheckRequest(NO_CLOSURE, 0.0, stage="stitches")


def score_seed(seed: int) -> Score | str:
    """`score_taken` of one seed's close-up."""
    return score_taken(take(sample(seed)))


def score_taken(close_up: Taken) -> Score | str:
    """A close-up's score, or the code of its refusal."""
    try:
        return score_close_up(measure_stitches(load_photo(close_up.jpeg), REQUEST), close_up.truth)
    except RetakeNeeded as refused:
        return refused.problem.code


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m calibration.stitching.judging", description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("--first", type=int, default=JUDGING_FROM)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.count)
    with ProcessPoolExecutor(given.jobs) as pool:
        found = list(pool.map(score_seed, seeds))
    measured = {seed: s for seed, s in zip(seeds, found, strict=True) if isinstance(s, Score)}
    for name, value in together(list(measured.values())).items():
        print(f"{name:26s} {value:.4g}")
    print("refused", dict(Counter(s for s in found if isinstance(s, str))))
    for seed, s in measured.items():
        if not abs(s.mean_error_rel) < 0.05:
            print(f"  {seed}: mean {s.mean_error_rel:+.1%}, {s.hit} of {s.eligible} found, {s.false} false")
    if given.out:
        rows = {seed: asdict(s) if isinstance(s, Score) else s for seed, s in zip(seeds, found, strict=True)}
        given.out.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
