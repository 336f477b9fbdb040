"""The inbox: every photo that came in, what was asked of it, and what came out, on disk.

A photo is acknowledged to the phone only when its bytes and its job are both on disk, so
that killing the server at any moment after that loses nothing: at the next start, jobs without
an answer are measured. A job's number is drawn at random by the server; what a request
names is looked up among the jobs that are there and never becomes part of a path. The
photo keeps the name its job gave it whatever the phone called it. After a week a job and its
pictures are removed (what was saved lives in the records). A photo sent twice, because the
first answer was lost on the way, is one job: forms carry a token of their own, which counts with the photo's bytes.
"""

from __future__ import annotations

import contextlib
import json
import secrets
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any, Literal

from placecheck.errors import UsageProblem
from placecheck.whole_files import PASSING, copy_whole, small_json, write_whole

State = Literal["waiting", "measuring", "done"]
KEEP_S = 7 * 86400.0
MAX_ATTEMPTS = 3
LEAST_FREE_BYTES = 300_000_000
LAST_S = 1e11
"""No photo comes in after this time, in the year 5138; NaN is none, too."""
PICTURES = ("overlay", "view")


@dataclass
class Job:
    """One photo to measure. `spec` is what was asked (texts of the form, tolerances); `measured` is a codec dictionary
    as JSON, which is small in memory; `failure` is [code, sentence, exit status]. `marks` are points and lines set by
    hand, px of the upright photo, `bends` how lines were dragged to that; `found` and `found_lines` are where the
    first measuring had them."""

    id: str
    created: float
    owner: str
    spec: dict[str, Any]
    label: str = ""
    once: str = ""
    previous: str | None = None
    batch: str | None = None
    state: State = "waiting"
    attempts: int = 0
    measured: str | None = None
    failure: list[Any] | None = None
    marks: dict[str, Any] = field(default_factory=dict)
    bends: dict[str, Any] = field(default_factory=dict)
    found: dict[str, list[float]] = field(default_factory=dict)
    found_lines: dict[str, list[list[float]]] = field(default_factory=dict)
    width: int = 0
    height: int = 0
    record: int | None = None
    revision: int = 0


