"""Sighted photos of one pinned block, measured as one: do they belong together, one fit, one set of measures.

The joint fit is made once with block and card free to have moved, to ask whether the photos belong together
(agree.py), then as they are to be taken (joint.py). Measures and budget come from the one dome and the
points and curves in space that all photos share (together.py); words about what was seen are those of the
first photo that shows it. For its picture every photo gets the common solution as it sees it, so that a
wrong one is seen at once. How the phone was held is told for the photo that leans farthest toward the
face, since that view has been taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from placecheck.answer import CAP_TIED, Findings, Measured, View
from placecheck.request import CheckRequest

if TYPE_CHECKING:
    from placecheck.measure import OnDome
    from placecheck.observed import Observed
    from placecheck.same_block.evidence import Seen
    from placecheck.same_block.unknowns import JointFit
    from placecheck.sighting import Sighted


def solve(names: Sequence[str], seen: Sequence[Seen], request: CheckRequest) -> JointFit:
    """The joint fit of photos that were found to belong together. Raises RetakeNeeded where they do not."""
    from placecheck.same_block.agree import check_excess, check_known, check_moves, check_views
    from placecheck.same_block.evidence import known_block
    from placecheck.same_block.joint import fit_together

    check_views(names, seen)
    around, named, known = request.block_circumference_mm, request.block, known_block(seen, request)

    @cache
    def opened() -> JointFit:
        """With neither the tape nor the saved block."""
        return fit_together(seen, request.closure, around, moves=True, open_block=True)

    free = fit_together(seen, request.closure, around, moves=True, known=named)
    check_known(names, seen, free, opened)
    if known is not named:  # together photos may refuse a block that each alone only doubts
        check_moves(names, free, opened, around)
        free = fit_together(seen, request.closure, around, moves=True, known=known)
    check_excess(names, seen, free)
    check_moves(names, free, opened, around)
    return fit_together(seen, request.closure, around, known=known)


def measure_together(
    names: Sequence[str], sighted: Sequence[Sighted], request: CheckRequest
) -> tuple[Measured, tuple[Measured, ...]]:
    """What the set measures, told for the first photo, and the same with each photo's own findings and view."""
    from placecheck.findings import estimated, far_off, grounds_of
    from placecheck.measure import measure_at
    from placecheck.same_block.evidence import seen_of
    from placecheck.same_block.together import budgets_together, inferred_of, on_dome

    seen = [seen_of(s) for s in sighted]
    fit = solve(names, seen, request)
    inferred = inferred_of(fit, seen)
    on = on_dome(fit, inferred, chart_step_mm=2.0)
    width = request.closure.width_mm
    values = measure_at(on, width)
    parts = budgets_together(fit, seen, inferred, width, values)
    merged = _merged([s.observed for s in sighted])
    grounds = grounds_of(merged, together=True)
    estimates, missing = estimated(values, parts, merged, grounds, (f"solved in space from {len(seen)} photos",))
    shares = []
    for k, s in enumerate(sighted):
        findings, view = _drawn(fit, k, s, on, merged)
        shares.append(Measured(estimates, missing, findings, (), view, grounds=grounds))
    views = [m.view for m in shares if m.view is not None]
    leaning = max(views, key=lambda v: v.lean_to_face_deg, default=None)
    return replace(shares[0], problems=far_off(estimates, merged), view=leaning), tuple(shares)


def _merged(observed: Sequence[Observed]) -> Observed:
    """All that any photo shows, for words: the first that has a landmark lends its evidence, a line has that of all.

    So has a landmark that was set by hand in some photos and found in others: it needs the finders' factor.
    """
    first = observed[0]
    marks: dict[str, Any] = {}
    inferred: dict[str, Any] = {}
    for one in observed:
        marks = {**one.marks, **marks}
        inferred = {**one.inferred, **inferred}
    for name, mark in marks.items():
        shown = [o.marks[name] for o in observed if name in o.marks]
        if len({m.by_hand for m in shown}) > 1:
            marks[name] = replace(mark, evidence=tuple(dict.fromkeys(w for m in shown for w in m.evidence)))
    inferred = {n: g for n, g in inferred.items() if n not in marks}
    lines: dict[str, Any] = {}
    for name in _LINE_FIELDS:
        seen = [getattr(o, name) for o in observed if getattr(o, name) is not None]
        # the factor for a rim that is tied was found on single photos
        words = dict.fromkeys(w for line in seen for w in line.evidence if w != CAP_TIED)
        lines[name] = replace(seen[0], evidence=tuple(words)) if seen else None
    return replace(first, marks=marks, inferred=inferred, **lines)


_LINE_FIELDS = ("rim", "hairline", "centre", "pins")


def _drawn(fit: JointFit, k: int, sighted: Sighted, on: OnDome, merged: Observed) -> tuple[Findings, View]:
    """The common solution as photo `k` sees it."""
    from placecheck.findings import findings_of, view_of
    from placecheck.observed import Line, Mark

    g = fit.geometry(k)
    lines: dict[str, Line | None] = {"rim": None, "hairline": None}
    uv = {"rim": np.zeros((0, 2)), "hairline": np.zeros((0, 2))}
    for c, curve in enumerate(fit.curves):
        points = curve.weights @ fit.knots(c)
        there = g.visible(points, 0.02)
        if there.sum() >= 3:
            lines[curve.name] = Line(g.to_px(points[there]), np.ones(int(there.sum())))
            uv[curve.name] = on.chart.to_uv(points[there])
    marks = {}
    for name, p in fit.points().items():
        if g.visible(p[None], 0.0)[0]:
            source = sighted.observed.marks.get(name) or merged.marks[name]
            marks[name] = Mark(g.to_px(p[None])[0], source.covariance_px2, source.evidence)
    observed = replace(sighted.observed, marks=marks, inferred=dict(merged.inferred), **lines)
    drawn = replace(on, rim_uv=uv["rim"], hair_uv=uv["hairline"])
    return findings_of(g, observed, drawn), view_of(g, on.chart)
