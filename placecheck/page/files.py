"""Files written whole or not at all.

A file is written beside its place under a name of its own, brought to the disk (fsync) and
then put in its place by one rename, which the system does wholly or not at all; the folder is
brought to the disk after it, so that a file that was promised is there after a power cut.
What a killed process left half written ends in `.part` and is cleared at the next start.
Files are readable by their owner only.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path
from typing import IO


def write_whole(path: Path, data: bytes) -> None:
    """Write `data` to `path`. Raises OSError; the file that was there before is then untouched."""
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    try:
        with _private(part) as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def copy_whole(source: IO[bytes], path: Path, limit: int) -> int:
    """Copy an open file to `path`, at most `limit` bytes (ValueError beyond); returns the bytes written."""
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    written = 0
    try:
        with _private(part) as file:
            while chunk := source.read(1 << 20):
                written += len(chunk)
                if written > limit:
                    raise ValueError("too many bytes")
                file.write(chunk)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)
    return written


def _private(path: Path) -> IO[bytes]:
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError, AttributeError):  # a system that cannot open folders
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
