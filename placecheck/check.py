"""One photo from beginning to end: card, camera, block, unrolled dome, findings, measures, uncertainty.

This module only conducts: each step is a call into the module of its name, and what one
step found is handed to the next. The block is fitted twice: first to card, tape and
outline; then, once the closure and the cap's centre line are found in the unrolled picture,
again with what they tell (the centre line lies in one plane, the fold has a known length),
and the closure is looked for a second time on the better dome. Marks set by hand outrank
what was found. What cannot be found is left out with a reason; a step that cannot go on
raises RetakeNeeded. `check_photo` adds judging and advice and never raises for a photo.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.answer import JUDGED, MEASURES, Estimate, Findings, Measured, View
from placecheck.block import AT, Frame, Geometry, outline_px, start_place, unpack, yaw_on_table
from placecheck.block_fit import BlockFit, Clues, fit_block
from placecheck.camera import Camera, camera_for
from placecheck.card import CardSighting, card_problems, find_card
from placecheck.dome import BUMPS
from placecheck.errors import Problem, RetakeNeeded
from placecheck.find.closure import (
    ClosureSighting,
    find_closure,
    line_in_photo,
    marks_in_photo,
    unroll,
    with_rim,
    with_seam,
)
from placecheck.find.edge import find_edge
from placecheck.find.outline import BlockSighting, find_block
from placecheck.find.pins import HEAD_LIFT_MM, centre_pins, find_spots
from placecheck.find.place import stand_candidates
from placecheck.find.unroll import Unrolling
from placecheck.measure import (
    CORNERS,
    FOLD,
    SEAM_LIFT_MM,
    Inferred,
    Line,
    Mark,
    Observed,
    OnDome,
    measure_at,
    put_on_dome,
)
from placecheck.photo import Photo, hopeless_picture
from placecheck.request import CheckRequest
from placecheck.uncertainty import budgets, factor_for, total_u

FloatArray = npt.NDArray[np.float64]
Explain = Callable[[str, Any], None]

PIN_U_MM = 0.5  # how well a pin is set on the line, and its head seen
FOLD_STRETCH = 1.005  # a pinned closure's fold over its nominal length, and how much that varies
FOLD_STRETCH_U = 0.025
HALF_WIDTH_U = 0.02
FACES: Mapping[str, tuple[float, float]] = {
    "top": (0.0, -1.0),
    "bottom": (0.0, 1.0),
    "left": (-1.0, 0.0),
    "right": (1.0, 0.0),
}


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


def _fit(
    stage: _Stage,
    outline_px: FloatArray,
    outline_u_px: float,
    start: FloatArray,
    clues: Clues | None = None,
    iterations: int = 14,
) -> BlockFit:
    return fit_block(
        stage.camera,
        stage.board_mm,
        stage.card.corners_px,
        outline_px,
        0.0,
        np.zeros(2),
        stage.request.block_circumference_mm,
        corner_u_px=max(0.15, float(np.median(stage.card.u_px))),
        outline_u_px=outline_u_px,
        clues=clues,
        start=start,
        iterations=iterations,
    )


@dataclass(frozen=True)
class _Stage:
    """What every fit of one photo shares."""

    image: npt.NDArray[np.uint8]
    request: CheckRequest
    camera: Camera
    card: CardSighting
    board_mm: FloatArray
    block: BlockSighting


@dataclass(frozen=True)
class _Traced:
    """A fitted block whose outline was searched in the photo: fit, outline px, its uncertainty, and a figure of merit."""

    fit: BlockFit
    outline_px: FloatArray
    u_px: float
    merit: float


def _trace(stage: _Stage, start: BlockFit | FloatArray, frame: Frame, reaches: tuple[float, ...], n: int) -> _Traced:
    """Search the outline and fit the block in turns, with the search narrowing to the last of `reaches` (mm)."""
    theta = start.theta if isinstance(start, BlockFit) else start
    hand = stage.request.marks
    h, w = stage.image.shape[:2]
    traced = None
    for reach in reaches:
        geometry = unpack(theta, frame)
        mm_per_px = float(np.linalg.norm(geometry.translation)) / geometry.f_px
        if hand is not None and "outline" in hand.lines_px:
            px, u_px, merit = _dense(np.array(hand.lines_px["outline"], float), hand.u_px, n).px, hand.u_px, 1.0
        else:
            ring = outline_px(geometry, n, 18)
            edge = find_edge(stage.image, ring, mm_per_px, reach, stage.block.votes, stage.block.vote_grid)
            inside = (edge.px > 2).all(1) & (edge.px[:, 0] < w - 3) & (edge.px[:, 1] < h - 3)
            good = inside & (edge.evidence > 0.25)
            if good.sum() < n // 3:
                good = inside
            if inside.mean() < 0.7:
                raise RetakeNeeded(
                    "block-cut-off",
                    "The block is cut off by the edge of the photo: step back until its whole outline is in the frame.",
                )
            px, u_px = edge.px[good], max(0.4, max(0.3, reach / 8.0) / mm_per_px)
            merit = float(2.0 * np.clip(edge.evidence, 0, 1).mean())
        fit = _fit(stage, px, u_px, theta, iterations=5)
        theta = fit.theta
        traced = _Traced(fit, px, u_px, merit - 0.3 * fit.outline_residual_mm - 0.02 * fit.cost)
    assert traced is not None
    return traced


def _stand(stage: _Stage) -> _Traced:
    """The block found in the photo, whichever way round: the best of several traced standings."""
    card, block = stage.card, stage.block
    centroid = list(block.centroid_px)
    face = np.array(FACES[stage.request.front]) if stage.request.front else block.face_px
    yaw = yaw_on_table(stage.camera, stage.board_mm, card.corners_px, centroid, face)
    place = start_place(stage.camera, stage.board_mm, card.corners_px, centroid)
    first = fit_block(
        stage.camera,
        stage.board_mm,
        card.corners_px,
        block.outline_px,
        yaw,
        place,
        stage.request.block_circumference_mm,
        outline_u_px=block.u_px,
        iterations=0,
    )
    found = stand_candidates(stage.image, first.frame, first.theta, yaw, block.votes, block.vote_grid)
    traced = [_trace(stage, guess.theta, first.frame, (12.0, 7.0), 72) for guess in found]
    return max(traced, key=lambda t: t.merit)


def _turned(theta: FloatArray) -> FloatArray:
    """The same standing, looked at back to front."""
    out = theta.copy()
    out[AT["block yaw"]] += 180.0
    out[AT["egg"]] = 0.05
    for bump in BUMPS:
        out[AT[bump.name]] = bump.mean
    return out


def _board_mm(card: CardSighting, request: CheckRequest) -> FloatArray:
    """The card's corners in true mm: nominal, or scaled by the measured bars."""
    if request.card_bars_mm is None:
        return card.board_mm
    out: FloatArray = card.board_mm * (np.array(request.card_bars_mm) / 100.0)
    return out


