"""Advice once the closure is stitched: whether unpicking is worth it, and from where to where along which edge.

Worth it is what lies proven outside its limits by more than WORTH: less is not seen when worn, and
every unpicked edge weakens the lace (common practice, no published source); nor is it worth it where
no place has far to go. What has to move is
worked out as before stitching (advice.py): the turn, the slide and the way toward face or nape
that bring the readings back, then what is left at one place of the hairline or at one corner. That
gives the way every point of the closure's edge has to go. Where it is more than the lace gives by
itself (EASE_MM) the stitches have to come out, and a little beyond (LEEWAY_MM); the stretches are
named by the corners and the fold, with their length along the edge. Where a soft tape contradicts the photo it
is laid again first. Sides are the wearer's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.advice import FAR_SIDEWAYS_MM, LEAST_MOVE_MM, Plan
from placecheck.answer import MEASURE_BY_NAME, Judged, Measured
from placecheck.directions import Way
from placecheck.placement import Placement
from placecheck.printout import in_words, limits_text
from placecheck.request import CheckRequest
from placecheck.steps import enumerated
from placecheck.tolerances import ASYMMETRIES
from placecheck.units import mm_and_inches, sixteenths

FloatArray = npt.NDArray[np.float64]

WORTH: Mapping[str, float] = {"mm": 1.0, "deg": 0.5}
EASE_MM = 1.5
LEEWAY_MM = 8.0
SNAP_MM = 14.0
STEP_MM = 2.0
FOLD = "the fold"
RIPPER = (
    "A seam ripper is sharp: cut the thread, never the lace, away from your hand, a few stitches at a time, and draw "
    "the ends out. Take the photo again before you stitch it."
)
TAPE_FIRST = (
    "Lay the soft tape again before a stitch comes out: it contradicts the photo, and what is read of the hairline, "
    "left, middle and right, rests on one cap's edge."
)


@dataclass(frozen=True)
class Edge:
    """One edge of the ventilated rectangle, flat: points (n, 2) as (right, toward the face) mm, and places by name.

    `places` are lengths along the edge; its points stand `step_mm` apart.
    """

    name: str
    points: FloatArray
    places: tuple[tuple[float, str], ...]

    @property
    def length_mm(self) -> float:
        return math.dist(self.points[0], self.points[-1])

    @property
    def step_mm(self) -> float:
        return self.length_mm / (len(self.points) - 1)


def edges_of(width_mm: float, length_mm: float) -> tuple[Edge, ...]:
    """The four edges, the front one first."""

    def edge(name: str, start: tuple[float, float], end: tuple[float, float], *places: tuple[float, str]) -> Edge:
        far = math.dist(start, end)
        n = max(2, round(far / STEP_MM) + 1)
        t = np.linspace(0.0, 1.0, n)[:, None]
        named = tuple((at * far, words) for at, words in places)
        return Edge(name, (1 - t) * np.array(start) + t * np.array(end), named)

    w, back = width_mm / 2, -length_mm
    across = ((0.0, "the left corner"), (0.5, FOLD), (1.0, "the right corner"))
    along = ((0.0, "the front corner"), (1.0, "the back corner"))
    return (
        edge("front edge", (-w, 0.0), (w, 0.0), *across),
        edge("left edge", (-w, 0.0), (-w, back), *along),
        edge("right edge", (w, 0.0), (w, back), *along),
        edge("back edge", (-w, back), (w, back), *across),
    )


def is_worth(name: str, judged: Judged) -> bool:
    """Whether a measure that is out lies far enough beyond its limit."""
    value = judged.estimate.value
    beyond = max(judged.low - value, value - judged.high)
    return judged.state == "out" and beyond >= WORTH[MEASURE_BY_NAME[name].unit]


def ways_to_go(plan: Plan, points: FloatArray) -> FloatArray:
    """How far each point (n, 2) of the closure has to go, (n, 2) mm to the right and toward the face."""
    plan.turn()
    plan.slide()
    a_dent = not plan.moves and plan.a_dent
    slid = plan.now
    plan.advance()
    if a_dent and abs(plan.advanced_mm) > EASE_MM:  # it is eased where it is, so that the rest stays sewn
        plan.now, plan.advanced_mm = slid, 0.0
    was, now = plan.was, plan.now
    length, width = plan.request.closure.length_mm, plan.request.closure.width_mm
    front, back = _change(was.front, now.front), _change(was.back, now.back)
    share = 1.0 + points[:, 1] / length  # 1 at the hairline, 0 at the back edge
    sideways = back + (front - back) * share
    ahead = plan.advanced_mm - points[:, 0] * (front - back) / length
    sideways, ahead = _with_what_is_left(plan, now, points, sideways, ahead, width)
    return np.stack([sideways, ahead], -1)


def _change(was: float | None, now: float | None) -> float:
    return 0.0 if was is None or now is None else now - was


def _with_what_is_left(
    plan: Plan, now: Placement, points: FloatArray, sideways: FloatArray, ahead: FloatArray, width: float
) -> tuple[FloatArray, FloatArray]:
    """What the rigid moves leave: a dent in the hairline fades out to the next place that is right, a corner too."""
    half, length = width / 2, plan.request.closure.length_mm
    front = points[:, 1] > -1e-6
    stations = {"clearance_left_mm": -plan.station, "clearance_centre_mm": 0.0, "clearance_right_mm": plan.station}
    knots, wanted = [-half], [0.0]
    # a long way sideways changes the rim that the clearances are read against: nothing is known of the hairline then
    told = abs((now.front or 0.0) - (plan.was.front or 0.0)) <= FAR_SIDEWAYS_MM
    for name, at in stations.items():
        value = now.clearance.get(name) if told else None
        off = plan.tolerances.clearance_aim_mm - value if value is not None and plan.beyond(name, value) else 0.0
        knots.append(at)
        wanted.append(off)
    if wanted[1]:  # nothing is read beyond a station: the corner goes along half way
        wanted[0] = wanted[1] / 2
    knots.append(half)
    wanted.append(wanted[3] / 2)
    ahead = ahead + np.where(front, np.interp(points[:, 0], knots, wanted), 0.0)
    for name in ASYMMETRIES:
        value = now.asymmetry.get(name)
        if value is None or not plan.beyond(name, value):
            continue
        if plan.only_follow(name):
            continue
        at_front = name.startswith("front")
        near = 1.0 + points[:, 1] / length if at_front else -points[:, 1] / length
        for side, move in zip((-1.0, 1.0), plan.corner_moves(name, value - plan.aim(name)), strict=True):
            reach = np.clip(side * points[:, 0] / half, 0.0, 1.0)
            sideways = sideways + move * reach * near
    return sideways, ahead


def stretches(edge: Edge, ways: FloatArray) -> list[tuple[float, float]]:
    """From where to where (mm along the edge) the stitches have to come out."""
    need = np.linalg.norm(ways, axis=1) > EASE_MM
    found: list[tuple[float, float]] = []
    for i in np.nonzero(need)[0]:
        at = edge.step_mm * float(i)
        found = _with(found, max(0.0, at - LEEWAY_MM), min(edge.length_mm, at + LEEWAY_MM), LEEWAY_MM)
    joined: list[tuple[float, float]] = []
    for a, b in found:  # two that end at one place are one
        joined = _with(joined, *_between_places(edge, a, b), 0.0)
    return joined


def _with(found: list[tuple[float, float]], start: float, end: float, within_mm: float) -> list[tuple[float, float]]:
    """The stretches so far and one more, joined with the last where no more than `within_mm` lies between them."""
    if found and start <= found[-1][1] + within_mm:
        return [*found[:-1], (found[-1][0], end)]
    return [*found, (start, end)]


def _between_places(edge: Edge, start: float, end: float) -> tuple[float, float]:
    """From one named place to another; a stretch about a single one, or to it, keeps its own ends."""
    loses = 0.0 if _nearest(edge, start) == _nearest(edge, end) else LEEWAY_MM
    snapped = _snapped(edge, start, -1.0, loses), _snapped(edge, end, 1.0, loses)
    return snapped if snapped[0] < snapped[1] else (start, end)


def _snapped(edge: Edge, at: float, outward: float, loses: float) -> float:
    """The named place nearby, if there is one; the stretch loses no more than `loses` mm by that."""
    place, _ = _nearest(edge, at)
    return place if -loses <= outward * (place - at) <= SNAP_MM else at


def _named(edge: Edge, at: float) -> str:
    place, words = _nearest(edge, at)
    far = abs(place - at)
    if far < 1.0:
        return words
    side = "left" if at < place else "right"
    of = f"to the wearer's {side} of" if words == FOLD else "from"
    return f"{_whole_mm(far)} {of} {words}"


def _whole_mm(mm: float) -> str:
    """A length along an edge, where a tenth of a millimetre tells nothing: `406 mm (16 in)`."""
    return f"{mm:.0f} mm ({sixteenths(round(mm))})"


def _nearest(edge: Edge, at: float) -> tuple[float, str]:
    """The named place next to `at` mm along the edge, and where it is."""
    return min(edge.places, key=lambda p: abs(p[0] - at))


def unpicking(measured: Measured, judged: Mapping[str, Judged], request: CheckRequest) -> tuple[str, ...]:
    """Whether to unpick and where, one sentence each; empty when nothing is proven out."""
    out = [name for name, j in judged.items() if j.state == "out"]
    if not out:
        return ()
    worth = [name for name in out if is_worth(name, judged[name])]
    if not worth:
        return (_hardly(out, judged, "less than a millimetre or half a degree too much"),)
    plan = Plan(measured, judged, request)
    edges = edges_of(request.closure.width_mm, request.closure.length_mm)
    points = np.concatenate([edge.points for edge in edges])
    every = ways_to_go(plan, points)
    sentences = [f"Unpicking is worth it: {_reads(worth, judged)}."]
    whole, at = [], 0
    for edge in edges:
        ways = every[at : at + len(edge.points)]
        at += len(edge.points)
        for start, end in stretches(edge, ways):
            if end - start > 0.97 * edge.length_mm:
                whole.append(edge.name)
            sentences.append(_unpick(plan, edge, ways, start, end))
    if len(sentences) == 1:
        little = f"but no place has to go further than {EASE_MM:g} mm, which the lace gives by itself"
        return (_hardly(worth, judged, little),)
    if len(whole) == len(edges):
        sentences[1:] = [
            f"Unpick the closure all round, about {_whole_mm(sum(e.length_mm for e in edges))}: it has to "
            f"{_as_a_whole(plan, every.mean(axis=0))}; then pin it anew and check it before you stitch."
        ]
    return (*([TAPE_FIRST] if plan.doubted else []), *sentences, RIPPER)


def _as_a_whole(plan: Plan, middle: FloatArray) -> str:
    """How the whole closure has to go, its middle by `middle` (2,) mm; where it has to turn, how the fold's ends do."""
    front, back = _change(plan.was.front, plan.now.front), _change(plan.was.back, plan.now.back)
    if abs(front - back) < 2 * LEAST_MOVE_MM:
        return f"go {_way_words(plan, middle)} as a whole"
    ends = [
        f"the {end} of the fold going {mm_and_inches(mm)} {plan.sideways(mm)}"
        for end, mm in (("front", front), ("back", back))
        if abs(mm) >= LEAST_MOVE_MM
    ]
    ahead = _way_words(plan, np.array([0.0, plan.advanced_mm])) if abs(plan.advanced_mm) >= LEAST_MOVE_MM else ""
    return f"turn, {' and '.join(ends)}{', and to go ' + ahead + ' as a whole' if ahead else ''}"


