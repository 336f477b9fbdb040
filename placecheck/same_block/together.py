"""The measures of the set, on the one dome that all photos share, and where their uncertainty comes from.

Landmarks and curves are points in space already; they are brought into the chart about the
cap's mid plane on the fitted dome and measured as one photo's are (measure.py). The estimate
is a linear function of the observations, x = -C J^T r near the solution, so every group of
observations has its own share G C N_g C G^T of a measure's variance (N_g its part of the
normal matrix, G the measure's sensitivities): the shares add up to G C G^T exactly, all
correlations kept (GUM, JCGM 100:2008, 5.2.2 and 5.1.3). An error of the card's print is the same in
every photo and counts once, by how far it moves the solution. What the finders may mistake in every
photo alike does not shrink with the number of photos and is added once for landmarks and
lines that were found, less where some of the photos have them by hand: what was set by hand errs
by hand, anew in every photo.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from placecheck.answer import Contribution
from placecheck.measure import LACE_LIFT_MM, OnDome, measure_at, station_mm
from placecheck.observed import FOLD, Inferred, Line, Mark
from placecheck.same_block.evidence import ALIKE, LINES, Seen, own_share
from placecheck.same_block.residuals import LINE_WORDS
from placecheck.same_block.unknowns import JointFit
from placecheck.surface_map import fermi_chart
from placecheck.uncertainty import WORDS, by_measure, by_source, mark_covariance_mm2, station_u_mm

FloatArray = npt.NDArray[np.float64]


def inferred_of(fit: JointFit, seen: Sequence[Seen]) -> dict[str, Inferred]:
    """Landmarks that no photo shows, as the photos place them beside others."""
    out: dict[str, Inferred] = {}
    for photo in seen:
        for name, guess in photo.observed.inferred.items():
            if name not in fit.index.marks and guess.anchor in fit.index.marks:
                out.setdefault(name, guess)
    return out


def on_dome(
    fit: JointFit, inferred: Mapping[str, Inferred], x: FloatArray | None = None, chart_step_mm: float = 4.0
) -> OnDome:
    """Landmarks and the curves' parts at the stations, of unknowns `x` (or the fitted ones), in their dome's chart."""
    x = fit.x if x is None else x
    geometry = fit.geometry(0, x)
    dome, cap = geometry.dome.raised(LACE_LIFT_MM), geometry.cap
    chart = fermi_chart(dome, cap, u_max_mm=112.0, front_deg=-40, back_deg=-20, step_mm=chart_step_mm)
    none = np.zeros((0, 2))
    return _in_chart(fit, inferred, x, OnDome(dome, cap, chart, {}, {}, none, none))


def _in_chart(fit: JointFit, inferred: Mapping[str, Inferred], x: FloatArray, on: OnDome) -> OnDome:
    """The points of `x` in a chart that is there already."""
    marks = [x[fit.index.mark(i)] for i in range(len(fit.index.marks))]
    parts = [np.array(marks).reshape(-1, 3)]
    for c, curve in enumerate(fit.curves):
        parts.append(curve.weights[curve.stations] @ curve.knots(x[fit.index.curve(c)].reshape(-1, 2)))
    uv = on.chart.to_uv(np.concatenate(parts))
    lines = {curve.name: np.zeros((0, 2)) for curve in fit.curves}
    at = len(marks)
    for curve, part in zip(fit.curves, parts[1:], strict=True):
        lines[curve.name] = uv[at : at + len(part)]
        at += len(part)
    marks_uv = {name: uv[i] for i, name in enumerate(fit.index.marks)}
    beside = {name: marks_uv[g.anchor] + np.array([g.du_mm, 0.0]) for name, g in inferred.items()}
    none = np.zeros((0, 2))
    return replace(
        on, marks_uv=marks_uv, inferred_uv=beside, rim_uv=lines.get("rim", none), hair_uv=lines.get("hairline", none)
    )


def budgets_together(
    fit: JointFit, seen: Sequence[Seen], inferred: Mapping[str, Inferred], width_mm: float, values: Mapping[str, float]
) -> dict[str, tuple[Contribution, ...]]:
    """The budget of every finite measure in `values`, largest first; see the module's text."""
    names = [name for name, value in values.items() if np.isfinite(value)]
    slow = on_dome(fit, inferred, chart_step_mm=8.0)

    def at(on: OnDome) -> FloatArray:
        measures = measure_at(on, width_mm)
        return np.array([measures[name] for name in names])

    base = at(slow)
    u = np.sqrt(np.diag(fit.covariance))
    sensitivity = np.zeros((len(names), fit.index.size))
    shape = [j for j in range(fit.index.shared.start, fit.index.shared.stop)]
    for j in shape + list(range(fit.index.first_mark, fit.index.size)):
        h = min(0.5 * u[j], 1.0)
        moved = fit.x.copy()
        moved[j] += h
        there = on_dome(fit, inferred, moved, 8.0) if j in shape else _in_chart(fit, inferred, moved, slow)
        sensitivity[:, j] = np.nan_to_num((at(there) - base) / h)
    lines = by_source(sensitivity, fit.covariance, fit.sources)
    lines.append(("card print", (sensitivity @ fit.card_print_move) ** 2))
    lines += _alike(fit, seen, slow, width_mm, names, at, base)
    for name, guess in inferred.items():
        beside = {**slow.inferred_uv, name: slow.inferred_uv[name] + np.array([0.5, 0.0])}
        change = np.nan_to_num(at(replace(slow, inferred_uv=beside)) - base) / 0.5
        lines.append((f"{WORDS.get(name, name)}, hidden", (change * guess.u_mm) ** 2))
    return by_measure(names, lines)


