"""Once the closure is stitched: the same measures again, and what moved since the pinned photo of the same order.

The pinned photo is the one the records keep. It is measured again here, with the request, the hand
marks and the camera profile that were kept with it, so that both photos go through the same
program and their errors can be put side by side (stitched/movement.py). What stands in the way of the
comparison is one sentence among the answer's problems; the measures never depend on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from placecheck.answer import Measured, Move
from placecheck.errors import PlacecheckError, Problem
from placecheck.find.closure import line_in_photo
from placecheck.find.rim_in_picture import rim_in_view
from placecheck.measure import OnDome
from placecheck.measuring import look
from placecheck.records.earlier import earlier_photo
from placecheck.request import CheckRequest
from placecheck.sighting import Sighted
from placecheck.standing import stage_prior
from placecheck.stitched.movement import Placed, moves, place

if TYPE_CHECKING:
    from placecheck.camera import Camera
    from placecheck.photo import Photo

Explain = Callable[[str, Any], None]

NO_PINNED = Problem(
    "pinned-photo-missing",
    "What moved since pinning cannot be told, because no photo of the pinned closure is on record for this order: next "
    "time check it pinned first, and give both photos the same order.",
)


def measure_stitched(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> Measured:
    """Measure a stitched closure and its moves since `request.since`. Raises RetakeNeeded as the main check does."""
    measured, seen, on = look(photo, request, explain, camera)
    if request.since is None:
        return replace(measured, problems=(*measured.problems, NO_PINNED))
    try:
        found, notes = moves_since(request.since, seen, on)
    except PlacecheckError as error:
        why = error.problem.message.rstrip(".")
        told = Problem(
            "pinned-photo-unusable", f"What moved since pinning cannot be told from record {request.since}: {why}."
        )
        return replace(measured, problems=(*measured.problems, told))
    return replace(measured, moves=found, problems=measured.problems + notes)


def moves_since(record: int, seen: Sighted, on: OnDome) -> tuple[dict[str, Move], tuple[Problem, ...]]:
    """How the landmarks of a stitched photo moved since the pinned photo of a record, and what is odd about it.

    Raises PlacecheckError.
    """
    earlier, photo, camera = earlier_photo(record)
    request = seen.stage.request
    was, now = earlier.closure, request.closure
    if not was.same_as(now):
        raise PlacecheckError("pinned-other-closure", f"it is of a {was.label} closure, not of a {now.label} one")
    _, seen_before, on_before = look(photo, earlier, None, camera)
    same_tape = abs(earlier.block_circumference_mm - request.block_circumference_mm) < 0.1
    same_tape &= earlier.block == request.block
    found = moves_between((seen_before, on_before), (seen, on), same_tape)
    same = np.array_equal(seen_before.stage.colours.pixels, seen.stage.colours.pixels)
    return found, same_photo(record) if same else ()


def same_photo(record: int) -> tuple[Problem, ...]:
    """What is said where the photo given as the stitched one is the pinned one itself."""
    told = (
        f"This is the photo of record {record}, which was checked as pinned, so nothing can have moved in it: give a "
        "photo of the stitched closure."
    )
    return (Problem("pinned-same-photo", told),)


def moves_between(before: tuple[Sighted, OnDome], now: tuple[Sighted, OnDome], same_tape: bool) -> dict[str, Move]:
    """How the landmarks moved from one look at the closure to the next. Raises PlacecheckError."""
    return moves(_placed(*before), _placed(*now), same_tape)


def _placed(seen: Sighted, on: OnDome) -> Placed:
    in_view = line_in_photo(rim_in_view(seen.sighting, seen.grid), seen.grid, seen.fit.geometry, across_u=False)
    return place(seen.fit, stage_prior(seen.stage), seen.observed, on, in_view)
