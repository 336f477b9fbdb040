"""An order's earlier photos, as they were checked, for the stages that come after.

A later photo may rest on an earlier one of the same order: a stitched closure is compared with
the pinned one, and the cap photographed alone tells where its rim lies under the hair. The records
keep the photo, the request and the camera profile of every check, so the earlier photo
can be looked at again by today's program exactly as it was asked then. What stands in the way is
one PlacecheckError whose sentence begins in the middle: the caller says what cannot be done for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from placecheck.errors import PlacecheckError
from placecheck.request import CheckRequest, Stage

if TYPE_CHECKING:
    from placecheck.camera import Camera
    from placecheck.photo import Photo
    from placecheck.profiles.match import Picked
    from placecheck.records.store import Store


def earlier_photo(record: int, home: Path | None = None) -> tuple[CheckRequest, Photo, Camera | None]:
    """The request, the photo and the camera of a record, as they were checked. Raises PlacecheckError."""
    from placecheck.photo import load_photo
    from placecheck.records.request_json import from_json
    from placecheck.records.store import open_store

    with open_store(home) as store:
        found = store.get(record)
        data = store.photo(found)
        if found.photo is None or data is None:
            raise PlacecheckError("earlier-no-photo", "it was kept without its photo")
        path = store.photos.path(found.photo.sha256, found.photo.ending)
    try:
        request = from_json(CheckRequest, found.request)
    except ValueError:
        raise PlacecheckError("earlier-request", "what it was asked cannot be read any more") from None
    photo = load_photo(data)
    return request, photo, kept_camera(photo, found.profile, path).camera


def kept_camera(photo: Photo, profile: Mapping[str, Any] | None, path: Path) -> Picked:
    """The camera a record's photo was measured with: that of the profile kept with it, or none.

    `path` is the photo's, for the sentence. Raises UsageProblem for a damaged profile, ValueError where it does not
    fit the photo.
    """
    from placecheck.profiles.kept import from_json
    from placecheck.profiles.match import Picked, camera_in

    if profile is None:
        return Picked(None)
    kept = from_json(profile, path)
    return Picked(camera_in(kept, photo), kept)


def latest_of(store: Store, order: str | None, stage: Stage) -> int | None:
    """The number of the order's last measured record of a stage, or None. Raises PlacecheckError."""
    found = store.latest_per_stage(order).get(stage) if order else None
    return found.id if found is not None else None


def cap_photo_of(store: Store, order: str | None) -> int | None:
    """The record of the order's photo that shows the cap's rim best: the last one of the cap alone that was measured.

    Where none was, the last that was kept: the rim may be in view where the seam is not. Raises PlacecheckError.
    """
    from placecheck.records.model import Filter

    measured = latest_of(store, order, "cap")
    if measured is not None or not order:
        return measured
    return next((one.id for one in store.find(Filter(order=order, stage="cap"), limit=1, readings=False)), None)
