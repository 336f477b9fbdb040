"""Small JSON files that the user's folder keeps: written whole or not at all, never over another unasked.

A profile, a measured card, a state of an order is a file of its own, written by whole_files.py:
a crash, a full disk or a pulled plug leaves the old file as it was, and of two programs that
write a new file at once one is told that it is there already. Reading returns a dictionary
or raises UsageProblem with one sentence: a damaged file is named, not guessed at. Things that go
by a name (camera profiles, blocks) lie on a shelf, a folder of their own with a file NAME.json for
each; what is forgotten is only set aside under an ending that is no longer read.
"""

from __future__ import annotations

import json
import os
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from placecheck.errors import Problem, UnusableFile, UsageProblem
from placecheck.whole_files import small_json, writing

NAME = re.compile(r"[^\W_][\w -]{0,47}")


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
        data = small_json(path)
    except FileNotFoundError:
        raise UsageProblem("file-missing", f"There is no {what} at {path}: check the name.") from None
    except OSError as error:
        raise UsageProblem("file-unreadable", f"The {what} {path} cannot be read: {error.strerror}.") from None
    except ValueError:
        data = None
    if not isinstance(data, dict):
        raise UsageProblem("file-damaged", f"The {what} {path} is damaged: move it away and make it again.")
    return data


class Named(Protocol):
    """Something that goes by a name."""

    @property
    def name(self) -> str: ...


Kept = TypeVar("Kept", bound=Named)


@dataclass(frozen=True)
class Shelf(Generic[Kept]):
    """All things of one kind that go by a name, each a file NAME.json in a folder, found whatever its capitals.

    `what` is the kind in words, `make` says how to come by a first one, `code` begins the codes of its problems, with
    `unknown` for a name that is not there; `ending` is that of a file set aside.
    """

    what: str
    make: str
    code: str
    unknown: str
    ending: str
    as_json: Callable[[Kept], dict[str, Any]]
    from_json: Callable[[Mapping[str, Any], Path], Kept]

    def checked_name(self, name: str) -> str:
        """The name without needless blanks. Raises UsageProblem for one that cannot be a file's."""
        name = _single_spaced(name)
        if not NAME.fullmatch(name):
            raise UsageProblem(
                f"{self.code}-name", f"“{name}” cannot be a name: use letters, digits, blanks, - and _, at most 48."
            )
        return name

    def path(self, folder: Path, name: str) -> Path:
        """The file of that name, there or not. Raises UsageProblem for a name that cannot be a file's."""
        name = self.checked_name(name)
        for path in _files(folder):
            if _single_spaced(path.stem).casefold() == name.casefold():
                return path
        return folder / f"{name}.json"

    def refuse_taken(self, folder: Path, name: str, replace: bool) -> None:
        """Raises UsageProblem where there is one of that name and it may not be replaced."""
        path = self.path(folder, name)
        if path.exists() and not replace:
            raise UsageProblem(
                f"{self.code}-exists",
                f"There is a {self.what} “{path.stem}” already: choose another name, or add --replace to overwrite it.",
            )

    def save(self, kept: Kept, folder: Path, replace: bool = False) -> Path:
        """Write the file of `kept`; its path. Raises UsageProblem where the name is taken and `replace` is False."""
        self.refuse_taken(folder, kept.name, replace)
        path = self.path(folder, kept.name)
        try:
            write_json(path, self.as_json(kept), replace)
        except FileExistsError:  # another program was quicker
            self.refuse_taken(folder, kept.name, False)
            raise
        return path

    def load(self, folder: Path, name: str) -> Kept:
        """The one of that name. Raises UsageProblem where there is none or its file is damaged."""
        path = self.path(folder, name)
        if not path.exists():
            there = ", ".join(p.stem for p in _files(folder))
            raise UsageProblem(
                self.unknown, f"There is no {self.what} “{name}”: {f'there is {there}' if there else self.make}."
            )
        return self._read(path)

    def load_all(self, folder: Path) -> tuple[list[Kept], tuple[Problem, ...]]:
        """All that can be read, and a problem for each file that cannot."""
        kept, problems = [], []
        try:
            files = _files(folder)
        except UnusableFile as error:
            return [], (error.problem,)
        for path in files:
            try:
                kept.append(self._read(path))
            except UsageProblem as error:
                problems.append(error.problem)
        return kept, tuple(problems)

    def set_aside(self, folder: Path, name: str) -> Path:
        """Rename the file of that name so that it is no longer read; its new path.

        Raises UsageProblem where there is none, UnusableFile where it cannot be renamed.
        """
        path = self.path(folder, name)
        if not path.exists():
            self.load(folder, name)
        aside, number = path.with_suffix(self.ending), 1
        while aside.exists():
            number += 1
            aside = path.with_suffix(f"{self.ending}{number}")
        try:
            path.rename(aside)
        except OSError as error:
            raise UnusableFile("cannot-remove", f"{path} cannot be moved away: {error.strerror}.") from None
        return aside

    def _read(self, path: Path) -> Kept:
        # by the file's name, which finds it, also where somebody copied or renamed the file
        return self.from_json({**read_json(path, self.what), "name": composed(path.stem)}, path)


def composed(name: str) -> str:
    """The name with ü and its like as one letter each; some systems write u and two dots."""
    return unicodedata.normalize("NFC", name)


def _single_spaced(name: str) -> str:
    """The name as it is told apart from others: composed, one blank between words."""
    return composed(" ".join(name.split()))


def _files(folder: Path) -> list[Path]:
    """The files on a shelf; none where there is no folder yet. Raises UnusableFile where it cannot be looked into."""
    try:
        names = os.listdir(folder)
    except FileNotFoundError:
        return []
    except OSError as error:
        raise UnusableFile(
            "folder-unreadable", f"{folder} cannot be looked into ({error.strerror}): make it a folder you may read."
        ) from None
    return sorted(folder / name for name in names if name.endswith(".json") and not name.startswith("."))
