"""One photo's second half: from all that was found in it to the measures and their uncertainty.

What was sighted (sighting.py) is completed by the photo of the cap alone, where there is one:
then the rim under the hair is where that photo shows it (cap/before.py). Landmarks and lines
are put on the dome, corners that are known badly are steadied by the closure's width, the
measures are read along the surface, and every unknown that they hang on is moved by its own
uncertainty to see what they do (uncertainty.py). Marks that are set by hand later need no
second look at the photo: the block is fitted anew from what was sighted, and all is measured
again (remeasure). Here, too, nothing is decided: what cannot be had is missing with a reason,
a step that cannot go on raises RetakeNeeded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from placecheck.answer import Measured
from placecheck.camera import Camera
from placecheck.contradictions import tape_doubt
from placecheck.findings import estimated, far_off, findings_of, grounds_of, view_of
from placecheck.marks import Marks
from placecheck.measure import OnDome, measure_at, put_on_dome
from placecheck.observing import (
    by_hand,
    check_centre_on_block,
    check_on_block,
    check_way_round,
    clues_of,
    with_steadied_corners,
)
from placecheck.photo import Photo
from placecheck.request import CheckRequest
from placecheck.sighting import Sighted, sight
from placecheck.standing import fit_stage
from placecheck.uncertainty import budgets

Explain = Callable[[str, Any], None]


def sight_whole(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> Sighted:
    """What a photo shows, completed by the photo of the cap alone that `request` names; a rim set by hand outranks it.

    Raises RetakeNeeded or UsageProblem.
    """
    seen = sight(photo, request, camera)
    if request.cap is None or (request.marks is not None and "cap_rim" in request.marks.lines_px):
        return seen
    from placecheck.cap.before import with_cap

    return with_cap(seen, request.cap)


def measure_photo(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> Measured:
    """Measure one photo. Raises RetakeNeeded where a step cannot go on; `explain(name, BGR image)` gets pictures."""
    return look(photo, request, explain, camera)[0]


def look(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> tuple[Measured, Sighted, OnDome]:
    """As measure_photo, with what was seen and where it lies on the dome."""
    seen = sight_whole(photo, request, camera)
    measured, on = measured_of(seen)
    if explain is not None:
        from placecheck.explain import explain_pictures

        for name, image in explain_pictures(photo, seen):
            explain(name, image)
    return measured, seen, on


def remeasure(seen: Sighted, marks: Marks | None) -> Measured:
    """Measure again with `marks` set by hand in place of what was found, without looking at the photo again."""
    return measured_of(with_marks(seen, marks))[0]


def with_marks(seen: Sighted, marks: Marks | None) -> Sighted:
    """What was sighted with `marks` set by hand in place of what was found, the block fitted anew.

    Raises UsageProblem for a centre line beside the block.
    """
    request = replace(seen.stage.request, marks=marks)
    height, width = seen.stage.colours.photo_shape
    observed = by_hand(seen.observed, request, width, height)
    check_centre_on_block(observed, seen.fit.geometry)
    clues = clues_of(observed, seen.fit.geometry, request, seen.sighting.rim_yaw_deg)
    fit = fit_stage(seen.stage, seen.block.outline_px, seen.outline_u_px, seen.fit.theta, clues, 3)
    return replace(seen, fit=fit, observed=observed)


def measured_of(seen: Sighted) -> tuple[Measured, OnDome]:
    """Measures, uncertainties and findings of what was sighted. Raises UsageProblem for marks that cannot be so."""
    request = seen.stage.request
    geometry = seen.fit.geometry
    on = put_on_dome(geometry, seen.observed)
    check_on_block(seen.observed, on)
    check_way_round(seen.observed, on)
    observed = with_steadied_corners(seen.observed, on, geometry, request)
    on = put_on_dome(geometry, observed, chart=on.chart)
    values = measure_at(on, request.closure.width_mm)
    parts = budgets(seen.fit, observed, on, request.closure.width_mm, values)
    grounds = grounds_of(observed)
    estimates, missing = estimated(values, parts, observed, grounds)
    found = findings_of(geometry, observed, on)
    notes, view = tape_doubt(seen.fit) + far_off(estimates, observed) + seen.notes, view_of(geometry, on.chart)
    return Measured(estimates, missing, found, notes, view, grounds=grounds), on
