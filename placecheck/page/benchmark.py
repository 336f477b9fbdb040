"""Twenty phones at once: `python -m placecheck.page.benchmark` starts a bench page of its own and uploads to it.

Every phone is a thread with its own connection; all send a photo in the same moment and then wait
for their answer as the page's script does. Reported are, of this one run: how long a phone waits until its
photo is safe on the computer's disk, how long until its answer, how that compares with measuring
the same photos one after the other in a warm process, and the most memory the server and all
its workers held together. A photo without an answer, or with another phone's, fails the run.
The default photo is drawn: 12 MP with a card on a table, so it is opened, searched and answered
with what is missing; give a photo of a real bench to measure the whole check.
"""

from __future__ import annotations

import argparse
import http.client
import io
import json
import os
import re
import secrets
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from urllib.parse import urlencode

SERVER = """
import sys, uvicorn
from pathlib import Path
from placecheck.page.app import build_app
from placecheck.page.bench import PageConfig
if __name__ == "__main__":
    app = build_app(PageConfig(Path(sys.argv[1]), workers=int(sys.argv[3])))
    print(app.state.bench.codes.new(), flush=True)
    uvicorn.run(app, port=int(sys.argv[2]), log_level="error", access_log=False, limit_concurrency=400)
"""


def drawn_photo() -> bytes:
    """A 12 MP JPEG of a card on a table with grain, from no camera."""
    import numpy as np
    from PIL import Image

    from placecheck.card.printing import card_png

    rng = np.random.default_rng(7)
    table = Image.fromarray(rng.normal((150, 125, 95), 6, (3024, 4032, 3)).clip(0, 255).astype(np.uint8))
    card = Image.open(io.BytesIO(card_png(150))).convert("RGB")
    table.paste(card.resize((1100, round(1100 * card.height / card.width))), (2500, 1200))
    out = io.BytesIO()
    table.save(out, "JPEG", quality=90)
    return out.getvalue()


class Phone:
    """One phone: a connection with its cookie."""

    def __init__(self, port: int, cookie: str = "", token: str = "") -> None:
        self.port, self.cookie, self.token = port, cookie, token

    def ask(
        self, method: str, path: str, body: bytes = b"", kind: str = ""
    ) -> tuple[int, str, http.client.HTTPMessage]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=600)
        headers = {"Cookie": self.cookie, "Accept": "application/json" if method == "POST" and kind else "text/html"}
        if kind:
            headers["Content-Type"] = kind
        connection.request(method, path, body, headers)
        answer = connection.getresponse()
        text = answer.read().decode()
        connection.close()
        return answer.status, text, answer.headers

    def pair(self, code: str) -> None:
        form = urlencode({"code": code}).encode()
        _, _, headers = self.ask("POST", "/pair", form, "application/x-www-form-urlencoded")
        self.cookie = headers["set-cookie"].split(";")[0]
        found = re.search(r'data-token="(\w+)"', self.ask("GET", "/")[1])
        self.token = found[1] if found else ""

    def send(self, photo: bytes, closure: str, block: str, maker: str) -> str:
        """Send a photo; returns the address of its check."""
        border = secrets.token_hex(12)
        form = {"token": self.token, "closure": closure, "block": block, "maker": maker, "once": secrets.token_hex(8)}
        parts = [
            f'--{border}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
            for name, value in form.items()
        ]
        head = f'--{border}\r\nContent-Disposition: form-data; name="photo"; filename="p.jpg"\r\n\r\n'
        body = "".join(parts).encode() + head.encode() + photo + f"\r\n--{border}--\r\n".encode()
        status, text, _ = self.ask("POST", "/photos", body, f"multipart/form-data; boundary={border}")
        if status != 200:
            raise RuntimeError(f"refused: {text}")
        return str(json.loads(text)["to"])

    def wait(self, to: str) -> None:
        """Return when the answer is there."""
        known = ""
        while True:
            state = json.loads(self.ask("GET", f"{to}/state?{urlencode({'known': known})}")[1])
            if state["state"] == "done":
                return
            known = state["known"]


def family_rss_mb(parent: int) -> float:
    """Resident memory of a process and its children, MB, by Linux's /proc; 0 elsewhere."""
    total = 0.0
    try:
        children = [pid for task in Path(f"/proc/{parent}/task").glob("*/children") for pid in task.read_text().split()]
        for pid in [parent, *map(int, children)]:
            status = Path(f"/proc/{pid}/status").read_text()
            total += int(re.search(r"VmRSS:\s+(\d+)", status)[1]) / 1024  # type: ignore[index]
    except (OSError, TypeError):
        return total
    return total


