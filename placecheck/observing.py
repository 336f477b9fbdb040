"""From sightings to observations: marks and lines in photo pixels, by hand or found, and what they tell the block.

What the finder saw in the unrolled picture becomes Marks and Lines in the photo. Marks set
by hand take the place of what was found. A fold that was not seen falls back on the middle of
the side edges; a corner that is hidden, or seen so obliquely that its place says nothing,
is placed half the closure's width beside the fold: both say so in their evidence and carry a
larger uncertainty. Pins on the cap's centre line join what is seen of it. What the closure tells the
block (one plane, a known length, the rim's symmetry) is handed to the fit as clues. A closure
plainly of another size than the one named is refused here.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.answer import PINNED
from placecheck.block import Geometry
from placecheck.block_residuals import Clues
from placecheck.colours import Colours
from placecheck.errors import RetakeNeeded, UsageProblem
from placecheck.find.closure import LEAST_ROWS, ClosureSighting, Spot, line_in_photo, marks_in_photo
from placecheck.find.pins import HEAD_LIFT_MM, centre_pins, find_spots
from placecheck.find.unroll import Unrolling
from placecheck.marks import OFF_BLOCK, WRONG_WAY
from placecheck.measure import SEAM_LIFT_MM, OnDome, line_at
from placecheck.observed import BY_HAND, CORNERS, FOLD, Inferred, Line, Mark, Observed, dense_line
from placecheck.request import CheckRequest
from placecheck.surface import section_mm
from placecheck.uncertainty import mark_covariances_mm2

FloatArray = npt.NDArray[np.float64]

PIN_U_MM = 0.5  # how well a pin is set on the line, and its head seen
FOLD_STRETCH = 1.005  # a pinned closure's fold over its nominal length, and how much that varies
FOLD_STRETCH_U = 0.025
HALF_WIDTH_U = 0.02
CORNER_OFF = (4.0, 0.1)  # mm, and share of the width: a corner further than this from half the width is misread
UNEVEN_MM, UNEVEN_SHARE = 0.8, 0.012  # by how much, also as a share of the width, a pinned closure's halves differ
READ_FACTOR = 1.3  # a corner's own doubt is larger than the spread of what the network says
STEADIED = "weighed against half the closure's width from the fold"
FOLD_AS_NAMED = (0.88, 1.15)  # a fold on the first dome over the length named; an inch more or less is 0.80 to 1.33
SHORTEST_FOLD = 0.79  # the same where an end faces the lens by less than END_FACING (cosine)
END_FACING = 0.25
BOTH_AS_NAMED = (0.905, 1.1)  # the mean of fold and the likelier width, which are too short together
WIDTH_OFF = 0.14  # both widths farther than this share from the one named
MIDWAY_U_MM = 2.5  # how far beside the fold the middle of its corners lies
EDGE_BENDS_MM = 6.0  # and how far before or behind it, since no edge is straight on the dome: 2 to 8 mm on three photos
FOLD_OFF_MM = 4.0  # a fold further than this from the middle of its corners contradicts them


def by_hand(observed: Observed, request: CheckRequest, width: int, height: int) -> Observed:
    """Marks set by hand in place of what was found."""
    marks = request.marks
    if marks is None:
        return observed
    marks.check_inside(width, height)
    cov = np.eye(2) * marks.u_px**2
    points = dict(observed.marks)
    set_px = dict(marks.landmarks_px)
    if "fold" in marks.lines_px:  # a fold is measured by its ends
        set_px = dict(zip(FOLD, (marks.lines_px["fold"][0], marks.lines_px["fold"][-1]), strict=True)) | set_px
    points |= {n: Mark(np.array(p, float), cov, (BY_HAND,)) for n, p in set_px.items()}
    lines: dict[str, Line | None] = {}
    if "centre_line" in marks.lines_px:
        lines["pins"] = None  # they hold the line that was found
    for name, field in (("cap_rim", "rim"), ("hairline", "hairline"), ("centre_line", "centre")):
        if name in marks.lines_px:
            lines[field] = dense_line(np.array(marks.lines_px[name], float), marks.u_px)
    inferred = {n: g for n, g in observed.inferred.items() if n not in points}
    return replace(observed, marks=points, inferred=inferred, **lines)


def check_way_round(observed: Observed, on: OnDome) -> None:
    """Raises UsageProblem where a mark set by hand has changed places with its opposite one."""
    pairs = [(f"front{at}", f"back{at}", 1, "nearer the face than") for at in ("_left", "_right")]
    pairs += [("fold_front", "fold_back", 1, "nearer the face than")]
    pairs += [(f"{end}_right", f"{end}_left", 0, "on the wearer's right of") for end in ("front", "back")]
    for name, other, axis, words in pairs:
        both = [observed.marks.get(name), observed.marks.get(other)]
        if not any(mark is not None and mark.by_hand for mark in both):
            continue
        places = {**on.inferred_uv, **on.marks_uv}
        if name in places and other in places and places[name][axis] <= places[other][axis]:
            raise UsageProblem(
                WRONG_WAY,
                f"The marks {name} and {other} are the wrong way round: {name} must lie {words} {other}. Set them "
                "anew, or say which side of the photo the face is on.",
            )


def check_on_block(observed: Observed, on: OnDome) -> None:
    """Raises UsageProblem for a landmark set by hand, or a whole line, that does not lie on the block."""
    off = [name for name, mark in observed.marks.items() if mark.by_hand and not np.isfinite(on.marks_uv[name]).all()]
    for name, line, uv in (("cap_rim", observed.rim, on.rim_uv), ("hairline", observed.hairline, on.hair_uv)):
        if line is not None and line.by_hand and not np.isfinite(uv).all(-1).any():
            off.append(name)
    if off:
        raise _off_block(off[0])


def check_centre_on_block(observed: Observed, geometry: Geometry) -> None:
    """Raises UsageProblem for a centre line set by hand no point of which lies on the block."""
    line = observed.centre
    if line is not None and line.by_hand and not np.isfinite(geometry.hit(line.px, SEAM_LIFT_MM)).any():
        raise _off_block("centre_line")


def _off_block(name: str) -> UsageProblem:
    return UsageProblem(
        OFF_BLOCK,
        f"The mark {name} does not lie on the block: check that it was marked in this photo, at full size, the right "
        "way up, and set it where it is seen on the cap or the closure.",
    )


def observe(sighting: ClosureSighting, grid: Unrolling, geometry: Geometry, request: CheckRequest) -> Observed:
    """What was found in the unrolled picture, as marks and lines in the photo, and what follows for what was not."""
    marks = marks_in_photo(sighting, grid, geometry)
    inferred: dict[str, Inferred] = {}
    width = request.closure.width_mm
    for end in ("front", "back"):
        fold = f"fold_{end}"
        pair = [f"{end}_left", f"{end}_right"]
        if fold not in marks and all(name in marks for name in pair):
            marks[fold] = _between_corners(end, sighting, grid, geometry)
        for name, sign in zip(pair, (-1.0, 1.0), strict=True):
            if name not in marks and fold in marks:
                why = ("hidden: half the closure's width from the fold",)
                inferred[name] = Inferred(fold, sign * width / 2, max(1.5, HALF_WIDTH_U * width), why)
    rim = line_in_photo(sighting.rim, grid, geometry, across_u=False)
    return Observed(
        marks,
        inferred,
        None if rim is None else replace(rim, evidence=sighting.rim_evidence),
        line_in_photo(sighting.hairline, grid, geometry, across_u=False),
        seen_middle(sighting, grid, geometry),
    )


def _between_corners(end: str, sighting: ClosureSighting, grid: Unrolling, geometry: Geometry) -> Mark:
    """An end of the fold that was not seen: midway of its corners on the dome, in front where the hairline runs there.

    Not midway in the photo: on the block, seen from a side, that is 12 to 25 mm from it.
    """
    left, right = (sighting.spots[f"{end}_{side}"].uv for side in ("left", "right"))
    u, v = ((left + right) / 2).tolist()
    hair_v = line_at(sighting.hairline.uv, u) if end == "front" else math.nan
    v, v_u = (hair_v, MIDWAY_U_MM) if math.isfinite(hair_v) else (v, EDGE_BENDS_MM)
    spot = Spot(np.array([u, v]), np.diag([MIDWAY_U_MM**2, v_u**2]), 1.0)
    mark = marks_in_photo(replace(sighting, spots={"": spot}), grid, geometry)[""]
    return replace(mark, evidence=("middle of the side edges",))


def seen_middle(sighting: ClosureSighting, grid: Unrolling, geometry: Geometry) -> Line | None:
    """The cap's centre line as photo pixels, where it is seen."""
    if len(sighting.centre.uv) < LEAST_ROWS:
        return None
    line = line_in_photo(sighting.centre, grid, geometry, across_u=True)
    return None if line is None else replace(line, evidence=sighting.centre_evidence)


