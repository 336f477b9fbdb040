"""A worker process: the only place where a stranger's photo is decoded.

Talked to over a pipe in plain bytes: a JSON message, then as many byte strings as it announces;
nothing is pickled in either direction. The process limits its own memory and file
sizes before it opens anything, ignores Ctrl-C (its parent ends it), and ends by itself when
the parent is gone, since the pipe then ends. The parent's side, `Worker`, gives every call a
time limit: a process that does not answer in time, dies or answers nonsense is killed and
replaced, and the call ends in WorkerLost. After some hundred calls it is replaced anyway, so
that what a library leaks stays bounded.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import multiprocessing
import os
import signal
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

CHECKER = "placecheck.page.checking:Checker"
MEMORY_LIMIT_BYTES = 6_000_000_000
FILE_LIMIT_BYTES = 1_000_000
CALLS_PER_PROCESS = 200
MAX_HEADER_BYTES, MAX_BLOB_BYTES, MAX_BLOBS = 8_000_000, 20_000_000, 2
START_S = 30.0


class WorkerLost(Exception):
    """The worker process gave no answer; `timed_out` tells whether the time limit was the reason."""

    def __init__(self, timed_out: bool) -> None:
        super().__init__("timed out" if timed_out else "lost")
        self.timed_out = timed_out


@dataclass
class Reply:
    """What a worker answered: the JSON message, and its byte strings by name."""

    header: dict[str, Any]
    blobs: dict[str, bytes] = field(default_factory=dict)


class Worker:
    """The parent's side of one worker process; calls block, one at a time."""

    def __init__(self, checker: str = CHECKER, threads: int = 1) -> None:
        self._checker, self._threads = checker, threads
        self._process: Any = None
        self._pipe: Connection | None = None
        self._calls = 0
        self._stopped = False

    def call(self, message: dict[str, Any], timeout_s: float) -> Reply:
        """Send `message`, wait for the reply. Raises WorkerLost; the next call starts a fresh process."""
        try:
            pipe, extra = self._running()
            pipe.send_bytes(json.dumps(message).encode())
            if not pipe.poll(timeout_s + extra):
                self.kill()
                raise WorkerLost(timed_out=True)
            header = json.loads(pipe.recv_bytes(MAX_HEADER_BYTES))
            names = header.get("blobs", [])
            if not isinstance(names, list) or len(names) > MAX_BLOBS:
                raise ValueError("too many byte strings")
            blobs = {}
            for name in names:
                if not pipe.poll(10.0):
                    raise ValueError("a byte string is missing")
                blobs[str(name)] = pipe.recv_bytes(MAX_BLOB_BYTES)
            self._calls += 1
            if self._calls >= CALLS_PER_PROCESS:
                self.kill()
            return Reply(header, blobs)
        except (EOFError, OSError, ValueError, AttributeError):
            self.kill()
            raise WorkerLost(timed_out=False) from None

    def _running(self) -> tuple[Connection, float]:
        """The pipe to a live process, and the time it may need on top to start."""
        if self._stopped:
            raise WorkerLost(timed_out=False)
        if self._pipe is not None and self._process.is_alive():
            return self._pipe, 0.0
        self.kill()
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        self._process = context.Process(
            target=serve, args=(theirs, self._checker, self._threads), daemon=True, name="placecheck-worker"
        )
        self._process.start()
        theirs.close()
        self._pipe, self._calls = ours, 0
        return ours, START_S

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process is not None else None

    def kill(self) -> None:
        """End the process now, whatever it does."""
        process, pipe = self._process, self._pipe
        self._process = self._pipe = None
        if process is not None:
            with contextlib.suppress(OSError, ValueError):
                process.kill()
                process.join(5)
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()

    def stop(self) -> None:
        """End the process for good."""
        self._stopped = True
        self.kill()


def _limit_self(threads: int) -> None:
    with contextlib.suppress(ValueError, OSError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT_BYTES, MEMORY_LIMIT_BYTES))
        resource.setrlimit(resource.RLIMIT_FSIZE, (FILE_LIMIT_BYTES, FILE_LIMIT_BYTES))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with contextlib.suppress(OSError, AttributeError):
        os.nice(5)  # the page itself stays quick
    with contextlib.suppress(ImportError):
        from placecheck import vision

        vision.use_threads(threads)


def serve(pipe: Connection, checker_name: str, threads: int) -> None:
    """The worker's own loop; returns when the parent is gone."""
    _limit_self(threads)
    module, _, name = checker_name.partition(":")
    checker = getattr(importlib.import_module(module), name)()
    while True:
        try:
            message = json.loads(pipe.recv_bytes())
        except (EOFError, OSError):
            return
        header, blobs = answer_message(checker, message)
        try:
            pipe.send_bytes(json.dumps(header | {"blobs": list(blobs)}, allow_nan=False).encode())
            for blob in blobs.values():
                pipe.send_bytes(blob)
        except OSError:
            return


def answer_message(checker: Any, message: dict[str, Any]) -> tuple[dict[str, Any], dict[str, bytes]]:
    """One message answered: `check`, `open`, `remeasure`, `whole`, `rows` or `card`."""
    from placecheck.marks import Marks
    from placecheck.page.asked import other_photo, request_of
    from placecheck.page.checking import failure_of
    from placecheck.page.codec import measured_to_dict

    try:
        if message["do"] == "card":
            from placecheck.page.camera_photos import look

            return look(message), {}
        if message["do"] == "rows":
            return {"failure": None}, {"picture": checker.rows(message["order"])}
        path = Path(message["path"])
        others = [other_photo(one) for one in message.get("others", ())]
        request = request_of(message["spec"], message.get("marks"), others)
        if message["do"] == "check":
            outcome = checker.check(path, request)
            header: dict[str, Any] = {
                "measured": None if outcome.measured is None else measured_to_dict(outcome.measured),
                "failure": outcome.failure,
                "width": outcome.width,
                "height": outcome.height,
            }
            pictures = {"overlay": outcome.overlay, "view": outcome.view}
            return header, {name: data for name, data in pictures.items() if data}
        if message["do"] == "whole":
            return {"measured": measured_to_dict(checker.whole(path, request)), "failure": None}, {}
        checker.open(message["id"], path, request)
        if message["do"] == "open":
            return {"failure": None}, {}
        measured = checker.remeasure(message["id"], request.marks or Marks())
        return {"measured": measured_to_dict(measured), "failure": None}, {}
    except Exception as error:
        return {"measured": None, "failure": failure_of(error)}, {}
