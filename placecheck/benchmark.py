"""`python -m placecheck.benchmark PHOTO`: how fast the check is, as ratios measured in one run.

Absolute times say more about the machine than about the program, so each is set against
something of the same run: the whole check of a photo, in a process that is warm, against what
OpenCV alone takes, in a warm process of its own, to decode that photo and to detect the board in
it at full size (in the check's process it takes between 70 and 100 % of that, by what memory the
check happens to have left there); the start of `placecheck --help` against an empty Python that
imports typer. The two sides of a ratio take turns, so that a busy moment hits both; medians are
compared. Peak memory is that of a fresh process that checks the photo once (ru_maxrss, on Linux
in KiB). Nothing is asserted here: the figures are for reading.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from placecheck.photo import Photo
    from placecheck.request import CheckRequest


def milliseconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return 1000 * (time.perf_counter() - start)


def side_by_side(calls: Sequence[Callable[[], object]], repeats: int) -> list[float]:
    """Median time of each call in ms, after one warm-up each, the calls taking turns."""
    for call in calls:
        call()
    times: list[list[float]] = [[] for _ in calls]
    for _ in range(repeats):
        for kept, call in zip(times, calls, strict=True):
            kept.append(milliseconds(call))
    return [statistics.median(kept) for kept in times]


def opencv_alone(photo: Path) -> Callable[[], object]:
    """Decode the photo and detect the card's board in it at full size, with OpenCV's own defaults."""
    import cv2
    import numpy as np

    data = np.frombuffer(photo.read_bytes(), np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
    detector = cv2.aruco.CharucoDetector(cv2.aruco.CharucoBoard((7, 5), 20.0, 14.0, dictionary))

    def call() -> object:
        image = cv2.imdecode(data, cv2.IMREAD_COLOR)
        if image is None:
            raise SystemExit(f"OpenCV cannot decode {photo}: give a JPEG or PNG")
        return detector.detectBoard(image)

    return call


def _obey(photo: Path, pipe: Connection) -> None:
    """Decode and detect whenever something comes out of the pipe: the work of a process."""
    call = opencv_alone(photo)
    while pipe.recv():
        call()
        pipe.send(True)


@contextlib.contextmanager
def opencv_apart(photo: Path) -> Iterator[Callable[[], object]]:
    """What `opencv_alone` does, in a process of its own."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_obey, args=(photo, there), daemon=True)
    process.start()
    there.close()  # so that its end, too, is an end here

    def call() -> object:
        try:
            here.send(True)
            return here.recv()
        except (EOFError, OSError):  # it has said why
            raise SystemExit(1) from None

    yield call
    here.send(False)
    process.join()


def start(*arguments: str) -> Callable[[], object]:
    return lambda: subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)


def _remeasuring(photo: Photo, request: CheckRequest) -> Callable[[], object] | None:
    """Measures again with the first landmark moved by 5 px, as the page does while it is dragged; None if none is."""
    from placecheck.errors import PlacecheckError
    from placecheck.marks import Marks
    from placecheck.measuring import remeasure
    from placecheck.sighting import sight

    try:
        seen = sight(photo, request)
    except PlacecheckError:
        return None
    moved = {n: (float(m.px[0]) + 5.0, float(m.px[1])) for n, m in list(seen.observed.marks.items())[:1]}
    return lambda: remeasure(seen, Marks(moved))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m placecheck.benchmark", description="Speed and memory as ratios.")
    parser.add_argument("photo", type=Path, help="a photo that can be checked, 12 MP for the usual figures")
    parser.add_argument("--closure", default="5x5", help="closure size, as for placecheck check")
    parser.add_argument("--block-circumference", default="22.5in", help="tape, as for placecheck check")
    parser.add_argument("--repeats", type=int, default=5, help="how often each is timed")
    options = parser.parse_args()

    # memory first: it is that of the largest child so far
    command = ["check", str(options.photo), "--closure", options.closure, "--no-save"]
    command += ["--block-circumference", options.block_circumference]
    done = subprocess.run([sys.executable, "-m", "placecheck", *command], stdout=subprocess.DEVNULL, check=False)
    if done.returncode not in (0, 1, 3):
        sys.exit(f"placecheck check could not read {options.photo} (status {done.returncode})")
    peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024 / 1e6

    from placecheck.one_photo import check_file
    from placecheck.photo import load_photo
    from placecheck.request import CheckRequest
    from placecheck.units import parse_circumference_mm, parse_closure

    request = CheckRequest(parse_closure(options.closure), parse_circumference_mm(options.block_circumference))
    answer = check_file(options.photo, request).answer
    size = load_photo(options.photo)
    with opencv_apart(options.photo) as alone_there:
        whole, alone = side_by_side([lambda: check_file(options.photo, request), alone_there], options.repeats)
    again = _remeasuring(size, request)
    moved = side_by_side([again], options.repeats)[0] if again is not None else None
    helped, empty = side_by_side([start("-m", "placecheck", "--help"), start("-c", "import typer")], options.repeats)

    print(f"photo: {size.width} x {size.height} px, {size.width * size.height / 1e6:.1f} MP, {size.kind}")
    print(
        f"verdict: {answer.verdict}, {len(answer.measured.estimates)} measures; {os.cpu_count()} cores; "
        f"{options.repeats} runs"
    )
    print(f"whole check, warm: {whole:.0f} ms; OpenCV's decoding and board detection: {alone:.0f} ms")
    print(f"  ratio {whole / alone:.2f}")
    if moved is not None:
        print(f"measuring again after a landmark was moved by hand: {moved:.0f} ms")
    print(f"placecheck --help: {helped:.0f} ms; python -c 'import typer': {empty:.0f} ms")
    print(f"  ratio {helped / empty:.2f}")
    print(f"peak memory of one check in a fresh process: {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