def without_lost_corners(observed: Observed, on: OnDome, geometry: Geometry, request: CheckRequest) -> Observed:
    """The observation without corners that cannot be where they were found; these are placed from the fold.

    So are corners that the line of sight only grazes, that miss the dome, or that a closure of this width cannot have
    there; a fold far from the middle of its corners makes all three unsure. `on` is the observation on the dome.
    """
    marks, inferred = dict(observed.marks), dict(observed.inferred)
    width = request.closure.width_mm
    beside_u = max(1.5, HALF_WIDTH_U * width)
    cov_mm2 = _corner_covariances_mm2(observed, on, geometry)
    for name in CORNERS:
        mark, fold = observed.marks.get(name), f"fold_{name.split('_')[0]}"
        if mark is None or fold not in observed.marks or mark.by_hand:
            continue
        sign = -1.0 if name.endswith("left") else 1.0
        beside = on.marks_uv[name][0] - on.marks_uv[fold][0]
        off = abs(float(beside) - sign * width / 2)
        if off > CORNER_OFF[0] + CORNER_OFF[1] * width:
            why = "what was seen is not half the closure's width from the fold: placed there, unsure"
            u_mm = max(beside_u, min(off / 2, 8.0))
        elif not np.isfinite(on.marks_uv[name]).all() or cov_mm2[name][0, 0] > (2.5 * beside_u) ** 2:
            why, u_mm = "seen too obliquely: half the closure's width from the fold", beside_u
        else:
            continue
        del marks[name]
        inferred[name] = Inferred(fold, sign * width / 2, u_mm, (why,))
    for end in ("front", "back"):
        fold, pair = f"fold_{end}", (f"{end}_left", f"{end}_right")
        if not all(n in marks for n in (fold, *pair)) or marks[fold].by_hand:
            continue
        left, right = (float(on.marks_uv[n][0]) for n in pair)
        off = abs(float(on.marks_uv[fold][0]) - (left + right) / 2)
        if off > FOLD_OFF_MM:
            # fold and side edges contradict each other: neither is believed alone
            for n in (fold, *pair):
                beside = on.marks_uv[n] + np.array([[0.0, 0.0], [0.6 * off, 0.0]])
                a, b = geometry.to_px(on.chart.to_points(beside))
                cov = marks[n].covariance_px2 + np.outer(b - a, b - a)
                marks[n] = replace(marks[n], covariance_px2=cov, evidence=(*marks[n].evidence, "fold off the middle"))
    return replace(observed, marks=marks, inferred=inferred)


