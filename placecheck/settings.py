"""A shop's settings and the folder they live in.

One folder holds all that is the user's own: the environment variable PLACECHECK_HOME names
it, else the system's place for application data. `settings.toml` in it, if there is one,
says once what would otherwise be typed for every photo: [check] with the closure, the
block's circumference, the card's measured bars and the camera, written just as the options
are, and the tables [tolerances], [aim], [decision] of tolerances.py. An option on the
command line outranks the file. Nothing is written here by itself; a fault in the file is
one sentence, and an unknown entry is named, never ignored.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from placecheck.errors import UsageProblem
from placecheck.tolerances import Tolerances, read_toml, tolerances_from

CHECK_ENTRIES = ("closure", "block_circumference", "card_bars", "camera")


@dataclass(frozen=True)
class Settings:
    """What is set once for all checks: option texts by name (CHECK_ENTRIES), and the shop's tolerances."""

    check: Mapping[str, str] = field(default_factory=dict)
    tolerances: Tolerances = field(default_factory=Tolerances)


def home() -> Path:
    """The folder for records, profiles and settings; it need not exist yet."""
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
    tables = ("check", "tolerances", "aim", "decision")
    for name in sorted(set(data) - set(tables)):
        raise UsageProblem("settings-wrong", f"In {path}, there is no table “{name}”: it knows {', '.join(tables)}.")
    check = data.get("check", {})
    if not isinstance(check, dict):
        raise UsageProblem("settings-wrong", f"In {path}, check must be a table: start it with a line [check].")
    for name, value in sorted(check.items()):
        if name not in CHECK_ENTRIES:
            known = ", ".join(CHECK_ENTRIES)
            raise UsageProblem("settings-wrong", f"In {path}, [check] has no entry “{name}”: it knows {known}.")
        if not isinstance(value, str):
            raise UsageProblem(
                "settings-wrong", f'In {path}, {name} must be text in quotes, as the option is written: {name} = "...".'
            )
    return Settings(dict(check), tolerances_from(data, str(path)))