def _hardly(names: list[str], judged: Mapping[str, Judged], why: str) -> str:
    """That stitches had better stay in."""
    return (
        f"Hardly worth unpicking: {_reads(names, judged)}, {why}. Every seam that is unpicked weakens the lace; leave "
        "it unless it shows when the wig is on."
    )


def _reads(names: list[str], judged: Mapping[str, Judged]) -> str:
    """The readings with their limits and the chance that each conforms."""
    parts = []
    for name in names:
        spec, j = MEASURE_BY_NAME[name], judged[name]
        chance = "under 1 %" if j.p_conform < 0.01 else f"{100 * j.p_conform:.0f} %"
        reads, limits = in_words(spec, j.estimate.value, j.estimate.U95), limits_text(name, j.low, j.high, spec.unit)
        parts.append(f"{spec.label} {reads} (limits {limits}, chance of being inside {chance})")
    return "; ".join(parts)


def _unpick(plan: Plan, edge: Edge, ways: FloatArray, start: float, end: float) -> str:
    first, last = round(start / edge.step_mm), round(end / edge.step_mm)
    length = _whole_mm(end - start)
    ends = [place for place, _ in edge.places if min(abs(place - start), abs(place - end)) < 1.0]
    if start <= 0.0 and end >= edge.length_mm - 1e-6:
        where = f"Unpick the whole {edge.name}, about {length}"
    elif len(ends) == 1 and _nearest(edge, start) == _nearest(edge, end) and ends[0] in (0.0, edge.places[-1][0]):
        where = f"Unpick the {edge.name} from {_named(edge, ends[0])} on, about {length}"
    else:
        where = f"Unpick the {edge.name} from {_named(edge, start)} to {_named(edge, end)}, about {length}"
    return f"{where}: the lace there has to go {_part_words(plan, edge, ways[first : last + 1], start)}."