def _corner_covariances_mm2(observed: Observed, on: OnDome, geometry: Geometry) -> dict[str, FloatArray]:
    """Covariance (2, 2) in (u, v) of every corner that was seen."""
    seen = [name for name in CORNERS if name in observed.marks]
    px = np.array([observed.marks[name].px for name in seen]).reshape(-1, 2)
    cov_px2 = np.array([observed.marks[name].covariance_px2 for name in seen]).reshape(-1, 2, 2)
    return dict(zip(seen, mark_covariances_mm2(geometry, on, px, cov_px2), strict=True))


def with_steadied_corners(observed: Observed, on: OnDome, geometry: Geometry, request: CheckRequest) -> Observed:
    """Corners weighed against where half the closure's width from the fold puts them: a well seen one hardly moves.

    A pinned closure's halves differ by UNEVEN (standard deviation); the farther a corner lies off, the less that is
    believed of it (Cauchy's weight), so that a corner truly pulled aside stays where it was seen. `on` is the
    observation on the dome.
    """
    marks, width = dict(observed.marks), request.closure.width_mm
    even2 = UNEVEN_MM**2 + (UNEVEN_SHARE * width) ** 2
    covs_mm2 = _corner_covariances_mm2(observed, on, geometry)
    for name in CORNERS:
        mark, fold = marks.get(name), f"fold_{name.split('_')[0]}"
        if mark is None or fold not in marks or mark.by_hand:
            continue
        uv, cov_mm2 = on.marks_uv[name], covs_mm2[name]
        off = float(on.marks_uv[fold][0] - uv[0]) + (-1.0 if name.endswith("left") else 1.0) * width / 2
        own, even = READ_FACTOR**2 * float(cov_mm2[0, 0]), even2 + off**2 / 4
        if not np.isfinite(off):
            continue
        share = own / (own + even)
        steps = np.array([[0.0, 0.0], [share * off, 0.0], [0.5, 0.0], [0.0, 0.5]])
        px = geometry.to_px(on.chart.to_points(uv + steps))
        jac = (px[2:] - px[0]).T / 0.5
        scale = np.sqrt(own * even / (own + even) / max(float(cov_mm2[0, 0]), 1e-9))
        cov_mm2 = cov_mm2 * np.outer([scale, 1.0], [scale, 1.0])
        words = (*mark.evidence, STEADIED) if share > 0.25 else mark.evidence
        marks[name] = replace(mark, px=mark.px + px[1] - px[0], covariance_px2=jac @ cov_mm2 @ jac.T, evidence=words)
    return replace(observed, marks=marks)