def alone(photo: bytes, closure: str, block: str) -> float:
    """Seconds for one check in a warm process, median of three."""
    from placecheck.page.asked import request_of, spec_from
    from placecheck.page.checking import Checker
    from placecheck.settings import Settings

    request = request_of(spec_from({"closure": closure, "block": block}, Settings()))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo"
        path.write_bytes(photo)
        checker, times = Checker(), []
        for _ in range(4):
            begun = time.perf_counter()
            checker.check(path, request)
            times.append(time.perf_counter() - begun)
    return statistics.median(times[1:])


def run(photo: bytes, phones: int, workers: int, closure: str, block: str) -> int:
    """Run and print; the exit status, 0 when every photo was answered with its own answer."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port = sock.getsockname()[1]
    with tempfile.TemporaryDirectory() as folder:
        script = Path(folder) / "serve.py"
        script.write_text(SERVER)
        home = Path(folder) / "home"
        arguments = [sys.executable, str(script), str(home), str(port), str(workers)]
        environment = os.environ | {"PLACECHECK_HOME": str(home)}
        server = subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True, env=environment)
        try:
            assert server.stdout is not None
            code = server.stdout.readline().strip()
            first = Phone(port)
            _until_up(first)
            first.pair(code)
            first.wait(first.send(photo, closure, block, "warm"))
            return _measure(server.pid, first, photo, phones, workers, closure, block)
        finally:
            server.kill()
            server.wait()


def _until_up(phone: Phone) -> None:
    for _ in range(200):
        try:
            phone.ask("GET", "/pair")
            return
        except OSError:
            time.sleep(0.05)
    raise RuntimeError("the server does not answer")


def _measure(pid: int, first: Phone, photo: bytes, phones: int, workers: int, closure: str, block: str) -> int:
    peak, stop = [family_rss_mb(pid)], threading.Event()

    def watch() -> None:
        while not stop.wait(0.05):
            peak.append(family_rss_mb(pid))

    threading.Thread(target=watch, daemon=True).start()
    start = threading.Barrier(phones)

    def one(i: int) -> tuple[str, float, float, bool]:
        phone = Phone(first.port, first.cookie, first.token)
        start.wait()
        begun = time.perf_counter()
        to = phone.send(photo, closure, block, f"phone {i}")
        safe = time.perf_counter() - begun
        phone.wait(to)
        answered = time.perf_counter() - begun
        status, text, _ = phone.ask("GET", to)
        return to, safe, answered, status == 200 and 'class="verdict' in text

    with ThreadPoolExecutor(phones) as pool:
        begun = time.perf_counter()
        results = list(pool.map(one, range(phones)))
        whole = time.perf_counter() - begun
    stop.set()
    good = sum(ok for *_, ok in results)
    different = len({to for to, *_ in results})
    safe, answered = [r[1] for r in results], [r[2] for r in results]
    single = alone(photo, closure, block)
    print(f"{phones} phones at once, {len(photo) / 1e6:.1f} MB each, {workers} workers, {os.cpu_count()} cores")
    print(
        f"  answered                       {good} of {phones}, each its own: {'yes' if different == phones else 'NO'}"
    )
    print(f"  photo safe on disk             median {statistics.median(safe):.2f} s, worst {max(safe):.2f} s")
    print(f"  answer there                   median {statistics.median(answered):.2f} s, worst {max(answered):.2f} s")
    print(f"  one check alone, warm          {single:.2f} s")
    queue = phones * single
    print(f"  all, by one after the other    {whole / queue:.2f} ({whole:.1f} s against {queue:.1f} s)")
    print(f"  memory, server and workers     {max(peak):.0f} MB at most, {peak[0]:.0f} MB before")
    return 0 if good == phones == different else 1


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m placecheck.page.benchmark", description="Phones uploading at once."
    )
    parser.add_argument("photo", nargs="?", type=Path, help="a photo of a bench (default: a drawn one)")
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--closure", default="5x5")
    parser.add_argument("--block", default="22.75in")
    asked = parser.parse_args()
    photo = asked.photo.read_bytes() if asked.photo else drawn_photo()
    return run(photo, asked.phones, asked.workers, asked.closure, asked.block)


if __name__ == "__main__":
    sys.exit(main())