def _by_hand(observed: Observed, request: CheckRequest, photo: Photo) -> Observed:
    """Marks set by hand in place of what was found."""
    marks = request.marks
    if marks is None:
        return observed
    marks.check_inside(photo.width, photo.height)
    cov = np.eye(2) * marks.u_px**2
    points = dict(observed.marks)
    points |= {n: Mark(np.array(p, float), cov, ("set by hand",)) for n, p in marks.landmarks_px.items()}
    lines = {}
    for name, field in (("cap_rim", "rim"), ("hairline", "hairline"), ("centre_line", "centre")):
        if name in marks.lines_px:
            lines[field] = _dense(np.array(marks.lines_px[name], float), marks.u_px)
    inferred = {n: g for n, g in observed.inferred.items() if n not in points}
    return replace(observed, marks=points, inferred=inferred, **lines)


def _dense(px: FloatArray, u_px: float, n: int = 60) -> Line:
    """A hand-drawn polyline with points enough for local fits; all of it shares the click's uncertainty."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(px, axis=0), axis=1))])
    at = np.linspace(0.0, length[-1], n)
    points = np.stack([np.interp(at, length, px[:, i]) for i in range(2)], -1)
    return Line(points, np.full(n, u_px), 0.0, ("set by hand",))


def _observe(sighting: ClosureSighting, grid: Unrolling, geometry: Geometry, request: CheckRequest) -> Observed:
    marks = marks_in_photo(sighting, grid, geometry)
    inferred: dict[str, Inferred] = {}
    width = request.closure.width_mm
    for end in ("front", "back"):
        fold = f"fold_{end}"
        pair = [f"{end}_left", f"{end}_right"]
        if fold not in marks and all(name in marks for name in pair):
            middle = (marks[pair[0]].px + marks[pair[1]].px) / 2
            scale = geometry.f_px / float(np.linalg.norm(geometry.translation))
            marks[fold] = Mark(middle, np.eye(2) * (2.5 * scale) ** 2, ("middle of the side edges",))
        for name, sign in zip(pair, (-1.0, 1.0), strict=True):
            if name not in marks and fold in marks:
                why = ("hidden: half the closure's width from the fold",)
                inferred[name] = Inferred(fold, sign * width / 2, max(1.5, HALF_WIDTH_U * width), why)
    centre = line_in_photo(sighting.centre, grid, geometry, across_u=True)
    if centre is not None:
        centre = replace(centre, evidence=sighting.centre_evidence)
    return Observed(
        marks,
        inferred,
        line_in_photo(sighting.rim, grid, geometry, across_u=False),
        line_in_photo(sighting.hairline, grid, geometry, across_u=False),
        centre,
    )


def _clues(
    observed: Observed,
    geometry: Geometry,
    request: CheckRequest,
    rim_yaw_deg: tuple[float, float] | None = None,
) -> Clues:
    empty = np.zeros((0, 2))
    centre = observed.centre
    keep: Any = np.zeros(0, bool)
    if centre is not None:
        p = geometry.hit(centre.px, SEAM_LIFT_MM)
        keep = np.isfinite(p).all(-1)
    pairs, lengths, u = np.zeros((0, 2, 2)), np.zeros(0), np.zeros(0)
    if all(n in observed.marks for n in FOLD):
        pairs = np.array([[observed.marks[n].px for n in FOLD]])
        lengths = np.array([request.closure.length_mm * FOLD_STRETCH])
        u = np.array([request.closure.length_mm * FOLD_STRETCH_U])
    return Clues(
        centre.px[keep] if centre is not None else empty,
        centre.u_px[keep] if centre is not None else np.zeros(0),
        pairs,
        lengths,
        u,
        SEAM_LIFT_MM,
        observed.pins.px if observed.pins is not None else empty,
        observed.pins.u_px if observed.pins is not None else np.zeros(0),
        HEAD_LIFT_MM,
        rim_yaw_deg,
    )


def _with_pins(observed: Observed, geometry: Geometry, stage: _Stage, outline_px: FloatArray) -> Observed:
    """The observation with pins on the cap's centre line, where ball pins are seen there."""
    if observed.centre is None or "set by hand" in observed.centre.evidence:
        return observed
    on = put_on_dome(geometry, observed)
    spots = find_spots(stage.image, geometry, on.chart, outline_px)
    pins = centre_pins(spots, on.marks_uv, 0.0)
    if not pins:
        return observed
    mm_per_px = float(np.linalg.norm(geometry.translation)) / geometry.f_px
    u_px = np.full(len(pins), PIN_U_MM / mm_per_px)
    words = f"{len(pins)} ball pin{'s' if len(pins) > 1 else ''} on the centre line"
    centre = replace(observed.centre, evidence=(*observed.centre.evidence, words))
    return replace(observed, centre=centre, pins=Line(np.array([p.px for p in pins]), u_px, 0.0, (words,)))


