"""A bench page under test: a real uvicorn server in a process of its own, with a stand-in for the networks.

The stand-in (StandIn) opens, refuses and draws real photos with the project's own code; only where the
landmarks lie is not found but taken as fixed fractions of the picture, moved by a tint of the upper left pixels
(so that tests can ask for a pass or a fix), and the measures follow from these by one fixed scale. It says
nothing about how well anything is measured: that is what the measuring's own tests are for. As
`python tests/page_bench.py HOME PORT` it serves until it is killed; its first line of output is a code.
"""

from __future__ import annotations

import io
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from placecheck.answer import RIM_WORDS, Contribution, Estimate, Findings, Grounds, Measured
from placecheck.errors import Problem, RetakeNeeded, UsageProblem
from placecheck.marks import WRONG_WAY
from placecheck.page.checking import Checker


def until(page: Any, expression: str, within_s: float = 30.0) -> None:
    """Waits until a browser's page says that `expression` is true.

    Playwright's own wait_for_function asks again from within the page, where the page's rules forbid scripts of others.
    """
    end = time.monotonic() + within_s
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"never true: {expression}"
        page.wait_for_timeout(30)


ROOT = Path(__file__).parent.parent
MM_PER_WIDTH = 400.0
PLACES = {
    "fold_front": (0.50, 0.62),
    "fold_back": (0.50, 0.34),
    "front_left": (0.37, 0.60),
    "front_right": (0.63, 0.60),
    "back_left": (0.37, 0.36),
    "back_right": (0.63, 0.36),
}


class StandIn(Checker):
    """Checks photos without finding anything; see the module's words."""

    def look(self, photo, request):
        from dataclasses import replace

        corner = photo.image[:8, :8].copy()
        return replace(photo, decode_whole=lambda: corner)

    def again(self, seen, request):
        return self.measure(seen, request)

    def measure(self, photo, request):
        tint = np.asarray(photo.image[:8, :8], float).mean(axis=(0, 1))  # blue, green, red
        if tint[0] > 200 and tint[2] > 200 > tint[1]:
            os.kill(os.getpid(), signal.SIGKILL)  # a photo that takes the worker down
        if tint[0] > 200 > tint[1]:
            time.sleep(3600)  # a photo that never ends, for the time limit
        if min(tint) > 230:
            np.ones(2_000_000_000)  # 16 GB: a photo that asks for more than a worker may have
        if tint[1] > 200 > tint[0]:
            time.sleep(1.5)  # a slow one, to be interrupted
        if max(tint) < 20 and request.front is None:
            raise RetakeNeeded("front-unclear", "It cannot be told which side of the block is the face.")
        laced, guessed = tint[0] < 60 < 90 < min(tint[1:]), tint[2] < 60 < 90 < min(tint[:2])
        if laced and request.stage == "cap":
            raise RetakeNeeded("closure-on-already", "There is a closure on the cap already: check it as pinned.")
        off_mm = 8.0 if tint[2] > 120 > tint[1] else 2.8 if min(tint) > 130 else 0.4
        others = [other for other in request.others if other.photo]
        gone = [
            Problem(
                "others-unused",
                "This photo was measured by itself. A photo before it cannot be used: it was thrown away.",
            )
        ] * (len(request.others) - len(others))
        u = 0.05 if others else 0.3
        scale = MM_PER_WIDTH / photo.width
        marks = {n: (x * photo.width, y * photo.height) for n, (x, y) in PLACES.items()}
        for name in ("fold_front", "fold_back"):
            marks[name] = (marks[name][0] + off_mm / scale, marks[name][1])
        by_hand = dict(request.marks.landmarks_px) if request.marks else {}
        marks |= by_hand
        if marks["fold_front"][1] <= marks["fold_back"][1]:
            raise UsageProblem(WRONG_WAY, "The marks fold_front and fold_back are the wrong way round.")
        if marks["fold_front"][1] - marks["fold_back"][1] < photo.height / 10:
            raise RetakeNeeded("closure-size", "The closure in the photo is about 5 x 1 in, not 5x5: check the size.")
        set_there = [
            o.marks.landmarks_px["fold_front"] for o in others if o.marks and "fold_front" in o.marks.landmarks_px
        ]
        for x, _ in set_there:  # what is set by hand in a photo of the set counts in all of them
            marks["fold_front"] = (marks["fold_front"][0] + x / 100, marks["fold_front"][1])
        middle = 0.5 * photo.width
        front, back = ((marks[n][0] - middle) * scale for n in ("fold_front", "fold_back"))
        run = (marks["fold_front"][1] - marks["fold_back"][1]) * scale
        across = np.linspace(0.3, 0.7, 25) * photo.width
        rim = np.stack([across, np.full(25, 0.60 * photo.height)], -1)
        if request.marks and "cap_rim" in request.marks.lines_px:
            rim = np.array(request.marks.lines_px["cap_rim"])
        rim_y = float(np.interp(marks["fold_front"][0], rim[:, 0], rim[:, 1]))
        clearance = (marks["fold_front"][1] - rim_y) / photo.height * 500
        values = {
            "offset_mm": (front + back) / 2,
            "skew_deg": float(np.degrees(np.arctan2(front - back, run))),
            "clearance_centre_mm": clearance,
            "clearance_left_mm": clearance - 0.5,
            "clearance_right_mm": clearance + 0.5,
            "fold_offset_front_mm": front,
            "fold_offset_back_mm": back,
        }
        for end in ("front", "back"):
            right, left = ((marks[f"{end}_{s}"][0] - middle) * scale for s in ("right", "left"))
            values[f"{end}_corner_asymmetry_mm"] = abs(right) - abs(left)
            values[f"width_{end}_mm"] = right - left
        for side in ("left", "right"):
            values[f"length_{side}_mm"] = (marks[f"front_{side}"][1] - marks[f"back_{side}"][1]) * scale
        ring = [marks[n] for n in ("front_left", "front_right", "back_right", "back_left")]
        lines = {
            "cap_rim": rim,
            "hairline": np.array([marks["front_left"], marks["fold_front"], marks["front_right"]]),
            "fold": np.array([marks["fold_front"], marks["fold_back"]]),
            "rectangle": np.array([*ring, ring[0]]),
        }
        findings = Findings(marks, lines, frozenset(), frozenset(by_hand), {n: ("set by hand",) for n in by_hand})
        estimates = {n: Estimate(v, u) for n, v in values.items()}
        if guessed and request.cap is None:  # the hair hides the cap's edge
            hidden = (Contribution(RIM_WORDS, 3.0),)
            estimates |= {n: Estimate(v, 3.0, hidden) for n, v in values.items() if n.startswith("clearance")}
        grounds = Grounds(together=bool(others), cap_shown=request.cap is not None)
        return Measured(estimates, {}, findings, tuple(gone), grounds=grounds)


