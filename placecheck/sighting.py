"""One photo's first half, from its pixels to all that was found in it: card, camera, block, unrolled dome, findings.

This module only conducts: each step is a call into the module of its name, and what one
step found is handed to the next. The block is fitted twice: first to card, tape and
outline; then, once the closure and the cap's centre line are found in the unrolled picture,
again with what they tell (the centre line lies in one plane, the fold has a known length),
and the closure is looked for a second time on the better dome. Where all of it contradicts
a block that stands upright, its lean is set free and that is done once more. Marks set by hand outrank
what was found. What cannot be found is left out with a reason; a step that cannot go on
raises RetakeNeeded. The second half, from there to measures and their uncertainty, is
measuring.py's; one_photo.py makes an answer of it and adds judging and advice.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.block import AT
from placecheck.block_fit import SETTLED, BlockFit
from placecheck.camera import UNKNOWN_LENS, Camera, camera_for
from placecheck.card import CardSighting, edges_doubted, find_card
from placecheck.contradictions import lean_against_rest
from placecheck.errors import PlacecheckError, Problem, RetakeNeeded, UsageProblem
from placecheck.find.closure import ClosureSighting, doubted_by_seam, find_closure, first_look, unroll
from placecheck.find.outline import BlockSighting, find_block
from placecheck.find.rim_in_picture import doubted_if_unseen, with_rim
from placecheck.find.unroll import PX_PER_MM, Unrolling
from placecheck.light_and_sharpness import block_problem, hopeless_picture, washed_out
from placecheck.measure import OnDome, put_on_dome
from placecheck.observed import Observed
from placecheck.observing import (
    by_hand,
    check_centre_on_block,
    check_size,
    check_way_round,
    closure_edge_px,
    clues_of,
    observe,
    with_pins,
    without_lost_corners,
)
from placecheck.photo import Photo
from placecheck.request import CheckRequest
from placecheck.saved_shape import saved_shape_weighed
from placecheck.standing import (
    LEAST_AGREEMENT,
    SOON,
    Stage,
    Traced,
    board_mm,
    check_block,
    check_not_lost,
    check_outline,
    choose_front,
    face_asked_first,
    fit_stage,
    stand_block,
    trace_outline,
    turned,
)
from placecheck.units import ClosureSize

FloatArray = npt.NDArray[np.float64]
Explain = Callable[[str, Any], None]
LEAST_CAP = 0.2
"""The network's belief in a cap below which there is none: bare blocks stayed below 0.02, caps alone above 0.4."""
LEAST_CLOSURE = 0.5
"""The same in a closure."""
TILT_TOLD = 2.0
"""How many standard uncertainties the rest must have an upright block off before it is taken to be tilted: of 119
upright ones one lay beyond 1.9."""
TILTED_U_DEG = 8.0
TILT_WORTH_TELLING_DEG = 3.0
TORN = 2.0
"""How much less a block is known whose parts seem to face different ways, where the user has said which is right."""
FACING_APART = Problem(
    "block-facing-apart",
    "Parts of the block seem to face different ways: hair or shadow may hide its outline, so no number is as sure as "
    "usual. Lean the phone further toward the face, uncover the cap beside the hair, and take the photo again.",
)
WIDEST_MM = 8 * 25.4
"""A closure's width beyond which its corners lie behind the horizon of any one photo."""


LIKE_CARDS, LIKE_BLOCKS = (
    ("card-bent", "other-board"),
    ("block-missing", "block-size", "front-unclear", "cap-missing", "closure-missing", "closure-size"),
)
"""What a smeared or flooded card, and a block whose hair, lace and cap are washed out, may be taken for."""
LIGHT_TOLD_BY = {**dict.fromkeys(LIKE_CARDS, hopeless_picture), **dict.fromkeys(LIKE_BLOCKS, washed_out)}


@dataclass(frozen=True)
class Standing:
    """Card, camera and block, the way round it stands, and the first look at what is on it."""

    card: CardSighting
    camera: Camera
    block: BlockSighting
    stage: Stage
    way: Traced
    picture: npt.NDArray[np.uint8]
    grid: Unrolling
    sighting: ClosureSighting


@dataclass(frozen=True)
class Glimpsed:
    """What a photo that is refused shows as far as it gets; None from where it got no further."""

    card: CardSighting | None = None
    block: BlockSighting | None = None
    standing: Standing | None = None