def clues_of(
    observed: Observed,
    geometry: Geometry,
    request: CheckRequest,
    rim_yaw_deg: tuple[float, float] | None = None,
) -> Clues:
    """What cap and closure tell the block's fit, from where line, fold and pins were found.

    `rim_yaw_deg` is the cap's turn by its rim's symmetry, with its standard uncertainty.
    """
    empty = np.zeros((0, 2))
    centre = observed.centre
    keep: Any = np.zeros(0, bool)
    if centre is not None:
        p = geometry.hit(centre.px, SEAM_LIFT_MM)
        keep = np.isfinite(p).all(-1)
        keep &= np.arange(len(keep)) % 2 == 0
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


def with_pins(observed: Observed, on: OnDome, geometry: Geometry, colours: Colours, outline_px: FloatArray) -> Observed:
    """The observation with pins on the cap's centre line, where ball pins are seen there; `on` has it on the dome."""
    if observed.centre is None or observed.centre.by_hand:
        return observed
    line = on.chart.to_uv(geometry.hit(observed.centre.px, SEAM_LIFT_MM))
    known = np.isfinite(line).all(-1)
    if known.sum() < 2:
        return observed
    run = np.polyfit(line[known, 1], line[known, 0], 1, w=1.0 / observed.centre.u_px[known])
    found = centre_pins(find_spots(colours, geometry, on.chart, outline_px), on.marks_uv, run)
    if not found:
        return observed
    pins = list(found.values())
    mm_per_px = geometry.mm_per_px
    unknown_lift = np.array([p.high[0] - p.low[0] for p in pins]) / math.sqrt(12.0)
    u_px = np.hypot(PIN_U_MM, unknown_lift) / mm_per_px
    words = tuple({"front": PINNED, "back": "a ball pin on it behind the closure"}[end] for end in found)
    centre = replace(observed.centre, evidence=(*observed.centre.evidence, *words))
    return replace(observed, centre=centre, pins=Line(np.array([p.px for p in pins]), u_px, 0.0, words))