class Inbox:
    """All jobs by their number, and their files in `folder`; of those on disk the ones that `can_be_shown`."""

    def __init__(
        self,
        folder: Path,
        clock: Callable[[], float] = time.time,
        can_be_shown: Callable[[Job], bool] = lambda job: True,
    ) -> None:
        self._folder, self._clock = folder, clock
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        for half in folder.glob(f"{PASSING}*"):
            half.unlink(missing_ok=True)
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}
        self._once: dict[tuple[str, str], str] = {}
        for job in filter(can_be_shown, jobs_in(folder)):
            self._jobs[job.id] = job
            self._once[job.owner, job.once] = job.id
        there = {path.name for path in folder.iterdir() if path.is_file()}
        for name in there:  # a photo whose job never came to disk was never acknowledged; a job unreadable now stays
            if not {f"{name.split('.')[0]}.{end}" for end in ("json", "photo")} <= there:
                (folder / name).unlink(missing_ok=True)
        self.forget_old()

    def get(self, number: str) -> Job | None:
        return self._jobs.get(number)

    def all(self) -> list[Job]:
        """All jobs, newest first."""
        return sorted(list(self._jobs.values()), key=lambda job: -job.created)

    def others(self, job: Job) -> list[Job | None]:
        """The photos of the same block that this one is measured together with; None for one thrown away since."""
        return [self.get(number) for number in job.spec.get("others", ())]

    def together_with(self, job: Job) -> list[Job]:
        """The jobs that are measured together with this one's photo."""
        return [other for other in self.all() if job.id in other.spec.get("others", ())]

    def unsaved_cap(self, job: Job) -> Job | None:
        """The order's last photo of the cap alone before this one, where that is measured and is not saved."""
        before = [j for j in self.all() if j.spec["stage"] == "cap" and j.created < job.created and j.measured]
        last = next((j for j in before if j.batch is None and j.spec["order"] == job.spec["order"] != ""), None)
        return last if last is not None and last.record is None and last.state == "done" else None

    def unfinished(self) -> list[Job]:
        """Jobs without an answer, oldest first."""
        return [job for job in reversed(self.all()) if job.state != "done"]

    def known(self, owner: str, once: str) -> Job | None:
        """The job this form already made, if it did."""
        return self._jobs.get(self._once.get((owner, once), "")) if once else None

    def add(self, source: IO[bytes], limit: int, owner: str, spec: dict[str, Any], **more: Any) -> Job:
        """Keep a photo and its job; both are on disk on return. Raises UsageProblem with one sentence."""
        self.check_room()
        job = Job(secrets.token_hex(8), self._clock(), owner, spec, **more)
        try:
            written = copy_whole(source, self.photo(job), limit)
            if written == 0:
                raise UsageProblem("empty-file", "The photo came empty (0 bytes): choose it again.")
            write_whole(self._json(job), _text(job))
        except ValueError:
            raise UsageProblem("too-large", too_large(limit)) from None
        except OSError as error:
            self.photo(job).unlink(missing_ok=True)
            raise UsageProblem(
                "not-kept",
                f"The photo could not be kept on the computer ({error.strerror}): make room there, try again.",
            ) from None
        except UsageProblem:
            self.photo(job).unlink(missing_ok=True)
            raise
        with self._lock:
            first = self.known(owner, job.once)  # the same form twice at the same moment
            if first is None:
                self._jobs[job.id] = job
                self._once[owner, job.once] = job.id
                return job
        remove_files(self._folder, job)
        return first

    def check_room(self) -> None:
        """Raises UsageProblem when the disk is nearly full."""
        with contextlib.suppress(OSError):
            if shutil.disk_usage(self._folder).free < LEAST_FREE_BYTES:
                raise UsageProblem("disk-full", "The computer's disk is nearly full: make room there, then try again.")

    def save(self, job: Job) -> None:
        """Bring the job to disk, if it is still wanted. Raises OSError."""
        self._write_wanted(job, self._json(job), _text(job))

    def _json(self, job: Job) -> Path:
        return self._folder / f"{job.id}.json"

    def photo(self, job: Job) -> Path:
        return photo_in(self._folder, job)

    def keep_picture(self, job: Job, name: str, data: bytes) -> None:
        """Keep a picture (JPEG bytes) of a job, if it is still wanted; `name` is one of PICTURES."""
        self._write_wanted(job, self._picture(job, name), data)

    def _write_wanted(self, job: Job, path: Path, data: bytes) -> None:
        with self._lock:
            if job.id in self._jobs:  # else thrown away meanwhile
                write_whole(path, data)

    def picture(self, job: Job, name: str) -> bytes | None:
        """The JPEG bytes of a picture, or None."""
        try:
            return self._picture(job, name).read_bytes()
        except OSError:
            return None

    def has_picture(self, job: Job, name: str) -> bool:
        """Whether a picture of the job is kept."""
        return self._picture(job, name).exists()

    def drop_picture(self, job: Job, name: str) -> None:
        """Forget a picture, which shows what no longer holds."""
        self._picture(job, name).unlink(missing_ok=True)

    def _picture(self, job: Job, name: str) -> Path:
        if name not in PICTURES:
            raise KeyError(name)
        return self._folder / f"{job.id}.{name}.jpg"

    def remove(self, job: Job) -> None:
        """Forget a job and its files."""
        with self._lock:
            self._jobs.pop(job.id, None)
            self._once.pop((job.owner, job.once), None)
            remove_files(self._folder, job)

    def forget_old(self) -> None:
        """Remove what is older than a week, and not measured together with what is younger, or was purged."""
        for job in self.all():
            old = job.state == "done" and self._clock() - job.created > KEEP_S and not self.together_with(job)
            if old or not self.photo(job).exists():
                self.remove(job)
        for path in self._folder.iterdir():  # of a job that cannot be read
            unknown = path.is_file() and path.name.split(".")[0] not in self._jobs
            if unknown and self._clock() - path.stat().st_mtime > KEEP_S:
                path.unlink(missing_ok=True)


def inbox_folder(home: Path) -> Path:
    """Where the inbox of a home folder is."""
    return home / "page" / "inbox"


def jobs_in(folder: Path) -> Iterator[Job]:
    """The jobs on disk that can be read and have their photo."""
    for path in sorted(folder.glob("*.json")):
        with contextlib.suppress(OSError, ValueError, TypeError, KeyError, AttributeError):
            job = Job(**small_json(path))
            whole = isinstance(job.spec["order"], str) and job.created < LAST_S
            if whole and job.id == path.stem and photo_in(folder, job).exists():
                yield job


def unreadable_in(folder: Path) -> Iterator[Path]:
    """The jobs on disk that cannot be read though their photo is there."""
    told = {job.id for job in jobs_in(folder)}
    for path in sorted(folder.glob("*.json")):
        if path.stem not in told and path.with_suffix(".photo").exists():
            yield path


def remove_files(folder: Path, job: Job) -> None:
    """Remove a job's files; a page that is running forgets the job within the hour."""
    pictures = (folder / f"{job.id}.{name}.jpg" for name in PICTURES)
    for path in (folder / f"{job.id}.json", photo_in(folder, job), *pictures):
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)


def photo_in(folder: Path, job: Job) -> Path:
    """Where a job's photo is."""
    return folder / f"{job.id}.photo"


def _text(job: Job) -> bytes:
    return json.dumps(asdict(job)).encode()


def too_large(limit: int) -> str:
    """The sentence for a file beyond `limit` bytes."""
    return f"The file is larger than {limit // 1_000_000} MB: send the photo as the phone's camera saved it."
