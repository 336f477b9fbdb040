"""Files written whole or not at all.

A file is written beside its place under a passing name, flushed to the disk, and only then
takes its own name by a rename, which the system does wholly or not at all; the folder is
flushed after it, so that what was promised is there after a power cut. A file that must not
be there yet gets its name by a hard link, which fails where the name is taken, also when two
programs try at once; where the file system knows no links, by an exclusive open. A crash
leaves the old file as it was, and at most one whose name begins with PASSING. What an OSError
means for the user is for the caller to say.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, Any

from placecheck.errors import UsageProblem

PASSING = ".writing-"
"""Beginning of the name of a file that is being written."""
LARGEST_SMALL_BYTES = 20_000_000
"""More than any marks, settings or sheet."""


@contextlib.contextmanager
def writing(path: Path, replace: bool = True, mode: int = 0o600) -> Iterator[IO[bytes]]:
    """A binary file that gets the name `path` when the block ends well, and is gone otherwise.

    Raises OSError: FileExistsError where the name is taken and `replace` is False.
    """
    if path.exists() and not (path.is_file() or path.is_dir()):  # a device, which a rename would remove
        raise OSError(errno.EINVAL, "it is no file")
    handle, passing = tempfile.mkstemp(dir=path.parent, prefix=PASSING)
    try:
        with os.fdopen(handle, "w+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.chmod(passing, mode)
        if replace:
            os.replace(passing, path)
        else:
            _name_if_free(passing, path)
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(passing)
    sync_folder(path.parent)


def free_path(path: Path, force: bool) -> Path:
    """`path`, if it may be written. Raises UsageProblem where it is there already and `force` is False."""
    if path.exists() and not force:
        raise UsageProblem(
            "file-exists", f"{path} is there already: name another file, or add --force to overwrite it."
        )
    return path


def ending_in(path: Path, *endings: str) -> Path:
    """`path`, if its name says what is written into it, such as ".pdf". Raises UsageProblem."""
    if path.suffix.lower() not in endings:
        raise UsageProblem("file-ending", f"{path} must end in {' or '.join(endings)}, since that is what is written.")
    return path


def not_over(path: Path, inputs: Iterable[Path]) -> Path:
    """`path`, if it is none of the files that are read, by whatever name or link. Raises UsageProblem."""
    for given in inputs:
        with contextlib.suppress(OSError, ValueError):  # one of the two is not there yet, or cannot be a file
            if os.path.samefile(path, given):
                raise UsageProblem(
                    "output-is-input", f"{path} would be written over {given}, which is read: write to another name."
                )
    return path


def write_whole(path: Path, data: bytes, mode: int = 0o600) -> None:
    """Write `data` to `path`. Raises OSError; the file that was there before is then untouched."""
    with writing(path, mode=mode) as file:
        file.write(data)


def copy_whole(source: IO[bytes], path: Path, limit: int) -> int:
    """Copy an open file to `path`, at most `limit` bytes (ValueError beyond); returns the bytes written."""
    written = 0
    with writing(path) as file:
        while chunk := source.read(1 << 20):
            written += len(chunk)
            if written > limit:
                raise ValueError("too many bytes")
            file.write(chunk)
    return written


def read_small(path: Path) -> bytes:
    """The bytes of a file that people write. Raises OSError, also where it has no end or is no such file."""
    with open(path, "rb") as file:
        data = file.read(LARGEST_SMALL_BYTES + 1)
    if len(data) > LARGEST_SMALL_BYTES:
        raise OSError(errno.EFBIG, f"it is larger than {LARGEST_SMALL_BYTES // 10**6} MB")
    return data


def small_json(path: Path) -> Any:
    """What a small JSON file says, in UTF-8 or UTF-16. Raises OSError; ValueError, also where it is nested too deep."""
    try:
        return json.loads(read_small(path))
    except RecursionError:
        raise ValueError("it is nested too deep") from None


def sync_folder(folder: Path) -> None:
    """Flush a folder's own entries to the disk, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _name_if_free(passing: str, path: Path) -> None:
    try:
        os.link(passing, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        with open(passing, "rb") as source, open(path, "xb") as file:
            shutil.copyfileobj(source, file)
            file.flush()
            os.fsync(file.fileno())
