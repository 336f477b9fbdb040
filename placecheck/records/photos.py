"""The photo folder: files named by the SHA-256 of their content, written whole or not at all.

A file's name says what must be in it, so the same photo is kept once, a copy can be proven
true years later, and a record can only point at what it was made from. One level of 256
folders, by the first two digits, keeps listings short. Writing goes to a passing name in
the same folder, is flushed to the disk, and only then takes its name by a rename, which is
atomic; the folder is flushed too, so that a record written afterwards never outlives its
photo. A crash leaves at most a file that no record names, which verify finds. Every failure
of the disk is one sentence.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from placecheck.errors import PlacecheckError
from placecheck.whole_files import writing

FILE_NAME = re.compile(r"([0-9a-f]{64})\.(jpg|png|heic)")


class RecordsProblem(PlacecheckError):
    """The records cannot be written, read or found as asked (exit status 4)."""

    exit_status = 4


def disk_problem(error: OSError, path: Path, named: bool = False) -> RecordsProblem:
    """One sentence for a failure of the disk at `path`, a file of the records or one that the user `named`."""
    full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    if named:
        return RecordsProblem(
            "disk-full" if full else "cannot-write",
            f"{path} cannot be written ({error.strerror or error}): {'free some space, or ' if full else ''}name "
            "another file.",
        )
    if full:
        return RecordsProblem(
            "disk-full", f"There is no room left on the disk for {path.parent}: free some space, then save again."
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return RecordsProblem(
            "read-only",
            f"{path.parent} may not be written: make it writable, or name another folder in PLACECHECK_HOME.",
        )
    reason = error.strerror or str(error)
    return RecordsProblem("disk-trouble", f"{path} cannot be written ({reason}): check the disk, then save again.")


def write_atomically(path: Path, data: bytes | Iterable[bytes], named: bool = False) -> None:
    """Write `data`, at once or piece by piece, to `path` whole or not at all. Raises RecordsProblem.

    `named` is a file that the user named, in place of one of the records' own.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with writing(path, mode=0o644) as file:
            for piece in [data] if isinstance(data, bytes) else data:
                file.write(piece)
    except OSError as error:
        raise disk_problem(error, path, named) from None


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's content, read in pieces."""
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


class PhotoFolder:
    """Photos and overlays by their SHA-256."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def path(self, sha256: str, ending: str) -> Path:
        """Where a file with this content lies or would lie. Raises RecordsProblem for what is no hash or ending."""
        if not FILE_NAME.fullmatch(f"{sha256}.{ending}"):
            raise RecordsProblem(
                "photo-misnamed",
                f"The records are damaged: they name a photo {sha256}.{ending}, and no kept file is called so. Bring "
                "back the last backup with `placecheck records restore`.",
            )
        return self.root / sha256[:2] / f"{sha256}.{ending}"

    def put(self, data: bytes, ending: str) -> str:
        """Keep `data` and return its SHA-256; what is there already is not written again. Raises RecordsProblem."""
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256, ending)
        try:
            there = path.is_file() and sha256_of(path) == sha256
        except OSError:
            there = False
        if not there:
            write_atomically(path, data)
        return sha256

    def read(self, sha256: str, ending: str) -> bytes:
        """The bytes of a kept file, proven by their hash. Raises RecordsProblem: photo-missing or photo-altered."""
        path = self.path(sha256, ending)
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            raise RecordsProblem(
                "photo-missing", f"The photo {path} is missing: put it back from a backup; the record itself is whole."
            ) from None
        except OSError as error:
            raise RecordsProblem("photo-unreadable", f"The photo {path} cannot be read: {error.strerror}.") from None
        if hashlib.sha256(data).hexdigest() != sha256:
            raise RecordsProblem("photo-altered", f"The photo {path} is not what was saved: put it back from a backup.")
        return data

    def files(self) -> Iterator[Path]:
        """Every file in the folder, kept or left over from a crash, in the order of their names."""
        if self.root.is_dir():
            yield from sorted(p for p in self.root.rglob("*") if os.path.isfile(p) or os.path.islink(p))

    def remove(self, sha256: str, ending: str) -> None:
        """Remove a kept file, if it is there. Raises RecordsProblem.

        Its folder stays, though it may be empty: another program may be about to write into it.
        """
        path = self.path(sha256, ending)
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise disk_problem(error, path) from None
