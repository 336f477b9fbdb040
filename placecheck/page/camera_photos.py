"""The photos of a camera calibration in progress, and what a worker process said of them.

One set at a time, in a folder of its own under names drawn by number ("photo 3"), at most
thirty. After every new photo a worker looks at all of them and its report (which serve, which do
not and why, which poses are still missing, or the finished profile) is kept beside them. The
server side here only stores and reads; `look` and what it calls run in the worker and use
placecheck.profiles.calibrate, and the worker hands the profile back as its file's plain contents,
which are read again by profiles.from_json before they are saved.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any

from placecheck.errors import UsageProblem
from placecheck.page.inbox import too_large
from placecheck.whole_files import copy_whole, small_json, write_whole

MOST = 30


def _folder(home: Path) -> Path:
    folder = home / "page" / "camera"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder


def _photos(home: Path) -> list[Path]:
    found = [p for p in _folder(home).iterdir() if re.fullmatch(r"photo \d+", p.name)]
    return sorted(found, key=lambda p: int(p.name.split()[1]))


def add(home: Path, source: IO[bytes], limit: int) -> None:
    """Keep one more photo. Raises UsageProblem."""
    there = _photos(home)
    if len(there) >= MOST:
        raise UsageProblem("camera-full", f"{MOST} photos are more than enough: finish, or start over.")
    number = int(there[-1].name.split()[1]) + 1 if there else 1
    try:
        copy_whole(source, _folder(home) / f"photo {number}", limit)
    except ValueError:
        raise UsageProblem("too-large", too_large(limit)) from None
    except OSError as error:
        raise UsageProblem("not-kept", f"The photo could not be kept on the computer ({error.strerror}).") from None


def clear(home: Path) -> None:
    """Remove the photos and their report."""
    for path in (*_photos(home), _folder(home) / "report.json"):
        path.unlink(missing_ok=True)


def shown(home: Path) -> dict[str, Any]:
    """The report on the photos, and the profiles there are."""
    from placecheck.profiles.kept import PROFILES, profiles_folder

    report: dict[str, Any] = {}
    with contextlib.suppress(OSError, ValueError, TypeError):
        report = dict(small_json(_folder(home) / "report.json"))
    profiles, problems = PROFILES.load_all(profiles_folder(home))
    return {
        "count": len(_photos(home)),
        "report": {"photos": [], "missing": [], "problem": "", "done": "", "usable": 0, **report},
        "profiles": profiles,
        "problems": [p.message for p in problems],
    }


def message(home: Path, name: str, replace: bool = False) -> dict[str, Any]:
    """What the worker is asked: look, or with a name calibrate.

    Raises UsageProblem for a name that is none, or that a profile has which shall not be replaced.
    """
    from placecheck.card_bars import bars_in_use
    from placecheck.profiles.kept import PROFILES, profiles_folder
    from placecheck.settings import load_settings

    if name and not replace and PROFILES.path(profiles_folder(home), name).exists():
        raise UsageProblem(
            "profile-exists",
            f"There is a camera profile “{name}” already: go back, choose another name or tick “Replace”.",
        )
    return {
        "do": "card",
        "paths": [str(path) for path in _photos(home)],
        "bars_mm": bars_in_use(home, load_settings(home)),
        "name": PROFILES.checked_name(name) if name else "",
    }


def keep(home: Path, header: Mapping[str, Any]) -> None:
    """Take the worker's report over, and save the profile if it is finished. Raises UsageProblem, ValueError."""
    from placecheck.profiles.kept import PROFILES, from_json, profiles_folder

    report = {
        "photos": [[str(n)[:40], str(why)[:400]] for n, why in header.get("photos", [])][:MOST],
        "missing": [str(m)[:300] for m in header.get("missing", [])][:20],
        "problem": str(header.get("problem", ""))[:600],
        "usable": int(header.get("usable", 0)),
        "done": "",
    }
    if header.get("profile"):
        profile = from_json(header["profile"], Path("the worker's profile"))
        PROFILES.save(profile, profiles_folder(home), replace=True)
        clear(home)
        report = {"done": profile.name, "rms_px": round(profile.rms_px, 3), "f_px": round(profile.values[0], 1)}
    write_whole(_folder(home) / "report.json", json.dumps(report).encode())


def look(message: Mapping[str, Any]) -> dict[str, Any]:
    """In the worker: the report on all photos, with the profile where a name asks for it and it can be had."""
    from placecheck.errors import PlacecheckError
    from placecheck.profiles.calibrate import calibrate
    from placecheck.profiles.kept import as_json
    from placecheck.profiles.views import assess

    bars = message["bars_mm"]
    try:
        seen = assess([Path(p) for p in message["paths"]], tuple(bars) if bars else None)
    except PlacecheckError as error:
        return {"problem": error.problem.message}
    report = {
        "photos": [[r.name, r.reason or ""] for r in seen.reports],
        "missing": list(seen.missing),
        "usable": len(seen.usable),
    }
    if message["name"]:
        try:
            report["profile"] = as_json(calibrate(seen, message["name"]).profile)
        except PlacecheckError as error:
            report["problem"] = error.problem.message
    return report
