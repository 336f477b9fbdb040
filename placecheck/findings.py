"""From measures on the dome to what the answer says of them: estimates, reasons, findings, view.

One photo (measuring.py) and several photos of one block (same_block/) end here alike. Values and
budgets become an Estimate each, with the words of what it rests on, or a Problem that says
what could not be seen and how to make it seen; a measure whose uncertainty is beyond
WORST_U (an inch) counts as not seen. Landmarks, lines and the ring of the closure's edge
go back into the photo's pixels for the picture, through the camera that took it; what was
only inferred is named as a guess. The view tells how the phone was held over the crown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from placecheck.answer import (
    CAP_DOUBTED,
    CAP_SHOWN,
    CAP_TIED,
    JUDGED,
    MEASURES,
    ON_CENTRE_LINE,
    PINNED,
    RIM_UNSEEN,
    Contribution,
    Estimate,
    Findings,
    Grounds,
    View,
)
from placecheck.block import Geometry, outline_px
from placecheck.errors import Problem
from placecheck.measure import OnDome
from placecheck.observed import BY_HAND, CORNERS, FOLD, Inferred, Line, Mark, Observed
from placecheck.steps import begun
from placecheck.surface_map import Chart
from placecheck.uncertainty import scaled_u, total_u

FloatArray = npt.NDArray[np.float64]
FAR_OFF = {"offset_mm": 12.0, "skew_deg": 8.0}
"""Farther off than a closure is pinned by eye (common practice, no published source). Of 271 generated placements, all
within 5.4 mm and 4.5 degrees, one was read so: hair hid the cap, and its middle was taken 13 mm beside where it was."""
_HAIRLINE_ENDS = (("front_left", -80.0), ("front_right", 80.0))
"""The corners that end the hairline, and how far to the right (mm) it is shown where one was not seen."""
WORST_U = 25.0
"""Standard uncertainty (mm, or deg for the skew) from which on a measure was not seen."""


def estimated(
    values: Mapping[str, float],
    budgets: Mapping[str, tuple[Contribution, ...]],
    observed: Observed,
    grounds: Grounds,
    also: tuple[str, ...] = (),
) -> tuple[dict[str, Estimate], dict[str, Problem]]:
    """Every measure that can be had, and why each judged one that cannot is missing.

    `values` in mm or deg with their `budgets`, on their `grounds`; `also` is evidence that all of them rest on.
    """
    estimates: dict[str, Estimate] = {}
    missing: dict[str, Problem] = {}
    for spec in MEASURES:
        value, budget = values.get(spec.name, math.nan), budgets.get(spec.name, ())
        rests_on = _rests_on(spec.name, observed)
        by_hand = bool(rests_on) and all(words == BY_HAND for _, words in rests_on)
        u = total_u(budget) if by_hand else scaled_u(spec.name, total_u(budget), grounds)
        if np.isfinite(value) and 0 < u < WORST_U:
            estimates[spec.name] = Estimate(float(value), u, budget, also + _in_words(rests_on))
        elif spec.name in JUDGED:
            missing[spec.name] = why_missing(spec.name, spec.label, observed)
    return estimates, missing


def far_off(estimates: Mapping[str, Estimate], observed: Observed) -> tuple[Problem, ...]:
    """What is to be said of a closure that reads farther off than one is pinned; it changes no verdict.

    More often than the closure it is the cap's middle that is somewhere else. A line set by hand is believed.
    """
    far = [name for name, far in FAR_OFF.items() if name in estimates and abs(estimates[name].value) > far]
    if not far or (observed.centre is not None and observed.centre.by_hand):
        return ()
    pinned = observed.centre is not None and PINNED in observed.centre.evidence
    again = "" if pinned else ", or set a ball pin on it and take the photo again,"
    return (
        Problem(
            "far-off",
            "The closure reads farther off than one is pinned by eye. If it does not look so, hair or shadow hid where "
            f"the cap's middle runs: correct the centre line by hand{again} before you move anything.",
        ),
    )


def grounds_of(observed: Observed, together: bool = False) -> Grounds:
    """What the measures of a photo, or of a set that was measured `together`, stand on."""
    rim = () if observed.rim is None else observed.rim.evidence
    pinned = observed.centre is not None and PINNED in observed.centre.evidence
    return Grounds(pinned, CAP_SHOWN in rim, CAP_TIED in rim, CAP_DOUBTED in rim, together)


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


def _rests_on(name: str, observed: Observed) -> list[tuple[str, str]]:
    """What a measure rests on: each landmark and line it needs, with every piece of its evidence."""
    sources: list[tuple[str, Mark | Inferred | Line | None]]
    sources = [(mark, observed.marks.get(mark) or observed.inferred.get(mark)) for mark in _needs(name)]
    if name.startswith("clearance"):
        sources += [("cap rim", observed.rim), ("hairline", observed.hairline)]
    if name in ON_CENTRE_LINE:
        sources.append(("centre line", observed.centre))
    return [(key, words) for key, source in sources if source is not None for words in source.evidence]


def _in_words(rests_on: list[tuple[str, str]]) -> tuple[str, ...]:
    return tuple(f"{key}: {words}" for key, words in rests_on)


def why_missing(name: str, label: str, observed: Observed) -> Problem:
    """What could not be seen that a measure needs, and what to do."""
    words = {"fold_front": "the fold at the hairline", "fold_back": "the fold at the back edge"}
    lost = [n for n in _needs(name) if n not in observed.marks]
    if name.startswith("clearance") and observed.rim is None:
        lost.append("the cap's front rim")
    words |= {n: n.replace("_", " ") + " corner" for n in CORNERS}
    what = " and ".join(words.get(n, n) for n in lost)
    if not what:
        what = "the hairline or the cap's rim at that place"
    return Problem(
        f"{name.removesuffix('_mm').removesuffix('_deg').replace('_', '-')}-missing",
        f"{begun(label)}: {what} could not be seen; move away what covers it, put a pin there, or lean "
        "the phone further toward the face, and retake.",
    )


def findings_of(geometry: Geometry, observed: Observed, on: OnDome) -> Findings:
    """All that the picture shows, in pixels of the photo that `geometry` took."""
    landmarks = {n: (float(m.px[0]), float(m.px[1])) for n, m in observed.marks.items()}
    lines: dict[str, FloatArray] = {"outline": outline_px(geometry, 144)}
    if observed.rim is not None:
        lines["cap_rim"] = observed.rim.px
    if observed.hairline is not None:
        left, right = (float(on.marks_uv[n][0]) if n in on.marks_uv else far for n, far in _HAIRLINE_ENDS)
        u = np.nan_to_num(on.hair_uv[:, 0], nan=1e3)
        inside = (u > left - 2) & (u < right + 2)
        lines["hairline"] = observed.hairline.px[inside]
    v = np.arange(on.chart.v_mm[0], on.chart.v_mm[-1], 3.0)
    middle = on.chart.to_points(np.stack([np.zeros_like(v), v], -1))
    lines["centre_line"] = geometry.to_px(middle[geometry.visible(middle, 0.05)])
    inferred_px = {
        n: tuple(float(x) for x in geometry.to_px(on.chart.to_points(uv))) for n, uv in on.inferred_uv.items()
    }
    if observed.pins is not None:
        lines["pins"] = observed.pins.px
    every = {**inferred_px, **landmarks}
    if all(n in every for n in FOLD):
        t = np.linspace(0, 1, 30)[:, None]
        a, b = on.marks_uv["fold_front"], on.marks_uv["fold_back"]
        lines["fold"] = geometry.to_px(on.chart.to_points((1 - t) * a + t * b))
    corners = ("front_left", "front_right", "back_right", "back_left")
    if all(n in every for n in corners):
        over = ("fold_back",) if "fold_back" in landmarks else ()  # nor is the back edge straight on the dome
        ring = (*corners[:3], *over, *corners[3:], corners[0])
        uv = {**on.inferred_uv, **on.marks_uv}
        t = np.linspace(0, 1, 20)[:, None]
        sides = [geometry.to_px(on.chart.to_points((1 - t) * uv[p] + t * uv[q])) for p, q in pairwise(ring)]
        if len(lines.get("hairline", ())) > 2:  # a front edge is seldom straight on the dome: drawn as it was seen
            seen = lines["hairline"]
            along = (seen - sides[0][0]) @ (sides[0][-1] - sides[0][0])
            sides[0] = np.concatenate([sides[0][:1], seen[np.argsort(along)], sides[0][-1:]])
        lines["rectangle"] = np.concatenate(sides)
    crown = on.chart.to_points(np.array([[-25.0, 0.0], [25.0, 0.0]]))
    by_hand = frozenset(n for n, m in observed.marks.items() if m.by_hand)
    unseen = {"cap_rim"} if observed.rim is not None and RIM_UNSEEN in observed.rim.evidence else set()
    evidence = {n: m.evidence for n, m in observed.marks.items()} | {
        n: g.evidence for n, g in observed.inferred.items()
    }
    return Findings(
        {n: (p[0], p[1]) for n, p in every.items()},
        lines,
        frozenset(inferred_px) | unseen,
        by_hand,
        evidence,
        geometry.to_px(crown),
    )


def view_of(geometry: Geometry, chart: Chart) -> View:
    """How the phone was held, by its place to the crown, where `chart` begins."""
    aim = chart.to_points(np.array([0.0, 40.0]))
    sight_line = geometry.eye_mm - aim
    distance = float(np.linalg.norm(geometry.eye_mm - chart.to_points(np.array([0.0, 0.0]))))
    lean = math.degrees(math.atan2(float(sight_line[1]), float(sight_line[2])))
    return View(lean, distance, geometry.f_px / distance)
