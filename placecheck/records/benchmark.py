"""`python -m placecheck.records.benchmark`: how the time of every question grows with the number of records.

For 1,000 to 100,000 records (each with answer, request, readings and the name of a photo
that is not really there) it fills a fresh store in a temporary folder, or in the PostgreSQL
database of --address, and times what a person waits for: save one, list, filter, open,
count, yields, faults, a chart with its SVG, the whole overview, a purge of one client.
Medians of several runs, in milliseconds; the last column says how the time grew from the
first size to the last: 1 is flat, 100 in proportion for the default sizes.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from placecheck.answer import JUDGED, MEASURES
from placecheck.quality.charts_svg import individuals_svg
from placecheck.records import tallies
from placecheck.records.model import FileRef, Filter, NewRecord, utc_text
from placecheck.records.overview import overview, stream_of
from placecheck.records.photos import PhotoFolder
from placecheck.records.store import Store
from placecheck.tolerances import DEFAULT_LIMITS

SIZES = (1_000, 10_000, 100_000)
MAKERS = ("Ada", "Noor", "Ines", "Bea", "Ruth", "Tomma")
CLOSURES = ("5x5", "4x4", "7x7", "6x6")
START = datetime(2020, 1, 1, tzinfo=UTC)


def invented(number: int, rng: np.random.Generator) -> NewRecord:
    """One plausible record; about one in six is a fix."""
    measures: dict[str, Any] = {}
    out = False
    for spec in MEASURES:
        low, high = DEFAULT_LIMITS.get(spec.name, (0.0, 250.0))
        value = float(rng.normal((low + high) / 2, (high - low) / 4.5))
        entry: dict[str, Any] = {"value": round(value, 3), "U95": 0.4, "unit": spec.unit}
        if spec.name in JUDGED:
            inside = low < value < high
            out = out or not inside
            entry |= {"low": low, "high": high, "state": "in" if inside else "out", "p_conform": 0.9}
        entry["evidence"] = ["fold_front: crease, 14 px long", "centre line: seam"]
        measures[spec.name] = entry
    answer: dict[str, Any] = {
        "schema": 1,
        "verdict": "fix" if out else "pass",
        "measures": measures,
        "problems": [],
        "fixes": [],
    }
    return NewRecord(
        answer,
        {"closure": {"label": "5x5"}, "stage": "pinned", "block_circumference_mm": 577.85},
        utc_text(START + timedelta(minutes=31 * number)),
        f"O{number // 3:06d}",
        f"client {number % 997}",
        MAKERS[int(rng.integers(len(MAKERS)))],
        "pinned",
        CLOSURES[int(rng.integers(len(CLOSURES)))],
        FileRef(hashlib.sha256(str(number).encode()).hexdigest(), "jpg", 3_400_000),
        program_version="benchmark",
    )


class _Pretended(PhotoFolder):
    """Says of every photo that it is there: 100,000 real ones would be 340 GB."""

    def path(self, sha256: str, ending: str) -> Path:
        return Path(__file__)

    def remove(self, sha256: str, ending: str) -> None:
        pass


def timed(action: Callable[[], object], runs: int) -> float:
    """Median milliseconds of `runs` runs."""
    found = []
    for _ in range(runs):
        start = time.perf_counter()
        action()
        found.append(1000 * (time.perf_counter() - start))
    return statistics.median(found)


def questions(store: Store, count: int, rng: np.random.Generator) -> dict[str, Callable[[], object]]:
    """What is timed, by name."""
    late = utc_text(START + timedelta(minutes=31 * count * 0.9))

    def chart() -> object:
        stream = stream_of(store, "offset_mm", Filter(maker="Ada", stage="pinned"), "Ada")
        return individuals_svg(stream) if stream else None

    return {
        "save one": lambda: store.add(invented(10**7 + int(rng.integers(10**6)), rng)),
        "list newest 50": lambda: store.find(),
        "list maker, newest 50": lambda: store.find(Filter(maker="Ada")),
        "list verdict and dates, 50": lambda: store.find(Filter(verdict="fix", since=late)),
        "list one order": lambda: store.find(Filter(order=f"O{count // 6:06d}")),
        "list one client": lambda: store.find(Filter(client="client 500")),
        "open one": lambda: store.get(count // 2),
        "count all": lambda: store.count(),
        "count one closure": lambda: store.count(Filter(closure="5x5")),
        "faults": lambda: tallies.outside(store.database),
        "one chart with SVG": chart,
        "whole overview by maker": lambda: overview(store, "maker", Filter(stage="pinned")),
    }


def run(sizes: tuple[int, ...] = SIZES, runs: int = 5, address: str | None = None) -> dict[str, list[float]]:
    """Times in ms per question, one per size, ascending; each size grows the same store."""
    times: dict[str, list[float]] = {}
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory(prefix="placecheck-bench-") as folder, Store(Path(folder), address) as store:
        store.photos = _Pretended(store.photos.root)
        done = 0
        for size in sizes:
            start, before = time.perf_counter(), done
            while done < size:
                batch = min(2000, size - done)
                store.add_many([invented(done + i, rng) for i in range(batch)])
                done += batch
            filled = 1000 * (time.perf_counter() - start) / max(1, done - before)
            times.setdefault("fill, per record", []).append(filled)
            for name, action in questions(store, size, rng).items():
                action()
                times.setdefault(name, []).append(timed(action, runs))
            if store.database.file is not None:
                times.setdefault("size of the database, MB", []).append(store.database.file.stat().st_size / 1e6)
        victims = store.count(Filter(client="client 500"))
        start = time.perf_counter()
        store.purge(Filter(client="client 500"))
        times[f"purge {victims} of one client"] = [1000 * (time.perf_counter() - start)]
    return times


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--address", help="a PostgreSQL database to fill, empty; its records stay")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    sizes = sorted(given.sizes)
    times = run(tuple(sizes), given.runs, given.address)
    if given.json:
        print(json.dumps({"sizes": sizes, "ms": times}, indent=1))
        return
    print(f"{'ms, median':34}" + "".join(f"{size:>12,}" for size in sizes) + f"{'growth':>10}")
    for name, values in times.items():
        growth = f"{values[-1] / values[0]:>9.1f}x" if len(values) > 1 and values[0] > 0 else ""
        print(f"{name:34}" + "".join(f"{v:>12.2f}" for v in values) + growth)


if __name__ == "__main__":
    main()