@dataclass(frozen=True)
class Sighted:
    """What the first half of the check found: everything that later steps and pictures need."""

    card: CardSighting
    camera: Camera
    block: BlockSighting
    fit: BlockFit
    sighting: ClosureSighting
    grid: Unrolling
    observed: Observed
    picture: npt.NDArray[np.uint8]
    stage: Stage
    outline_u_px: float
    notes: tuple[Problem, ...] = ()


@contextlib.contextmanager
def light_blamed_first(photo: Photo) -> Iterator[None]:
    """While it lasts, what is refused of a card or block that the light may have spoiled is blamed on the light."""
    try:
        yield
    except RetakeNeeded as error:
        told_by = LIGHT_TOLD_BY.get(error.problem.code)
        worse = told_by(photo.gray) if told_by is not None else None
        if worse is not None:
            raise RetakeNeeded.of(worse) from error
        raise


def find_standing(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> Standing:
    """Find card and block, and which way round it stands. Raises RetakeNeeded or UsageProblem."""
    card = find_card(photo.gray)
    doubted = edges_doubted(card)
    camera = camera or camera_for(photo.width, photo.height, photo.focal_35mm, photo.digital_zoom)
    block = find_block(photo.colours, card.px_per_mm)
    bad = block_problem(photo.colours, photo.gray, block.outline_px, card.px_per_mm, doubted)
    if bad is not None:
        raise RetakeNeeded.of(bad)
    stage = Stage(photo.colours, request, camera, card, board_mm(card, request), block)
    with face_asked_first(block, request):
        best = stand_block(stage)
        frame = best.fit.frame
        ways = []
        for about in (False, True):
            way = trace_outline(stage, turned(best.fit.theta), frame, (4.0,), 96) if about else best
            picture, grid = unroll(photo.colours, way.fit.geometry, px_per_mm=PX_PER_MM / 2)
            ways.append((way, picture, grid, first_look(picture, grid)))
            if block.agreement > 0.9 and ways[0][3].upright > 0.9 and request.front is None:
                break  # the whole photo and the unrolled picture say the same
        way, picture, grid, sighting = choose_front(ways, block, request)
        check_block(way.fit, block, request.card_bars_mm)
    return Standing(card, camera, block, stage, way, picture, grid, sighting)


def glimpse(photo: Photo, request: CheckRequest, camera: Camera | None) -> Glimpsed:
    """What a refused photo shows as far as it gets, for whoever wants to see why. Raises nothing for a photo."""
    seen = Glimpsed()
    with contextlib.suppress(PlacecheckError):
        card = find_card(photo.gray)
        seen = Glimpsed(card)
        seen = Glimpsed(card, find_block(photo.colours, card.px_per_mm))
        seen = replace(seen, standing=find_standing(photo, request, camera))
    return seen


@dataclass(frozen=True)
class Close:
    """What a closer look shows, once it is known where the closure lies, and the fit to all of it."""

    way: Traced
    fit: BlockFit
    picture: npt.NDArray[np.uint8]
    grid: Unrolling
    sighting: ClosureSighting
    observed: Observed


def look_closely(stage: Stage, fit: BlockFit, observed: Observed, sighting: ClosureSighting, on: OnDome) -> Close:
    """Outline, closure and cap once more about what is known of them. Raises RetakeNeeded where the fit is lost."""
    colours, request = stage.colours, stage.request
    height, width = colours.photo_shape
    way = trace_outline(stage, fit, fit.frame, (3.0,), 112, 5, closure_edge_px(on, fit.geometry))

    def refit(settled: float = SETTLED) -> BlockFit:
        """The block with what is now known of outline, closure and cap."""
        clues = clues_of(observed, fit.geometry, request, sighting.rim_yaw_deg)
        return fit_stage(stage, way.outline_px, way.u_px, fit.theta, clues, settled=settled)

    fit = refit(SOON)
    check_not_lost(fit, stage.block)
    picture, grid = unroll(colours, fit.geometry, fit.geometry.cap)
    sighting = with_rim(doubted_by_seam(find_closure(picture, grid), picture, grid), grid, fit.geometry)
    sighting = doubted_if_unseen(sighting, grid)
    observed = by_hand(observe(sighting, grid, fit.geometry, request), request, width, height)
    on = put_on_dome(fit.geometry, observed, chart=grid.chart)
    observed = with_pins(observed, on, fit.geometry, colours, way.outline_px)
    return Close(way, refit(), picture, grid, sighting, observed)


def tilt_told(fit: BlockFit) -> tuple[Problem, ...]:
    """A remark where the block does not stand upright; none where it does after all."""
    tilt_deg = float(np.hypot(fit.theta[AT["block lean x"]], fit.theta[AT["block lean y"]]))
    if tilt_deg < TILT_WORTH_TELLING_DEG:
        return ()
    return (
        Problem(
            "block-tilted",
            f"The block seems to stand tilted, by some {tilt_deg:.0f} degrees. The numbers allow for it, and are less "
            "sure: set it upright on the table the card lies on, if it can be.",
        ),
    )


def again_if_tilted(
    stage: Stage, close: Close, look: Callable[[Stage, Close], Close]
) -> tuple[Stage, Close, tuple[Problem, ...]]:
    """Stage and look as they are, or, where the rest has the block tilted, with its lean set free and looked at again.

    The remark comes third.
    """
    if lean_against_rest(close.fit).z <= TILT_TOLD:
        return stage, close, ()
    stage = replace(stage, lean_u_deg=TILTED_U_DEG)
    close = look(stage, close)
    return stage, close, tilt_told(close.fit)


def _instead(closure: ClosureSize) -> str:
    """What to do with lace too wide: no frontal is as long, so that may be centimetres without their unit."""
    if closure.length_mm > WIDEST_MM and not re.search('[a-z"”″]', closure.label.replace("x", "")):
        return f"Numbers without a unit are inches: if that was read in centimetres, write {closure.label}cm."
    return "Lay it out with a soft tape from the cap's middle line."


def sight(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> Sighted:
    """Find card, block and closure. Raises RetakeNeeded or UsageProblem."""
    if request.closure.width_mm > WIDEST_MM:
        raise UsageProblem(
            "closure-too-wide",
            f"A lace of {request.closure.label} reaches round the head, and no photo shows both its ends: closures up "
            f"to {WIDEST_MM / 25.4:.0f} in wide are checked. {_instead(request.closure)}",
        )
    with light_blamed_first(photo):
        standing = find_standing(photo, request, camera)
        with face_asked_first(standing.block, request):
            return sight_standing(photo, request, standing)


def sight_standing(photo: Photo, request: CheckRequest, standing: Standing) -> Sighted:
    """Find the closure on the block that was found. Raises RetakeNeeded or UsageProblem."""
    camera, block, stage = standing.camera, standing.block, standing.stage
    fit, grid, sighting = standing.way.fit, standing.grid, standing.sighting
    if sighting.cap < LEAST_CAP:
        raise RetakeNeeded("cap-missing", "No cap was found on the block: pin the cap on first, then the closure.")
    if sighting.closure < LEAST_CLOSURE:
        raise RetakeNeeded(
            "closure-missing", "No closure was found on the block: pin cap and closure on, then take the photo."
        )
    observed = by_hand(observe(sighting, grid, fit.geometry, request), request, photo.width, photo.height)
    check_centre_on_block(observed, fit.geometry)
    on = put_on_dome(fit.geometry, observed, chart=grid.chart)  # good enough for what is asked of it here
    check_way_round(observed, on)
    check_size(on, fit.geometry, request, camera.source == UNKNOWN_LENS)

    def look_again(stage: Stage, close: Close) -> Close:
        on = put_on_dome(close.fit.geometry, close.observed)
        return look_closely(stage, close.fit, close.observed, close.sighting, on)

    close = look_closely(stage, fit, observed, sighting, on)
    stage, close, notes = again_if_tilted(stage, close, look_again)
    way, fit, observed, sighting = close.way, close.fit, close.observed, close.sighting
    check_block(fit, block, request.card_bars_mm)
    clues = clues_of(observed, fit.geometry, request, sighting.rim_yaw_deg)
    stage, fit, doubts = saved_shape_weighed(stage, fit, way, clues)
    notes = (*notes, *doubts)
    check_outline(fit, stage)
    if block.agreement < LEAST_AGREEMENT:
        fit, notes = replace(fit, covariance=TORN**2 * fit.covariance), (*notes, FACING_APART)
    on = put_on_dome(fit.geometry, observed)
    observed = without_lost_corners(observed, on, fit.geometry, request)
    block = replace(block, outline_px=way.outline_px)
    return Sighted(
        standing.card, camera, block, fit, sighting, close.grid, observed, close.picture, stage, way.u_px, notes
    )
