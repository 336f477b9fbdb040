"""One photo from beginning to end: card, camera, block, unrolled dome, findings, measures, uncertainty.

This module only conducts: each step is a call into the module of its name, and what one
step found is handed to the next. The block is fitted twice: first to card, tape and
outline; then, once the closure and the cap's centre line are found in the unrolled picture,
again with what they tell (the centre line lies in one plane, the fold has a known length),
and the closure is looked for a second time on the better dome. Marks set by hand outrank
what was found. What cannot be found is left out with a reason; a step that cannot go on
raises RetakeNeeded; one_photo.py turns that into an answer and adds judging and advice.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.answer import JUDGED, MEASURES, Estimate, Findings, Measured, View
from placecheck.block import Geometry, outline_px
from placecheck.block_fit import BlockFit
from placecheck.camera import Camera, camera_for
from placecheck.card import CardSighting, card_problems, find_card
from placecheck.contradictions import tape_doubt
from placecheck.errors import Problem, RetakeNeeded
from placecheck.find.closure import ClosureSighting, find_closure, unroll, with_rim, with_seam
from placecheck.find.outline import BlockSighting, find_block
from placecheck.find.unroll import Unrolling
from placecheck.marks import Marks
from placecheck.measure import CORNERS, FOLD, Observed, OnDome, measure_at, put_on_dome
from placecheck.observing import (
    by_hand,
    check_size,
    closure_edge_px,
    clues_of,
    observe,
    with_pins,
    without_lost_corners,
)
from placecheck.photo import Photo, hopeless_picture, overexposed_block
from placecheck.request import CheckRequest
from placecheck.standing import (
    Stage,
    Traced,
    board_mm,
    check_block,
    choose_front,
    fit_stage,
    stand_block,
    trace_outline,
    turned,
)
from placecheck.uncertainty import budgets, factor_for, total_u

FloatArray = npt.NDArray[np.float64]
Explain = Callable[[str, Any], None]


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


def find_standing(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> Standing:
    """Find card and block, and which way round it stands. Raises RetakeNeeded or UsageProblem."""
    gray = photo.gray()
    try:
        card = find_card(gray)
    except RetakeNeeded as error:
        worse = hopeless_picture(gray)
        if worse is not None:
            raise RetakeNeeded(worse.code, worse.message) from error
        raise
    for problem in card_problems(card):
        raise RetakeNeeded(problem.code, problem.message)
    camera = camera or camera_for(photo.width, photo.height, photo.focal_35mm)
    block = find_block(photo.image, card.outline_px, card.px_per_mm)
    flooded = overexposed_block(photo.image, block.outline_px)
    if flooded is not None:
        raise RetakeNeeded(flooded.code, flooded.message)
    stage = Stage(photo.image, request, camera, card, board_mm(card, request), block)
    best = stand_block(stage)
    frame = best.fit.frame
    ways = []
    for theta in (best.fit.theta, turned(best.fit.theta)):
        way = trace_outline(stage, theta, frame, (4.0,), 96)
        picture, grid = unroll(photo.image, way.fit.geometry)
        ways.append((way, picture, grid, find_closure(picture, grid, steady=False)))
        if block.agreement > 0.9 and ways[0][3].upright > 0.9 and request.front is None:
            break  # the whole photo and the unrolled picture say the same
    way, picture, grid, sighting = choose_front(ways, block, request)
    check_block(way.fit, block)
    return Standing(card, camera, block, stage, way, picture, grid, sighting)


def sight(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> Sighted:
    """Find card, block and closure. Raises RetakeNeeded or UsageProblem."""
    standing = find_standing(photo, request, camera)
    card, camera, block, stage = standing.card, standing.camera, standing.block, standing.stage
    way, picture, grid, sighting = standing.way, standing.picture, standing.grid, standing.sighting
    fit, frame = way.fit, way.fit.frame
    if sighting.cap < 0.5:
        raise RetakeNeeded("cap-missing", "No cap was found on the block: pin the cap on first, then the closure.")
    if sighting.closure < 0.5:
        raise RetakeNeeded(
            "closure-missing", "No closure was found on the block: pin cap and closure on, then take the photo."
        )
    sighting = with_seam(sighting, picture, grid)
    observed = by_hand(observe(sighting, grid, fit.geometry, request), request, photo.width, photo.height)
    check_size(observed, fit.geometry, request)

    def refit() -> BlockFit:
        """The block with what is now known of outline, closure and cap."""
        clues = clues_of(observed, fit.geometry, request, sighting.rim_yaw_deg)
        return fit_stage(stage, way.outline_px, way.u_px, fit.theta, clues)

    for reaches, last in (((5.0,), False), ((2.5,), True)):
        avoid = closure_edge_px(observed, fit.geometry)
        way = trace_outline(stage, fit, frame, reaches, 112, 4, avoid)
        fit = refit()
        picture, grid = unroll(photo.image, fit.geometry)
        sighting = with_rim(with_seam(find_closure(picture, grid, last), picture, grid), grid, fit.geometry.cap)
        observed = by_hand(observe(sighting, grid, fit.geometry, request), request, photo.width, photo.height)
        observed = with_pins(observed, fit.geometry, photo.image, way.outline_px)
    fit = refit()
    check_block(fit, block)
    observed = without_lost_corners(observed, fit.geometry, request)
    block = replace(block, outline_px=way.outline_px)
    return Sighted(card, camera, block, fit, sighting, grid, observed, picture, stage, way.u_px)


def measure_photo(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> Measured:
    """Measure one photo. Raises RetakeNeeded where a step cannot go on; `explain(name, BGR image)` gets pictures."""
    return look(photo, request, explain, camera)[0]


def look(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> tuple[Measured, Sighted, OnDome]:
    """As measure_photo, with what was seen and where it lies on the dome."""
    seen = sight(photo, request, camera)
    measured, on = _measured(seen)
    if explain is not None:
        from placecheck.explain import explain_pictures

        for name, image in explain_pictures(photo, seen, on):
            explain(name, image)
    return measured, seen, on


def remeasure(seen: Sighted, marks: Marks | None) -> Measured:
    """Measure again with `marks` set by hand in place of what was found, without looking at the photo again."""
    request = replace(seen.stage.request, marks=marks)
    height, width = seen.stage.image.shape[:2]
    observed = by_hand(seen.observed, request, width, height)
    clues = clues_of(observed, seen.fit.geometry, request, seen.sighting.rim_yaw_deg)
    fit = fit_stage(seen.stage, seen.block.outline_px, seen.outline_u_px, seen.fit.theta, clues, 3)
    return _measured(replace(seen, fit=fit, observed=observed))[0]


def _measured(seen: Sighted) -> tuple[Measured, OnDome]:
    """Measures, uncertainties and findings of what was sighted."""
    request = seen.stage.request
    geometry = seen.fit.geometry
    on = put_on_dome(geometry, seen.observed, chart_step_mm=2.0)
    values = measure_at(on, request.closure.width_mm)
    parts = budgets(seen.fit, seen.observed, on, request.closure.width_mm, values)
    estimates: dict[str, Estimate] = {}
    missing: dict[str, Problem] = {}
    for spec in MEASURES:
        value = values.get(spec.name, math.nan)
        budget = parts.get(spec.name, ())
        u = total_u(budget, factor_for(spec.name))
        if np.isfinite(value) and u > 0 and u < 25.0:
            estimates[spec.name] = Estimate(float(value), u, budget, _evidence(spec.name, seen.observed))
        elif spec.name in JUDGED:
            missing[spec.name] = _why_missing(spec.name, spec.label, seen)
    return Measured(estimates, missing, _findings(seen, on), tape_doubt(seen.fit), _view(geometry, on)), on


def _needs(name: str) -> tuple[str, ...]:
    if name in ("offset_mm", "skew_deg"):
        return FOLD
    if name.startswith("fold_offset"):
        return ("fold_front" if "front" in name else "fold_back",)
    if name.startswith("clearance"):
        return ("fold_front",)
    if name.startswith("front_corner"):
        return CORNERS[:2]
    if name.startswith("back_corner"):
        return CORNERS[2:]
    sides = {"width_front": CORNERS[:2], "width_back": CORNERS[2:]}
    sides |= {"length_left": ("front_left", "back_left"), "length_right": ("front_right", "back_right")}
    return sides[name.removesuffix("_mm")]


def _evidence(name: str, observed: Observed) -> tuple[str, ...]:
    words = []
    for mark in _needs(name):
        source = observed.marks.get(mark) or observed.inferred.get(mark)
        if source is not None:
            words += [f"{mark}: {e}" for e in source.evidence]
    for line, key in ((observed.rim, "cap rim"), (observed.hairline, "hairline")):
        if name.startswith("clearance") and line is not None:
            words += [f"{key}: {e}" for e in line.evidence]
    if "offset" in name or "skew" in name or "asymmetry" in name:
        source_line = observed.centre
        words += [f"centre line: {e}" for e in source_line.evidence] if source_line is not None else []
    return tuple(words)


def _why_missing(name: str, label: str, seen: Sighted) -> Problem:
    words = {"fold_front": "the fold at the hairline", "fold_back": "the fold at the back edge"}
    lost = [n for n in _needs(name) if n not in seen.observed.marks]
    if name.startswith("clearance") and seen.observed.rim is None:
        lost.append("the cap's front rim")
    what = " and ".join(
        words.get(n, n.replace("_", " ") + " corner" if n in CORNERS else words.get(n, n)) for n in lost
    )
    if not what:
        what = "the hairline or the cap's rim at that place"
    return Problem(
        f"{name.removesuffix('_mm').removesuffix('_deg').replace('_', '-')}-missing",
        f"{label[0].upper()}{label[1:]}: {what} could not be seen; move away what covers it, put a pin there, or lean "
        "the phone further toward the face, and retake.",
    )


def _findings(seen: Sighted, on: OnDome) -> Findings:
    geometry, observed = seen.fit.geometry, seen.observed
    landmarks = {n: (float(m.px[0]), float(m.px[1])) for n, m in observed.marks.items()}
    lines: dict[str, FloatArray] = {"outline": outline_px(geometry, 144)}
    if observed.rim is not None:
        lines["cap_rim"] = observed.rim.px
    if observed.hairline is not None:
        ends = [float(on.marks_uv[n][0]) for n in CORNERS[:2] if n in on.marks_uv]
        u = np.nan_to_num(on.hair_uv[:, 0], nan=1e3)
        inside = (u > (min(ends) if ends else -80) - 2) & (u < (max(ends) if len(ends) > 1 else 80) + 2)
        lines["hairline"] = observed.hairline.px[inside]
    v = np.arange(on.chart.v_mm[0], on.chart.v_mm[-1], 3.0)
    middle = on.chart.to_points(np.stack([np.zeros_like(v), v], -1))
    lines["centre_line"] = geometry.to_px(middle[geometry.visible(middle, 0.05)])
    inferred_px = {
        n: tuple(float(x) for x in geometry.to_px(on.chart.to_points(uv))) for n, uv in on.inferred_uv.items()
    }
    every = {**inferred_px, **landmarks}
    if all(n in every for n in FOLD):
        t = np.linspace(0, 1, 30)[:, None]
        a, b = on.marks_uv["fold_front"], on.marks_uv["fold_back"]
        lines["fold"] = geometry.to_px(on.chart.to_points((1 - t) * a + t * b))
    ring = ("front_left", "front_right", "back_right", "back_left", "front_left")
    if all(n in every for n in ring):
        uv = {**on.inferred_uv, **on.marks_uv}
        t = np.linspace(0, 1, 20)[:, None]
        sides = [(1 - t) * uv[p] + t * uv[q] for p, q in pairwise(ring)]
        lines["rectangle"] = geometry.to_px(on.chart.to_points(np.concatenate(sides)))
    crown = on.chart.to_points(np.array([[-25.0, 0.0], [25.0, 0.0]]))
    by_hand = frozenset(n for n, m in observed.marks.items() if "set by hand" in m.evidence)
    evidence = {n: m.evidence for n, m in observed.marks.items()} | {
        n: g.evidence for n, g in observed.inferred.items()
    }
    return Findings(
        {n: (p[0], p[1]) for n, p in every.items()},
        lines,
        frozenset(inferred_px),
        by_hand,
        evidence,
        geometry.to_px(crown),
    )


def _view(geometry: Geometry, on: OnDome) -> View:
    aim = on.chart.to_points(np.array([0.0, 40.0]))
    sight_line = geometry.eye_mm - aim
    distance = float(np.linalg.norm(geometry.eye_mm - on.chart.to_points(np.array([0.0, 0.0]))))
    lean = math.degrees(math.atan2(float(sight_line[1]), float(sight_line[2])))
    return View(lean, distance, geometry.f_px / distance)