def _alike(
    fit: JointFit,
    seen: Sequence[Seen],
    on: OnDome,
    width_mm: float,
    names: Sequence[str],
    at: Callable[[OnDome], FloatArray],
    base: FloatArray,
) -> list[tuple[str, FloatArray]]:
    """Variances from what the finders mistake in all photos alike: landmarks, then lines at the stations."""
    lines = []
    for name in fit.index.marks:
        found = [(k, p.observed.marks[name]) for k, p in enumerate(seen) if name in p.observed.marks]
        covs = [mark_covariance_mm2(fit.geometry(k), on, mark.px, mark.covariance_px2) for k, mark in found]
        by_finder = [cov for cov, (_, mark) in zip(covs, found, strict=True) if not mark.by_hand]
        if not by_finder:
            continue
        share = _share(covs, [mark for _, mark in found])
        cov = share @ (ALIKE * min(by_finder, key=lambda c: float(np.trace(c)))) @ share.T
        jac = []
        for step in np.eye(2) * 0.5:
            moved = replace(on, marks_uv={**on.marks_uv, name: on.marks_uv[name] + step})
            if name in FOLD:
                shift = {n: uv + step for n, uv in on.inferred_uv.items() if n.split("_")[0] == name.split("_")[1]}
                moved = replace(moved, inferred_uv={**on.inferred_uv, **shift})
            jac.append(np.nan_to_num(at(moved) - base) / 0.5)
        j = np.stack(jac, -1)
        lines.append((f"{WORDS[name]}, the same error in every photo", np.einsum("ij,jk,ik->i", j, cov, j)))
    front = on.marks_uv.get("fold_front")
    if front is None:
        return lines
    step = station_mm(width_mm)
    stations = ((-step, "clearance_left_mm"), (0.0, "clearance_centre_mm"), (step, "clearance_right_mm"))
    for line_name, words in LINE_WORDS.items():
        found_lines = [(k, getattr(p.observed, line_name)) for k, p in enumerate(seen)]
        found_lines = [(k, line) for k, line in found_lines if line is not None]
        part = np.zeros(len(names))
        if all(line.by_hand for _, line in found_lines):
            continue
        for du, name in stations:
            if name not in names or (line_name == "hairline" and du == 0.0):
                continue
            passing = []
            for k, line in found_lines:
                g = fit.geometry(k)
                uv = on.chart.to_uv(g.hit(line.px, LINES[line_name]))
                u_mm = station_u_mm(g, on, line, uv, float(front[0]) + du, LINES[line_name])
                passing += [(u_mm, line)] if np.isfinite(u_mm) else []
            by_line = [u_mm for u_mm, line in passing if not line.by_hand]
            if by_line:
                covs = [np.array([[u_mm**2]]) for u_mm, _ in passing]
                share = _share(covs, [line for _, line in passing])
                part[list(names).index(name)] = ALIKE * min(by_line) ** 2 * float(share[0, 0]) ** 2
        lines.append((f"{words}, the same error in every photo", part))
    return lines


def _share(covs: Sequence[FloatArray], sources: Sequence[Mark | Line]) -> FloatArray:
    """By how much (N, N) a place moves with an error that is alike in all photos it was found in, not set by hand.

    `covs` (N, N) are its covariances in the photos, of which each weighs by its own share.
    """
    if not any(source.by_hand for source in sources):
        return np.eye(len(covs[0]))
    weights = [np.linalg.inv(own_share(source) * cov) for cov, source in zip(covs, sources, strict=True)]
    found = [w for w, source in zip(weights, sources, strict=True) if not source.by_hand]
    out: FloatArray = np.linalg.solve(np.sum(weights, 0), np.sum(found, 0))
    return out