def _check_size(observed: Observed, geometry: Geometry, request: CheckRequest) -> None:
    """Raises RetakeNeeded when the closure in the photo is plainly not of the size that was named."""
    if not all(n in observed.marks for n in (*FOLD,)):
        return
    values = measure_at(put_on_dome(geometry, observed), request.closure.width_mm)
    seen, named = [], []
    for name, nominal in (
        ("length_fold_mm", request.closure.length_mm),
        ("width_back_mm", request.closure.width_mm),
        ("width_front_mm", request.closure.width_mm),
    ):
        if np.isfinite(values.get(name, math.nan)):
            seen.append(values[name])
            named.append(nominal)
    off = np.abs(np.array(seen) / np.array(named) - 1.0)
    # across the dome a width is seen well; a length runs over the forehead, where a first dome may be wrong
    if off[0] > 0.21 or (len(off) > 1 and off[1:].min() > 0.14):
        inch = 25.4
        wide = float(np.median(seen[1:])) if len(seen) > 1 else math.nan
        words = f"{wide / inch:.1f} x {seen[0] / inch:.1f} in" if np.isfinite(wide) else f"{seen[0] / inch:.1f} in long"
        raise RetakeNeeded(
            "closure-size",
            f"The closure in the photo is about {words}, not {request.closure.label}: check the size you named.",
        )


def _check_block(fit: BlockFit, block: BlockSighting) -> None:
    """Raises RetakeNeeded when card, tape and outline cannot all be true."""
    size = block.size_px
    mm_per_px = float(np.linalg.norm(fit.geometry.translation)) / fit.geometry.f_px
    if fit.outline_residual_mm > 4.0 or fit.outline_worst_mm > 14.0:
        raise RetakeNeeded(
            "block-odd",
            "What was found is not shaped like a block: take the photo again with the whole block in view and nothing "
            "covering its outline.",
        )
    height = fit.geometry.dome.height_mm
    centre = fit.theta[AT["block height"]]
    if abs(fit.tape_pull) > 3.0 or not 105.0 <= centre <= 235.0 or not 75.0 <= height <= 135.0:
        raise RetakeNeeded(
            "block-size",
            f"The block in the photo does not fit the taped circumference and the card ({size * mm_per_px:.0f} mm long "
            "by the photo): check the tape, and that the card was printed at 100 %.",
        )


