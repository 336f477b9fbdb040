"""Small JSON files that the user's folder keeps: written whole or not at all, never over another unasked.

A profile, a measured card, a state of an order is a file of its own, written by whole_files.py:
a crash, a full disk or a pulled plug leaves the old file as it was, and of two programs that
write a new file at once one is told that it is there already. Reading returns a dictionary
or raises UsageProblem with one sentence: a damaged file is named, not guessed at.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from placecheck.errors import UsageProblem
from placecheck.whole_files import writing


def write_json(path: Path, data: Mapping[str, Any], replace: bool = False) -> None:
    """Write `data` to `path` atomically. Raises FileExistsError where it exists and `replace` is False.

    Raises UsageProblem where it cannot be written.
    """
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with writing(path, replace) as file:
            file.write(text.encode())
    except FileExistsError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise UsageProblem("cannot-save", f"{path} cannot be written ({reason}): nothing was saved.") from None


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