def _part_words(plan: Plan, edge: Edge, part: FloatArray, start: float) -> str:
    """How the lace has to go along a stretch from `start`; where its ends go opposite ways, which goes which way."""
    far = part[int(np.argmax(np.linalg.norm(part, axis=1)))].copy()
    apart = []
    for axis in (0, 1):
        low, high = (int(pick(part[:, axis])) for pick in (np.argmin, np.argmax))
        if part[low, axis] <= -2 * LEAST_MOVE_MM and part[high, axis] >= 2 * LEAST_MOVE_MM:
            for i in sorted((low, high)):
                way = np.where(np.arange(2) == axis, part[i], 0.0)
                apart.append(f"{_way_words(plan, way)} at {_named(edge, start + edge.step_mm * i)}")
            far[axis] = 0.0
    same = [f"up to {_way_words(plan, far)}"] if np.abs(far).max() >= 2 * LEAST_MOVE_MM or not apart else []
    return enumerated([*same, *apart])


def _way_words(plan: Plan, way: FloatArray) -> str:
    """A way in the plane of the lace: `4.1 mm (3/16 in) toward the face`, both directions where both count."""
    directions: tuple[tuple[float, Way], ...] = (
        (float(way[0]), "right" if way[0] > 0 else "left"),
        (float(way[1]), "face" if way[1] > 0 else "nape"),
    )
    far = [(mm, name) for mm, name in directions if abs(mm) >= 2 * LEAST_MOVE_MM]
    far = far or [max(directions, key=lambda d: abs(d[0]))]
    return " and ".join(f"{mm_and_inches(mm)} {plan.way(name)}" for mm, name in far)
