"""A shop's settings and the folder they live in.

One folder holds all that is the user's own: the environment variable PLACECHECK_HOME names
it, else the system's place for application data. `settings.toml` in it, if there is one,
says once what would otherwise be typed for every photo: [check] with the closure, the
block's circumference or a saved block's name, the card's measured bars, the camera and the
maker, written just as the options are; [records] with the address of shared records and
the folder of their photos; and the tables [tolerances], [aim], [decision] of tolerances.py.
An option on the command line outranks the file. Nothing is written here by itself; a fault
in the file is one sentence, and an unknown entry is named, never ignored.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from placecheck.errors import UnusableFile, UsageProblem
from placecheck.tolerances import Tolerances, read_toml, tolerances_from

CHECK_ENTRIES = ("closure", "block_circumference", "block", "card_bars", "camera", "maker")
RECORDS_ENTRIES = ("address", "photos")


@dataclass(frozen=True)
class Settings:
    """What is set once for all checks: option texts by name, the shop's tolerances, the place of records."""

    check: Mapping[str, str] = field(default_factory=dict)
    tolerances: Tolerances = field(default_factory=Tolerances)
    records: Mapping[str, str] = field(default_factory=dict)


def home() -> Path:
    """The folder for records, profiles and settings; it need not exist yet.

    Raises UsageProblem where it may not be read, UnusableFile where it is a file.
    """
    folder = home_named()
    refuse_barred(folder)
    return folder


def refuse_barred(folder: Path) -> None:
    """Raises UsageProblem where the folder for records and settings may not be read, UnusableFile for a file."""
    there = None
    try:
        there = next((path for path in (folder, *folder.parents) if path.exists()), None)
        barred = there == folder and not os.access(folder, os.R_OK | os.X_OK)
    except OSError:  # a folder above it bars the way
        barred = True
    if there is not None and not there.is_dir():
        raise UnusableFile(
            "home-is-a-file",
            f"{there} is a file, and records and settings need a folder: name a folder in PLACECHECK_HOME.",
        )
    if barred:
        raise UsageProblem(
            "home-unreadable",
            f"The folder {folder} for records and settings may not be read: give yourself permission to read it, or "
            "name another one in PLACECHECK_HOME.",
        )


def home_named() -> Path:
    """The folder for records, profiles and settings, not looked at."""
    named = os.environ.get("PLACECHECK_HOME")
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("placecheck", appauthor=False)


def load_settings(folder: Path | None = None) -> Settings:
    """The settings of `folder` (home() where None); the defaults where it has no settings.toml.

    Raises UsageProblem with one sentence.
    """
    path = (folder or home()) / "settings.toml"
    if not path.exists():
        return Settings()
    data = read_toml(path, "settings file")
    tables = ("check", "records", "tolerances", "aim", "decision")
    for name in sorted(set(data) - set(tables)):
        raise UsageProblem("settings-wrong", f"In {path}, there is no table “{name}”: it knows {', '.join(tables)}.")
    check = _texts(data, "check", CHECK_ENTRIES, path)
    records = _texts(data, "records", RECORDS_ENTRIES, path)
    return Settings(check, tolerances_from(data, str(path)), records)


@contextmanager
def said_in_settings(entry: str, typed: str | None = None) -> Iterator[None]:
    """Whoever reads what the table [check] says of `entry` here has a fault in it told as one of settings.toml.

    What was `typed` outranks the settings, and so do its faults.
    """
    try:
        yield
    except UsageProblem as error:
        code, message = error.problem.code, error.problem.message
        if typed or "settings.toml" in message:
            raise
        raise UsageProblem(code, f"In settings.toml, {entry}: {message}") from None


def _texts(data: Mapping[str, object], table: str, known: tuple[str, ...], path: Path) -> dict[str, str]:
    """A table whose entries are all text. Raises UsageProblem for any other."""
    found = data.get(table, {})
    if not isinstance(found, dict):
        raise UsageProblem("settings-wrong", f"In {path}, {table} must be a table: start it with a line [{table}].")
    for name, value in sorted(found.items()):
        if name not in known:
            raise UsageProblem(
                "settings-wrong", f"In {path}, [{table}] has no entry “{name}”: it knows {', '.join(known)}."
            )
        if not isinstance(value, str):
            raise UsageProblem(
                "settings-wrong", f'In {path}, {name} must be text in quotes, as the option is written: {name} = "...".'
            )
    return dict(found)
