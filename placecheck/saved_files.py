"""Small JSON files that the user's folder keeps: written whole or not at all, never over another unasked.

A profile, a measured card, a state of an order is a file of its own, written by whole_files.py:
a crash, a full disk or a pulled plug leaves the old file as it was, and of two programs that
write a new file at once one is told that it is there already. Reading returns a dictionary
or raises UsageProblem with one sentence: a damaged file is named, not guessed at. Things that go
by a name (camera profiles, blocks) lie in a folder of their own, NAME.json, found whatever the
capitals; what is forgotten is only set aside under an ending that is no longer read.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from placecheck.errors import Problem, UnusableFile, UsageProblem
from placecheck.whole_files import writing

NAME = re.compile(r"[^\W_][\w -]{0,47}")
Kept = TypeVar("Kept")


def write_json(path: Path, data: Mapping[str, Any], replace: bool = False) -> None:
    """Write `data` to `path` atomically. Raises FileExistsError where it exists and `replace` is False.

    Raises UnusableFile where it cannot be written.
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
        raise UnusableFile("cannot-save", f"{path} cannot be written ({reason}): nothing was saved.") from None


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


def named_files(folder: Path) -> list[Path]:
    """The files of all that goes by a name in `folder`."""
    return sorted(p for p in folder.glob("*.json") if not p.name.startswith("."))


def checked_name(name: str, code: str) -> str:
    """The name without blanks around it. Raises UsageProblem `code` for one that cannot be a file's."""
    name = name.strip()
    if not NAME.fullmatch(name):
        raise UsageProblem(code, f"“{name}” cannot be a name: use letters, digits, blanks, - and _, at most 48.")
    return name


def named_file(folder: Path, name: str) -> Path:
    """The file of a checked name, whatever its capitals."""
    for path in named_files(folder):
        if path.stem.casefold() == name.casefold():
            return path
    return folder / f"{name}.json"


def read_named(
    folder: Path, what: str, make: Callable[[dict[str, Any], Path], Kept]
) -> tuple[list[Kept], tuple[Problem, ...]]:
    """All that `make` can read in `folder`, and a problem for each file that it cannot."""
    kept, problems = [], []
    for path in named_files(folder):
        try:
            kept.append(make(read_json(path, what), path))
        except UsageProblem as error:
            problems.append(error.problem)
    return kept, tuple(problems)


def set_aside(path: Path, ending: str) -> Path:
    """Rename a named file so that it is no longer read; its new path. Raises UnusableFile."""
    aside, number = path.with_suffix(ending), 1
    while aside.exists():
        number += 1
        aside = path.with_suffix(f"{ending}{number}")
    try:
        path.rename(aside)
    except OSError as error:
        raise UnusableFile("cannot-remove", f"{path} cannot be moved away: {error.strerror}.") from None
    return aside
