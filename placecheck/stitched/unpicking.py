"""Advice once the closure is stitched: whether unpicking is worth it, and from where to where along which edge.

Worth it is what lies proven outside its limits by more than WORTH: less is not seen when worn, and
every unpicked edge weakens the lace (common practice, no published source); nor is it worth it where
no place has far to go. What has to move is
worked out as before stitching (advice.py): the turn, the slide and the way toward face or nape
that bring the readings back, then what is left at one place of the hairline or at one corner. That
gives the way every point of the closure's edge has to go. Where it is more than the lace gives by
itself (EASE_MM) the stitches have to come out, and a little beyond (LEEWAY_MM); the stretches are
named by the corners and the fold, with their length along the edge. Sides are the wearer's.
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
from placecheck.tolerances import ASYMMETRIES
from placecheck.units import mm_and_inches

FloatArray = npt.NDArray[np.float64]

WORTH: Mapping[str, float] = {"mm": 1.0, "deg": 0.5}
EASE_MM = 1.5
LEEWAY_MM = 8.0
SNAP_MM = 14.0
STEP_MM = 2.0
RIPPER = (
    "A seam ripper is sharp: cut the thread, never the lace, away from your hand, a few stitches at a time, and draw "
    "the ends out. Take the photo again before you stitch it."
)


@dataclass(frozen=True)
class Edge:
    """One edge of the ventilated rectangle, flat: points (n, 2) as (right, toward the face) mm, and places by name.

    `places` are lengths along the edge.
    """

    name: str
    points: FloatArray
    places: tuple[tuple[float, str], ...]

    @property
    def length_mm(self) -> float:
        return STEP_MM * (len(self.points) - 1)


def edges_of(width_mm: float, length_mm: float) -> tuple[Edge, ...]:
    """The four edges, the front one first."""

    def edge(name: str, start: tuple[float, float], end: tuple[float, float], *places: tuple[float, str]) -> Edge:
        far = math.dist(start, end)
        n = max(2, round(far / STEP_MM) + 1)
        t = np.linspace(0.0, 1.0, n)[:, None]
        scale = STEP_MM * (n - 1)
        named = tuple((at * scale, words) for at, words in places)
        return Edge(name, (1 - t) * np.array(start) + t * np.array(end), named)

    w, back = width_mm / 2, -length_mm
    across = ((0.0, "the left corner"), (0.5, "the fold"), (1.0, "the right corner"))
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
    plan.advance()
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
        if not plan.is_out(name) and plan.fold_makes_even(name):
            continue
        at_front = name.startswith("front")
        near = 1.0 + points[:, 1] / length if at_front else -points[:, 1] / length
        for side, move in zip((-1.0, 1.0), plan.corner_moves(name, value), strict=True):
            reach = np.clip(side * points[:, 0] / half, 0.0, 1.0)
            sideways = sideways + move * reach * near
    return sideways, ahead


def stretches(edge: Edge, ways: FloatArray) -> list[tuple[float, float]]:
    """From where to where (mm along the edge) the stitches have to come out."""
    need = np.linalg.norm(ways, axis=1) > EASE_MM
    found: list[tuple[float, float]] = []
    for i in np.nonzero(need)[0]:
        start, end = max(0.0, STEP_MM * i - LEEWAY_MM), min(edge.length_mm, STEP_MM * i + LEEWAY_MM)
        if found and start <= found[-1][1] + LEEWAY_MM:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return [_between_places(edge, a, b) for a, b in found]


def _between_places(edge: Edge, start: float, end: float) -> tuple[float, float]:
    """From one named place to another; a stretch about a single one, or to it, keeps its own ends."""
    snapped = _snapped(edge, start), _snapped(edge, end)
    return snapped if snapped[0] < snapped[1] else (start, end)


def _snapped(edge: Edge, at: float) -> float:
    """The named place nearby, if there is one."""
    place = min((place for place, _ in edge.places), key=lambda p: abs(p - at))
    return place if abs(place - at) <= SNAP_MM else at


def _named(edge: Edge, at: float) -> str:
    place, words = min(edge.places, key=lambda p: abs(p[0] - at))
    far = abs(place - at)
    return words if far < 1.0 else f"{mm_and_inches(round(far))} from {words}"


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
        middle = every.mean(axis=0)
        sentences[1:] = [
            f"Unpick the closure all round ({mm_and_inches(sum(e.length_mm for e in edges))}): it has to go "
            f"{_way_words(plan, middle)} as a whole; then pin it anew and check it before you stitch."
        ]
    return (*sentences, RIPPER)


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
        reads, limits = in_words(spec, j.estimate.value, j.estimate.U95), limits_text(j.low, j.high, spec.unit)
        parts.append(f"{spec.label} {reads} (limits {limits}, chance of being inside {chance})")
    return "; ".join(parts)


def _unpick(plan: Plan, edge: Edge, ways: FloatArray, start: float, end: float) -> str:
    part = ways[round(start / STEP_MM) : round(end / STEP_MM) + 1]
    far = part[int(np.argmax(np.linalg.norm(part, axis=1)))]
    length = mm_and_inches(round(end - start))
    if start <= 0.0 and end >= edge.length_mm:
        where = f"Unpick the whole {edge.name}, about {length}"
    else:
        where = f"Unpick the {edge.name} from {_named(edge, start)} to {_named(edge, end)}, about {length}"
    return f"{where}: the lace there has to go {_way_words(plan, far)}."


def _way_words(plan: Plan, way: FloatArray) -> str:
    """A way in the plane of the lace: `up to 4.1 mm (3/16 in) toward the face`, both directions where both count."""
    directions: tuple[tuple[float, Way], ...] = (
        (float(way[0]), "right" if way[0] > 0 else "left"),
        (float(way[1]), "face" if way[1] > 0 else "nape"),
    )
    parts = [f"{mm_and_inches(abs(mm))} {plan.way(name)}" for mm, name in directions if abs(mm) >= 2 * LEAST_MOVE_MM]
    return "up to " + " and ".join(parts) if parts else "a little"