Way = tuple[_Traced, npt.NDArray[np.uint8], Unrolling, ClosureSighting]


def _choose_front(ways: list[Way], block: BlockSighting, request: CheckRequest) -> Way:
    """Which of the two ways round is right, by the unrolled pictures; the user's word outranks them."""
    if request.front is not None:
        wanted = np.array(FACES[request.front])

        def along(way: Way) -> float:
            g = way[0].fit.geometry
            p = g.to_px(np.array([[0.0, 0.0, 90.0], [0.0, 30.0, 90.0]]))
            return float((p[1] - p[0]) @ wanted)

        return max(ways, key=along)
    best, other = sorted(ways, key=lambda way: -way[3].upright)
    if best[3].upright < 0.6 or other[3].upright > 0.5 * best[3].upright + 0.3:
        raise RetakeNeeded(
            "front-unclear",
            "It cannot be told which end of the block is the face: say it with --front top, bottom, left or right, "
            "or take the photo again leaning toward the face.",
        )
    return best


def sight(photo: Photo, request: CheckRequest, camera: Camera | None = None) -> Sighted:
    """Find card, block and closure. Raises RetakeNeeded or UsageProblem."""
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
    stage = _Stage(photo.image, request, camera, card, _board_mm(card, request), block)
    best = _stand(stage)
    frame = best.fit.frame
    ways = []
    for theta in (best.fit.theta, _turned(best.fit.theta)):
        way = _trace(stage, theta, frame, (4.0,), 96)
        picture, grid = unroll(photo.image, way.fit.geometry)
        ways.append((way, picture, grid, find_closure(picture, grid, steady=False)))
    way, picture, grid, sighting = _choose_front(ways, block, request)
    fit = way.fit
    _check_block(fit, block)
    if sighting.cap < 0.5:
        raise RetakeNeeded("cap-missing", "No cap was found on the block: pin the cap on first, then the closure.")
    if sighting.closure < 0.5:
        raise RetakeNeeded(
            "closure-missing", "A cap but no closure was found on the block: pin the closure, then take the photo."
        )
    sighting = with_seam(sighting, picture, grid)
    observed = _by_hand(_observe(sighting, grid, fit.geometry, request), request, photo)
    _check_size(observed, fit.geometry, request)
    for reach in (3.0, 2.0):
        fit = _fit(stage, way.outline_px, way.u_px, fit.theta, _clues(observed, fit.geometry, request, sighting.rim_yaw_deg))
        way = _trace(stage, fit, frame, (reach,), 144)
        fit = _fit(stage, way.outline_px, way.u_px, fit.theta, _clues(observed, fit.geometry, request, sighting.rim_yaw_deg))
        picture, grid = unroll(photo.image, fit.geometry)
        sighting = with_rim(with_seam(find_closure(picture, grid), picture, grid), grid, fit.geometry.cap)
        observed = _by_hand(_observe(sighting, grid, fit.geometry, request), request, photo)
        observed = _with_pins(observed, fit.geometry, stage, way.outline_px)
    fit = _fit(stage, way.outline_px, way.u_px, fit.theta, _clues(observed, fit.geometry, request, sighting.rim_yaw_deg))
    block = replace(block, outline_px=way.outline_px)
    return Sighted(card, camera, block, fit, sighting, grid, observed, picture)


def measure_photo(
    photo: Photo, request: CheckRequest, explain: Explain | None = None, camera: Camera | None = None
) -> Measured:
    """Measure one photo. Raises RetakeNeeded where a step cannot go on; `explain(name, BGR image)` gets pictures."""
    seen = sight(photo, request, camera)
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
    findings = _findings(seen, on)
    if explain is not None:
        from placecheck.explain import explain_pictures

        for name, image in explain_pictures(photo, seen, on):
            explain(name, image)
    return Measured(estimates, missing, findings, (), _view(geometry, on))


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
    lines: dict[str, FloatArray] = {"outline": seen.block.outline_px}
    if observed.rim is not None:
        lines["cap_rim"] = observed.rim.px
    if observed.hairline is not None:
        lines["hairline"] = observed.hairline.px
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