def closure_edge_px(on: OnDome, geometry: Geometry) -> FloatArray:
    """Points (M, 2) px along the ventilated rectangle's edge, as far as its corners are known.

    `on` is the observation on the dome.
    """
    uv = {**on.inferred_uv, **on.marks_uv}
    ring = ("fold_front", "front_right", "back_right", "fold_back", "back_left", "front_left", "fold_front")
    t = np.linspace(0, 1, 12)[:, None]
    parts = [(1 - t) * uv[a] + t * uv[b] for a, b in pairwise(ring) if a in uv and b in uv]
    if not parts:
        return np.zeros((0, 2))
    points = on.chart.to_points(np.concatenate(parts))
    return geometry.to_px(points[geometry.visible(points, -0.1)])


def check_size(on: OnDome, geometry: Geometry, request: CheckRequest, lens_unknown: bool) -> None:
    """Raises RetakeNeeded when the closure in the photo is plainly not of the size that was named.

    A fold's end that is seen obliquely may be hidden behind what is taken for it, so the fold may then look short; if
    it looks too short even so, the sentence asks for a view of it. Where the `lens_unknown` is, the photo may not be
    as the camera saved it, which is asked for then.
    """
    if not all(np.isfinite(on.marks_uv.get(n, math.nan)).all() for n in FOLD):
        return
    seen, named = [], []
    front_seen, back_seen = geometry.visible(on.chart.to_points(np.array([on.marks_uv[n] for n in FOLD])), END_FACING)
    for ends, nominal in (
        (FOLD, request.closure.length_mm),
        (("back_left", "back_right"), request.closure.width_mm),
        (("front_left", "front_right"), request.closure.width_mm),
    ):
        uv = np.array([on.marks_uv.get(name, (math.nan, math.nan)) for name in ends])
        if np.isfinite(uv).all():
            a, b = on.chart.to_points(uv)
            seen.append(float(section_mm(on.surface, a, b)))
            named.append(nominal)
    ratio = np.array(seen) / np.array(named)
    short, long = FOLD_AS_NAMED if front_seen and back_seen else (SHORTEST_FOLD, FOLD_AS_NAMED[1])
    unlike = not short <= ratio[0] <= long
    if len(ratio) > 1:
        width = 1.0 + min(ratio[1:] - 1.0, key=abs)
        unlike |= abs(width - 1.0) > WIDTH_OFF or not BOTH_AS_NAMED[0] <= (ratio[0] + width) / 2 <= BOTH_AS_NAMED[1]
    if unlike:
        inch = 25.4
        wide = float(np.median(seen[1:])) if len(seen) > 1 else math.nan
        words = f"{wide / inch:.1f} x {seen[0] / inch:.1f} in" if np.isfinite(wide) else f"{seen[0] / inch:.1f} in long"
        then = "set a pin at each end of the fold and take the photo again, aiming at the closure's middle"
        if ratio[0] < 1.0 and not back_seen:
            then = "its back edge is nearly out of sight: lean the phone less toward the face and take the photo again"
        elif ratio[0] < 1.0 and front_seen:
            then = f"uncover the fold from end to end, {then}"  # a hand or a clip over an end makes it look short
        elif ratio[0] < 1.0:
            then = "its hairline is nearly out of sight: lean the phone more toward the face and take the photo again"
        lens = " If this is a screenshot or a cut-out, give the photo as the camera saved it."
        raise RetakeNeeded(
            "closure-size",
            f"The closure in the photo is about {words}, not {request.closure.label}: check the size you named, and "
            f"the size of the block. If both are right, {then}.{lens if lens_unknown else ''}",
        )
