"""The best guess of a photo that was refused, for its picture.

A refused photo has no measures, but whoever has to take it again wants to see what was taken for what: a hand
for the block's edge, another closure's size, the nape for the face. So the photo is gone through once more as
far as it gets: the block's outline, then the first look at the unrolled dome with the cap's edge and centre
line, hairline, fold and corners as the finder has them. All of it is named a guess, and overlay.py draws it
broken; it goes into pictures only, never into the answer. What is not there at all (no card, no block, no cap)
is not guessed: the picture is the photo as it was taken, then. This takes half a check's time, so it is done
only where a picture is wanted.
"""

from __future__ import annotations

import contextlib
from dataclasses import replace

from placecheck.answer import Answer, Findings
from placecheck.camera import Camera
from placecheck.errors import PlacecheckError
from placecheck.failures import print_if_debugging
from placecheck.findings import findings_of
from placecheck.judge import EXIT_STATUS
from placecheck.measure import put_on_dome
from placecheck.observing import by_hand, observe
from placecheck.photo import Photo
from placecheck.request import CheckRequest
from placecheck.sighting import LEAST_CAP, LEAST_CLOSURE, Standing, glimpse

OF_THE_CAP = ("outline", "cap_rim", "centre_line")
"""Lines that a cap shows without a closure on it."""


def best_guess(photo: Photo, request: CheckRequest, camera: Camera | None) -> Findings:
    """What a refused photo shows all the same, every line and landmark a guess; nothing where no block was found."""
    seen = glimpse(photo, request, camera)
    guess = Findings() if seen.block is None else Findings(lines_px={"outline": seen.block.outline_px})
    if seen.standing is not None:
        with contextlib.suppress(PlacecheckError):  # marks set by hand may lie beside the block
            guess = _first_look(seen.standing, photo, request)
    return replace(guess, guesses=frozenset({*guess.lines_px, *guess.landmarks_px}))


def _first_look(standing: Standing, photo: Photo, request: CheckRequest) -> Findings:
    """Cap and closure as the first look has them, as far as they are there."""
    geometry, sighting = standing.way.fit.geometry, standing.sighting
    observed = by_hand(observe(sighting, standing.grid, geometry, request), request, photo.width, photo.height)
    found = findings_of(geometry, observed, put_on_dome(geometry, observed, chart=standing.grid.chart))
    if sighting.cap < LEAST_CAP:
        return Findings(lines_px={"outline": found.lines_px["outline"]})
    if request.stage == "cap" or sighting.closure < LEAST_CLOSURE:
        return Findings(lines_px={name: line for name, line in found.lines_px.items() if name in OF_THE_CAP})
    return Findings(found.landmarks_px, found.lines_px)


def as_shown(photo: Photo, answer: Answer, request: CheckRequest) -> Answer:
    """The answer as its picture shows it: that of a refused photo of a block with the best guess. Raises nothing."""
    refused = answer.exit_status == EXIT_STATUS["retake"] and not answer.measured.estimates
    if not refused or request.stage == "stitches" or answer.measured.findings.lines_px:
        return answer
    try:
        from placecheck.profiles.match import pick_camera

        guess = best_guess(photo, request, pick_camera(photo, request).camera)
    except Exception as error:  # a guess must not take the picture with it
        print_if_debugging(error)
        return answer
    return replace(answer, measured=replace(answer.measured, findings=guess)) if guess.lines_px else answer