def photo_bytes(kind: str = "fix", size: tuple[int, int] = (1600, 1200)) -> bytes:
    """A JPEG that the stand-in answers as asked: fix, pass, unsure, slow, endless, deadly, faceless, greedy, laced

    (a closure is on the cap already) or hidden (hair hides the cap's edge, unless a photo of the cap is named).
    """
    from PIL import Image, ImageDraw

    colours = {
        "fix": (180, 90, 60),
        "pass": (60, 60, 60),
        "unsure": (180, 180, 180),
        "slow": (60, 240, 60),
        "endless": (60, 60, 250),
        "deadly": (250, 60, 250),
        "faceless": (0, 0, 0),
        "greedy": (255, 255, 255),
        "laced": (110, 110, 20),
        "hidden": (20, 110, 110),
    }
    image = Image.new("RGB", size, (150, 110, 80))
    draw = ImageDraw.Draw(image)
    w, h = size
    for i in range(0, w, 97):
        draw.line((i, 0, i + h // 3, h), fill=(130, 95, 70), width=5)
    draw.ellipse((0.28 * w, 0.15 * h, 0.72 * w, 0.9 * h), fill=(205, 175, 140))
    draw.ellipse((0.28 * w, 0.15 * h, 0.72 * w, 0.60 * h), fill=(60, 50, 45))
    draw.rectangle((0.37 * w, 0.36 * h, 0.63 * w, 0.60 * h), fill=(35, 28, 26))
    draw.rectangle((0, 0, 40, 40), fill=colours[kind])
    out = io.BytesIO()
    image.save(out, "JPEG", quality=88)
    return out.getvalue()


def keep_block(home: Path, name: str, round_mm: float = 578.0) -> Path:
    """A taped block of that name among the saved ones; the path of its file."""
    from placecheck.bare_block.saved import BLOCKS, SavedBlock, blocks_folder
    from placecheck.bare_block.tapes import fit_tapes

    tapes = {"round": round_mm, "over": 336.0, "across": 311.0}
    block = SavedBlock(name, "tapes", fit_tapes(name, tapes), False, "2026-03-01", tuple(tapes.items()))
    return BLOCKS.save(block, blocks_folder(home), replace=True)


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return sock.getsockname()[1]


@dataclass
class Server:
    """A running server process."""

    home: Path
    port: int
    process: subprocess.Popen
    code: str

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.kill()


def start(home: Path, port: int | None = None, **settings: object) -> Server:
    """Start a server on `home` and wait until it answers."""
    port = port or free_port()
    arguments = [f"{name}={value}" for name, value in settings.items()]
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__)), str(home), str(port), *arguments],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=os.environ | {"PLACECHECK_HOME": str(home), "PYTHONPATH": str(ROOT)},
    )
    code = process.stdout.readline().strip()
    for _ in range(200):
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/pair", timeout=2).read()
            return Server(home, port, process, code)
        except OSError:
            if process.poll() is not None:
                raise AssertionError("the server ended") from None
            time.sleep(0.05)
    raise AssertionError("the server does not answer")


def main() -> None:
    import uvicorn

    from placecheck.page.app import build_app
    from placecheck.page.bench import PageConfig

    home, port = Path(sys.argv[1]), int(sys.argv[2])
    settings = dict(argument.split("=", 1) for argument in sys.argv[3:])
    config = PageConfig(
        home,
        addresses=(f"http://127.0.0.1:{port}",),
        checker=settings.get("checker", "tests.page_bench:StandIn"),
        check_s=float(settings.get("check_s", 20)),
        workers=int(settings.get("workers", 2)),
    )
    app = build_app(config)
    print(app.state.bench.codes.new(), flush=True)
    uvicorn.run(app, host="127.0.0.1", port=port, log_level="warning", access_log=False, timeout_graceful_shutdown=2)


if __name__ == "__main__":
    main()
