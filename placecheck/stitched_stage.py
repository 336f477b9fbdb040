"""Once the closure is stitched: the same measures again, and what moved since the pinned photo of the same order.

The pinned photo is the one the records keep. It is measured again here, with the request, the hand
marks and the camera profile that were kept with it, so that both photos go through the same
program and their errors can be put side by side (movement.py). What stands in the way of the
comparison is one sentence among the answer's problems; the measures never depend on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from placecheck.answer import Measured, Move
from placecheck.check import Sighted, look
from placecheck.errors import PlacecheckError, Problem
from placecheck.measure import OnDome
from placecheck.movement import Placed, moves, place
from placecheck.request import CheckRequest
from placecheck.standing import stage_prior

if TYPE_CHECKING:
    from placecheck.camera import Camera
    from placecheck.photo import Photo

Explain = Callable[[str, Any], None]

NO_PINNED = Problem(
    "pinned-photo-missing",
    "What moved since pinning cannot be told, because no photo of the pinned closure is on record for this order: next "
    "time check it pinned first, and give both photos the same --order.",
)


def measure_stitched(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> Measured:
    """Measure a stitched closure and its moves since `request.since`. Raises RetakeNeeded as the main check does."""
    measured, seen, on = look(photo, request, explain, camera)
    if request.since is None:
        return replace(measured, problems=(*measured.problems, NO_PINNED))
    try:
        found = moves_since(request.since, seen, on)
    except PlacecheckError as error:
        why = error.problem.message.rstrip(".")
        told = Problem(
            "pinned-photo-unusable", f"What moved since pinning cannot be told from record {request.since}: {why}."
        )
        return replace(measured, problems=(*measured.problems, told))
    return replace(measured, moves=found)


def moves_since(record: int, seen: Sighted, on: OnDome) -> dict[str, Move]:
    """How the landmarks of a stitched photo moved since the pinned photo of a record. Raises PlacecheckError."""
    earlier, before = pinned_photo(record)
    request = seen.stage.request
    if earlier.closure != request.closure:
        raise PlacecheckError(
            "pinned-other-closure", f"it is of a {earlier.closure.label} closure, not of a {request.closure.label} one"
        )
    photo, camera = before
    _, seen_before, on_before = look(photo, earlier, None, camera)
    same_tape = abs(earlier.block_circumference_mm - request.block_circumference_mm) < 0.1
    same_tape &= earlier.block == request.block
    return moves(_placed(seen_before, on_before), _placed(seen, on), same_tape)


def _placed(seen: Sighted, on: OnDome) -> Placed:
    return place(seen.fit, stage_prior(seen.stage), seen.observed, on)


def pinned_photo(record: int) -> tuple[CheckRequest, tuple[Photo, Camera | None]]:
    """The request, the photo and the camera of a record, as they were checked. Raises PlacecheckError."""
    from placecheck.photo import load_photo
    from placecheck.profile_match import camera_in
    from placecheck.profiles import from_json as profile_from
    from placecheck.records.request_json import from_json
    from placecheck.records.store import open_store

    store = open_store()
    try:
        found = store.get(record)
        data = store.photo(found)
        if found.photo is None or data is None:
            raise PlacecheckError("pinned-no-photo", "it was kept without its photo")
        path = store.photos.path(found.photo.sha256, found.photo.ending)
    finally:
        store.close()
    try:
        request = from_json(CheckRequest, found.request)
    except ValueError:
        raise PlacecheckError("pinned-request", "what it was asked cannot be read any more") from None
    photo = load_photo(data)
    if found.profile is None:
        return request, (photo, None)
    return request, (photo, camera_in(profile_from(found.profile, path), photo))


def latest_pinned(order: str | None) -> int | None:
    """The number of the order's last measured pinned record, or None. Raises PlacecheckError."""
    from placecheck.records.store import open_store

    if not order:
        return None
    store = open_store()
    try:
        found = store.latest_per_stage(order).get("pinned")
    finally:
        store.close()
    return found.id if found is not None else None
