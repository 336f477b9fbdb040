"""Several photos of one pinned block, from files to one answer, whatever happens on the way.

Every photo is sighted by itself as a single check does (sighting.py, measuring.py); then all are measured
as one (as_one.py), judged and advised as one. Nothing is averaged: there is one dome, one set of
points in space and one budget. A photo that cannot be used stops the set, with its name in
the sentence; the user may leave it out. The answer's landmarks are those of the first photo, and every
photo has its own in the list of photos. Pictures show the common solution drawn into each
photo, so that a wrong one is seen at once.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from placecheck.answer import Answer, Findings, Measured, View
from placecheck.errors import PlacecheckError, Problem, RetakeNeeded, UsageProblem
from placecheck.request import CheckRequest

if TYPE_CHECKING:
    from placecheck.photo import Photo
    from placecheck.profiles.match import Picked
    from placecheck.sighting import Sighted

NO_MEMORY = "There is not enough memory for these photos: close other programs, or give smaller copies of them."


@dataclass(frozen=True)
class Share:
    """One photo of the set: its file, and what to draw in it.

    `alone` is what a photo after the first answers by itself, where that was asked for; `sha256` is that of the bytes
    that were measured.
    """

    path: Path
    findings: Findings = field(default_factory=Findings)
    view: View | None = None
    alone: Answer | None = None
    sha256: str | None = None


@dataclass(frozen=True)
class CheckedSet:
    """The one answer for a set of photos, what could not be written beside it, and the pictures that were."""

    shares: tuple[Share, ...]
    answer: Answer
    notes: tuple[str, ...] = ()
    drawn: tuple[Path, ...] = ()

    def as_json(self) -> dict[str, object]:
        """The answer's JSON object with the list of photos and each photo's landmarks."""
        photos: list[dict[str, object]] = []
        for share in self.shares:
            marks = share.findings.landmarks_px
            entry: dict[str, object] = {
                "photo": str(share.path),
                "landmarks_px": {n: [round(float(x), 2), round(float(y), 2)] for n, (x, y) in marks.items()},
            }
            if share.view is not None:
                entry["lean_to_face_deg"] = round(share.view.lean_to_face_deg, 1)
            photos.append(entry)
        return {**self.answer.as_json(), "photos": photos}


def open_all(paths: Sequence[Path]) -> list[Photo]:
    """The photos of the set. Raises UsageProblem for fewer than two different photos, UnusableFile for no photo."""
    from placecheck.photo import load_photo

    if len(paths) < 2:
        raise UsageProblem(
            "same-block-one",
            "--same-block needs two or more photos of the same block from different sides: name them all in one call.",
        )
    contents: dict[bytes, Path] = {}
    photos = []
    for path in paths:
        try:
            photo = load_photo(path)
        except PlacecheckError as error:
            raise type(error)(error.problem.code, _named(path, error.problem.message)) from error
        key = photo.gray.tobytes()
        if key in contents:
            raise UsageProblem(
                "same-photo-twice",
                f"{contents[key]} and {path} are the same photo: name photos taken from different sides.",
            )
        contents[key] = path
        photos.append(photo)
    return photos


def _named(path: Path, message: str) -> str:
    return message if str(path) in message or path.name in message else f"{path.name}: {message}"


def check_together(
    paths: Sequence[Path],
    request: CheckRequest,
    overlays: Mapping[Path, Path] | None = None,
    alone: bool = False,
) -> CheckedSet:
    """The answer for a set of photo files; writes the pictures asked for (photo to picture).

    `alone`: with what each photo after the first answers by itself.
    Raises UsageProblem where the set makes no sense, else nothing but Ctrl-C.
    """
    from placecheck.failures import stopped_answer

    shares = tuple(Share(path) for path in paths)
    photos: list[Photo] = []
    each: tuple[Measured, ...] = ()
    try:
        photos = open_all(paths)
        shares = tuple(Share(p, sha256=photo.sha256) for p, photo in zip(paths, photos, strict=True))
        answer, each, own = _answer(paths, photos, request, alone)
        shares = tuple(
            replace(share, findings=m.findings, view=m.view, alone=a)
            for share, m, a in zip(shares, each, own, strict=True)
        )
        json.dumps(answer.as_json(), allow_nan=False)
    except UsageProblem:
        raise
    except Exception as error:
        answer = stopped_answer(error, request.stage, NO_MEMORY)
    notes, drawn = [], []
    for k, path in enumerate(paths):
        if overlays and path in overlays:
            photo = photos[k] if k < len(photos) else None
            note = _draw(photo, each[k] if each else None, answer, request, overlays[path])
            notes += [note] if note else []
            drawn += [overlays[path]] if not note else []
    return CheckedSet(shares, answer, tuple(notes), tuple(drawn))


def _answer(
    paths: Sequence[Path], photos: Sequence[Photo], request: CheckRequest, alone: bool
) -> tuple[Answer, tuple[Measured, ...], list[Answer | None]]:
    """The set's answer, the same measures with each photo's findings, and what each photo answers `alone`."""
    from placecheck.measuring import sight_whole
    from placecheck.one_photo import answer_for
    from placecheck.profiles.match import pick_camera
    from placecheck.same_block.as_one import measure_together

    sighted: list[Sighted] = []
    owns: list[Answer | None] = []
    notes: tuple[Problem, ...] = ()
    profile = None
    for path, photo in zip(paths, photos, strict=True):
        try:
            picked = pick_camera(photo, request)
            sighted.append(sight_whole(photo, request, picked.camera))
        except RetakeNeeded as error:
            raise RetakeNeeded(error.problem.code, _named(path, error.problem.message)) from error
        notes += picked.notes + sighted[-1].notes
        profile = profile or picked.kept
        owns.append(_own_answer(sighted[-1], picked, request) if alone and len(sighted) > 1 else None)
    measured, each = measure_together([p.name for p in paths], sighted, request)
    measured = replace(measured, problems=tuple(dict.fromkeys([*measured.problems, *notes])), camera_profile=profile)
    answer = answer_for(measured, request)
    # directions in the advice are those of the first photo
    fixes = tuple(fix.replace("of the photo)", f"of {paths[0].name})") for fix in answer.fixes)
    return replace(answer, fixes=fixes), each, owns


def _own_answer(sighted: Sighted, picked: Picked, request: CheckRequest) -> Answer:
    """What a photo answers by itself."""
    from placecheck.measuring import measured_of
    from placecheck.one_photo import answer_for

    own, _ = measured_of(sighted)
    return answer_for(replace(own, problems=own.problems + picked.notes, camera_profile=picked.kept), request)


def _draw(
    photo: Photo | None, measured: Measured | None, answer: Answer, request: CheckRequest, path: Path
) -> str | None:
    """Draw the answer into one photo, its numbers those that were judged; a sentence where that fails."""
    from placecheck.one_photo import write_overlay

    judged = answer.measured
    if measured is not None:  # measured before a soft tape's readings were weighed in
        judged = replace(measured, estimates=judged.estimates, missing=judged.missing)
    return write_overlay(photo, replace(answer, measured=judged), request, path)
