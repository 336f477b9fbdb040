"""Small JSON files that the user's folder keeps: written whole or not at all, never over another unasked.

A profile, a measured card or a block is a file of its own. It is written beside its place
under a passing name, flushed to the disk, and only then given its name, so that a crash, a
full disk or a pulled plug leaves the old file as it was. A file that must not be there yet
gets its name by a hard link, which fails where the name is taken, also when two programs
try at once; where the file system knows no links, by an exclusive open. Reading returns a
dictionary or raises UsageProblem with one sentence: a damaged file is named, not guessed at.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from placecheck.errors import UsageProblem


def write_json(path: Path, data: Mapping[str, Any], replace: bool = False) -> None:
    """Write `data` to `path` atomically. Raises FileExistsError where it exists and `replace` is False.

    Raises UsageProblem where it cannot be written.
    """
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, passing = tempfile.mkstemp(dir=path.parent, prefix=".writing-", suffix=".json")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            if replace:
                os.replace(passing, path)
            else:
                _name_if_free(passing, path, text)
        finally:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(passing)
    except FileExistsError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise UsageProblem("cannot-save", f"{path} cannot be written ({reason}): nothing was saved.") from None


def _name_if_free(passing: str, path: Path, text: str) -> None:
    try:
        os.link(passing, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        with open(path, "x", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())


def read_json(path: Path, what: str) -> dict[str, Any]:
    """The dictionary in `path`, which holds `what` ("the camera profile"). Raises UsageProblem with one sentence."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageProblem("file-missing", f"There is no {what} at {path}: check the name.") from None
    except OSError as error:
        raise UsageProblem("file-unreadable", f"The {what} {path} cannot be read: {error.strerror}.") from None
    except ValueError:
        data = None
    if not isinstance(data, dict):
        raise UsageProblem("file-damaged", f"The {what} {path} is damaged: move it away and make it again.")
    return data
