"""What the machine lacks: system libraries, packages, versions, as sentences.

The opencv-python wheel brings its own libraries except a few that every desktop has and
a fresh server or container has not: libGL and GLib. Importing it there fails with the
loader's message, which helps nobody at a bench; here it becomes the command that mends it
(package names of Debian and Ubuntu; newer ones call GLib's libglib2.0-0t64, and apt finds
it by the old name). Two OpenCV distributions in one environment overwrite each other's
files and fail in odd ways, so that is looked for too. Nothing here imports OpenCV by
itself except to see whether it can be.
"""

from __future__ import annotations

import importlib.metadata
import re
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from placecheck.errors import INSTALL_EXTRA, PlacecheckError, Problem

OPENCV_DISTRIBUTIONS = (
    "opencv-python",
    "opencv-python-headless",
    "opencv-contrib-python",
    "opencv-contrib-python-headless",
)
SYSTEM_PACKAGES = "libgl1 libglib2.0-0"


@dataclass(frozen=True)
class Finding:
    """One thing looked at: whether it is good, whether the checker can do without, and a sentence."""

    what: str
    good: bool
    needed: bool
    message: str


def import_problem(error: ImportError) -> Problem:
    """What to do about a package that cannot be imported."""
    library = re.search(r"lib[\w.+-]+\.so[\w.]*", str(error))
    if library and "cannot open shared object" in str(error):
        return Problem(
            "system-library-missing",
            f"The system library {library[0]} is missing, which OpenCV needs: install it with “apt-get install -y "
            f"{SYSTEM_PACKAGES}” (as root or with sudo) and try again.",
        )
    return Problem(
        "package-missing",
        f"A Python package cannot be loaded ({error}): install placecheck again with its dependencies.",
    )


def _opencv() -> list[Finding]:
    found = []
    for name in OPENCV_DISTRIBUTIONS:
        try:
            found.append((name, importlib.metadata.version(name)))
        except importlib.metadata.PackageNotFoundError:
            continue
    names = " and ".join(f"{name} {version}" for name, version in found)
    one = Finding(
        "one OpenCV",
        len(found) == 1,
        True,
        names
        if len(found) == 1
        else f"{names or 'none'} installed: uninstall all of them, then install opencv-python.",
    )
    try:
        import cv2
    except ImportError as error:
        return [one, Finding("OpenCV loads", False, True, import_problem(error).message)]
    version = str(cv2.__version__)
    new_enough = int(version.split(".")[0]) >= 5
    return [
        one,
        Finding(
            "OpenCV 5 or later",
            new_enough,
            True,
            version if new_enough else f"{version} shifts the card's corners by half a pixel: install opencv-python 5.",
        ),
    ]


def _heic() -> Finding:
    try:
        import pi_heif
    except ImportError:
        how = f"not readable: {INSTALL_EXTRA.format('heic')}, or set the phone's camera to JPEG."
        return Finding("HEIC photos", False, False, how)
    return Finding("HEIC photos", True, False, f"pi_heif {pi_heif.__version__}")


def _writable(folder: Path) -> Finding:
    from placecheck.settings import refuse_barred

    try:
        refuse_barred(folder)
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except PlacecheckError as error:
        return Finding("folder for records and settings", False, True, error.problem.message)
    except OSError as error:
        return Finding(
            "folder for records and settings",
            False,
            True,
            f"{folder} cannot be written ({error.strerror}): make it writable, or name another in PLACECHECK_HOME.",
        )
    return Finding("folder for records and settings", True, True, str(folder))


def _settings(home: Path) -> Finding:
    from placecheck.settings import load_settings

    path = home / "settings.toml"
    try:
        check = load_settings(home).check
    except PlacecheckError as error:
        return Finding("settings", False, True, error.problem.message)
    except OSError as error:  # the folder bars the way
        return Finding("settings", False, True, f"{path} cannot be reached ({error.strerror}): mend the folder first.")
    try:
        _try_entries(check, home)
    except PlacecheckError as error:
        return Finding("settings", False, True, f"In {path}, [check]: {error.problem.message}")
    return Finding("settings", True, True, str(path) if path.exists() else "none kept, the usual ones hold")


def _try_entries(check: Mapping[str, str], home: Path) -> None:
    """Read what the settings' table [check] says as a check does. Raises PlacecheckError."""
    from placecheck.bare_block.saved import block_for, blocks_folder
    from placecheck.card_bars import parse_bars
    from placecheck.profiles.kept import PROFILES, profiles_folder
    from placecheck.units import parse_closure

    if "closure" in check:
        parse_closure(check["closure"])
    block_for(blocks_folder(home), None, None, check)
    if "card_bars" in check:
        parse_bars(check["card_bars"])
    if "camera" in check:
        PROFILES.load(profiles_folder(home), check["camera"])


def _records(home: Path) -> Finding:
    from placecheck.records.store import open_store

    try:
        with open_store(home) as store:
            n = store.count()
            return Finding("records", True, True, f"{n} kept in {store.database.words}" if n else "none kept yet")
    except PlacecheckError as error:
        return Finding("records", False, True, error.problem.message)


def examine(home: Path) -> list[Finding]:
    """Everything the checker needs of this machine, looked at."""
    version = ".".join(map(str, sys.version_info[:3]))
    python = Finding("Python 3.11 or later", sys.version_info >= (3, 11), True, version)
    folder, settings = _writable(home), _settings(home)
    # the settings say where the records are, and they lie in the folder
    records = [_records(home)] if folder.good and settings.good else []
    return [python, *_opencv(), _heic(), folder, settings, *records]
