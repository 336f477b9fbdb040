"""One photo measured together with earlier ones of the same block, as the bench page and its records ask for it.

A maker whose photo cannot decide takes a second one from another side, with nothing touched in between. The
request of that second photo names the first (request.OtherPhoto): a kept record or a file, with the marks
set by hand in it. Every photo is sighted by itself, then all are measured as one, as for a set of
photos; what is drawn and advised is told for the photo that was asked for, the first one. Where the
others cannot be used, because block or card was moved, because they contradict it or are no longer
there, the photo is measured by itself and the answer says why: a second photo must never cost the first one's answer.
Marks that are dragged in that photo need no second look at any of them (`again`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from placecheck.answer import Measured
from placecheck.camera import Camera
from placecheck.errors import PlacecheckError, Problem
from placecheck.marks import Marks
from placecheck.measuring import measured_of, sight_whole, with_marks
from placecheck.photo import Photo, load_photo
from placecheck.profiles.match import pick_camera
from placecheck.request import CheckRequest, OtherPhoto
from placecheck.same_block.as_one import measure_together
from placecheck.sighting import Sighted
from placecheck.steps import begun

Looked = tuple[tuple[Sighted, ...], tuple[Problem, ...]]
"""What was sighted, the photo that was asked for first, and what stood in the way of using the others."""


def measure_with_others(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> Measured:
    """Measure `photo` together with `request.others`; by itself, with a note, where these cannot be used.

    Raises RetakeNeeded where the photo itself cannot be measured.
    """
    return measured_as_one(*look_all(photo, request, camera))


def look_all(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> Looked:
    """All that is seen in the photo and the others. Raises RetakeNeeded where the photo itself shows too little."""
    asked = sight_whole(photo, request, camera)
    try:
        return (asked, *(_sighted(other, request) for other in request.others)), ()
    except PlacecheckError as error:
        said = error.problem.message
        return (asked,), (_alone(f"A photo before it cannot be used: {said[:1].lower()}{said[1:]}"),)


def again(looked: Looked, marks: Marks | None) -> Measured:
    """Measure again with `marks` set by hand in the photo that was asked for."""
    (asked, *others), notes = looked
    return measured_as_one((with_marks(asked, marks), *others), notes)


def measured_as_one(sighted: Sequence[Sighted], notes: tuple[Problem, ...]) -> Measured:
    """What the photos measure together, told for the first; that one by itself where they do not belong together."""
    asked = sighted[0]
    if len(sighted) > 1:
        try:
            together, _ = measure_together(_names(len(sighted)), sighted, asked.stage.request)
            told = dict.fromkeys([*together.problems, *(note for seen in sighted for note in seen.notes)])
            return replace(together, problems=tuple(told))
        except PlacecheckError as error:
            notes = (*notes, _alone(error.problem.message))
        except np.linalg.LinAlgError:
            notes = (*notes, _alone("They cannot be solved together."))
    measured, _ = measured_of(asked)
    return replace(measured, problems=measured.problems + notes)


def _sighted(other: OtherPhoto, request: CheckRequest) -> Sighted:
    """What another photo shows, looked at as this one is. Raises PlacecheckError."""
    from placecheck.records.earlier import earlier_photo

    marks, front = other.marks, other.front
    if other.photo == "":
        raise PlacecheckError("photo-gone", "It was thrown away.")
    if isinstance(other.photo, int):
        kept, photo, camera = earlier_photo(other.photo)
        marks, front = kept.marks, kept.front
    else:
        photo = load_photo(Path(other.photo))
        camera = pick_camera(photo, request).camera
    return sight_whole(photo, replace(request, marks=marks, front=front, others=()), camera)


def _names(count: int) -> list[str]:
    """The photos as their taker knows them, the one asked for first."""
    before = ["the photo before"] if count == 2 else [f"photo {k + 1}" for k in range(count - 1)]
    return ["this photo", *before]


def _alone(message: str) -> Problem:
    """That the photo was measured by itself, and why."""
    return Problem("others-unused", f"This photo was measured by itself. {begun(message)}")
