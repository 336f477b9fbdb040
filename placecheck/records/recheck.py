"""Recheck: does the program still say of a kept photo what its record says?

The kept photo, whose pixels and camera data are those of the original, is checked again
with the kept request (closure, block, tolerances, marks) and camera profile, and the two
answers are laid side by side: verdict, every value, uncertainty, limit, state, problem and
advice. With the program version that made the record they agree to the digit; after an
update the differences are the update's effect, and are reported as such. A demo record was invented,
not measured, and is passed over. The check itself is a callable, so that this module needs no
vision and tests can put their own in its place.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from placecheck.errors import PlacecheckError
from placecheck.records.earlier import kept_camera
from placecheck.records.model import Filter, Record
from placecheck.records.request_json import from_json, unknown_fields
from placecheck.records.store import Store
from placecheck.request import CheckRequest

CheckKept = Callable[[Path, CheckRequest, Mapping[str, Any] | None], Mapping[str, Any]]
"""Checks a photo file with a request and the kept camera profile (or None); returns the answer's JSON object."""


@dataclass(frozen=True)
class Difference:
    """One place where old and new answer differ, such as "measures.offset_mm.value"."""

    where: str
    old: Any
    new: Any


@dataclass(frozen=True)
class Recheck:
    """What came of one record: its differences (none: reproduced), or why it could not be rechecked."""

    record: int
    kept_version: str
    differences: tuple[Difference, ...] = ()
    not_done: str | None = None

    @property
    def reproduced(self) -> bool:
        return self.not_done is None and not self.differences


def check_kept(photo: Path, request: CheckRequest, profile: Mapping[str, Any] | None = None) -> Mapping[str, Any]:
    """The program's own check, as the command line does it; the profile kept with it is used, or none."""
    from placecheck.judge import failed_answer
    from placecheck.one_photo import check_photo
    from placecheck.photo import load_photo

    try:
        opened = load_photo(photo)
        return check_photo(opened, request, None, kept_camera(opened, profile, photo)).as_json()
    except PlacecheckError as error:
        return failed_answer(error, request.stage).as_json()


def differences(old: Any, new: Any, where: str = "") -> Iterator[Difference]:
    """Where two JSON values differ, deepest places first named in the order of the old one."""
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for name in [*old, *(n for n in new if n not in old)]:
            inner = f"{where}.{name}" if where else str(name)
            if name in old and name in new:
                yield from differences(old[name], new[name], inner)
            elif old.get(name) != new.get(name):  # what is not there and what is null say the same
                yield Difference(inner, old.get(name), new.get(name))
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for i, (a, b) in enumerate(zip(old, new, strict=True)):
            yield from differences(a, b, f"{where}[{i}]")
    elif old != new:
        yield Difference(where, old, new)


def recheck_record(store: Store, found: Record, check: CheckKept = check_kept) -> Recheck:
    """Check one record's photo again and compare."""
    if found.summary.origin == "demo":
        return Recheck(found.id, found.program_version, not_done="a demo record, invented and not measured")
    if not found.answer or not found.request:
        return Recheck(found.id, found.program_version, not_done="damaged, see `placecheck records verify`")
    if "photos" in found.answer and not found.request.get("others"):
        return Recheck(found.id, found.program_version, not_done="measured from several photos, of which one was kept")
    if found.photo is None:
        return Recheck(found.id, found.program_version, not_done="no photo was kept")
    unknown = unknown_fields(CheckRequest, found.request)
    if unknown:
        return Recheck(found.id, found.program_version, not_done=f"its request has {', '.join(unknown)}, unknown here")
    try:
        store.photos.read(found.photo.sha256, found.photo.ending)
        request = from_json(CheckRequest, found.request)
        answer = check(store.photos.path(found.photo.sha256, found.photo.ending), request, found.profile)
    except PlacecheckError as error:
        return Recheck(found.id, found.program_version, not_done=error.problem.message)
    except ValueError as error:
        return Recheck(found.id, found.program_version, not_done=f"its request cannot be read ({error})")
    again = json.loads(json.dumps(answer))
    return Recheck(found.id, found.program_version, tuple(differences(_named(found.answer), _named(again))))


def recheck(store: Store, wanted: Filter, check: CheckKept = check_kept) -> Iterator[Recheck]:
    """Recheck every record that matches, oldest first."""
    for found in list(store.each(wanted)):
        yield recheck_record(store, found, check)


def _named(answer: Mapping[str, Any]) -> dict[str, Any]:
    """An answer in which problems are keyed by code, so that one more problem is one difference, not many.

    Remarks on camera profiles are left out: they speak of the profiles that were there on that day. So are the files
    that a set was given by, and their names in the advice.
    """
    photos = answer.get("photos") or ()
    if photos:
        first = Path(photos[0]["photo"]).name
        fixes = [fix.replace(f"of {first})", "of the photo)") for fix in answer.get("fixes", ())]
        answer = {**{name: value for name, value in answer.items() if name != "photos"}, "fixes": fixes}
    problems = {p["code"]: p["message"] for p in answer.get("problems", ()) if not p["code"].startswith("profile-")}
    return {**answer, "problems": problems}
