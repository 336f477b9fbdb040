"""The measuring of many photos: a queue, a few worker processes, one more for corrections by hand.

Jobs are taken in the order they came in; as many are measured at once as there are workers, so
memory is bounded by the workers however many phones send. A job whose worker is lost is tried
again on a fresh process, at most three times counting those of a killed server, then answered
with a sentence; one that exceeds its time limit is answered at once. Answers are on disk
before anybody is told. Corrections go to a process of their own that keeps the photos
being corrected, so that a dragged corner never waits behind somebody else's upload.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import logging
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any, cast

from placecheck.answer import Measured
from placecheck.errors import Problem, RetakeNeeded, UsageProblem
from placecheck.page.codec import counted, measured_from_dict
from placecheck.page.hands import keep_found
from placecheck.page.inbox import MAX_ATTEMPTS, PICTURES, Inbox, Job
from placecheck.page.worker import CHECKER, Reply, Worker, WorkerLost

log = logging.getLogger("placecheck.page")
CHECK_S, HANDS_S, CARD_S = 60.0, 20.0, 180.0
LOST = Problem(
    "worker-lost",
    "The check of this photo was stopped several times before it could finish: take the photo again, and if that is no "
    "help, close other programs on the computer.",
)


def too_slow(seconds: float) -> Problem:
    """The sentence for a photo that reached its time limit."""
    return Problem(
        "too-slow", f"Measuring this photo took longer than {seconds:.0f} seconds and was stopped: take it again."
    )


class Pool:
    """Measures what is put in; start and stop it inside a running event loop."""

    def __init__(self, inbox: Inbox, workers: int = 2, checker: str = CHECKER, check_s: float = CHECK_S) -> None:
        self._inbox, self._check_s = inbox, check_s
        self._workers = [Worker(checker) for _ in range(workers)]
        self._hands = Worker(checker)
        self._hands_lock = asyncio.Lock()
        self._checker, self._alone, self._apart_lock = checker, Worker(checker), asyncio.Lock()
        self._tried: tuple[str, Reply] | None = None
        self._threads = ThreadPoolExecutor(workers + 4, thread_name_prefix="placecheck-pool")
        self._queue: asyncio.Queue[str] = asyncio.Queue()
        self._tasks: list[asyncio.Task[None]] = []
        self._changed: dict[str, asyncio.Event] = {}

    async def start(self) -> None:
        """Start measuring, first what an earlier run left unfinished."""
        for job in self._inbox.unfinished():
            self.put(job)
        self._tasks = [asyncio.create_task(self._run(worker)) for worker in self._workers]

    async def stop(self) -> None:
        """Stop at once; what is being measured is measured after the next start."""
        for worker in (*self._workers, self._hands, self._alone):
            worker.stop()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._threads.shutdown(wait=False, cancel_futures=True)

    def put(self, job: Job) -> None:
        """Queue a job."""
        self._queue.put_nowait(job.id)

    def waiting_before(self, job: Job) -> int:
        """How many photos come before this one."""
        return sum(1 for other in self._inbox.unfinished() if other.state == "waiting" and other.created < job.created)

    async def wait(self, job: Job, seconds: float) -> None:
        """Return when the job's state changes, or after `seconds`."""
        event = self._changed.setdefault(job.id, asyncio.Event())
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(event.wait(), seconds)

    def _tell(self, job: Job) -> None:
        event = self._changed.pop(job.id, None)
        if event is not None:
            event.set()

    async def card_photos(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """The report on calibration photos (camera_photos.look), from a process of its own. Raises RetakeNeeded."""
        try:
            return (await self._apart(message, CARD_S)).header
        except WorkerLost:
            raise RetakeNeeded(
                "camera-lost", "Looking at these photos took too long or failed: start over with fewer of them."
            ) from None

    async def rows_picture(self, order: str) -> bytes:
        """The order's guidelines drawn into its photo (checking.Checker.rows), JPEG. Raises UsageProblem."""
        try:
            reply = await self._apart({"do": "rows", "order": order}, self._check_s)
            failure = _failure(reply.header)
            picture = reply.blobs.get("picture", b"")
        except (WorkerLost, TypeError, ValueError):
            failure, picture = None, b""
        if failure is not None:
            raise UsageProblem(failure[0], failure[1])
        if picture[:3] != b"\xff\xd8\xff":
            raise UsageProblem("rows-lost", "Drawing the rows into the photo took too long or failed: try once more.")
        return picture

    async def _apart(self, message: Mapping[str, Any], seconds: float) -> Reply:
        """The reply of a process of its own, one at a time. Raises WorkerLost."""
        async with self._apart_lock:
            worker = Worker(self._checker)
            self._alone = worker
            try:
                return cast(Reply, await self._in_thread(worker.call, dict(message), seconds))
            finally:
                worker.stop()

    async def _in_thread(self, function: Any, *args: Any) -> Any:
        return await asyncio.get_running_loop().run_in_executor(self._threads, function, *args)

    async def _run(self, worker: Worker) -> None:
        while True:
            job = self._inbox.get(await self._queue.get())
            if job is None or job.state == "done":
                continue
            try:
                await self._measure(worker, job)
            except asyncio.CancelledError:
                raise
            except Exception as error:  # a full disk, say: the job stays and is measured after a restart
                log.error("photo %s: %s", job.id, error)
                why = getattr(error, "strerror", None) or error
                message = f"The answer could not be kept ({why}): make room on the computer, then measure it again."
                job.failure = [LOST.code, message, 4]
                job.measured, job.state = None, "done"
                self._tell(job)

    async def _measure(self, worker: Worker, job: Job) -> None:
        job.state, job.attempts = "measuring", job.attempts + 1
        if job.attempts > MAX_ATTEMPTS:
            message = self._message("check", job, job.marks)
            await self._finish(job, Reply({"failure": [LOST.code, LOST.message, 4]}), message["id"])
            return
        await self._in_thread(self._inbox.save, job)
        self._tell(job)
        message = self._message("check", job, job.marks)
        try:
            reply = self._tried_reply(message) or await self._in_thread(worker.call, message, self._check_s)
            await self._finish(job, reply, message["id"])
        except WorkerLost as lost:
            if lost.timed_out:
                problem = too_slow(self._check_s)
                await self._finish(job, Reply({"failure": [problem.code, problem.message, 3]}), message["id"])
                return
            job.state = "waiting"
            self.put(job)

    def _message(self, do: str, job: Job, marks: Mapping[str, Any]) -> dict[str, Any]:
        """What a worker is asked; its `id` stands for all that is looked at, with the other photos' marks."""
        others = [self._asked(other, other.marks) if other else None for other in self._inbox.others(job)]
        looked_at = json.dumps([self._asked(job, {}), others]).encode()
        return {
            "do": do,
            "id": hashlib.sha256(looked_at).hexdigest(),
            **self._asked(job, marks),
            "others": others,
        }

    def _asked(self, job: Job, marks: Mapping[str, Any]) -> dict[str, Any]:
        return {"path": str(self._inbox.photo(job)), "spec": job.spec, "marks": dict(marks) or None}

    async def _finish(self, job: Job, reply: Reply, asked: str) -> None:
        """Take the answer over, bring it to disk, tell whoever waits. Raises WorkerLost for nonsense.

        Where the id `asked` is no more that of what is to be looked at, the job waits to be measured again.
        """
        header = reply.header
        try:
            failure = _failure(header)
            if failure is None:
                measured_from_dict(header["measured"])
            if "view" in reply.blobs:
                job.width, job.height = counted(header, "width"), counted(header, "height")
        except (KeyError, TypeError, ValueError):
            raise WorkerLost(timed_out=False) from None
        for name in PICTURES:
            if reply.blobs.get(name, b"")[:3] == b"\xff\xd8\xff":
                await self._in_thread(self._inbox.keep_picture, job, name, reply.blobs[name])
        if failure is not None and "overlay" not in reply.blobs:  # an earlier one is of an earlier answer
            await self._in_thread(self._inbox.drop_picture, job, "overlay")
        if asked != self._message("check", job, job.marks)["id"]:
            job.state, job.attempts = "waiting", 0  # a photo of its set was corrected or thrown away meanwhile
            self.put(job)
            return
        job.failure = failure  # no await from the comparison to "done": a correction comes before the one or after both
        job.measured = None if failure else json.dumps(header["measured"], separators=(",", ":"))
        if failure is None and not job.marks:
            keep_found(job, header["measured"])
        job.state, job.attempts, job.revision = "done", 0, job.revision + 1
        await self._in_thread(self._inbox.save, job)
        self._tell(job)

    async def warm(self, job: Job) -> None:
        """Have the photo ready for corrections; failures show when measures are asked for."""
        with contextlib.suppress(WorkerLost):
            async with self._hands_lock:
                await self._in_thread(self._hands.call, self._message("open", job, {}), self._check_s)

    def _tried_reply(self, message: Mapping[str, Any]) -> Reply | None:
        """The reply to this very message, where it was tried last; once."""
        if self._tried is None or self._tried[0] != json.dumps(message):
            return None
        reply, self._tried = self._tried[1], None
        return reply

    async def remeasure(self, job: Job, marks: Mapping[str, Any], do: str = "remeasure") -> Measured | Problem:
        """Measured with landmarks set by hand, without changing the job; a Problem where that fails.

        `do`: "remeasure" what was seen already; "whole", looked at from the beginning with them, as it will be once
        they are used, which is slower; or "check", whose answer and pictures are taken if the job is next measured so.
        """
        async with self._hands_lock:
            try:
                message = self._message(do, job, marks)
                asked = json.dumps(message)
                reply = await self._in_thread(self._hands.call, message, HANDS_S + self._check_s)
                failure = _failure(reply.header)
                if failure:
                    return Problem(failure[0], failure[1])
                measured = measured_from_dict(reply.header["measured"])
                if do == "check":
                    self._tried = asked, reply
                return measured
            except (WorkerLost, KeyError, ValueError):
                return Problem(LOST.code, "The numbers could not be worked out just now: move the point once more.")


def _failure(header: Mapping[str, Any]) -> list[Any] | None:
    """[code, sentence, exit status] of a reply, or None. Raises ValueError, TypeError."""
    failure = header.get("failure")
    if failure is None:
        return None
    code, message, status = failure
    if not (isinstance(code, str) and isinstance(message, str) and status in (2, 3, 4)):
        raise ValueError("no good failure")
    return [code[:80], message[:1000], status]
